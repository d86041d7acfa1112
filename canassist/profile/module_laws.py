"""The parts of a profile that tell the module's own laws, its supply and what was learned."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import Any, Final, NamedTuple

from canassist.model import Curve, LearnedFigure, Limits, Protection, SupplySpec
from canassist.profile.checks import ProfileChecks, Table

CURVES: Final = ("temperature", "supply", "road_speed", "engine_speed")
PROTECTION: Final = (
    *CURVES,
    "hysteresis_k",
    "hysteresis_v",
    "start_ramp_s",
    "latches",
    "duty_rule",
    "returns_to_center",
)
LATCHES: Final = ("temperature", "supply", "duty", "signal")
SUPPLY: Final = ("source", "regulated", "battery")
SOURCES: Final = ("alternator", "dcdc", "battery")
BATTERIES: Final = ("lead", "lithium")
LEARNED: Final = ("value", "low", "high", "rides", "vehicles", "unit", "by", "seconds")
_LINES: Final = {
    "temperature": ("derate_start_c", "derate_zero_c"),
    "supply": ("derate_start_v", "derate_zero_v"),
}
_FULL_PCT: Final = 100.0
_SAME_X_MOST: Final = 2
_NEAR: Final = 1e-9


def read_protection(checks: ProfileChecks, table: Table) -> Protection:
    """Check ``[protection]``.

    Raises
    ------
    ProfileError
        If a curve is no list of pairs in order, or another entry is of the wrong kind.
    """
    place = "protection"
    curves = {
        name: _curve(checks, table[name], f"{place}.{name}") for name in CURVES if name in table
    }
    for name in _LINES:
        if name in curves and not any(pct >= _FULL_PCT for _, pct in curves[name]):
            checks.refuse(f"{place}.{name}", "nowhere leaves 100 %", "Add where assist is full.")
    latches = checks.words(table.get("latches", []), f"{place}.latches")
    for word in sorted(latches - set(LATCHES)):
        fix = f"Choose from {', '.join(LATCHES)}."
        checks.refuse(f"{place}.latches", f'"{word}" is unknown', fix)
    return Protection(
        **curves,
        hysteresis_k=_not_negative(checks, table, "hysteresis_k"),
        hysteresis_v=_not_negative(checks, table, "hysteresis_v"),
        start_ramp_s=_not_negative(checks, table, "start_ramp_s"),
        latches=latches,
        duty_rule=_switch(checks, table, "duty_rule", place),
        returns_to_center=_switch(checks, table, "returns_to_center", place),
    )


def read_supply(checks: ProfileChecks, table: Table) -> SupplySpec:
    """Check ``[supply]``.

    Raises
    ------
    ProfileError
        If a word is unknown.
    """
    return SupplySpec(
        source=_choice(checks, table, "source", SOURCES),
        regulated=_switch(checks, table, "regulated", "supply"),
        battery=_choice(checks, table, "battery", BATTERIES),
    )


def read_learned(checks: ProfileChecks, entry: object) -> dict[str, LearnedFigure]:
    """Check ``[learned]``: entries by dotted name, each a figure with its sources.

    Raises
    ------
    ProfileError
        If an entry is neither a figure nor a table of figures.
    """
    if not isinstance(entry, Mapping):
        checks.refuse("learned", "is not a table", "Write [learned].")
    return dict(_figures(checks, entry, ""))


class LinesOfCurves(NamedTuple):
    """Limits with the ends of curves in place of lines; which names those are, and remarks."""

    limits: Limits
    names: frozenset[str]
    notes: tuple[str, ...]


def lines_of_curves(limits: Limits, protection: Protection, limits_table: Table) -> LinesOfCurves:
    """Put the ends of the protection's curves in place of the straight lines.

    The start of a line is then the curve's last point at 100 %, its zero the first point
    at 0; NaN where the curve has none.
    """
    values: dict[str, float] = {}
    notes = []
    for name, ends in _LINES.items():
        curve: Curve = getattr(protection, name)
        if not curve:
            continue
        told = dict(zip(ends, _ends(curve, upwards=name == "temperature"), strict=True))
        values |= told
        for end, value in told.items():
            given = limits_table.get(end)
            if given is not None and not math.isclose(given, value, abs_tol=_NEAR):
                says = "has none" if math.isnan(value) else f"says {value:g}"
                notes.append(
                    f"limits.{end} = {given:g}, but the curve protection.{name} {says}: "
                    "the curve holds."
                )
    names = frozenset(f"limits.{end}" for end in values)
    return LinesOfCurves(replace(limits, **values), names, tuple(notes))


def _ends(curve: Curve, *, upwards: bool) -> tuple[float, float]:
    """Return where a curve leaves 100 % for good, and where it first reaches 0 after that."""
    # Of two points at one place the higher comes first on the way to less assist.
    points = sorted(curve, key=lambda point: (point[0] if upwards else -point[0], -point[1]))
    last = max(row for row, (_, pct) in enumerate(points) if pct >= _FULL_PCT)
    zero = next((x for x, pct in points[last:] if pct <= 0.0), math.nan)
    return points[last][0], zero


def _curve(checks: ProfileChecks, value: object, place: str) -> Curve:
    fix = "Write [[value, percent], ...] in order of the values."
    if not isinstance(value, list) or not value:
        checks.refuse(place, "is no list of pairs", fix)
    pairs = [checks.numbers(item, place) for item in value]
    if any(len(pair) != 2 for pair in pairs):  # noqa: PLR2004 - a pair
        checks.refuse(place, "is no list of pairs", fix)
    points = tuple((x, pct) for x, pct in pairs)
    if any(not 0.0 <= pct <= _FULL_PCT for _, pct in points):
        checks.refuse(place, "leaves less than 0 % or more than 100 %", "Give 0 to 100.")
    x = [point[0] for point in points]
    if x not in (sorted(x), sorted(x, reverse=True)):
        checks.refuse(place, "goes back and forth", fix)
    if any(x.count(one) > _SAME_X_MOST for one in x):
        checks.refuse(place, "has three points at one place", "A step takes two.")
    return points


def _not_negative(checks: ProfileChecks, table: Table, name: str) -> float | None:
    if name not in table:
        return None
    number = checks.number(table[name], f"protection.{name}")
    if number < 0:
        checks.refuse(f"protection.{name}", "is negative", "Give 0 or more.")
    return number


def _switch(checks: ProfileChecks, table: Table, name: str, place: str) -> bool | None:
    value = table.get(name)
    if value is not None and not isinstance(value, bool):
        checks.refuse(f"{place}.{name}", "is neither true nor false", "Write true or false.")
    return value


def _choice(checks: ProfileChecks, table: Table, name: str, words: tuple[str, ...]) -> str:
    word = checks.text(table.get(name, ""), f"supply.{name}")
    if name in table and word not in words:
        fix = f"Choose one of {', '.join(words)}."
        checks.refuse(f"supply.{name}", f'"{word}" is unknown', fix)
    return word


def _figures(
    checks: ProfileChecks, table: Table, above: str
) -> Iterator[tuple[str, LearnedFigure]]:
    for key, entry in table.items():
        name = f"{above}{key}"
        place = f"learned.{name}"
        if not isinstance(entry, Mapping):
            fix = "Write { value = .., low = .., high = .., rides = .., vehicles = .. }."
            checks.refuse(place, "is no table", fix)
        if entry and all(isinstance(part, Mapping) for part in entry.values()):
            yield from _figures(checks, entry, f"{name}.")
            continue
        checks.known(entry, LEARNED, place)
        yield name, _figure(checks, entry, place)


def _figure(checks: ProfileChecks, entry: Table, place: str) -> LearnedFigure:
    low, high = checks.optional(entry, "low", place), checks.optional(entry, "high", place)
    if low is not None and high is not None and low > high:
        checks.refuse(place, "has its low above its high", "Give the lower one as low.")
    return LearnedFigure(
        value=_learned_value(checks, entry.get("value"), f"{place}.value"),
        low=low,
        high=high,
        rides=_count(checks, entry, "rides", place),
        vehicles=_count(checks, entry, "vehicles", place),
        unit=checks.text(entry.get("unit", ""), f"{place}.unit"),
        by=checks.text(entry.get("by", ""), f"{place}.by"),
        seconds=checks.optional(entry, "seconds", place),
    )


def _learned_value(checks: ProfileChecks, value: Any, place: str) -> float | str | Curve | None:  # noqa: ANN401 - TOML values have any type until checked here
    if value is None or isinstance(value, str):
        return value
    if not isinstance(value, list):
        return checks.number(value, place)
    pairs = [checks.numbers(item, place) for item in value]
    if any(len(pair) != 2 for pair in pairs):  # noqa: PLR2004 - a pair
        checks.refuse(place, "is no list of pairs", "Write [[x, y], ...].")
    return tuple((x, y) for x, y in pairs)


def _count(checks: ProfileChecks, entry: Table, name: str, place: str) -> int:
    number = checks.number(entry.get(name, 0), f"{place}.{name}")
    if number < 0 or not number.is_integer():
        checks.refuse(f"{place}.{name}", "is no count", "Give a whole number of 0 or more.")
    return int(number)

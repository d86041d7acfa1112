"""The module's own laws, from rides that fit each other."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final

from canassist.learning.curves import (
    beside_speed,
    first_reduced,
    last_reduced,
    law,
    miss,
    speed_law,
)
from canassist.learning.fleet import middle
from canassist.learning.profile_in_work import ProfileInWork, sheet_line
from canassist.model import LearnedFigure, LearnedLaw, Protection

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canassist.learning.curves import Curve
    from canassist.model import LawPoint, RideFigures

HYSTERESIS_LEAST: Final = {"hysteresis_k": 1.0, "hysteresis_v": 0.15}
"""In K and V (nominal 12 V); less is within the width of a band."""

SHOWN_LEAST: Final = 2
"""What the module does seldom takes this many rides that show it."""

AS_GOOD: Final = 1.3
AS_GOOD_PCT: Final = 0.5
"""Two laws whose misses differ by less than this factor and this much are told apart by nothing."""


BY_DUTY: Final = "reduced_by_duty"
_MISSING_DUTY: Final = "hard slow turns until assist falls"
_MISSING_LATCH: Final = "a ride with the supply low, and good again for a minute"

_CURVES: Final = (
    ("temperature", "degC", "Assist left by module temperature", "a ride until it derates hot"),
    ("supply", "V", "Assist left by supply", "a ride with the supply low, as by a winch"),
)


def protection_laws(work: ProfileInWork, rides: Sequence[RideFigures]) -> None:
    """Learn the module's own laws: of speeds, heat and supply, ramp, load, latch and return."""
    speeds = _speed_law(work, rides)
    switches = _switches(work, rides)
    curves: dict[str, Any] = {**speeds, **switches}  # Any: fields of Protection
    for quantity, unit, words, missing in _CURVES:
        own = beside_speed(rides, quantity, speeds) if speeds else rides
        if "duty_rule" in switches and quantity == "temperature":
            own = [ride for ride in own if ride.figures.get(BY_DUTY) != 1.0]
        curve, figure, points = law(own, quantity, rises=quantity == "supply")
        _curve_line(work, quantity, unit, words, missing, figure, points)
        if figure is not None:
            curves[quantity] = curve
            _start_of(work, curve, figure, _STARTS[quantity])
            _hysteresis(work, [] if speeds else rides, quantity, curves)
    ramp = _start_ramp(work, [] if speeds else rides)
    if ramp is not None:
        curves["start_ramp_s"] = ramp
    if curves:
        parts = {f"protection.{name}" for name in curves}
        work.put(
            protection=replace(work.profile.protection or Protection(), **curves),
            given=work.profile.given | parts,
        )


def _start_ramp(work: ProfileInWork, rides: Sequence[RideFigures]) -> float | None:
    figure = middle(rides, "start_ramp_s", "s")
    words = "From start to full assist"
    missing = "a start recorded from key-on, with nothing else that reduces assist"
    line = sheet_line(rides, "start_ramp_s", words, "s", figure, "starts", missing)
    work.source("protection.start_ramp_s", line)
    return figure.value if figure is not None and isinstance(figure.value, float) else None


def _switches(work: ProfileInWork, rides: Sequence[RideFigures]) -> dict[str, Any]:
    """Take what the module has or has not, where two rides or more show it."""
    latches = work.profile.protection.latches | {"supply"}
    found: dict[str, Any] = {}  # Any: fields of Protection
    for name, (figure, words, value, missing) in {
        "duty_rule": (BY_DUTY, "Reduces assist by accumulated load", True, _MISSING_DUTY),
        "latches": ("latches_supply", "Stays reduced after low supply", latches, _MISSING_LATCH),
        "returns_to_center": ("return_nm", "Turns back to the centre by itself", True, ""),
    }.items():
        shown = [ride for ride in rides if ride.figures.get(figure, 0.0) > 0.0]
        has = len(shown) >= SHOWN_LEAST and (name == "returns_to_center" or _agreed(rides, figure))
        if has:
            found[name] = value
            vehicles = len({ride.vehicle for ride in shown})
            source = LearnedFigure(value="yes", rides=len(shown), vehicles=vehicles)
            line = LearnedLaw(
                name=f"protection.{name}", words=words, unit="", figure=source, use="laws"
            )
            work.source(line.name, line)
        elif missing and not any(figure in ride.figures for ride in rides):
            line = LearnedLaw(
                name=f"protection.{name}", words=words, unit="", figure=None, missing=missing
            )
            work.source(line.name, line)
    return found


def _agreed(rides: Sequence[RideFigures], name: str) -> bool:
    """Tell whether two rides or more showed it, and more showed it than not."""
    seen = [ride.figures[name] for ride in rides if name in ride.figures]
    return sum(seen) >= SHOWN_LEAST and sum(seen) > len(seen) / 2


def _curve_line(  # noqa: PLR0913, PLR0917 - a line of the sheet has these columns
    work: ProfileInWork,
    quantity: str,
    unit: str,
    words: str,
    missing: str,
    figure: LearnedFigure | None,
    points: tuple[LawPoint, ...],
) -> None:
    line = LearnedLaw(
        name=f"protection.{quantity}",
        words=words,
        unit="%",
        figure=figure,
        use="when a reduction is as designed",
        missing="" if figure else missing,
        x_words=unit,
        points=points,
    )
    work.source(line.name, line)


def _hysteresis(
    work: ProfileInWork, rides: Sequence[RideFigures], quantity: str, curves: dict[str, Any]
) -> None:
    """Take how far a curve lies moved on the way back, where that is more than a band."""
    name, unit = ("hysteresis_k", "K") if quantity == "temperature" else ("hysteresis_v", "V")
    figure = middle(rides, name, unit)
    words, missing = f"Moved on the way back, by {quantity}", "a slow way back to full assist"
    line = sheet_line(rides, name, words, unit, figure, "laws", missing)
    work.source(f"protection.{name}", line)
    least = HYSTERESIS_LEAST[name] * (work.profile.nominal_v / 12.0 if unit == "V" else 1.0)
    if figure is not None and isinstance(figure.value, float) and figure.value > least:
        curves[name] = figure.value


def _speed_law(work: ProfileInWork, rides: Sequence[RideFigures]) -> dict[str, Curve]:
    """Take the law of road or of engine speed, whichever tells the limits more closely.

    Both speeds rise together, so a law of one looks like a law of the other. Where the rides
    cannot tell them apart, both stand: under such riding they say the same.
    """
    found = {}
    for quantity, unit in (("road_speed", "km/h"), ("engine_speed", "rpm")):
        curve, figure, points = speed_law(rides, quantity)
        found[quantity] = (curve, figure, points, unit)
    errors = {
        quantity: miss(rides, quantity, curve)
        for quantity, (curve, figure, _, _) in found.items()
        if figure is not None
    }
    least = min(errors.values(), default=0.0)
    held = {name for name, error in errors.items() if error <= least * AS_GOOD + AS_GOOD_PCT}
    for quantity, (_, figure, points, unit) in found.items():
        words = f"Assist left by {quantity.replace('_', ' ')}"
        missing = "" if quantity in held else "no reduction that follows this speed was ridden"
        shown = figure if quantity in held else None
        _curve_line(work, quantity, unit, words, missing, shown, points)
    return {quantity: found[quantity][0] for quantity in found if quantity in held}


_STARTS: Final = {"temperature": "derate_start_c", "supply": "derate_start_v"}


def _start_of(work: ProfileInWork, curve: Curve, figure: LearnedFigure, limit: str) -> None:
    """Note who stands behind the limit that a curve gives: the profile tells it by the curve."""
    start = first_reduced(curve) if limit.endswith("_c") else last_reduced(curve)
    unit = "degC" if limit.endswith("_c") else "V"
    source = replace(figure, value=start, low=start, high=start, unit=unit, by="")
    work.put(learned={**work.profile.learned, f"limits.{limit}": source})
    if unit == "V":
        words, use = "Supply below which assist falls", "undervoltage"
        line = LearnedLaw(name=limit, words=words, unit=unit, figure=source, use=use)
        work.limit("undervoltage_v", line)

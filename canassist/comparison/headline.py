"""The sentence on top: what differs, by how much, and whether that explains the complaint."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from canassist.comparison.comparison_texts import unjoined, worded
from canassist.model import BLAMELESS, Code, FigureName, Finding, Role

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from canassist.comparison.measured_figure import Side
    from canassist.model import Conclusion, Figure

EXPLAINS: Final[dict[FigureName, frozenset[Code]]] = {
    FigureName.ASSIST_GAIN: frozenset({Code.ASSIST_MAP_DEVIATION}),
    FigureName.SIDE_DIFFERENCE: frozenset({Code.ASSIST_MAP_DEVIATION}),
    FigureName.TORQUE_OFFSET: frozenset({Code.TORQUE_SENSOR_OFFSET}),
    FigureName.PATH_RESISTANCE: frozenset({Code.SUPPLY_RESISTANCE, Code.LOW_BATTERY}),
    FigureName.CHARGING_VOLTAGE: frozenset(
        {Code.CHARGING_FAULT, Code.LOW_BATTERY, Code.OVERVOLTAGE_FAULT}
    ),
    FigureName.SUPPLY_UNDER_LOAD: frozenset({Code.LOW_BATTERY, Code.CHARGING_FAULT}),
    FigureName.HEATING: frozenset({Code.THERMAL_PROTECTION}),
    FigureName.TIME_CONSTANT: frozenset({Code.THERMAL_PROTECTION}),
    FigureName.DERATE_ONSET_TEMPERATURE: frozenset({Code.THERMAL_PROTECTION, Code.MODULE_SUSPECT}),
    FigureName.DERATE_ONSET_VOLTAGE: frozenset({Code.MODULE_SUSPECT}),
    FigureName.DERATED_SECONDS: frozenset({Code.MODULE_SUSPECT}),
    FigureName.SIGNAL_QUALITY: frozenset({Code.SPEED_SIGNAL_FAULT, Code.BUS_FAULT}),
}
"""Which answers of a single ride a differing figure explains."""

MOST_SAID: Final = 2
"""Differences that the headline names; more are counted."""


def headline(figures: Sequence[Figure], *, same_recording: bool) -> str:
    """Say what differs and by how much, in one sentence."""
    if same_recording:
        return "{A} and {B} are the same recording: everything is the same."
    roots = differing(figures)
    if roots:
        said = [unjoined(figure.text) for figure in roots[:MOST_SAID]]
        more = len(roots) - MOST_SAID
        rest = f"; {more} more figure{'s' if more > 1 else ''} differ{'' if more > 1 else 's'}"
        return "; ".join(said) + (rest if more > 0 else "") + "."
    same = sum(figure.verdict is Finding.SAME for figure in figures)
    open_ = len(figures) - same
    if not same:
        return "The rides share too little to tell whether {A} and {B} differ."
    tail = f", {open_} cannot be told" if open_ else ""
    found = "1 figure is the same" if same == 1 else f"{same} figures are the same"
    return f"No difference found between {{A}} and {{B}}: {found}{tail}."


def differing(figures: Sequence[Figure]) -> list[Figure]:
    """Return the root figures that differ, the clearest first (in margins)."""
    roots = [f for f in figures if f.verdict is Finding.DIFFERS and f.role is Role.ROOT]
    return sorted(roots, key=lambda f: -abs(f.difference.value if f.difference else 0.0) / f.margin)


def explains(figures: Sequence[Figure], a: Side, b: Side) -> str:
    """Say whether the differences explain what each side's own report found."""
    return " ".join(_explained(list(differing(figures)), a, b))


def _also_blamed(side: Side) -> Conclusion | None:
    """Return what a side's rides blame though no assist was lost by it; None where nothing."""
    return next((item for result in side for item in result.conclusions if item.blames), None)


def _beside(side: Side, label: str, explained: frozenset[Code]) -> Iterator[str]:
    seen = _also_blamed(side)
    if seen is not None and seen.code in explained:
        yield f"That can explain what was also seen on {label}: {worded(seen)}."


def _explained(roots: list[Figure], a: Side, b: Side) -> Iterator[str]:
    explained = frozenset().union(*(EXPLAINS[figure.name] for figure in roots))
    for label, side, other in (("{A}", a, b), ("{B}", b, a)):
        first = worst(side)
        if first.code is Code.NO_FAULT_FOUND:
            yield from _beside(side, label, explained)
            continue
        answer = worded(first)
        shared = any(item.code is first.code for result in other for item in result.conclusions)
        if first.code is Code.INCONCLUSIVE:
            yield f"The own ride of {label} is inconclusive."
        elif first.code in explained:
            yield f"That can explain the own answer of {label}: {answer}."
        elif shared and side is a:
            yield f"{{A}} and {{B}} both show this on their own: {answer}."
        elif not shared:
            yield f"{label} alone shows this, and no figure compared here explains it: {answer}."
    sound = (worst(side).code is Code.NO_FAULT_FOUND and not _also_blamed(side) for side in (a, b))
    if all(sound):
        yield "Neither {A} nor {B} shows a fault of its own."


def worst(side: Side) -> Conclusion:
    """Return the first conclusion of the ride that blames something, else of the first ride."""
    firsts = [result.conclusions[0] for result in side]
    return next((item for item in firsts if item.code not in BLAMELESS), firsts[0])

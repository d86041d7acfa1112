"""From measured figures to verdicts: several tests at once, roots and what follows of them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Final

from canassist.comparison.comparison_texts import PHRASES, sentence
from canassist.comparison.measured_figure import Measured, NotComparable
from canassist.comparison.significance import SpreadDifference
from canassist.model import Figure, FigureName, Finding, Role
from canassist.stats import holm

if TYPE_CHECKING:
    from canassist.comparison.margins import Margin

FAMILY_LEVEL: Final = 0.05
"""The chance of calling even one figure different that is not, over a whole comparison."""

METHOD: Final = (
    "Only conditions that both sides rode are compared, each weighed alike on both. Intervals "
    "hold 90 % and come from drawing whole stretches of a ride anew, because neighbouring samples "
    "are not independent; path, cooling and onset take each ride's own interval, heating a fit "
    "over both sides. A figure differs where the difference is beyond its margin and chance would "
    "show that in less than 5 % of comparisons, all figures of a comparison taken together "
    "(Holm). It is the same where the whole interval lies within the margin. Everything else "
    "cannot be told."
)

UP: Final = 1
DOWN: Final = -1

FOLLOWS_FROM: Final[Mapping[FigureName, Mapping[FigureName, int]]] = {
    FigureName.SUPPLY_UNDER_LOAD: {
        FigureName.PATH_RESISTANCE: DOWN,
        FigureName.CHARGING_VOLTAGE: UP,
    },
    FigureName.DERATED_SECONDS: {
        FigureName.PATH_RESISTANCE: UP,
        FigureName.CHARGING_VOLTAGE: DOWN,
        FigureName.SUPPLY_UNDER_LOAD: DOWN,
        FigureName.HEATING: UP,
        FigureName.DERATE_ONSET_TEMPERATURE: DOWN,
        FigureName.DERATE_ONSET_VOLTAGE: UP,
        FigureName.SIGNAL_QUALITY: DOWN,
    },
}
"""What a figure can follow from, and which way it then goes where the root goes up.

One that goes the other way follows from nothing: it is a difference of its own. A time constant
moves reduced assist either way, so nothing follows from it.
"""

Found = Mapping[FigureName, "Measured | NotComparable"]

RELATIVE: Final = frozenset({FigureName.ASSIST_GAIN, FigureName.HEATING, FigureName.TIME_CONSTANT})

UNITS: Final = {
    FigureName.ASSIST_GAIN: "share",
    FigureName.SIDE_DIFFERENCE: "share",
    FigureName.TORQUE_OFFSET: "N·m",
    FigureName.PATH_RESISTANCE: "ohm",
    FigureName.CHARGING_VOLTAGE: "V",
    FigureName.SUPPLY_UNDER_LOAD: "V",
    FigureName.HEATING: "K/A²",
    FigureName.TIME_CONSTANT: "s",
    FigureName.DERATE_ONSET_TEMPERATURE: "degC",
    FigureName.DERATE_ONSET_VOLTAGE: "V",
    FigureName.DERATED_SECONDS: "s/min",
    FigureName.SIGNAL_QUALITY: "share",
}


def judge_figures(found: Found, margin_of: Mapping[FigureName, Margin]) -> tuple[Figure, ...]:
    """Give every figure its verdict, allowing for how many are tested.

    Parameters
    ----------
    found : mapping of FigureName to Measured or NotComparable
        What was measured.
    margin_of : mapping of FigureName to Margin
        Differences up to this count as the same.

    Returns
    -------
    tuple of Figure
        In the order of `FigureName`.
    """
    measured = {name: item for name, item in found.items() if isinstance(item, Measured)}
    chances = [item.gap.beyond(margin_of[name].value) for name, item in measured.items()]
    adjusted = dict(zip(measured, zip(chances, holm(chances), strict=True), strict=True))
    figures = {
        name: _figure(name, found[name], margin_of[name], adjusted.get(name))
        for name in FigureName
        if name in found
    }
    roots = {name: _way(item) for name, item in figures.items() if item.verdict is Finding.DIFFERS}
    return tuple(_explained(item, roots, found.get(item.name)) for item in figures.values())


def _figure(
    name: FigureName,
    item: Measured | NotComparable,
    margin: Margin,
    chances: tuple[float, float] | None,
) -> Figure:
    bare = Figure(
        name=name,
        words=PHRASES[name].words,
        unit=UNITS[name],
        relative=name in RELATIVE,
        a=item.a,
        b=item.b,
        difference=None,
        margin=margin.value,
        margin_from=margin.origin,
        verdict=Finding.CANNOT_TELL,
        role=Role.CONSEQUENCE if name in FOLLOWS_FROM else Role.ROOT,
    )
    if isinstance(item, NotComparable) or chances is None:
        return bare
    difference = item.gap.estimate(UNITS[name])
    return replace(
        bare,
        difference=difference,
        verdict=_verdict(item.gap, margin.value, chances[1]),
        effect=item.effect,
        chance=chances[0],
        adjusted=chances[1],
        conditions=item.conditions,
    )


def _verdict(gap: SpreadDifference, margin: float, adjusted: float) -> Finding:
    if adjusted < FAMILY_LEVEL:
        return Finding.DIFFERS
    ends = gap.estimate("")
    # A ratio is the same whichever side it is read from.
    least = 1.0 / (1.0 + margin) - 1.0 if gap.relative else -margin
    if least <= ends.low and ends.high <= margin:
        return Finding.SAME
    return Finding.CANNOT_TELL


def _way(figure: Figure) -> int:
    """Return which way a figure differs."""
    return UP if figure.difference is not None and figure.difference.value > 0.0 else DOWN


def _explained(
    figure: Figure, roots: Mapping[FigureName, int], item: Measured | NotComparable | None
) -> Figure:
    """Say which differing figures this one follows from, and put it in words."""
    causes = tuple(
        name
        for name, sign in FOLLOWS_FROM.get(figure.name, {}).items()
        if roots.get(name) == sign * _way(figure)
    )
    if FigureName.SUPPLY_UNDER_LOAD in causes and len(causes) > 1:
        causes = tuple(name for name in causes if name is not FigureName.SUPPLY_UNDER_LOAD)
    if figure.verdict is Finding.DIFFERS:
        role = Role.CONSEQUENCE if causes else Role.ROOT
        figure = replace(figure, explained_by=causes, role=role)
    why = item.why if isinstance(item, NotComparable) else ""
    return replace(figure, text=sentence(figure, why))


def one_sided(
    figures: tuple[Figure, ...], sides: Mapping[str, Measured | NotComparable]
) -> tuple[Figure, ...]:
    """Make overall gain follow from a difference of the sides, where one side alone moved.

    Parameters
    ----------
    sides : mapping of "left" and "right" to Measured or NotComparable
        Gain of each side.
    """
    by_name = {figure.name: figure for figure in figures}
    gain = by_name.get(FigureName.ASSIST_GAIN)
    apart = by_name.get(FigureName.SIDE_DIFFERENCE)
    if gain is None or apart is None:
        return figures
    if not gain.verdict is apart.verdict is Finding.DIFFERS:
        return figures
    moved = [item.gap.estimate("").value for item in sides.values() if isinstance(item, Measured)]
    if not moved or min(map(abs, moved)) > gain.margin:
        return figures
    if (max(moved, key=abs) > 0.0) != (_way(gain) == UP):
        return figures
    follows = replace(gain, role=Role.CONSEQUENCE, explained_by=(apart.name,))
    follows = replace(follows, text=sentence(follows))
    return tuple(follows if figure is gain else figure for figure in figures)

"""Comparisons in plain sentences."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

from canassist.model import FigureName, Finding

if TYPE_CHECKING:
    from canassist.model import Estimate, Figure


class Phrase(NamedTuple):
    """How a figure is called, how its values are shown, and how a difference is said.

    ``up`` and ``down`` say it where B is higher or lower; they take ``size``, ``a`` and ``b``.
    """

    words: str
    unit: str
    scale: float
    places: int
    up: str
    down: str


PHRASES: Final[dict[FigureName, Phrase]] = {
    FigureName.ASSIST_GAIN: Phrase(
        "Assist for the same driver torque", "%", 100.0, 0,
        "B gives {size} more assist than A for the same driver torque ({b} against {a} of what "
        "the map calls for)",
        "B gives {size} less assist than A for the same driver torque ({b} against {a} of what "
        "the map calls for)",
    ),
    FigureName.SIDE_DIFFERENCE: Phrase(
        "Right against left", "%", 100.0, 0,
        "B's assist is weaker to the left: right against left moved by {size} from A's ({b} "
        "against {a})",
        "B's assist is weaker to the right: right against left moved by {size} from A's ({b} "
        "against {a})",
    ),
    FigureName.TORQUE_OFFSET: Phrase(
        "Driver torque with nobody steering", "N·m", 1.0, 2,
        "B's torque reading rests {size} further to the right than A's ({b} against {a})",
        "B's torque reading rests {size} further to the left than A's ({b} against {a})",
    ),
    FigureName.PATH_RESISTANCE: Phrase(
        "Resistance of the supply path", "mΩ", 1000.0, 0,
        "B's supply path has {size} more resistance than A's ({b} against {a})",
        "B's supply path has {size} less resistance than A's ({b} against {a})",
    ),
    FigureName.CHARGING_VOLTAGE: Phrase(
        "Charging voltage at the same engine speed", "V", 1.0, 2,
        "B charges {size} higher than A at the same engine speed ({b} against {a})",
        "B charges {size} lower than A at the same engine speed ({b} against {a})",
    ),
    FigureName.SUPPLY_UNDER_LOAD: Phrase(
        "Supply under the same steering load", "V", 1.0, 2,
        "B's supply stands {size} higher than A's under the same steering load ({b} against {a})",
        "B's supply stands {size} lower than A's under the same steering load ({b} against {a})",
    ),
    FigureName.HEATING: Phrase(
        "Heating for the same load", "K/A²", 1.0, 4,
        "B's module heats {size} more than A's under the same load ({b} against {a})",
        "B's module heats {size} less than A's under the same load ({b} against {a})",
    ),
    FigureName.TIME_CONSTANT: Phrase(
        "Time constant of cooling", "s", 1.0, 0,
        "B's module takes {size} longer than A's to cool ({b} against {a})",
        "B's module cools in {size} less time than A's ({b} against {a})",
    ),
    FigureName.DERATE_ONSET_TEMPERATURE: Phrase(
        "Temperature at which assist begins to be reduced", "°C", 1.0, 1,
        "B begins to reduce assist {size} hotter than A ({b} against {a})",
        "B begins to reduce assist {size} cooler than A ({b} against {a})",
    ),
    FigureName.DERATE_ONSET_VOLTAGE: Phrase(
        "Supply at which assist begins to be reduced", "V", 1.0, 2,
        "B begins to reduce assist at {size} more supply than A ({b} against {a})",
        "B begins to reduce assist at {size} less supply than A ({b} against {a})",
    ),
    FigureName.DERATED_SECONDS: Phrase(
        "Reduced assist per minute of slow steering", "s", 1.0, 1,
        "B's assist was reduced for {size} more of each minute of slow steering than A's ({b} "
        "against {a})",
        "B's assist was reduced for {size} less of each minute of slow steering than A's ({b} "
        "against {a})",
    ),
    FigureName.SIGNAL_QUALITY: Phrase(
        "Time with fresh signals", "%", 100.0, 1,
        "B's signals are fresh for {size} more of the time than A's ({b} against {a})",
        "B's signals are fresh for {size} less of the time than A's ({b} against {a})",
    ),
}  # fmt: skip

MINUS: Final = "\u2212"


def shown(value: float, name: FigureName, *, sign: bool = False) -> str:
    """Return a side's value with its unit."""
    phrase = PHRASES[name]
    return f"{_number(value * phrase.scale, phrase.places, sign=sign)} {phrase.unit}"


def shown_difference(value: float, figure: Figure, *, sign: bool = True) -> str:
    """Return a difference with its unit: per cent where it is relative, K for degrees."""
    if figure.relative:
        return f"{_number(100.0 * value, 0, sign=sign)} %"
    phrase = PHRASES[figure.name]
    unit = {"°C": "K"}.get(phrase.unit, phrase.unit)
    return f"{_number(value * phrase.scale, max(phrase.places, 0), sign=sign)} {unit}"


def interval(estimate: Estimate, figure: Figure) -> str:
    """Return the ends of a difference's interval: ``+52 to +68 mΩ``."""
    low = shown_difference(estimate.low, figure).rsplit(" ", 1)[0]
    return f"{low} to {shown_difference(estimate.high, figure)}"


def _number(value: float, places: int, *, sign: bool) -> str:
    text = f"{value:+.{places}f}" if sign else f"{value:.{places}f}"
    if not any(digit in "123456789" for digit in text):
        text = text.lstrip("+-")
    return text.replace("-", MINUS)


def sentence(figure: Figure, why: str = "") -> str:
    """Return what is to be said of one figure; `why` where it could not be measured."""
    phrase = PHRASES[figure.name]
    found = figure.difference
    if found is None or figure.a is None or figure.b is None:
        return f"{phrase.words}: cannot tell, {why}."
    margin = shown_difference(figure.margin, figure, sign=False)
    if figure.verdict is Finding.SAME:
        return f"{phrase.words}: same within {margin} ({interval(found, figure)})."
    if figure.verdict is Finding.CANNOT_TELL:
        return (
            f"{phrase.words}: cannot tell, B is {shown_difference(found.value, figure)} from A "
            f"with an interval of {interval(found, figure)}; up to {margin} counts as the same."
        )
    pattern = phrase.up if found.value > 0 else phrase.down
    text = pattern.format(
        size=shown_difference(abs(found.value), figure, sign=False),
        a=shown(figure.a.value, figure.name),
        b=shown(figure.b.value, figure.name),
    )
    if figure.explained_by:
        roots = " and ".join(PHRASES[name].words.lower() for name in figure.explained_by)
        text += f"; it follows from: {roots}"
    return f"{text}."


def unjoined(text: str) -> str:
    """Return a sentence without its full stop, to go on within another."""
    return text.removesuffix(".")

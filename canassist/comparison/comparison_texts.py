"""Comparisons in plain sentences."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final, NamedTuple

from canassist.model import FigureName, Finding, Strength

if TYPE_CHECKING:
    from canassist.model import Conclusion, Estimate, Figure


class Phrase(NamedTuple):
    """How a figure is called, how its values are shown, and how a difference is said.

    ``up`` and ``down`` say it where B is higher or lower; they take ``size``, ``a``, ``b``, and
    leave the sides' names to `named`.
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
        "{B} gives {size} more assist than {A} for the same driver torque ({b} against {a} of "
        "what the map calls for)",
        "{B} gives {size} less assist than {A} for the same driver torque ({b} against {a} of "
        "what the map calls for)",
    ),
    FigureName.SIDE_DIFFERENCE: Phrase(
        "Right against left", "%", 100.0, 0,
        "The assist of {B} is weaker to the left: right against left moved by {size} from {A} "
        "({b} against {a})",
        "The assist of {B} is weaker to the right: right against left moved by {size} from {A} "
        "({b} against {a})",
    ),
    FigureName.TORQUE_OFFSET: Phrase(
        "Driver torque with nobody steering", "N·m", 1.0, 2,
        "The torque reading of {B} rests {size} further to the right than that of {A} ({b} "
        "against {a})",
        "The torque reading of {B} rests {size} further to the left than that of {A} ({b} "
        "against {a})",
    ),
    FigureName.PATH_RESISTANCE: Phrase(
        "Resistance of the supply path", "mΩ", 1000.0, 0,
        "The supply path of {B} has {size} more resistance than that of {A} ({b} against {a})",
        "The supply path of {B} has {size} less resistance than that of {A} ({b} against {a})",
    ),
    FigureName.CHARGING_VOLTAGE: Phrase(
        "Charging voltage at the same engine speed", "V", 1.0, 2,
        "{B} charges {size} higher than {A} at the same engine speed ({b} against {a})",
        "{B} charges {size} lower than {A} at the same engine speed ({b} against {a})",
    ),
    FigureName.SUPPLY_UNDER_LOAD: Phrase(
        "Supply under the same steering load", "V", 1.0, 2,
        "The supply of {B} stands {size} higher than that of {A} under the same steering load "
        "({b} against {a})",
        "The supply of {B} stands {size} lower than that of {A} under the same steering load "
        "({b} against {a})",
    ),
    FigureName.HEATING: Phrase(
        "Heating for the same load", "K/A²", 1.0, 4,
        "The module of {B} heats {size} more than that of {A} under the same load ({b} against "
        "{a})",
        "The module of {B} heats {size} less than that of {A} under the same load ({b} against "
        "{a})",
    ),
    FigureName.TIME_CONSTANT: Phrase(
        "Time constant of cooling", "s", 1.0, 0,
        "The module of {B} takes {size} longer than that of {A} to cool ({b} against {a})",
        "The module of {B} cools in {size} less time than that of {A} ({b} against {a})",
    ),
    FigureName.DERATE_ONSET_TEMPERATURE: Phrase(
        "Temperature at which assist begins to be reduced", "°C", 1.0, 1,
        "{B} begins to reduce assist {size} hotter than {A} ({b} against {a})",
        "{B} begins to reduce assist {size} cooler than {A} ({b} against {a})",
    ),
    FigureName.DERATE_ONSET_VOLTAGE: Phrase(
        "Supply at which assist begins to be reduced", "V", 1.0, 2,
        "{B} begins to reduce assist at {size} more supply than {A} ({b} against {a})",
        "{B} begins to reduce assist at {size} less supply than {A} ({b} against {a})",
    ),
    FigureName.DERATED_SECONDS: Phrase(
        "Reduced assist per minute of slow steering", "s", 1.0, 1,
        "The assist of {B} was reduced for {size} more of each minute of slow steering than that "
        "of {A} ({b} against {a})",
        "The assist of {B} was reduced for {size} less of each minute of slow steering than that "
        "of {A} ({b} against {a})",
    ),
    FigureName.SIGNAL_QUALITY: Phrase(
        "Time with fresh signals", "%", 100.0, 1,
        "The signals of {B} are fresh for {size} more of the time than those of {A} ({b} against "
        "{a})",
        "The signals of {B} are fresh for {size} less of the time than those of {A} ({b} against "
        "{a})",
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
            f"{phrase.words}: cannot tell, {{B}} is {shown_difference(found.value, figure)} from "
            f"{{A}} with an interval of {interval(found, figure)}; up to {margin} counts as the "
            "same."
        )
    pattern = phrase.up if found.value > 0 else phrase.down
    text = pattern.format(
        A="{A}",
        B="{B}",
        size=shown_difference(abs(found.value), figure, sign=False),
        a=shown(figure.a.value, figure.name),
        b=shown(figure.b.value, figure.name),
    )
    if figure.explained_by:
        roots = " and ".join(PHRASES[name].words.lower() for name in figure.explained_by)
        text += f"; it follows from: {roots}"
    return f"{text}."


def called(label: str, name: str) -> str:
    """Return how a side is called in a sentence: its letter, and whose ride it is.

    A name too long for a sentence is not cut: half a vehicle number would escape its mask.
    """
    return label if name in {"", label} or len(name) > _LONGEST_NAME else f"{label} ({name})"


def named(text: str, names: tuple[str, str]) -> str:
    """Return a sentence with the sides' names where it says ``{A}`` and ``{B}``."""
    words = dict(zip("AB", map(called, "AB", names), strict=True))
    return _SIDE.sub(lambda found: words[found.group(1)], text)


_SIDE: Final = re.compile(r"\{([AB])\}")
_LONGEST_NAME: Final = 60


def worded(item: Conclusion) -> str:
    """Return what a ride's conclusion says, one that is hardly sure as a suspicion."""
    text = unjoined(item.headline)
    return f"a suspicion only: {text}" if item.strength is Strength.WEAK else text


def unjoined(text: str) -> str:
    """Return a sentence without its full stop, to go on within another."""
    return text.removesuffix(".")

"""What a database says of a signal, read once: words of the name and around it, unit, range."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, NamedTuple

from canassist.decode.matching.name_parts import name_means
from canassist.decode.matching.vocabulary import bag
from canassist.model import CHANNEL_UNITS
from canassist.units import SAME, Conversion, conversion

if TYPE_CHECKING:
    from canassist.decode.database.layouts import MessageLayout, SignalLayout

_SILENT_UNITS: Final = bag(
    "- none raw sed n/a na unitless count counts digit digits lsb bit bits enum state x inc dec "
    "uint hex unit units ul tbd tbc ? unitnone [-] -- /"
) | {""}
"""Units that say nothing."""

COMMENT_READ: Final = 400
"""Characters of a comment that are looked at."""

_SEVERAL: Final = re.compile(r"\s+or\s+|\s+oder\s+|\s+ou\s+|\s+/\s+|\|", re.IGNORECASE)
_NAME_UNIT: Final = re.compile(
    r"(?:_(V|A|C|K|mV|Nm|rpm|deg|pct|degC|degF|kmh|kph|mph|rad)|(?<=[a-z])(Kmh|Kph|Mph|Rpm|Pct))$"
)
_COMMENT_UNIT: Final = re.compile(
    r"(?<![\w/])(km/h|kph|mph|m/s|1/min|rpm|mV|volts?|amps?|amperes?|°C|degC|°F|kelvin|"
    r"N[·*.]?m|Nm|degrees|percent|Prozent|%)(?![\w/])"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class SignalText:
    """A signal with its words already understood.

    Attributes
    ----------
    name, letters : frozenset of str
        Concepts of its own name: by words, and by formula letters.
    around : frozenset of str
        Concepts of the message's name and the sender's.
    sender : frozenset of str
        Concepts of the sender alone.
    comment : frozenset of str
        Concepts of its comment.
    anywhere : frozenset of str
        All concepts that the database mentions with this signal.
    lowest, highest : float
        What its bits and its declared range allow, in database values.
    """

    message: MessageLayout
    signal: SignalLayout
    name: frozenset[str]
    letters: frozenset[str]
    around: frozenset[str]
    sender: frozenset[str]
    comment: frozenset[str]
    anywhere: frozenset[str]
    lowest: float
    highest: float


class UnitFinding(NamedTuple):
    """What a signal's unit says for one channel; `share` is 1 for certain, 0 for nothing."""

    conversion: Conversion
    known: bool
    share: float
    phrase: str


def read_signal(message: MessageLayout, signal: SignalLayout) -> SignalText:
    """Understand one signal's words and range."""
    name, letters = name_means(signal.name)
    sender = name_means(message.sender)[0]
    lowest, highest = _extent(signal)
    around = name_means(message.name)[0] | sender
    comment = name_means(signal.comment[:COMMENT_READ])[0] if signal.comment else frozenset()
    return SignalText(
        message=message,
        signal=signal,
        name=name,
        letters=letters - name,
        around=around,
        sender=sender,
        comment=comment,
        anywhere=name | around | comment,
        lowest=lowest,
        highest=highest,
    )


def find_unit(signal: SignalLayout, channel: str, *, named: bool) -> UnitFinding | None:
    """Return what the unit says, or None where it belongs to another quantity.

    Parameters
    ----------
    named : bool
        Whether the signal's name says the quantity; then a loose unit is believed
        ("deg" for a temperature, "km/h or mph" for a speed).
    """
    wanted, unit = CHANNEL_UNITS[channel], signal.unit.strip()
    if wanted == "-":
        return UnitFinding(SAME, True, 0.0, "") if says_nothing(unit) else None
    if says_nothing(unit) and not (wanted == "%" and unit == "1"):
        return _from_text(signal, wanted)
    rule = conversion(unit, wanted)
    if rule is not None:
        return UnitFinding(rule, True, 1.0, f"unit {unit}")
    if wanted == "degC" and named and conversion(unit, "deg") == SAME:
        return UnitFinding(SAME, True, 0.5, f'unit "{unit}", read as °C')
    return _several(unit, wanted) if named else None


def may_carry(unit: str, channel: str) -> bool:
    """Tell whether a signal in this unit can serve a channel at all: a quick look at many."""
    text, wanted = unit.strip(), CHANNEL_UNITS[channel]
    if says_nothing(text):
        return True
    if wanted == "-":
        return False
    angle = wanted == "degC" and conversion(text, "deg") == SAME
    return angle or conversion(text, wanted) is not None or _several(text, wanted) is not None


def says_nothing(unit: str) -> bool:
    """Tell whether a unit's text is empty or a filler."""
    return "".join(unit.split()).casefold().replace("_", "") in _SILENT_UNITS or unit.strip() == "1"


def _from_text(signal: SignalLayout, wanted: str) -> UnitFinding:
    """Take a unit from the end of the name or from the comment."""
    ending = _NAME_UNIT.search(signal.name)
    if ending is not None:
        found = ending[1] or ending[2]
        rule = conversion(found, wanted)
        if rule is not None:
            return UnitFinding(rule, True, 0.7, f"its name ends in {found}")
    for found in _COMMENT_UNIT.findall((signal.comment or "")[:COMMENT_READ]):
        rule = conversion(found, wanted)
        if rule is not None:
            return UnitFinding(rule, True, 0.7, f"its comment says {found}")
    return UnitFinding(SAME, False, 0.0, "no unit")


def _several(unit: str, wanted: str) -> UnitFinding | None:
    """One text with several units: the quantity is right, the scale is open."""
    parts = [part for part in _SEVERAL.split(unit) if part]
    if len(parts) < 2 or any(conversion(part, wanted) is None for part in parts):  # noqa: PLR2004 - one unit alone is not several
        return None
    return UnitFinding(SAME, False, 0.5, f'unit "{unit}", which leaves open which')


def _extent(signal: SignalLayout) -> tuple[float, float]:
    """Return the lowest and highest value that bits and declared range both allow."""
    if signal.is_float:
        raw_low, raw_high = -float("inf"), float("inf")
    elif signal.signed:
        raw_low, raw_high = -float(2 ** (signal.length - 1)), float(2 ** (signal.length - 1) - 1)
    else:
        raw_low, raw_high = 0.0, float(2**signal.length - 1)
    ends = sorted((raw_low * signal.scale + signal.offset, raw_high * signal.scale + signal.offset))
    declared = signal.declared_range
    if declared is None or declared[1] - declared[0] <= 2 * abs(signal.scale):
        return ends[0], ends[1]  # [0|0] and [0|1] are fillers on a measurement
    return max(ends[0], declared[0]), min(ends[1], declared[1])

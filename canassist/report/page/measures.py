"""Figures as people read them: rounded, with their unit, metric or US."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from canassist.model import Channel, FloatArray, Units

THIN_SPACE: Final = "\u202f"
"""A narrow space at which no line breaks."""
RAW: Final = "raw"
"""Unit of a channel whose database names none: counts, which say when and how much more."""
MINUS: Final = "\u2212"
UNKNOWN: Final = "\u2013"


class Shown(NamedTuple):
    """How a unit of the result is shown: ``shown = value * scale + offset``."""

    unit: str
    places: int
    scale: float = 1.0
    offset: float = 0.0


_METRIC: Final[dict[str, Shown]] = {
    "km/h": Shown("km/h", 1),
    "rpm": Shown("rpm", 0),
    "V": Shown("V", 2),
    "A": Shown("A", 1),
    "degC": Shown("°C", 1),
    "N·m": Shown("N·m", 2),
    "deg": Shown("°", 0),
    "%": Shown("%", 1),
    "%·s": Shown("%·s", 0),
    "s": Shown("s", 1),
    "ohm": Shown("mΩ", 1, 1000.0),
    "share": Shown("%", 0, 100.0),
    "K/A2": Shown("K/A²", 3),
    "N·m/N·m": Shown("N·m/N·m", 2),
    "K": Shown("K", 1),
    "W": Shown("W", 0),
    "raw": Shown("raw", 1),
    "-": Shown("", 0),
    "": Shown("", 2),
}
# Exact by definition: mile 1.609344 km; pound-force foot 1.3558179483314004 N·m (NIST SP 811).
_US: Final = _METRIC | {
    "km/h": Shown("mph", 1, 1.0 / 1.609344),
    "degC": Shown("°F", 1, 1.8, 32.0),
    "N·m": Shown("lbf·ft", 2, 1.0 / 1.3558179483314004),
    "N·m/N·m": Shown("ratio", 2),
    "K": Shown("°F", 1, 1.8),
}

_SUFFIX_UNIT: Final = {
    "s": "s",
    "v": "V",
    "c": "degC",
    "degc": "degC",
    "pct_s": "%·s",
    "a": "A",
    "nm": "N·m",
    "pct": "%",
    "kph": "km/h",
    "rpm": "rpm",
    "deg": "deg",
    "ohm": "ohm",
    "share": "share",
    "ratio": "",
    "k": "K",
    "w": "W",
}


def unit_of(name: str) -> str:
    """Return the unit that ends a figure's name, empty where it names none."""
    return _SUFFIX_UNIT.get(_suffix(name), "")


def channel_unit(channel: Channel) -> str:
    """Return the unit of a channel's values; raw counts are in none."""
    return channel.unit if channel.unit_known else RAW


def words_of(name: str) -> str:
    """Return a figure's name in words, without its unit: ``min_supply_v``: "min supply"."""
    suffix = _suffix(name)
    return (name[: -len(suffix) - 1] if suffix else name).replace("_", " ")


def _suffix(name: str) -> str:
    """Return the longest known unit that ends a name of more parts, empty for none."""
    parts = name.split("_")
    ends = ("_".join(parts[place:]) for place in range(1, len(parts)))
    return next((end for end in ends if end in _SUFFIX_UNIT), "")


@dataclass(frozen=True, slots=True)
class Measures:
    """Writes figures in one system of units."""

    units: Units = "metric"

    def shown(self, unit: str) -> Shown:
        """Return how a unit of the result is shown."""
        table = _US if self.units == "us" else _METRIC
        return table.get(unit, Shown(unit, 2))

    def name(self, unit: str) -> str:
        """Return the unit's shown name."""
        return self.shown(unit).unit

    def array(self, values: FloatArray, unit: str) -> FloatArray:
        """Convert values of a channel into the shown unit."""
        shown = self.shown(unit)
        if shown.scale == 1.0 and shown.offset == 0.0:
            return values
        return np.asarray(values * shown.scale + shown.offset)

    def number(self, value: float | None, unit: str, places: int | None = None) -> str:
        """Return a figure without its unit; unknown is a dash."""
        if value is None or not math.isfinite(value):
            return UNKNOWN
        shown = self.shown(unit)
        digits = shown.places if places is None else places
        text = f"{value * shown.scale + shown.offset:.{digits}f}"
        if float(text) == 0.0:
            text = text.lstrip("-")
        return text.replace("-", MINUS)

    def text(self, value: float | None, unit: str, places: int | None = None) -> str:
        """Return a figure with its unit after a thin space."""
        number = self.number(value, unit, places)
        name = self.name(unit)
        if number == UNKNOWN or not name:
            return number
        return f"{number}{THIN_SPACE}{name}"

    def sentence(self, text: str) -> str:
        """Return a sentence whose figures stay with their units on one line.

        In US units, US figures are added after the metric ones: those stay, being what
        was measured, and a reader may compare them.
        """
        if self.units == "us":
            text = _METRIC_FIGURE.sub(self._add, text)
        return _LOOSE_UNIT.sub(THIN_SPACE, text)

    def _add(self, found: re.Match[str]) -> str:
        unit = {"°C": "degC", "Nm": "N·m", "N m": "N·m"}.get(found["unit"], found["unit"])
        places = max(len(found["to"].partition(".")[2]), 0 if unit != "N·m" else 1)
        shown = [
            self.number(float(part.replace(MINUS, "-")), unit, places)
            for part in (found["from"], found["to"])
            if part
        ]
        return f"{found.group()} / {' to '.join(shown)}{THIN_SPACE}{self.name(unit)}"


_NUMBER: Final = r"[-\u2212]?\d+(?:\.\d+)?"
_LOOSE_UNIT: Final = re.compile(
    r"(?<=\d) (?=(?:km/h|rpm|°C|°F|N·m|lbf·ft|mph|V|A|%|s|min|h|K|mΩ|ms|kbit/s)(?![\w]))"
)
_METRIC_FIGURE: Final = re.compile(
    rf"(?<![\w.])(?:(?P<from>{_NUMBER})\s?(?:to|\u2013)\s?)?(?P<to>{_NUMBER})\s?"
    r"(?P<unit>km/h|°C|N·m)(?![\w/·])"
)

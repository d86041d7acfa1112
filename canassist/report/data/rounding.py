"""How many decimal places a figure of the result is given, by what its name ends in."""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Final

PLACES: Final[dict[str, int]] = {
    "s": 3,
    "v": 3,
    "c": 2,
    "degc": 2,
    "a": 2,
    "a2": 2,
    "nm": 3,
    "pct": 2,
    "kph": 2,
    "rpm": 1,
    "deg": 2,
    "ohm": 5,
    "mohm": 2,
    "w": 1,
}
"""Decimal places by the last part of a name; the unit ends the name."""

UNIT_PLACES: Final[dict[str, int]] = {
    "km/h": 2,
    "rpm": 1,
    "V": 3,
    "A": 2,
    "degC": 2,
    "N·m": 3,
    "deg": 2,
    "%": 2,
    "s": 3,
    "ohm": 5,
    "share": 4,
    "K/A2": 6,
}
"""Decimal places by unit, for figures whose unit stands beside them."""

OTHERWISE: Final = 4
"""Decimal places of every other figure: shares, ratios, gains."""


@lru_cache(maxsize=1024)
def places_of(name: str) -> int:
    """Return the decimal places for a figure's name, such as ``min_supply_v``."""
    return PLACES.get(name.rsplit("_", maxsplit=1)[-1], OTHERWISE)


def places_of_unit(unit: str) -> int:
    """Return the decimal places for a unit as the result spells it."""
    return UNIT_PLACES.get(unit, OTHERWISE)


@lru_cache(maxsize=16_384)
def rounded(value: float | None, places: int) -> float | None:
    """Round a figure; unknown (None, NaN or infinite) is None, and -0 is 0."""
    if value is None or not math.isfinite(value):
        return None
    return round(float(value), places) + 0.0

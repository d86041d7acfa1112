"""How the limit comes back: hysteresis of heat and supply, and latches."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.learning.limit_samples import (
    BAND,
    BY_STATE,
    FULL_PCT,
    STILL_AFTER_S,
    STILL_PCT,
    LimitSamples,
    first_level_reduced,
    limit_samples,
)
from canassist.timeline import window_extremes

if TYPE_CHECKING:
    from canassist.model import BinnedLevel, FloatArray, Result

HELD_S: Final = 0.5
HELD_PCT: Final = 0.8
BOUNDS_APART: Final = 1.5
"""What holds a limit and what lets it back bound the hysteresis from both sides; apart by more
than this factor they tell nothing."""

HELD_LEAST_S: Final = 1.0
HELD_QUANTILE: Final = 0.95
"""A limit is held where it moved by less than this over that time; so much of it is looked at, and
this share of it lies nearer to the law than the hysteresis."""

HELD_BELOW_PCT: Final = 95.0
BANDS_LEAST: Final = 2
"""A limit is held back where it lies below this, by a law that so many bands show."""

LATCH_BELOW_PCT: Final = 3.0
"""A limit this far below where a latch holds it is held by another law."""

LATCH_S: Final = 10.0
LATCH_FALL: Final = 0.9
"""Supply has long been good after this; to this share of good it fell before, at least."""


def way_back(result: Result, levels: dict[str, tuple[BinnedLevel, ...]]) -> dict[str, float]:
    """Return how the limit comes back: hysteresis of heat and supply, and whether it latches.

    Hysteresis of heat is how far temperature moved from the last moment of full assist before
    a reduction to the first after it. Supply moves too fast for that: where limit and supply
    stand still below full, it is how far the supply lies above what the ride's own law needs
    for that limit. A latch is a reduction that stays flat although the supply has been good.

    Parameters
    ----------
    levels : mapping of quantity to levels
        What `limit_levels` gave for the ride.
    """
    ride = limit_samples(result)
    if ride is None:
        return {}
    heat_c, supply_v = ride.value("temperature"), ride.value("supply")
    found = {}
    start_c = first_level_reduced(levels.get("temperature", ()))
    moved = [
        float(heat_c[first] - heat_c[last])
        for first, last in _edges(ride)
        if heat_c[first] > start_c - 2.0 * BAND["temperature"]
    ]
    if moved:
        found["hysteresis_k"] = max(0.0, float(np.median(moved)))
    held_v = _held_above(ride, supply_v, levels.get("supply", ()))
    most_v = _back_above(ride, supply_v, levels.get("supply", ()))
    if held_v is not None and most_v is not None and most_v <= BOUNDS_APART * held_v:
        found["hysteresis_v"] = held_v
    latches = bool(np.isfinite(latched(ride, supply_v)).any())
    low = any(event.kind == "derate" and event.cause == "voltage" for event in result.events)
    if latches or low:
        found["latches_supply"] = float(latches)
    return found


def _held_above(
    ride: LimitSamples, supply_v: FloatArray, levels: tuple[BinnedLevel, ...]
) -> float | None:
    low = [item for item in levels if item.level_pct < FULL_PCT]
    if len(low) < BANDS_LEAST:
        return None
    volts, pct, _ = (np.array(column) for column in zip(*levels, strict=True))
    rising = np.maximum.accumulate(pct)
    window = {"before_s": HELD_S, "after_s": STILL_AFTER_S}
    least, most = window_extremes(ride.time_s, ride.pct, **window)
    rows = ride.without(BY_STATE) & ride.still("supply", supply_v) & (most - least <= HELD_PCT)
    rows &= (ride.pct < HELD_BELOW_PCT) & (ride.pct >= rising[0]) & np.isfinite(supply_v)
    rows &= ~np.isfinite(latched(ride, supply_v))
    if float(ride.weight_s[rows].sum()) < HELD_LEAST_S:
        return None
    first = np.searchsorted(rising, ride.pct[rows], side="left")
    above = supply_v[rows] - volts[np.minimum(first, len(volts) - 1)]
    return max(0.0, float(np.quantile(above, HELD_QUANTILE)))


def _back_above(
    ride: LimitSamples, supply_v: FloatArray, levels: tuple[BinnedLevel, ...]
) -> float | None:
    """Return how far above the law's start the supply was, at least once, when assist came back."""
    low = [item.x for item in levels if item.level_pct < FULL_PCT]
    back = np.flatnonzero(np.diff((ride.pct >= FULL_PCT).astype(np.int8)) == 1) + 1
    above = supply_v[back] - max(low, default=np.nan)
    above = above[np.isfinite(above) & (above > 0.0)]
    return float(above.min()) if len(above) else None


def latched(ride: LimitSamples, supply_v: FloatArray) -> FloatArray:
    """Return at what limit a latch by supply holds, in %; NaN where none does.

    A reduction latched where it stayed flat although the supply has long been good.
    """
    held_pct = np.full(len(ride.time_s), np.nan)
    if not np.isfinite(supply_v).any():
        return held_pct
    good_v = 0.97 * float(np.nanmedian(supply_v))
    low, _ = window_extremes(ride.time_s, supply_v, before_s=LATCH_S, after_s=0.0)
    window = {"before_s": LATCH_S, "after_s": 0.0}
    least, most = window_extremes(ride.time_s, ride.pct, **window)
    flat = (most - least <= STILL_PCT) & (most < HELD_BELOW_PCT) & (low >= good_v)
    for event in ride.result.events:
        if event.kind != "derate" or event.cause not in {"voltage", "unexplained", None}:
            continue
        end_s = event.until(ride.result.log.duration_s)
        inside = (ride.time_s >= event.start_s) & (ride.time_s < end_s)
        began = (ride.time_s >= event.start_s - 1.0) & (ride.time_s < event.start_s + 1.0)
        lowest_v = float(np.nanmin(supply_v[began], initial=np.inf))
        fell = event.cause == "voltage" or lowest_v < LATCH_FALL * good_v
        if fell and (flat & inside).any():
            held_pct[inside] = np.median(ride.pct[flat & inside])
    return held_pct


def _edges(ride: LimitSamples) -> list[tuple[int, int]]:
    """Return the last row of full assist before each reduction by heat, and the first after."""
    full = np.flatnonzero(ride.pct >= FULL_PCT)
    found = []
    for event in ride.result.events:
        by_heat = event.kind == "derate" and event.cause in {"temperature", "unexplained", None}
        if not by_heat or event.end_s is None:
            continue
        before = full[ride.time_s[full] < event.start_s]
        after = full[ride.time_s[full] >= event.end_s]
        if len(before) and len(after):
            found.append((int(before[-1]), int(after[0])))
    return found

"""How much assist a module leaves over temperature, supply and speed: envelopes of one ride.

The limit is the lowest of several laws at any moment, so a band of one quantity is read only
where the others leave all of it. Two things keep a limit off its law: hysteresis, on the way
back, and lag. So a law of temperature or supply is read on the way out, where the quantity is as
bad as it has been since assist was last full; one of supply or speed, which change fast, where
both quantity and limit stand still.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.learning.limit_samples import (
    BY_STATE,
    CHANNEL,
    FULL_PCT,
    STILL_BANDS,
    LimitSamples,
    first_level_reduced,
    limit_samples,
)
from canassist.learning.way_back import LATCH_BELOW_PCT, latched
from canassist.model import BinnedLevel

if TYPE_CHECKING:
    from canassist.model import BoolArray, FloatArray, Result

BAND_LEAST_S: Final = {"temperature": 0.5, "supply": 0.1, "road_speed": 0.5, "engine_speed": 0.5}
"""A band in which a ride spent less tells nothing; dips of the supply are short."""

UPPER: Final = {"temperature": 0.8, "supply": 0.5, "road_speed": 0.5, "engine_speed": 0.5}
"""The envelope is this quantile by time: what takes assist away unseen never adds to it."""

SETTLED_K: Final = 3.0
"""Supply is looked at while the module is this much cooler than where heat begins to tell."""

WORST_NEAR: Final = {"temperature": 0.5, "supply": 0.5}
"""As bad as it has been is within so many bands of the worst."""

AFTER_START_S: Final = 10.0
"""So long after a start a limit may still be coming up; no law of speed is read then."""

BELOW_SPEED_PCT: Final = 3.0
"""Something else holds where the limit lies this far below what a law of speed leaves."""

SPEED_REDUCED_PCT: Final = 95.0
SPEED_BANDS_LEAST: Final = 2
"""So many bands of speed below this show that there may be a law."""

GOOD_V: Final = 12.0
"""With less supply (nominal 12 V) no law of speed is read (rule of thumb)."""

FAST: Final = ((10.0, 1400.0), (20.0, 2000.0))
"""In km/h and rpm: from here on most laws of speed leave everything, so that what takes assist
away is another. Levels of heat and supply are kept apart for these too."""

DESIGNED: Final = frozenset({"law", "unexplained", None})
"""What a reduction by a law of speed may have been called by the ride's own judge."""

SPREAD: Final = (0.2, 0.8)
APART_MOST_PCT: Final = 8.0
"""A band of speed whose limits scatter by more than this shows no law of that speed."""


def limit_levels(result: Result) -> dict[str, tuple[BinnedLevel, ...]]:
    """Return the envelopes that a ride shows; a quantity whose channel is missing is left out."""
    ride = limit_samples(result)
    if ride is None:
        return {}
    heat_c, supply_v = ride.value("temperature"), ride.value("supply")
    rough = _heat_levels(ride, heat_c, ride.without(BY_STATE))
    cool = ~(heat_c > first_level_reduced(rough) - SETTLED_K)
    found = _speed_levels(ride, cool & ~(supply_v < GOOD_V * ride.volts_scale))
    free = ride.without(BY_STATE) & _free_of_speed(ride, found)
    held_pct = latched(ride, supply_v)
    free &= ~np.isfinite(held_pct) | (ride.pct < held_pct - LATCH_BELOW_PCT)
    found["temperature"] = _heat_levels(ride, heat_c, free)
    cool = ~(heat_c > first_level_reduced(found["temperature"]) - SETTLED_K)
    near_v = WORST_NEAR["supply"] * ride.width("supply")
    out = free & cool & _on_the_way_out(-supply_v, ride.pct, near_v)
    out &= ride.still("supply", supply_v)
    found["supply"] = _envelope(ride, "supply", supply_v, out)
    for number in range(len(FAST)):
        fast = _is_fast(ride, number)
        hot = _heat_levels(ride, heat_c, free & fast)
        found[fast_name("temperature", number)] = hot
        found[fast_name("supply", number)] = _envelope(ride, "supply", supply_v, out & fast)
    return {quantity: levels for quantity, levels in found.items() if levels}


def fast_name(quantity: str, number: int) -> str:
    """Return under which name the levels stand that were read at a speed of `FAST` or above."""
    return f"{quantity}.fast{number}"


def _is_fast(ride: LimitSamples, number: int) -> BoolArray:
    least_kph, least_rpm = FAST[number]
    fast = ride.value("road_speed") >= least_kph
    if CHANNEL["engine_speed"] in ride.result.channels:
        fast &= ride.value("engine_speed") >= least_rpm
    return np.asarray(fast)


def _heat_levels(ride: LimitSamples, heat_c: FloatArray, use: BoolArray) -> tuple[BinnedLevel, ...]:
    out = _on_the_way_out(heat_c, ride.pct, WORST_NEAR["temperature"])
    return _envelope(ride, "temperature", heat_c, use & out)


def _speed_levels(ride: LimitSamples, free: BoolArray) -> dict[str, tuple[BinnedLevel, ...]]:
    """Return the envelopes of road and engine speed, well after any start."""
    free = free & ride.without(DESIGNED, AFTER_START_S)
    free &= ride.time_s > ride.time_s[0] + AFTER_START_S
    found = {}
    for quantity in ("road_speed", "engine_speed"):
        speed = ride.value(quantity)
        moving = speed > 0.0 if quantity == "engine_speed" else np.isfinite(speed)
        rows = free & moving & ride.still(quantity, speed)
        found[quantity] = _envelope(ride, quantity, speed, rows)
    return found


def _free_of_speed(ride: LimitSamples, found: dict[str, tuple[BinnedLevel, ...]]) -> BoolArray:
    """Tell where the ride's own law of speed, if there is one, is not what holds."""
    free = np.ones(len(ride.time_s), dtype=np.bool_)
    for quantity, levels in found.items():
        if sum(item.level_pct < SPEED_REDUCED_PCT for item in levels) >= SPEED_BANDS_LEAST:
            x, pct, _ = (np.array(column) for column in zip(*levels, strict=True))
            level = np.interp(ride.value(quantity), x, pct)
            free &= ~(level < FULL_PCT) | (ride.pct < level - BELOW_SPEED_PCT)
    return free


def _on_the_way_out(worse: FloatArray, pct: FloatArray, near: float) -> BoolArray:
    """Tell where assist is full, or the quantity as bad as since it last was."""
    full = pct >= FULL_PCT
    known = np.where(np.isnan(worse), -np.inf, worse)
    out = full.copy()
    edges = np.flatnonzero(np.diff(np.concatenate(([True], full, [True])).astype(np.int8)))
    for first, stop in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        stretch = known[first:stop]
        out[first:stop] = stretch >= np.maximum.accumulate(stretch) - near
    return out


def _envelope(
    ride: LimitSamples, quantity: str, x: FloatArray, use: BoolArray
) -> tuple[BinnedLevel, ...]:
    rows = use & np.isfinite(x)
    if not rows.any():
        return ()
    width = ride.width(quantity)
    band = np.floor(np.where(rows, x, 0.0) / width).astype(np.int64)
    order = np.lexsort((ride.pct, band))
    order = order[rows[order]]
    edges = np.flatnonzero(np.diff(band[order], prepend=band[order[0]] - 1))
    found = []
    for mine in np.split(order, edges[1:]):
        reached = np.cumsum(ride.weight_s[mine])
        seconds = float(reached[-1])
        if seconds < BAND_LEAST_S[quantity]:
            continue
        low, top, high = (
            float(
                ride.pct[mine[min(int(np.searchsorted(reached, share * seconds)), len(mine) - 1)]]
            )
            for share in (SPREAD[0], UPPER[quantity], SPREAD[1])
        )
        if quantity in STILL_BANDS and quantity != "supply" and high - low > APART_MOST_PCT:
            continue
        middle = (int(band[mine[0]]) + 0.5) * width
        found.append(BinnedLevel(middle, min(top, 100.0), seconds))
    return tuple(found)

"""How much assist a module leaves over temperature, supply and speed: envelopes of one ride.

The limit is the lowest of several laws at any moment, so a band of one quantity is read only
where the others leave all of it. Two things keep a limit off its law: hysteresis, on the way
back, and lag. So a law of temperature or supply is read on the way out, where the quantity is as
bad as it has been since assist was last full; one of supply or speed, which change fast, where
both quantity and limit stand still.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.model import BinnedLevel
from canassist.timeline import seen_s, value_at, window_extremes

if TYPE_CHECKING:
    from canassist.model import BoolArray, FloatArray, Result

BAND: Final = {"temperature": 1.0, "supply": 0.1, "road_speed": 1.0, "engine_speed": 50.0}
"""Width of a band, in degC, V (for nominal 12 V), km/h and rpm."""

CHANNEL: Final = {
    "temperature": "module_temperature",
    "supply": "supply_voltage",
    "road_speed": "vehicle_speed",
    "engine_speed": "engine_speed",
}
BAND_LEAST_S: Final = {"temperature": 0.5, "supply": 0.1, "road_speed": 0.5, "engine_speed": 0.5}
"""A band in which a ride spent less tells nothing; dips of the supply are short."""

UPPER: Final = {"temperature": 0.8, "supply": 0.5, "road_speed": 0.5, "engine_speed": 0.5}
"""The envelope is this quantile by time: what takes assist away unseen never adds to it."""

FULL_PCT: Final = 98.0
SETTLED_K: Final = 3.0
"""Supply is looked at while the module is this much cooler than where heat begins to tell."""

STILL_S: Final = 0.3
"""Quantity and limit stand still where they keep to their ranges from so long before ..."""
STILL_AFTER_S: Final = 0.1
"""... until so long after ..."""
STILL_PCT: Final = 2.0
STILL_SUPPLY_PCT: Final = 3.5
STILL_BANDS: Final = {"supply": 1.5, "road_speed": 1.5, "engine_speed": 2.0}
"""... and these are the ranges, in % and in bands. A supply under load goes on falling slowly;
modules that lower their limit step by step do it by 12 % a second and more (own choice)."""

WORST_NEAR: Final = {"temperature": 0.5, "supply": 0.5}
"""As bad as it has been is within so many bands of the worst."""

AFTER_START_S: Final = 10.0
"""So long after a start a limit may still be coming up; no law of speed is read then."""

BELOW_SPEED_PCT: Final = 3.0
"""Something else holds where the limit lies this far below what a law of speed leaves."""

HELD_S: Final = 0.5
HELD_PCT: Final = 0.8
BOUNDS_APART: Final = 1.5
"""What holds a limit and what lets it back bound the hysteresis from both sides; apart by more
than this factor they tell nothing."""

HELD_LEAST_S: Final = 1.0
HELD_QUANTILE: Final = 0.95
"""A limit is held where it moved by less than this over that time; so much of it is looked at, and
this share of it lies nearer to the law than the hysteresis."""

LATCH_S: Final = 10.0
LATCH_FALL: Final = 0.9
"""Supply has long been good after this; to this share of good it fell before, at least."""

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

BY_STATE: Final = frozenset({"temperature", "voltage", "temperature+voltage", "unexplained", None})
"""The same, of a law of temperature or supply."""

SPREAD: Final = (0.2, 0.8)
APART_MOST_PCT: Final = 8.0
"""A band of speed whose limits scatter by more than this shows no law of that speed."""


@dataclass(frozen=True, slots=True)
class _Limits:
    """The ride's assist limit, and for how long each sample stands."""

    result: Result
    time_s: FloatArray
    pct: FloatArray
    weight_s: FloatArray

    def value(self, quantity: str) -> FloatArray:
        channel = self.result.channels.get(CHANNEL[quantity])
        if channel is None or channel.stands_in or not channel.unit_known:
            return np.full(len(self.time_s), np.nan)
        return value_at(self.result.timeline, CHANNEL[quantity], self.time_s)

    def width(self, quantity: str) -> float:
        return BAND[quantity] * (self.volts_scale if quantity == "supply" else 1.0)

    @property
    def volts_scale(self) -> float:
        """Nominal supply over 12 V."""
        return nominal_v(self.result) / 12.0

    def without(self, kept_causes: frozenset[str | None], after_s: float = 0.0) -> BoolArray:
        """Leave out what other laws ruled: starts, lost inputs, reductions by other causes."""
        usable = np.ones(len(self.time_s), dtype=np.bool_)
        for event in self.result.events:
            foreign = event.kind in {"module_restart", "signal_loss", "signal_stuck"} or (
                event.kind == "derate" and event.cause not in kept_causes
            )
            if foreign:
                end_s = event.until(self.result.log.duration_s) + after_s
                usable &= (self.time_s < event.start_s) | (self.time_s >= end_s)
        return usable

    def still(self, quantity: str, x: FloatArray) -> BoolArray:
        """Tell where both quantity and limit stand still."""
        window = {"before_s": STILL_S, "after_s": STILL_AFTER_S}
        low, high = window_extremes(self.time_s, x, **window)
        least, most = window_extremes(self.time_s, self.pct, **window)
        near = high - low <= STILL_BANDS[quantity] * self.width(quantity)
        most_pct = STILL_SUPPLY_PCT if quantity == "supply" else STILL_PCT
        return np.asarray(near & (most - least <= most_pct))


def limit_levels(result: Result) -> dict[str, tuple[BinnedLevel, ...]]:
    """Return the envelopes that a ride shows; a quantity whose channel is missing is left out."""
    ride = _limits(result)
    if ride is None:
        return {}
    heat_c, supply_v = ride.value("temperature"), ride.value("supply")
    rough = _heat_levels(ride, heat_c, ride.without(BY_STATE))
    cool = ~(heat_c > _first_reduced(rough) - SETTLED_K)
    found = _speed_levels(ride, cool & ~(supply_v < GOOD_V * ride.volts_scale))
    free = ride.without(BY_STATE) & _free_of_speed(ride, found) & ~_latched(ride, supply_v)
    found["temperature"] = _heat_levels(ride, heat_c, free)
    cool = ~(heat_c > _first_reduced(found["temperature"]) - SETTLED_K)
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


def _is_fast(ride: _Limits, number: int) -> BoolArray:
    least_kph, least_rpm = FAST[number]
    fast = ride.value("road_speed") >= least_kph
    if CHANNEL["engine_speed"] in ride.result.channels:
        fast &= ride.value("engine_speed") >= least_rpm
    return np.asarray(fast)


def _heat_levels(ride: _Limits, heat_c: FloatArray, use: BoolArray) -> tuple[BinnedLevel, ...]:
    out = _on_the_way_out(heat_c, ride.pct, WORST_NEAR["temperature"])
    return _envelope(ride, "temperature", heat_c, use & out)


def _speed_levels(ride: _Limits, free: BoolArray) -> dict[str, tuple[BinnedLevel, ...]]:
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


def _free_of_speed(ride: _Limits, found: dict[str, tuple[BinnedLevel, ...]]) -> BoolArray:
    """Tell where the ride's own law of speed, if there is one, is not what holds."""
    free = np.ones(len(ride.time_s), dtype=np.bool_)
    for quantity, levels in found.items():
        if sum(item.level_pct < SPEED_REDUCED_PCT for item in levels) >= SPEED_BANDS_LEAST:
            x, pct, _ = (np.array(column) for column in zip(*levels, strict=True))
            level = np.interp(ride.value(quantity), x, pct)
            free &= ~(level < FULL_PCT) | (ride.pct < level - BELOW_SPEED_PCT)
    return free


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
    ride = _limits(result)
    if ride is None:
        return {}
    heat_c, supply_v = ride.value("temperature"), ride.value("supply")
    found = {}
    start_c = _first_reduced(levels.get("temperature", ()))
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
    latched = bool(_latched(ride, supply_v).any())
    low = any(event.kind == "derate" and event.cause == "voltage" for event in result.events)
    if latched or low:
        found["latches_supply"] = float(latched)
    return found


def _held_above(
    ride: _Limits, supply_v: FloatArray, levels: tuple[BinnedLevel, ...]
) -> float | None:
    low = [item for item in levels if item.level_pct < FULL_PCT]
    if len(low) < SPEED_BANDS_LEAST:
        return None
    volts, pct, _ = (np.array(column) for column in zip(*levels, strict=True))
    rising = np.maximum.accumulate(pct)
    window = {"before_s": HELD_S, "after_s": STILL_AFTER_S}
    least, most = window_extremes(ride.time_s, ride.pct, **window)
    rows = ride.without(BY_STATE) & ride.still("supply", supply_v) & (most - least <= HELD_PCT)
    rows &= (ride.pct < SPEED_REDUCED_PCT) & (ride.pct >= rising[0]) & np.isfinite(supply_v)
    rows &= ~_latched(ride, supply_v)
    if float(ride.weight_s[rows].sum()) < HELD_LEAST_S:
        return None
    first = np.searchsorted(rising, ride.pct[rows], side="left")
    above = supply_v[rows] - volts[np.minimum(first, len(volts) - 1)]
    return max(0.0, float(np.quantile(above, HELD_QUANTILE)))


def _back_above(
    ride: _Limits, supply_v: FloatArray, levels: tuple[BinnedLevel, ...]
) -> float | None:
    """Return how far above the law's start the supply was, at least once, when assist came back."""
    low = [item.x for item in levels if item.level_pct < FULL_PCT]
    back = np.flatnonzero(np.diff((ride.pct >= FULL_PCT).astype(np.int8)) == 1) + 1
    above = supply_v[back] - max(low, default=np.nan)
    above = above[np.isfinite(above) & (above > 0.0)]
    return float(above.min()) if len(above) else None


def _latched(ride: _Limits, supply_v: FloatArray) -> BoolArray:
    """Tell where a reduction by supply stayed flat although supply has long been good."""
    latched = np.zeros(len(ride.time_s), dtype=np.bool_)
    if not np.isfinite(supply_v).any():
        return latched
    good_v = 0.97 * float(np.nanmedian(supply_v))
    low, _ = window_extremes(ride.time_s, supply_v, before_s=LATCH_S, after_s=0.0)
    window = {"before_s": LATCH_S, "after_s": 0.0}
    least, most = window_extremes(ride.time_s, ride.pct, **window)
    flat = (most - least <= STILL_PCT) & (most < SPEED_REDUCED_PCT) & (low >= good_v)
    for event in ride.result.events:
        if event.kind != "derate" or event.cause not in {"voltage", "unexplained", None}:
            continue
        end_s = event.until(ride.result.log.duration_s)
        inside = (ride.time_s >= event.start_s) & (ride.time_s < end_s)
        began = (ride.time_s >= event.start_s - 1.0) & (ride.time_s < event.start_s + 1.0)
        lowest_v = float(np.nanmin(supply_v[began], initial=np.inf))
        fell = event.cause == "voltage" or lowest_v < LATCH_FALL * good_v
        if fell and (flat & inside).any():
            latched |= inside
    return latched


def _edges(ride: _Limits) -> list[tuple[int, int]]:
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


def nominal_v(result: Result) -> float:
    """Return the nominal supply: the profile's, or what the ride's own voltage is nearest to."""
    channel = result.channels.get("supply_voltage")
    if "vehicle.nominal_v" in result.profile.given or channel is None or not channel.unit_known:
        return result.profile.nominal_v
    _, volts = channel.valid()
    usual = float(np.median(volts)) if len(volts) else 0.0
    return next((float(n) for n, least in ((48, 36.0), (24, 18.0)) if usual >= least), 12.0)


def _limits(result: Result) -> _Limits | None:
    channel = result.channels.get("assist_limit")
    if channel is None:
        return None
    time_s, pct = channel.valid()
    if len(time_s) < 2:  # noqa: PLR2004 - one sample lasts for no time
        return None
    weight_s = np.append(np.diff(seen_s(time_s, stale_after_s=channel.stale_after_s)), 0.0)
    return _Limits(result, time_s, pct, weight_s)


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
    ride: _Limits, quantity: str, x: FloatArray, use: BoolArray
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


def _first_reduced(levels: tuple[BinnedLevel, ...]) -> float:
    return min((item.x for item in levels if item.level_pct < FULL_PCT), default=float("inf"))

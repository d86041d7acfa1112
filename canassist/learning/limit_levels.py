"""How much assist a module leaves over temperature and supply: upper envelopes of one ride.

The limit is the lowest of several laws at any moment, so in each band of one quantity its
upper edge is what that quantity alone allows, wherever the others left all of it for a while.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.model import BinnedLevel
from canassist.timeline import seen_s, value_at

if TYPE_CHECKING:
    from canassist.model import BoolArray, FloatArray, Result

BAND: Final = {"temperature": 1.0, "supply": 0.1}
"""Width of a band, in degC and V (for nominal 12 V)."""

CHANNEL: Final = {"temperature": "module_temperature", "supply": "supply_voltage"}
BAND_LEAST_S: Final = 0.5
"""A band that was ridden for less tells nothing."""

UPPER: Final = 0.8
"""The envelope is this quantile by time: what lies above are moments of lag."""

FULL_PCT: Final = 98.0
SETTLED_K: Final = 3.0
"""Supply is looked at while the module is this much cooler than where heat begins to tell."""


def limit_levels(result: Result) -> dict[str, tuple[BinnedLevel, ...]]:
    """Return the envelopes that a ride shows; a quantity whose channel is missing is left out."""
    channel = result.channels.get("assist_limit")
    if channel is None:
        return {}
    time_s, limit_pct = channel.valid()
    if not len(time_s):
        return {}
    weight = np.append(np.diff(seen_s(time_s, stale_after_s=channel.stale_after_s)), 0.0)
    usable = _usable(result, time_s)
    heat_c = _value(result, "temperature", time_s)
    found = {}
    warm = _envelope(heat_c, limit_pct, weight, usable, BAND["temperature"])
    if warm:
        found["temperature"] = warm
    cool = usable & ~(heat_c > _first_reduced(warm) - SETTLED_K)
    supply_v = _value(result, "supply", time_s)
    width = BAND["supply"] * result.profile.nominal_v / 12.0
    low = _envelope(supply_v, limit_pct, weight, cool, width)
    if low:
        found["supply"] = low
    return found


def _usable(result: Result, time_s: FloatArray) -> BoolArray:
    """Leave out what other laws ruled: starts, stopped engines, lost inputs, laws of speed."""
    usable = np.ones(len(time_s), dtype=np.bool_)
    for event in result.events:
        foreign = event.kind in {"module_restart", "signal_loss", "signal_stuck"} or (
            event.kind == "derate"
            and event.cause not in {"temperature", "voltage", None}
            and "+" not in str(event.cause)
        )
        if foreign:
            end_s = event.until(result.log.duration_s)
            usable &= (time_s < event.start_s) | (time_s >= end_s)
    return usable


def _value(result: Result, quantity: str, time_s: FloatArray) -> FloatArray:
    channel = result.channels.get(CHANNEL[quantity])
    if channel is None or channel.stands_in or not channel.unit_known:
        return np.full(len(time_s), np.nan)
    return value_at(result.timeline, CHANNEL[quantity], time_s)


def _envelope(
    x: FloatArray, level: FloatArray, weight: FloatArray, use: BoolArray, width: float
) -> tuple[BinnedLevel, ...]:
    rows = use & ~np.isnan(x)
    if not rows.any():
        return ()
    band = np.floor(np.where(rows, x, 0.0) / width).astype(np.int64)
    found = []
    for number in np.unique(band[rows]).tolist():
        mine = rows & (band == number)
        seconds = float(weight[mine].sum())
        if seconds >= BAND_LEAST_S:
            top = _weighted_quantile(level[mine], weight[mine], UPPER)
            found.append(BinnedLevel((number + 0.5) * width, min(top, 100.0), seconds))
    return tuple(found)


def _weighted_quantile(value: FloatArray, weight: FloatArray, share: float) -> float:
    order = np.argsort(value, kind="stable")
    reached = np.cumsum(weight[order])
    place = int(np.searchsorted(reached, share * reached[-1]))
    return float(value[order][min(place, len(value) - 1)])


def _first_reduced(levels: tuple[BinnedLevel, ...]) -> float:
    return min((item.x for item in levels if item.level_pct < FULL_PCT), default=float("inf"))

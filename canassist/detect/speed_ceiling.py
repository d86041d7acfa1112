"""An assist limit that follows road speed by itself: what each speed gets in this ride."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.physics import FULL_PCT, engine_stands, supply_line_pct, temperature_line_pct
from canassist.timeline import seen_s, value_at

if TYPE_CHECKING:
    from canassist.model import BoolArray, FloatArray, Physics, Profile, Timeline

BIN_KPH: Final = 2.5
"""Width of a band of road speed."""

BAND_LEAST_S: Final = 2.0
"""A band that was ridden for less says nothing."""

REDUCED_LEAST_S: Final = 10.0
"""Reduced by speed alone for less than this, a ride shows no such rule."""

CEILING_SHARE: Final = 0.9
"""What a band gets is this quantile: disturbed moments lie below it."""

TIGHT_PCT: Final = 5.0
"""In a band that speed alone rules, half the samples lie within this of what it gets."""

LEAST_BANDS: Final = 3
"""Reduced bands that are needed to speak of a rule."""


def speed_ceiling_pct(
    timeline: Timeline,
    physics: Physics,
    time_s: FloatArray,
    limit_pct: FloatArray,
    profile: Profile,
) -> FloatArray | None:
    """Return what the assist limit is at each sample's road speed when nothing is wrong.

    Only samples with a running engine, and temperature and supply that leave full
    assist, are asked. The ceiling falls with speed or stays.

    Parameters
    ----------
    time_s, limit_pct : array of float64, shape (n,)
        Samples of the assist limit that carry a value.

    Returns
    -------
    array of float64, shape (n,), or None
        None where the limit does not follow road speed by itself (the usual case).
    """
    speed_kph = value_at(timeline, "vehicle_speed", time_s)
    free = _nothing_wrong(timeline, physics, time_s) & ~np.isnan(speed_kph)
    full_pct = profile.limits.full_assist_pct
    if not len(time_s) or not (free & (limit_pct < full_pct)).any():
        return None
    steps = np.diff(seen_s(time_s, stale_after_s=timeline.channels["assist_limit"].stale_after_s))
    weight = np.append(steps, 0.0)
    band = np.where(free, speed_kph / BIN_KPH, -1.0).astype(np.int64)
    centres, tops, tight, seconds = [], [], [], []
    for number in np.unique(band[free]):
        rows = free & (band == number)
        length_s = float(weight[rows].sum())
        if length_s < BAND_LEAST_S:
            continue
        top = float(np.quantile(limit_pct[rows], CEILING_SHARE))
        centres.append((number + 0.5) * BIN_KPH)
        tops.append(top)
        tight.append(top - float(np.median(limit_pct[rows])) <= TIGHT_PCT)
        seconds.append(length_s)
    top_pct = np.array(tops)
    reduced = (top_pct < full_pct) & np.array(tight, dtype=np.bool_)
    if reduced.sum() < LEAST_BANDS or np.array(seconds)[reduced].sum() < REDUCED_LEAST_S:
        return None
    if not _falls_with_speed(top_pct, full_pct):
        return None
    falling = np.maximum.accumulate(top_pct[::-1])[::-1]
    known_kph = np.where(np.isnan(speed_kph), 0.0, speed_kph)
    return np.asarray(np.interp(known_kph, centres, falling))


def _nothing_wrong(timeline: Timeline, physics: Physics, time_s: FloatArray) -> BoolArray:
    free = ~engine_stands(timeline, time_s)
    if physics.limit_lines is not None:
        heat_c = value_at(timeline, "module_temperature", time_s)
        supply_v = value_at(timeline, "supply_voltage", time_s)
        free &= ~(temperature_line_pct(heat_c, physics.limit_lines) < FULL_PCT)
        free &= ~(supply_line_pct(supply_v, physics.limit_lines) < FULL_PCT)
    return np.asarray(free)


def _falls_with_speed(top_pct: FloatArray, full_pct: float) -> bool:
    """Tell whether slow bands get full assist and faster ones less and less."""
    rises = np.diff(top_pct)
    return bool(top_pct[0] >= full_pct and (rises <= TIGHT_PCT).all())

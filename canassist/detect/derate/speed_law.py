"""An assist limit that follows road or engine speed by design: from the profile, or learned."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.detect.spans import true_runs
from canassist.physics import (
    FULL_PCT,
    curve_pct,
    engine_stands,
    supply_limits_hold,
    supply_line_pct,
    temperature_line_pct,
)
from canassist.timeline import value_at, window_extremes

if TYPE_CHECKING:
    from canassist.model import BoolArray, FloatArray, IntArray, LimitLines, Profile, Timeline
    from canassist.physics import LifeOfRide

ROAD_STEP_KPH: Final = 2.5
STANDING_KPH: Final = 1.0
ENGINE_STEP_RPM: Final = 150.0
"""Widths of the bands of road and engine speed in which a law is looked for."""

VISITS_LEAST: Final = 3
"""A law takes this many separate visits to a band (the contract's figure) ..."""

ALIKE_PCT: Final = 5.0
"""... whose limits agree within this (the contract's figure) ..."""

ALIKE_SHARE: Final = 0.8
"""... in this share of them: a visit may be disturbed."""

VISIT_LEAST_S: Final = 0.3
"""A shorter visit shows no settled limit."""

AFTER_START_S: Final = 10.0
"""So long after a silence of the module, an engine start or the log's begin, a limit may still be
coming up."""

BACK_S: Final = 10.0
"""So long after heat or low supply a limit may still be coming back (rule of thumb)."""

LAG_S: Final = (2.0, 0.5)
"""A limit follows its law this much later, and speed is seen this much later than by the module."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Visits:
    """Stays in bands of speed: band, the stretch of reduced assist it lies in (-1: none), limit."""

    band: IntArray
    stretch: IntArray
    level_pct: FloatArray


def speed_law_pct(  # noqa: PLR0913, PLR0917 - what a ride has
    timeline: Timeline,
    profile: Profile,
    time_s: FloatArray,
    limit_pct: FloatArray,
    lines: LimitLines | None,
    life: LifeOfRide,
) -> FloatArray | None:
    """Return what the module's law of road or engine speed leaves at each sample, in %.

    From the profile's curves; else learned from the ride, where a band of speed was visited
    three or more times apart from the stretch that it is to explain, with full supply and a
    cool module, and the limits agree within 5 points. After the module's lag the lowest of
    the last moments holds.

    Parameters
    ----------
    time_s, limit_pct : array of float64, shape (n,)
        Samples of the assist limit that carry a value.

    Returns
    -------
    array of float64, shape (n,), or None
        100 where no law is known; None where there is none at all (the usual case).
    """
    if len(time_s) < 2:  # noqa: PLR2004 - one sample shows no law
        return None
    stale_s = timeline.channels["assist_limit"].followed_s
    below = limit_pct < profile.limits.full_assist_pct
    free = _nothing_wrong(timeline, time_s, lines, life)
    free &= _not_too_high(timeline, profile, time_s)
    stretch = _stretches(time_s, below, stale_s)
    law_pct = np.full(len(time_s), FULL_PCT)
    found = False
    for name, curve in (
        ("vehicle_speed", profile.protection.road_speed),
        ("engine_speed", profile.protection.engine_speed),
    ):
        speed = value_at(timeline, name, time_s)
        if curve:
            own_pct = np.nan_to_num(curve_pct(speed, curve), nan=FULL_PCT)
        elif below.any() and timeline.has(name):
            unexplained = below & (limit_pct < law_pct - ALIKE_PCT)
            if not unexplained.any():
                continue
            own_pct = _learned(time_s, limit_pct, _bands(name, speed), stretch, free, stale_s)
        else:
            continue
        if (own_pct < FULL_PCT).any():
            found, law_pct = True, np.minimum(law_pct, own_pct)
    if not found:
        return None
    stands = engine_stands(timeline, time_s)  # no assist then has a reason of its own
    law_pct[stands] = FULL_PCT
    lowest, _ = window_extremes(time_s, law_pct, before_s=LAG_S[0], after_s=LAG_S[1])
    return np.where(stands, FULL_PCT, lowest)


def _bands(name: str, speed: FloatArray) -> IntArray:
    """Return the number of each sample's band; -1 where speed is unknown."""
    known = np.nan_to_num(speed)
    if name == "engine_speed":
        band = np.floor(known / ENGINE_STEP_RPM)
    else:
        band = np.where(known < STANDING_KPH, 0.0, 1.0 + np.floor(known / ROAD_STEP_KPH))
    return np.where(np.isnan(speed), -1, band).astype(np.int64)


def _nothing_wrong(
    timeline: Timeline, time_s: FloatArray, lines: LimitLines | None, life: LifeOfRide
) -> BoolArray:
    """Tell where supply and temperature are known and leave full assist, well after any start."""
    free = ~engine_stands(timeline, time_s)
    if lines is not None:
        heat_c = value_at(timeline, "module_temperature", time_s)
        supply_v = value_at(timeline, "supply_voltage", time_s)
        free &= temperature_line_pct(heat_c, lines) >= FULL_PCT
        free &= supply_line_pct(supply_v, lines) >= FULL_PCT
        lately, _ = window_extremes(time_s, free.astype(np.float64), before_s=BACK_S, after_s=0.0)
        free = lately > 0.0
    begins = [*(s.end_s for s in life.silences), *life.engine_starts_s, *time_s[:1].tolist()]
    for start_s in begins:
        free &= ~((time_s >= start_s) & (time_s < start_s + AFTER_START_S))
    return np.asarray(free)


def _not_too_high(timeline: Timeline, profile: Profile, time_s: FloatArray) -> BoolArray:
    """Tell where supply has not been above its upper limit lately; unknown counts as not."""
    if not supply_limits_hold(timeline, profile, "overvoltage_v"):
        return np.ones(len(time_s), dtype=np.bool_)
    high = value_at(timeline, "supply_voltage", time_s) > profile.limits.overvoltage_v
    _, lately = window_extremes(time_s, high.astype(np.float64), before_s=BACK_S, after_s=0.0)
    return np.asarray(lately <= 0.0)


def _stretches(time_s: FloatArray, below: BoolArray, stale_s: float) -> IntArray:
    """Return the number of the stretch of reduced assist that each sample lies in, else -1."""
    number = np.full(len(time_s), -1, dtype=np.int64)
    runs = true_runs(time_s, below, stale_after_s=stale_s)
    for place, (first, stop) in enumerate(zip(runs.first, runs.stop, strict=True)):
        number[first:stop] = place
    return number


def _learned(  # noqa: PLR0913, PLR0917 - columns of one table
    time_s: FloatArray,
    limit_pct: FloatArray,
    band: IntArray,
    stretch: IntArray,
    free: BoolArray,
    stale_s: float,
) -> FloatArray:
    """Return the law that other stretches show for each sample's band; 100 where none."""
    visits = _visits(time_s, limit_pct, np.where(free, band, -1), stretch, stale_s)
    law_pct = np.full(len(time_s), FULL_PCT)
    for number in np.unique(stretch[stretch >= 0]):
        rows = np.flatnonzero(stretch == number)
        others = visits.stretch != number
        levels = {
            int(one): level
            for one in np.unique(band[rows])
            if one >= 0
            and (level := _level(visits.level_pct[others & (visits.band == one)])) is not None
        }
        if not levels:
            continue
        known = sorted(levels)
        law_pct[rows] = np.interp(
            band[rows], known, [levels[one] for one in known], left=FULL_PCT, right=FULL_PCT
        )
        law_pct[rows[band[rows] < 0]] = FULL_PCT
    return law_pct


def _visits(
    time_s: FloatArray, limit_pct: FloatArray, band: IntArray, stretch: IntArray, stale_s: float
) -> _Visits:
    """Return the settled limit of each stay in a band."""
    change = (np.diff(band) != 0) | (np.diff(time_s) > stale_s)
    first = np.concatenate(([0], np.flatnonzero(change) + 1))
    stop = np.append(first[1:], len(time_s))
    bands, stretches, levels = [], [], []
    for start, end in zip(first.tolist(), stop.tolist(), strict=True):
        lasts_s = time_s[end - 1] - time_s[start]
        if band[start] < 0 or lasts_s < VISIT_LEAST_S:
            continue
        settled = slice((start + end) // 2, end)
        bands.append(band[start])
        stretches.append(int(stretch[settled].max()))
        levels.append(float(np.median(limit_pct[settled])))
    return _Visits(
        band=np.array(bands, dtype=np.int64),
        stretch=np.array(stretches, dtype=np.int64),
        level_pct=np.array(levels),
    )


def _level(levels_pct: FloatArray) -> float | None:
    """Return the limit that visits agree on, or None."""
    if len(levels_pct) < VISITS_LEAST:
        return None
    middle = float(np.median(levels_pct))
    alike = np.abs(levels_pct - middle) <= ALIKE_PCT
    return middle if alike.mean() >= ALIKE_SHARE and alike.sum() >= VISITS_LEAST else None


def below_law(limit_pct: FloatArray, law_pct: FloatArray | None) -> FloatArray:
    """Return available assist in % where what the law takes away is not counted as lost."""
    if law_pct is None:
        return limit_pct
    return np.where(limit_pct < law_pct, FULL_PCT - (law_pct - limit_pct), FULL_PCT)

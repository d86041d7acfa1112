"""Learning the assist map from the ride itself, where no profile gives it."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.physics.assist_law import EVERY_MODE, assist_samples
from canassist.physics.statistics import least_squares
from canassist.timeline import value_at

if TYPE_CHECKING:
    from canassist.model import AssistFit, BoolArray, FloatArray, LimitLines, Timeline
    from canassist.physics.assist_law import AssistSamples

SPEED_EDGES_KPH: Final = (0.0, 4.0, 8.0, 12.0, 16.0, 20.0, 30.0, 40.0, 50.0, 60.0, 80.0, 1000.0)
"""Bands of road speed in which a gain is learned."""

BAND_LEAST_S: Final = 1.5
"""A band with less steering than this is left out."""

MODE_LEAST_S: Final = 8.0
"""A mode with less steering than this shares the map of every mode."""

RIDE_LEAST_S: Final = 10.0
"""Less steering than this in all shows no map."""

LEARN_EFFORT_NM: Final = 1.0
"""Gains are learned where driver torque is this far beyond the deadband."""

LEARN_ASSIST_NM: Final = 2.0
"""... and assist is at least this."""

LEARN_LIMIT: Final = 0.5
"""... and this share of assist is available."""

DEADBAND_MOST_NM: Final = 1.5
"""No module lets the driver pull more than this before it helps: common practice, no source."""

DEADBAND_USUAL_NM: Final = 0.5
"""Taken where the ride does not show it."""

TORQUE_STEP_NM: Final = 0.5
"""Assist over driver torque is looked at in steps of this."""

LEAST_STEPS: Final = 4


def learn_map(
    timeline: Timeline, fit: AssistFit, lines: LimitLines, *, side_tolerance: float
) -> AssistFit | None:
    """Learn deadband, greatest assist and the gain by road speed and mode.

    Gains are medians, so that a fault that lasts less than half of the ride does not
    become the map; they fall with road speed or stay. Where one side gets less than the
    other, the stronger side is the map.

    Parameters
    ----------
    fit : AssistFit
        With the lag; its map is not used.
    side_tolerance : float
        Difference of the sides, as a share, from which they are told apart.

    Returns
    -------
    AssistFit or None
        None where too little was steered.
    """
    samples = assist_samples(timeline, fit, lines)
    if samples is None or not timeline.has("vehicle_speed"):
        return None
    period_s = float(np.median(np.diff(samples.time_s))) if len(samples.time_s) > 1 else 0.0
    usable = (samples.limit_share >= LEARN_LIMIT) & samples.settled & ~np.isnan(samples.speed_kph)
    usable &= ~np.isnan(samples.driver_nm) & (np.abs(samples.delivered_nm) >= LEARN_ASSIST_NM)
    if usable.sum() * period_s < RIDE_LEAST_S:
        return None
    deadband_nm = _deadband(samples, usable)
    usable &= np.abs(samples.driver_nm) >= deadband_nm + LEARN_EFFORT_NM
    given = samples.delivered_nm * np.sign(samples.driver_nm) / samples.limit_share
    effort = np.abs(samples.driver_nm) - deadband_nm
    greatest_nm = float(given[usable].max()) if usable.any() else float("inf")
    usable &= given < GREATEST_SHARE * greatest_nm
    ratio = np.where(usable, given / np.where(usable, effort, 1.0), np.nan)
    mode = value_at(timeline, "assist_mode", samples.time_s)
    modes = timeline.get("assist_mode")
    speeds, gains = _table(samples, ratio, usable, period_s, side_tolerance)
    if not len(speeds):
        return None
    tables = {EVERY_MODE: gains}
    for number in np.unique(mode[usable & ~np.isnan(mode)]):
        own = usable & (mode == number)
        if own.sum() * period_s < MODE_LEAST_S:
            continue
        own_speeds, own_gains = _table(samples, ratio, own, period_s, side_tolerance)
        if len(own_speeds):
            labels = {} if modes is None else modes.labels
            word = labels.get(float(number), f"{number:g}")
            tables[word] = np.interp(speeds, own_speeds, own_gains)
    return replace(
        fit,
        map_from="ride",
        speed_kph=tuple(float(speed) for speed in speeds),
        gains={word: tuple(float(gain) for gain in row) for word, row in tables.items()},
        driver_deadband_nm=deadband_nm,
        max_assist_nm=greatest_nm,
    )


GREATEST_SHARE: Final = 0.97
"""Assist above this share of the greatest seen may be cut off there."""


def _deadband(samples: AssistSamples, usable: BoolArray) -> float:
    """Return where assist over driver torque begins, in the band of speed ridden most."""
    band = np.digitize(samples.speed_kph, SPEED_EDGES_KPH)
    rows = usable & (band == np.argmax(np.bincount(band[usable])))
    torque = np.abs(samples.driver_nm[rows])
    given = np.abs(samples.delivered_nm[rows]) / samples.limit_share[rows]
    step = np.floor(torque / TORQUE_STEP_NM).astype(np.int64)
    numbers, count = np.unique(step, return_counts=True)
    numbers = numbers[count >= LEAST_STEPS]
    if len(numbers) < LEAST_STEPS:
        return DEADBAND_USUAL_NM
    x = np.array([np.median(torque[step == number]) for number in numbers])
    y = np.array([np.median(given[step == number]) for number in numbers])
    low = y < GREATEST_SHARE * y.max()
    if low.sum() < LEAST_STEPS:
        return DEADBAND_USUAL_NM
    line = least_squares(x[low], y[low])
    if line.slope <= 0.0:
        return DEADBAND_USUAL_NM
    return float(np.clip(-line.level / line.slope, 0.0, DEADBAND_MOST_NM))


def _table(
    samples: AssistSamples,
    ratio: FloatArray,
    usable: BoolArray,
    period_s: float,
    side_tolerance: float,
) -> tuple[FloatArray, FloatArray]:
    """Return speeds and gains that fall with speed or stay, from each band's median."""
    band = np.digitize(samples.speed_kph, SPEED_EDGES_KPH)
    speeds, gains, weights = [], [], []
    for number in np.unique(band[usable]):
        rows = usable & (band == number)
        if rows.sum() * period_s < BAND_LEAST_S:
            continue
        speeds.append(float(np.median(samples.speed_kph[rows])))
        gains.append(_stronger_side(ratio[rows], samples.driver_nm[rows], side_tolerance))
        weights.append(float(rows.sum()))
    return np.array(speeds), falling(np.array(gains), np.array(weights))


def _stronger_side(ratio: FloatArray, driver_nm: FloatArray, side_tolerance: float) -> float:
    right, left = ratio[driver_nm > 0.0], ratio[driver_nm < 0.0]
    if min(len(right), len(left)) < LEAST_STEPS:
        return float(np.median(ratio))
    one, other = float(np.median(right)), float(np.median(left))
    if min(one, other) < (1.0 - side_tolerance) * max(one, other):
        return max(one, other)
    return float(np.median(ratio))


def falling(value: FloatArray, weight: FloatArray) -> FloatArray:
    """Return the nearest sequence, by weighted least squares, that never rises.

    Parameters
    ----------
    value, weight : array of float64, shape (n,)
        Values in order, and how much each counts.

    References
    ----------
    .. [1] Pooling of adjacent violators: Ayer, Brunk, Ewing, Reid and Silverman (1955),
       Annals of Mathematical Statistics 26.
    """
    pools: list[tuple[float, float, int]] = []
    for level, mass in zip(value.tolist(), weight.tolist(), strict=True):
        pools.append((level, mass, 1))
        while len(pools) > 1 and pools[-2][0] < pools[-1][0]:
            (one, one_mass, one_count), (two, two_mass, two_count) = pools[-2:]
            total = one_mass + two_mass
            mean = (one * one_mass + two * two_mass) / total
            pools[-2:] = [(mean, total, one_count + two_count)]
    return np.repeat([level for level, _, _ in pools], [count for _, _, count in pools])

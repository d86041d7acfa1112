"""Where the driver torque rests with nobody steering."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.model import Estimate, TorqueRest
from canassist.stats import least_squares, mean_of_blocks, noise_variance, shorth, t95
from canassist.timeline import seen_s, value_at, window_extremes

if TYPE_CHECKING:
    from canassist.model import BoolArray, Channel, FloatArray, IntArray, Timeline

SLOWEST_S: Final = 0.25
"""Driver torque that comes more seldom than this does not show that it is steady for 1 s."""

RATE_DEG_S: Final = 5.0
"""At rest the steering angle moves slower than this (the contract's figure) ..."""

STEADY_S: Final = 1.0
"""... and driver torque has been steady for this long (the contract's figure)."""

STEADY_NM: Final = 0.3
"""Steady: driver torque stays within this, besides the sensor's own noise."""

QUIET_FACTOR: Final = 2.0
"""Nobody holds the bar where torque spreads by no more than this times the sensor's noise,
or by `QUIET_NM`: hands always make torque wander."""

QUIET_NM: Final = 0.03

STRAIGHT_DEG: Final = 10.0
"""Straight: within this of zero."""

STANDING_KPH: Final = 0.5
"""Standing: below this."""

HANDS_NM: Final = 3.0
"""A steady torque above this is a rider who holds the bar, not a sensor that rests."""

WHOLE_SHARE: Final = 0.8
"""A stretch counts where it is at rest for this share of its length."""

NEAR_NM: Final = 0.15
"""Stretches that rest further than this from where most do are held by hand; drift with
temperature stays within it."""

BLOCK_S: Final = 1.0
"""Rest is cut into stretches of this length, which are taken as independent."""

LEAST_BLOCKS: Final = 3
"""Fewer stretches give no interval worth the name."""

LEAST_KEPT: Final = 8
"""So many samples of a second show rest where the recorder drops some (own choice)."""

DRIFT_LEAST_K: Final = 10.0
"""Drift shows only where the module's temperature changed by this between rests."""

EXTREME_SPREADS: Final = 3.0
"""Noise of a second's samples hardly reaches further than this many standard deviations."""


def fit_torque_rest(timeline: Timeline) -> TorqueRest | None:
    """Estimate the rest torque, and its drift with temperature, from samples at rest.

    Returns
    -------
    TorqueRest or None
        None without driver torque and steering angle, where they come too seldom to show
        a second's rest, or with less than 3 s of it.
    """
    torque, angle = timeline.get("driver_torque"), timeline.get("steering_angle")
    if torque is None or angle is None:
        return None
    if torque.period_s > SLOWEST_S or angle.period_s > STEADY_S:
        return None
    time_s, torque_nm = torque.valid()
    rest = at_rest(timeline, torque)
    if not rest.any():
        return None
    steps = np.append(np.diff(seen_s(time_s, stale_after_s=torque.followed_s)), 0.0)
    block = np.floor(time_s / BLOCK_S).astype(np.int64)
    rest &= _together(block, torque_nm, rest, _wanted(torque, block))
    time_s, torque_nm, block = time_s[rest], torque_nm[rest], block[rest]
    seconds = float(steps[rest].sum())
    if len(np.unique(block)) < LEAST_BLOCKS:
        return None
    return TorqueRest(
        offset_nm=mean_of_blocks(torque_nm, block, "N·m"),
        seconds=seconds,
        drift_nm_per_k=_drift(timeline, time_s, torque_nm, block),
        time_s=time_s,
        torque_nm=torque_nm,
    )


def at_rest(timeline: Timeline, torque: Channel) -> BoolArray:
    """Tell which valid samples of driver torque are at rest.

    The bar is still, torque is steady and as quiet as the sensor's own noise, and the
    vehicle stands or runs straight: nobody steers as far as the bus can tell.

    Returns
    -------
    array of bool, shape (n,)
        For the samples of `torque` that carry a value.
    """
    time_s, torque_nm = torque.valid()
    if not len(time_s):
        return np.zeros(0, dtype=np.bool_)
    angle_deg = value_at(timeline, "steering_angle", time_s)
    speed_kph = value_at(timeline, "vehicle_speed", time_s)
    noise_nm = float(np.sqrt(noise_variance(torque_nm)))
    half = STEADY_S / 2.0
    angle_low, angle_high = window_extremes(time_s, angle_deg, before_s=half, after_s=half)
    low, high = window_extremes(time_s, torque_nm, before_s=half, after_s=half)
    steady = high - low < STEADY_NM + 2.0 * EXTREME_SPREADS * noise_nm
    quiet = _spread(time_s, torque_nm, half) <= max(QUIET_FACTOR * noise_nm, QUIET_NM)
    still = angle_high - angle_low < RATE_DEG_S * STEADY_S
    placed = (np.abs(angle_deg) < STRAIGHT_DEG) | (speed_kph < STANDING_KPH)
    return np.asarray(still & steady & quiet & placed & (np.abs(torque_nm) < HANDS_NM))


def _together(
    block: IntArray, torque_nm: FloatArray, rest: BoolArray, wanted: FloatArray
) -> BoolArray:
    """Tell which samples belong to stretches that rest at the same torque.

    Only stretches that are at rest throughout, by the samples `wanted` of each, count. A bar
    that is held for a moment rests elsewhere than one that is let go: the tightest half of
    all stretches says where, and those further away are left out.
    """
    numbers, place, count = np.unique(block[rest], return_inverse=True, return_counts=True)
    whole = count >= wanted[numbers]
    if not whole.any():
        return np.zeros(len(rest), dtype=np.bool_)
    means = np.bincount(place, weights=torque_nm[rest]) / count
    centre = shorth(means[whole])
    near = whole & (np.abs(means - centre) <= NEAR_NM)
    return np.isin(block, numbers[near])


def _wanted(torque: Channel, block: IntArray) -> FloatArray:
    """Return how many samples of each stretch must be at rest.

    Where a recorder drops frames, its share of those that came, and no fewer than show a rest.
    """
    came = np.bincount(block)
    if np.isinf(torque.step_s):
        return np.full(len(came), WHOLE_SHARE * BLOCK_S / torque.period_s)
    return np.asarray(np.maximum(WHOLE_SHARE * came, LEAST_KEPT))


def _spread(time_s: FloatArray, value: FloatArray, half_s: float) -> FloatArray:
    """Return the standard deviation within `half_s` around each sample."""
    first = np.searchsorted(time_s, time_s - half_s)
    stop = np.searchsorted(time_s, time_s + half_s, side="right")
    count = stop - first
    centred = value - np.median(value)
    total = np.concatenate(([0.0], np.cumsum(centred)))
    square = np.concatenate(([0.0], np.cumsum(centred * centred)))
    mean = (total[stop] - total[first]) / count
    return np.asarray(
        np.sqrt(np.maximum((square[stop] - square[first]) / count - mean * mean, 0.0))
    )


def _drift(
    timeline: Timeline, time_s: FloatArray, torque_nm: FloatArray, block: IntArray
) -> Estimate | None:
    """Return the slope of rest torque on module temperature, from the stretches' means."""
    heat_c = value_at(timeline, "module_temperature", time_s)
    known = ~np.isnan(heat_c)
    if not known.any() or np.ptp(heat_c[known]) < DRIFT_LEAST_K:
        return None
    _, place = np.unique(block[known], return_inverse=True)
    count = np.bincount(place)
    heat = np.bincount(place, weights=heat_c[known]) / count
    rest = np.bincount(place, weights=torque_nm[known]) / count
    if len(count) < LEAST_BLOCKS + 1:
        return None
    line = least_squares(heat, rest)
    left = rest - line.level - line.slope * heat
    degrees = len(count) - 2
    spread = np.sqrt((left @ left) / degrees / ((heat - heat.mean()) ** 2).sum())
    half = t95(degrees) * float(spread)
    return Estimate(
        value=line.slope,
        low=line.slope - half,
        high=line.slope + half,
        unit="N·m/K",
        count=len(count),
    )

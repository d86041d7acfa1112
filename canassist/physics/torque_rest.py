"""Where the driver torque rests with nobody steering."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.model import TorqueRest
from canassist.physics.statistics import mean_of_blocks
from canassist.timeline import seen_s, value_at, window_extremes

if TYPE_CHECKING:
    from canassist.model import BoolArray, FloatArray, Timeline
    from canassist.profile import Profile

RATE_DEG_S: Final = 5.0
"""At rest the steering angle moves slower than this (the contract's figure) ..."""

STEADY_S: Final = 1.0
"""... and driver torque has been steady for this long (the contract's figure)."""

STEADY_NM: Final = 0.25
"""Steady: driver torque stays within this, noise included."""

STRAIGHT_DEG: Final = 8.0
"""Straight: within this of where the steering mostly is when driving fast, else of zero."""

STANDING_KPH: Final = 0.5
"""Standing: below this."""

HANDS_NM: Final = 2.0
"""A steady torque above this is a rider who holds the bar."""

BLOCK_S: Final = 1.0
"""Rest is cut into blocks of this length, which are taken as independent."""

LEAST_BLOCKS: Final = 3
"""Fewer blocks give no interval worth the name."""


def fit_torque_rest(timeline: Timeline, profile: Profile) -> TorqueRest | None:
    """Estimate the rest torque from samples at rest; None without them."""
    torque, angle = timeline.get("driver_torque"), timeline.get("steering_angle")
    if torque is None or angle is None:
        return None
    time_s, torque_nm = torque.valid()
    if len(time_s) < 2:  # noqa: PLR2004 - nothing to compare
        return None
    rest = at_rest(timeline, time_s, torque_nm)
    if not rest.any():
        return None
    seen = seen_s(time_s, stale_after_s=torque.stale_after_s)
    steps = np.append(np.diff(seen), 0.0)
    time_s, torque_nm = time_s[rest], torque_nm[rest]
    block = np.floor(time_s / BLOCK_S).astype(np.int64)
    if len(np.unique(block)) < LEAST_BLOCKS:
        return None
    del profile
    return TorqueRest(
        offset_nm=mean_of_blocks(torque_nm, block, "N·m"),
        seconds=float(steps[rest].sum()),
        drift_nm_per_k=None,
        time_s=time_s,
        torque_nm=torque_nm,
    )


def at_rest(timeline: Timeline, time_s: FloatArray, torque_nm: FloatArray) -> BoolArray:
    """Tell which samples of driver torque are at rest, shape (n,)."""
    angle_deg = value_at(timeline, "steering_angle", time_s)
    speed_kph = value_at(timeline, "vehicle_speed", time_s)
    half = STEADY_S / 2.0
    angle_low, angle_high = window_extremes(time_s, angle_deg, before_s=half, after_s=half)
    low, high = window_extremes(time_s, torque_nm, before_s=half, after_s=half)
    calm = (angle_high - angle_low < RATE_DEG_S * STEADY_S) & (high - low < STEADY_NM)
    straight = np.abs(angle_deg) < STRAIGHT_DEG
    return np.asarray(
        calm & (straight | (speed_kph < STANDING_KPH)) & (np.abs(torque_nm) < HANDS_NM)
    )

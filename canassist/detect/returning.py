"""Assist without the driver that is by design: back towards the centre, or against the motion."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.timeline import between

if TYPE_CHECKING:
    from canassist.model import BoolArray, FloatArray, Timeline

RATE_S: Final = 0.1
"""The angle's rate is measured over this long before and after."""

RETURNS_DEG_S: Final = 3.0
"""An angle that falls by less rests: noise and steps of a sensor, common practice, no source."""

DAMPED_DEG_S: Final = 10.0
"""Torque against a motion faster than this damps it: common practice, no source."""

CENTRE_DEG: Final = 3.0
"""An angle within this has no side: zero points are off by as much, common practice, no source."""


def by_design(timeline: Timeline, time_s: FloatArray, delivered_nm: FloatArray) -> BoolArray | None:
    """Tell where assist turns the steering back to its centre, or brakes its motion.

    Towards the centre while the angle falls is the module's return to centre; against the
    motion is its damping. Both come without driver torque, by design.

    Returns
    -------
    array of bool, shape (n,), or None
        False where the angle is not known; None without a steering angle of known sign.
    """
    channel = timeline.get("steering_angle")
    if channel is None or not channel.sign_known:
        return None

    def angle_at(at_s: FloatArray) -> FloatArray:
        return between(channel.time_s, channel.value, at_s, max_gap_s=channel.stale_after_s)

    angle_deg = angle_at(time_s)
    rate_deg_s = (angle_at(time_s + RATE_S) - angle_at(time_s - RATE_S)) / (2.0 * RATE_S)
    side = np.where(np.abs(angle_deg) > CENTRE_DEG, np.sign(angle_deg), 0.0)
    returns = (delivered_nm * side < 0.0) & (rate_deg_s * side < -RETURNS_DEG_S)
    damps = (delivered_nm * rate_deg_s < 0.0) & (np.abs(rate_deg_s) > DAMPED_DEG_S)
    return np.asarray(returns | damps)

"""Assist without the driver that is by design: back towards the centre, or against the motion."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.timeline import between

if TYPE_CHECKING:
    from canassist.model import BoolArray, FloatArray, Timeline
    from canassist.physics import AssistSamples

RATE_S: Final = 0.1
"""The angle's rate is measured over this long before and after."""

RETURNS_DEG_S: Final = 3.0
"""An angle that falls by less rests: noise and steps of a sensor, common practice, no source."""

DAMPED_DEG_S: Final = 10.0
"""Torque against a motion faster than this damps it: common practice, no source."""

SHOWN_NM: Final = 1.0
SHOWN_S: Final = 3.0
SHOWN_KNOWN_S: Final = 0.5
"""Torque of this size over so long, without the driver, shows a module that returns or damps."""

SHOWN_SHARE: Final = 0.9
"""Of what is given without the driver, this quantile may be part of what is given with him."""

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


def return_torque_nm(
    samples: AssistSamples, designed: BoolArray | None, *, deadband_nm: float, known: bool
) -> float:
    """Return the torque by which the module turns back and damps, in N·m; 0 where it does not.

    From the moments without driver torque. With it the same torque is part of what is
    delivered: against the driver on the way out, and along on the way back.

    Parameters
    ----------
    designed : array of bool or None
        From `by_design`.
    known : bool
        The profile says that the module returns to centre: then any showing counts.
    """
    if designed is None:
        return 0.0
    alone = np.abs(samples.driver_nm) < deadband_nm
    alone &= designed & (np.abs(samples.delivered_nm) >= SHOWN_NM)
    steps_s = np.diff(samples.time_s, append=samples.time_s[-1:])
    shown_s = float(np.minimum(steps_s[alone], samples.stale_after_s).sum())
    if shown_s < (SHOWN_KNOWN_S if known else SHOWN_S):
        return 0.0
    return float(np.quantile(np.abs(samples.delivered_nm[alone]), SHOWN_SHARE))

"""How hard the steering was for what was ridden."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.model import Effort
from canassist.physics.assist_law import available_share
from canassist.timeline import value_at

if TYPE_CHECKING:
    from canassist.model import AssistFit, FloatArray, Profile, Timeline

STEERING_NM: Final = 2.0
"""Slow steering has more driver torque than this (the contract's figure)."""

HARD_SHARE: Final = 0.90
"""Effort is this quantile of driver torque in slow steering."""

NEAR_MAX: Final = 0.97
"""Assist above this share of what is available at most is saturated."""

LEAST_SAMPLES: Final = 50


def fit_effort(timeline: Timeline, profile: Profile, assist: AssistFit | None) -> Effort | None:
    """Measure effort in slow steering at full assist; None without driver torque and road speed.

    With assist reduced the rider works harder, and that says nothing on the linkage. Where
    no channel tells how much assist is available, all slow steering counts.
    """
    torque = timeline.get("driver_torque")
    if torque is None or not timeline.has("vehicle_speed"):
        return None
    time_s, torque_nm = torque.valid()
    speed_kph = value_at(timeline, "vehicle_speed", time_s)
    slow = (speed_kph < profile.limits.slow_kph) & (np.abs(torque_nm) > STEERING_NM)
    if timeline.has("assist_limit"):
        slow &= value_at(timeline, "assist_limit", time_s) >= profile.limits.full_assist_pct
    if slow.sum() < LEAST_SAMPLES:
        return None
    time_s, torque_nm = time_s[slow], np.abs(torque_nm[slow])
    current_a = np.abs(value_at(timeline, "motor_current", time_s))
    known = current_a[~np.isnan(current_a)]
    return Effort(
        torque_p90_nm=float(np.quantile(torque_nm, HARD_SHARE)),
        saturated_share=_saturated(timeline, assist, time_s),
        mean_current_a=float(known.mean()) if len(known) else None,
    )


def _saturated(timeline: Timeline, assist: AssistFit | None, time_s: FloatArray) -> float | None:
    """Return the share of time with assist at its most; what was available must be known."""
    if assist is None or assist.map_from != "profile":
        return None
    delivered = np.abs(value_at(timeline, "assist_torque", time_s))
    most = assist.max_assist_nm * available_share(timeline, time_s, None)
    known = ~np.isnan(delivered) & (most > 0.0)
    return float((delivered[known] >= NEAR_MAX * most[known]).mean()) if known.any() else None

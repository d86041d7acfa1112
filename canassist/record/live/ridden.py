"""What was ridden so far: the report's coverage, and what the recipe asks for beyond it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from canassist import physics
from canassist.conclude import STEERING_NM, STEP_S, count_coverage
from canassist.timeline import value_at, with_known_units

if TYPE_CHECKING:
    from canassist.model import BoolArray, Coverage, FloatArray, Profile, Timeline

STANDING_KPH: Final = 1.0
"""Road speed below which the vehicle stands: sensors read a little at rest (rule of thumb)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RiddenSoFar:
    """The conditions of the recipe, in s; None where the log lacks a channel for it."""

    coverage: Coverage
    standing_s: float | None
    slow_left_s: float | None
    slow_right_s: float | None
    cranks: int | None
    tail_s: float | None


def count_ridden(timeline: Timeline, profile: Profile) -> RiddenSoFar:
    """Count what was ridden, on the grid of the report's coverage."""
    limits = profile.limits
    estimates = physics.study(timeline, profile)
    measured = with_known_units(timeline)
    at_s = np.arange(0.0, measured.duration_s, STEP_S)
    speed, torque = _seen(measured, "vehicle_speed", at_s), _seen(measured, "driver_torque", at_s)
    engine = _seen(measured, "engine_speed", at_s)
    channel = measured.get("driver_torque")
    if channel is not None and not channel.sign_known:
        torque = None
    left = right = None
    if speed is not None and torque is not None:
        slow = speed < limits.slow_kph
        left = _seconds(slow & (torque < -STEERING_NM))
        right = _seconds(slow & (torque > STEERING_NM))
    return RiddenSoFar(
        coverage=count_coverage(measured, estimates, limits=limits),
        standing_s=None if speed is None else _seconds(speed < STANDING_KPH),
        slow_left_s=left,
        slow_right_s=right,
        cranks=None if engine is None else len(estimates.cranks),
        tail_s=None if engine is None else _tail_s(engine),
    )


def _seen(timeline: Timeline, name: str, at_s: FloatArray) -> FloatArray | None:
    return value_at(timeline, name, at_s) if timeline.has(name) else None


def _seconds(state: BoolArray) -> float:
    return float(np.count_nonzero(state)) * STEP_S


def _tail_s(engine_rpm: FloatArray) -> float:
    """Return how long the log goes on after the engine last ran; 0 where it never did."""
    ran = np.flatnonzero(engine_rpm > physics.STARTED_RPM)
    return float(len(engine_rpm) - 1 - ran[-1]) * STEP_S if len(ran) else 0.0

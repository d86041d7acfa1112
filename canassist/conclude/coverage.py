"""What was ridden: seconds of each condition that a conclusion needs."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.model import Coverage
from canassist.physics import STARTED_RPM
from canassist.timeline import value_at

if TYPE_CHECKING:
    from canassist.model import BoolArray, FloatArray, Limits, Physics, Timeline

STEP_S: Final = 0.05
"""Coverage is counted on a grid of this step, s: finer than any bus sends driver torque for."""

STEERING_NM: Final = 2.0
"""Driver torque above which somebody steers (the contract's figure)."""


def count_coverage(timeline: Timeline, physics: Physics, *, limits: Limits) -> Coverage:
    """Count the seconds of each condition; None where the log lacks a channel for it.

    A moment counts where every channel that it needs has a fresh value then.
    """
    at_s = np.arange(0.0, timeline.duration_s, STEP_S)

    def seen(name: str) -> FloatArray | None:
        return value_at(timeline, name, at_s) if timeline.has(name) else None

    speed, engine = seen("vehicle_speed"), seen("engine_speed")
    torque, hot = seen("driver_torque"), seen("module_temperature")
    sided = torque if _sign_known(timeline) else None
    slow = None
    if speed is not None and torque is not None:
        slow = _seconds((speed < limits.slow_kph) & (np.abs(torque) > STEERING_NM))
    return Coverage(
        low_speed_steering_s=slow,
        cruise_s=None if speed is None else _seconds(speed > limits.cruise_kph),
        engine_running_s=None if engine is None else _seconds(engine > STARTED_RPM),
        hot_s=None if hot is None else _seconds(hot > limits.hot_c),
        cranking_s=None if engine is None else _cranking_s(physics),
        left_s=None if sided is None else _seconds(sided < -STEERING_NM),
        right_s=None if sided is None else _seconds(sided > STEERING_NM),
        modes_s=_modes(timeline, at_s),
    )


def _seconds(state: BoolArray) -> float:
    return float(np.count_nonzero(state)) * STEP_S


def _sign_known(timeline: Timeline) -> bool:
    channel = timeline.get("driver_torque")
    return channel is not None and channel.sign_known


def _cranking_s(physics: Physics) -> float:
    return sum(crank.end_s - crank.start_s for crank in physics.cranks)


def _modes(timeline: Timeline, at_s: FloatArray) -> dict[str, float]:
    channel = timeline.get("assist_mode")
    if channel is None:
        return {}
    number = value_at(timeline, "assist_mode", at_s)
    seen, count = np.unique(number[~np.isnan(number)], return_counts=True)
    modes: dict[str, float] = {}
    for value, steps in zip(seen.tolist(), count.tolist(), strict=True):
        name = channel.labels.get(value, f"{value:g}")
        modes[name] = modes.get(name, 0.0) + steps * STEP_S
    return modes

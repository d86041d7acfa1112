"""What was ridden: seconds of each condition that a conclusion needs."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.model import Coverage
from canassist.physics import STARTED_RPM, last_of, signs_of_life_s
from canassist.timeline import value_at

if TYPE_CHECKING:
    from canassist.model import BoolArray, FloatArray, Limits, Physics, Timeline

STEP_S: Final = 0.05
"""Coverage is counted on a grid of this step, s: finer than any bus sends driver torque for."""

SLOW_NEEDED_S: Final = 20.0
"""Slow steering without which low assist cannot be ruled out, s (rule of thumb)."""

CRUISE_NEEDED_S: Final = 20.0
"""Cruising without which assist at speed cannot be judged, s (rule of thumb)."""

ENGINE_NEEDED_S: Final = 60.0
"""Engine running without which supply cannot be judged, s: two spans of the charging rule."""

HOT_NEEDED_S: Final = 10.0
"""Hot riding without which protection cannot be seen at work, s (rule of thumb)."""

STANDING_NEEDED_S: Final = 10.0
"""Standing without which the torque at rest may not show, s: what the next ride asks for."""

TAIL_NEEDED_S: Final = 10.0
"""Log after the ride without which a cooling module or a late code is missed, s (rule of thumb)."""

NEEDED_S: Final = {
    "low_speed_steering_s": SLOW_NEEDED_S,
    "cruise_s": CRUISE_NEEDED_S,
    "engine_running_s": ENGINE_NEEDED_S,
    "hot_s": HOT_NEEDED_S,
    "standing_s": STANDING_NEEDED_S,
    "slow_left_s": SLOW_NEEDED_S / 2.0,
    "slow_right_s": SLOW_NEEDED_S / 2.0,
    "cranks": 1.0,
    "tail_s": TAIL_NEEDED_S,
}
"""What of each condition a ride should have."""

STANDING_KPH: Final = 1.0
"""Below this a vehicle stands, km/h: what coarse speed signals show at rest."""

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
    slow = None if speed is None or torque is None else speed < limits.slow_kph
    sided = slow is not None and _sign_known(timeline)
    return Coverage(
        low_speed_steering_s=_steered(slow, torque),
        cruise_s=None if speed is None else _seconds(speed > limits.cruise_kph),
        engine_running_s=None if engine is None else _seconds(engine > STARTED_RPM),
        hot_s=None if hot is None else _seconds(hot > limits.hot_c),
        standing_s=None if speed is None else _seconds(speed < STANDING_KPH),
        slow_left_s=_steered(slow, torque, side=-1.0) if sided else None,
        slow_right_s=_steered(slow, torque, side=1.0) if sided else None,
        cranks=None if engine is None else len(physics.cranks),
        modes_s=_modes(timeline, at_s),
        tail_s=_tail_s(timeline),
        needed=dict(NEEDED_S),
    )


def _steered(
    slow: BoolArray | None, torque: FloatArray | None, side: float | None = None
) -> float | None:
    if slow is None or torque is None:
        return None
    to_side = np.abs(torque) if side is None else side * torque
    return _seconds(slow & (to_side > STEERING_NM))


def _tail_s(timeline: Timeline) -> float | None:
    """Return how long the log goes on after the engine ran or the vehicle rolled last, s."""
    last = last_of(signs_of_life_s(timeline))
    return None if last is None else max(timeline.duration_s - last, 0.0)


def _seconds(state: BoolArray) -> float:
    return float(np.count_nonzero(state)) * STEP_S


def _sign_known(timeline: Timeline) -> bool:
    channel = timeline.get("driver_torque")
    return channel is not None and channel.sign_known


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

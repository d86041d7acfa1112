"""What each conclusion needs of a ride, and what the ride had."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Final, NamedTuple

from canassist.conclude.coverage import (
    CRUISE_NEEDED_S,
    ENGINE_NEEDED_S,
    HOT_NEEDED_S,
    SLOW_NEEDED_S,
)
from canassist.conclude.limitations import CHARGING_NEEDED_S
from canassist.conclude.wording.sentences import channel_names, duration, listed, say
from canassist.model import Code, Need

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canassist.model import Coverage, Physics, Timeline

CRANK_NEEDED_S: Final = 0.3
"""Cranking is judged from 0.3 s after the starter engages (the contract's figure)."""

REST_NEEDED_S: Final = 1.0
"""Driver torque at rest is judged where it is steady for 1 s (the contract's figure)."""


class _Condition(NamedTuple):
    """A riding condition: its name in the texts, how long it is needed, how long it was had."""

    name: str
    needed_s: float
    had_s: Callable[[Coverage, Physics], float | None]


_SLOW: Final = _Condition("slow", SLOW_NEEDED_S, lambda ridden, _: ridden.low_speed_steering_s)
_CRUISE: Final = _Condition("cruise", CRUISE_NEEDED_S, lambda ridden, _: ridden.cruise_s)
_ENGINE: Final = _Condition("engine", ENGINE_NEEDED_S, lambda ridden, _: ridden.engine_running_s)
_HOT: Final = _Condition("hot", HOT_NEEDED_S, lambda ridden, _: ridden.hot_s)
_CRANK: Final = _Condition(
    "crank",
    CRANK_NEEDED_S,
    lambda _, physics: sum(crank.end_s - crank.start_s for crank in physics.cranks),
)
_FAST: Final = _Condition(
    "charging",
    CHARGING_NEEDED_S,
    lambda _, physics: 0.0 if physics.charging is None else physics.charging.seconds,
)
_REST: Final = _Condition(
    "rest",
    REST_NEEDED_S,
    lambda _, physics: 0.0 if physics.torque_rest is None else physics.torque_rest.seconds,
)

_NEEDED: Final[dict[Code, tuple[tuple[str, ...], tuple[_Condition, ...]]]] = {
    Code.NO_FAULT_FOUND: (
        ("vehicle_speed", "engine_speed", "supply_voltage", "assist_limit", "driver_torque"),
        (_SLOW, _CRUISE, _ENGINE),
    ),
    Code.THERMAL_PROTECTION: (("module_temperature", "assist_limit"), (_HOT,)),
    Code.DUTY_PROTECTION: (("motor_current", "assist_limit"), (_SLOW,)),
    Code.LOW_BATTERY: (("supply_voltage", "engine_speed"), (_CRANK, _SLOW)),
    Code.CHARGING_FAULT: (("supply_voltage", "engine_speed"), (_FAST,)),
    Code.SUPPLY_RESISTANCE: (("supply_voltage", "system_voltage", "module_current"), (_SLOW,)),
    Code.SUPPLY_BREAK: (("supply_voltage",), (_ENGINE,)),
    Code.OVERVOLTAGE_FAULT: (("supply_voltage",), (_FAST,)),
    Code.SPEED_SIGNAL_FAULT: (("vehicle_speed", "engine_speed"), (_ENGINE,)),
    Code.TORQUE_SENSOR_OFFSET: (("driver_torque", "steering_angle"), (_REST,)),
    Code.ASSIST_MAP_DEVIATION: (
        ("vehicle_speed", "assist_torque", "driver_torque"),
        (_SLOW, _CRUISE),
    ),
    Code.MODULE_SUSPECT: (
        (
            "vehicle_speed",
            "engine_speed",
            "supply_voltage",
            "module_temperature",
            "assist_limit",
        ),
        (_ENGINE,),
    ),
    Code.MECHANICAL_LOAD: (("vehicle_speed", "assist_torque", "driver_torque"), (_SLOW,)),
}


def needs_of(coverage: Coverage, timeline: Timeline, physics: Physics) -> Iterator[Need]:
    """Say for each conclusion what it needed and had, in the order of the table above."""
    for code, (channels, conditions) in _NEEDED.items():
        missing = [name for name in channels if not timeline.has(name)]
        had = {condition: condition.had_s(coverage, physics) for condition in conditions}
        short = [
            condition for condition, seconds in had.items() if (seconds or 0.0) < condition.needed_s
        ]
        ridden = listed(
            say(f"need.{condition.name}", seconds=duration(seconds or 0.0))
            for condition, seconds in had.items()
        )
        key = "need.without" if missing else "need.had"
        yield Need(
            code=code,
            met=not missing and not short,
            text=say(
                key,
                channels=channel_names(channels),
                missing=channel_names(missing) if missing else "",
                ridden=ridden,
            ),
        )

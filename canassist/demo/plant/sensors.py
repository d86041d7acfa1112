"""What the bus is told: each channel without noise, with the planted signal faults."""

from __future__ import annotations

from collections.abc import Mapping
from enum import IntEnum
from types import MappingProxyType
from typing import Final

import numpy as np

from canassist.demo.plant import faults
from canassist.demo.plant.course import STEP_S, Course
from canassist.demo.plant.plant import CAUSES, Run
from canassist.demo.plant.protection import STEP_PCT
from canassist.demo.plant.scenario import Scenario
from canassist.demo.plant.trouble import Trouble, within
from canassist.model import FloatArray

NOISE: Final[Mapping[str, float]] = MappingProxyType(
    {
        "vehicle_speed": 0.06,
        "wheel_speed_fl": 0.10,
        "wheel_speed_fr": 0.10,
        "wheel_speed_rl": 0.10,
        "wheel_speed_rr": 0.10,
        "engine_speed": 4.0,
        "steering_angle": 0.05,
        "driver_torque": 0.02,
        "assist_torque": 0.06,
        "motor_current": 0.25,
        "supply_voltage": 0.015,
        "module_current": 0.25,
        "module_temperature": 0.10,
        "system_voltage": 0.012,
        "system_current": 0.4,
        "ambient_temperature": 0.1,
    }
)
"""Standard deviation of each sensor's noise, in the channel's unit."""

AT_REST_ZERO: Final = frozenset(
    {
        "vehicle_speed",
        "wheel_speed_fl",
        "wheel_speed_fr",
        "wheel_speed_rl",
        "wheel_speed_rr",
        "engine_speed",
    }
)
"""Channels whose sensor reads exactly zero where nothing turns, and never less."""


class State(IntEnum):
    """The module's own status; its place in `Layout.states`."""

    WAITING = 0
    READY = 1
    LIMITED = 2
    SHUTDOWN = 3
    FAILURE = 4


_LIMITED_BELOW_PCT, _READY_FROM_PCT = 95.0, 98.0
_CRANKING_BELOW_RPM = 500.0
_TRACK_SHARE = 0.10
"""How much slower the inner wheels are at full lock."""


def told(scenario: Scenario, course: Course, trouble: Trouble, run: Run) -> dict[str, FloatArray]:
    """Return every channel as the bus is told it, noiseless, 100 times a second.

    NaN is "no value". Values that stick are left to the sampling, because what sticks is
    one sample with its noise.
    """
    motor_a = run.assist_nm / scenario.vehicle.assist.nm_per_a
    turn = _TRACK_SHARE * course.angle_deg / scenario.vehicle.chassis.lock_deg
    channels = {
        "vehicle_speed": trouble.told_speed_kph,
        "engine_speed": course.engine_rpm,
        "supply_voltage": run.module_v,
        "system_voltage": run.board_v,
        "module_temperature": run.stage_c,
        "assist_limit": run.limit_pct,
        "assist_torque": run.assist_nm,
        "motor_current": motor_a,
        "module_current": run.module_a,
        "driver_torque": run.told_driver_nm,
        "steering_angle": course.angle_deg,
        "assist_mode": course.mode + 1.0,
        "module_status": _status(run),
        "system_current": run.battery_a,
        "ambient_temperature": np.full(len(course.time_s), scenario.vehicle.ambient_c),
        "coolant_temperature": course.coolant_c,
        "wheel_speed_fl": course.speed_kph * (1.0 + turn),
        "wheel_speed_fr": course.speed_kph * (1.0 - turn),
        "wheel_speed_rl": course.speed_kph * (1.0 + 0.8 * turn),
        "wheel_speed_rr": course.speed_kph * (1.0 - 0.8 * turn),
    }
    channels = {name: values.astype(np.float64) for name, values in channels.items()}
    for fault in scenario.faults:
        _spoil(channels, course.time_s, fault)
    return {name: values for name, values in channels.items() if name not in scenario.leaves_out}


def fillers(course: Course) -> dict[str, FloatArray]:
    """Return what the messages carry besides channels, 100 times a second."""
    rpm = course.engine_rpm
    running = np.where(rpm > _CRANKING_BELOW_RPM, 2.0, np.where(rpm > 0, 1.0, 0.0))
    trip = np.cumsum(course.speed_kph) * STEP_S / 3600.0
    steady = np.ones(len(rpm))
    return {
        "engine_state": running,
        "one": steady,
        "trip_km": 3.4 + trip,
        "hours": 211.0 + course.time_s / 3600.0,
        "fuel_pct": 68.0 - 0.4 * trip,
    }


def _status(run: Run) -> FloatArray:
    """Return the module's own status: limited from below 95 % until it is back at 98 %."""
    decided = (run.limit_pct < _LIMITED_BELOW_PCT) | (run.limit_pct >= _READY_FROM_PCT)
    last = np.maximum.accumulate(np.where(decided, np.arange(len(decided)), 0))
    low = run.limit_pct[last] < _LIMITED_BELOW_PCT
    waiting = low & (run.caps[CAUSES.index("engine")] <= run.limit_pct + STEP_PCT)
    number = np.where(low, State.LIMITED, State.READY)
    number = np.where(run.limit_pct <= 0.0, State.SHUTDOWN, number)
    return np.where(waiting, State.WAITING, number).astype(np.float64)


def _spoil(channels: dict[str, FloatArray], time_s: FloatArray, fault: faults.Fault) -> None:
    rows = within(time_s, fault)
    match fault:
        case faults.LostSignal(channel=name, how=faults.Silence.NO_VALUE):
            channels[name][rows] = np.nan
        case faults.JumpingSignal(channel=name, size=size) if name != "vehicle_speed":
            channels[name][rows] += size
        case _:
            pass

"""Units of torques and currents, held against each other and against the profile's own map.

A torque in pound-feet reads like one in newton metres: only a map that the profile gives tells
them apart. Figures are common practice, no source.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.decode.belief.suspicion import Suspects, Suspicion, side_by_side
from canassist.decode.matching.value_shape import common_grid, on_grid

if TYPE_CHECKING:
    from canassist.model import AssistMap, BoolArray, Channel, FloatArray, Profile

_PAIR: Final = ("driver_torque", "assist_torque")
_POUND_FEET: Final = 1.3558
_NEAR: Final = 0.07
_ALIKE: Final = (0.5, 2.0)
"""Delivered over expected beyond this is no module's spread."""
_WORKING_NM: Final = 1.5
_UNSATURATED: Final = 0.9
_LEAST_POINTS: Final = 50
_DRAW_PER_MOTOR: Final = (0.08, 1.5)
"""What a module draws for each ampere in its motor: a chopper takes less than it gives."""
_BUSY: Final = 60.0
_STEP: Final = 5
_BATTERY_GIVES: Final = (0.2, 2.0)
"""How much of a sudden draw the battery gives: an alternator takes over a part, and late."""


def judge_efforts(suspects: Suspects, profile: Profile, mode: Channel | None) -> None:
    """Confirm torques by the profile's map, the battery's current by what the module draws.

    Of a motor's and a module's current that cannot both be neither stays confirmed.
    """
    driver, assist = (suspects.get(name) for name in _PAIR)
    if driver is not None and assist is not None and driver.usable and assist.usable:
        _judge_torques(driver, assist, suspects, profile.assist_map, mode)
    motor, draw = suspects.get("motor_current"), suspects.get("module_current")
    if motor is not None and draw is not None and motor.usable and draw.usable:
        _judge_currents(motor, draw)
    battery = suspects.get("system_current")
    if battery is not None and draw is not None and battery.usable and draw.usable:
        _judge_battery(battery, draw)


def _judge_torques(
    driver: Suspicion,
    assist: Suspicion,
    suspects: Suspects,
    assist_map: AssistMap | None,
    mode: Channel | None,
) -> None:
    speed = suspects.get("vehicle_speed")
    if assist_map is None or speed is None or not speed.usable:
        return
    grid = common_grid(*(one.channel.time_s for one in (driver, assist, speed)))
    hands, helps, kph = (
        on_grid(grid, one.channel.time_s, one.channel.value) for one in (driver, assist, speed)
    )
    gains, in_mode = _gains(assist_map, mode, grid)
    gain = np.interp(np.abs(kph), assist_map.speed_kph, gains)
    expected = gain * (np.abs(hands) - assist_map.driver_deadband_nm)
    helps = np.abs(helps)
    clear = in_mode & (expected > _WORKING_NM) & (helps > 0.0)
    clear &= np.maximum(expected, helps) < _UNSATURATED * assist_map.max_assist_nm
    if np.count_nonzero(clear) < _LEAST_POINTS:
        return
    ratio = float(np.median(helps[clear] / expected[clear]))
    lies = (_POUND_FEET, 1.0 / _POUND_FEET)
    if _ALIKE[0] <= ratio <= _ALIKE[1] and all(abs(ratio / lie - 1.0) > _NEAR for lie in lies):
        driver.checked.add("unit")
        assist.checked.add("unit")


def _gains(
    assist_map: AssistMap, mode: Channel | None, grid: FloatArray
) -> tuple[tuple[float, ...], BoolArray]:
    """Return the gains of the mode that is ridden most, and when it is."""
    always = np.ones(len(grid), dtype=bool)
    if mode is not None and len(grid):
        number = on_grid(grid, mode.time_s, mode.value)
        known, times = np.unique(number[~np.isnan(number)], return_counts=True)
        if len(known):
            most = float(known[np.argmax(times)])
            text = mode.labels.get(int(most), f"{most:g}")
            if text in assist_map.gains:
                return assist_map.gains[text], number == most
    if "*" in assist_map.gains:
        return assist_map.gains["*"], always
    return next(iter(assist_map.gains.values())), always & (len(assist_map.gains) == 1)


def _judge_currents(motor: Suspicion, draw: Suspicion) -> None:
    """Of a motor's and its module's current one lies where the one is no share of the other."""
    _, turning, taken = side_by_side(motor.channel, draw.channel)
    turning = np.abs(turning)
    if len(turning) < _LEAST_POINTS or float(np.ptp(turning)) <= 0.0:
        return
    busy = turning >= max(float(np.percentile(turning, _BUSY)), 0.2 * float(turning.max()))
    idle = float(np.percentile(taken, 5))
    share = float(np.median((taken[busy] - idle) / turning[busy]))
    if not _DRAW_PER_MOTOR[0] <= share <= _DRAW_PER_MOTOR[1]:
        motor.checked.discard("unit")
        draw.checked.discard("unit")


def _judge_battery(battery: Suspicion, draw: Suspicion) -> None:
    """Confirm a battery's current that gives what is drawn suddenly, ampere for ampere."""
    _, taken, given = side_by_side(draw.channel, battery.channel)
    if len(taken) < _LEAST_POINTS:
        return
    wanted, came = (one[_STEP:] - one[:-_STEP] for one in (taken, given))
    sudden = np.abs(wanted) >= max(float(np.percentile(np.abs(wanted), 90)), 1.0)
    if np.count_nonzero(sudden) < _LEAST_POINTS:
        return
    share = float(np.median(came[sudden] / wanted[sudden]))
    apart = draw.channel.signal != battery.channel.signal and "unit" in draw.checked
    if apart and _BATTERY_GIVES[0] <= share <= _BATTERY_GIVES[1]:
        battery.checked.add("unit")

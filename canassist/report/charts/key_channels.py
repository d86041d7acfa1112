"""Which channels carry an answer: they are drawn first, the others wait behind one control."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from canassist.model import Code

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

MOST_KEY_ROWS: Final = 6

_SUPPLY: Final = (
    "vehicle_speed",
    "supply_voltage",
    "assist_limit",
    "module_current",
    "engine_speed",
    "system_voltage",
    "motor_current",
)
_STEERING: Final = (
    "vehicle_speed",
    "driver_torque",
    "assist_torque",
    "steering_angle",
    "assist_limit",
    "supply_voltage",
)
_DEFAULT: Final = (
    "vehicle_speed",
    "assist_limit",
    "supply_voltage",
    "module_temperature",
    "driver_torque",
    "assist_torque",
)
_BY_CODE: Final[dict[str, tuple[str, ...]]] = {
    Code.THERMAL_PROTECTION: (
        "vehicle_speed",
        "module_temperature",
        "assist_limit",
        "motor_current",
        "driver_torque",
        "supply_voltage",
    ),
    "duty_protection": (
        "vehicle_speed",
        "motor_current",
        "assist_limit",
        "module_temperature",
        "driver_torque",
        "supply_voltage",
    ),
    Code.LOW_BATTERY: _SUPPLY,
    Code.CHARGING_FAULT: ("vehicle_speed", "engine_speed", *_SUPPLY[1:4], "system_voltage"),
    Code.SUPPLY_RESISTANCE: _SUPPLY,
    Code.SUPPLY_BREAK: ("vehicle_speed", "supply_voltage", "assist_limit", "module_status"),
    Code.OVERVOLTAGE_FAULT: _SUPPLY,
    Code.SPEED_SIGNAL_FAULT: (
        "vehicle_speed",
        "wheel_speed_fl",
        "engine_speed",
        "assist_limit",
        "assist_torque",
        "module_status",
    ),
    Code.TORQUE_SENSOR_OFFSET: _STEERING,
    Code.ASSIST_MAP_DEVIATION: _STEERING,
    Code.MODULE_SUSPECT: (
        "vehicle_speed",
        "assist_limit",
        "supply_voltage",
        "module_temperature",
        "module_status",
        "motor_current",
    ),
    Code.MECHANICAL_LOAD: (
        "vehicle_speed",
        "driver_torque",
        "motor_current",
        "assist_torque",
        "assist_limit",
        "module_temperature",
    ),
}

Names = tuple[str, ...]


def split_rows(
    groups: Sequence[Names], code: Code | str, spoken_of: Iterable[str | None] = ()
) -> tuple[list[Names], list[Names]]:
    """Return the rows that carry an answer, and the others, each in the order of `groups`.

    Parameters
    ----------
    groups : sequence of tuple of str
        Names of the channels of each row, as the log has them.
    code : Code
        The answer.
    spoken_of : iterable of str or None
        Channels that events are about; they go before what the answer usually needs.
    """
    if len(groups) <= MOST_KEY_ROWS + 1:
        return list(groups), []
    wanted = (
        "vehicle_speed",
        *(name for name in spoken_of if name),
        *_BY_CODE.get(str(code), ()),
        *_DEFAULT,
    )
    row_of = {name: row for row in groups for name in row}
    key = list(dict.fromkeys(row_of[name] for name in wanted if name in row_of))[:MOST_KEY_ROWS]
    return [row for row in groups if row in key], [row for row in groups if row not in key]

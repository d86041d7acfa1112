"""The rule of every channel: the open table that `channels` shows the results of."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

from canassist.decode.matching.rules import rules_electric as electric
from canassist.decode.matching.rules import rules_motion as motion
from canassist.decode.matching.rules import rules_steering as steering
from canassist.decode.matching.rules.rule import Rule
from canassist.decode.matching.vocabulary import bag

RULES: Final[Mapping[str, Rule]] = MappingProxyType(
    {
        "vehicle_speed": motion.VEHICLE_SPEED,
        "engine_speed": motion.ENGINE_SPEED,
        "supply_voltage": electric.SUPPLY_VOLTAGE,
        "system_voltage": electric.SYSTEM_VOLTAGE,
        "module_temperature": electric.MODULE_TEMPERATURE,
        "assist_limit": steering.ASSIST_LIMIT,
        "assist_torque": steering.ASSIST_TORQUE,
        "motor_current": electric.MOTOR_CURRENT,
        "module_current": electric.MODULE_CURRENT,
        "driver_torque": steering.DRIVER_TORQUE,
        "steering_angle": steering.STEERING_ANGLE,
        "assist_mode": steering.ASSIST_MODE,
        "module_status": steering.MODULE_STATUS,
        "system_current": electric.SYSTEM_CURRENT,
        "ambient_temperature": electric.AMBIENT_TEMPERATURE,
        "coolant_temperature": electric.COOLANT_TEMPERATURE,
        "wheel_speed_fl": motion.WHEEL_SPEED,
        "wheel_speed_fr": motion.WHEEL_SPEED,
        "wheel_speed_rl": motion.WHEEL_SPEED,
        "wheel_speed_rr": motion.WHEEL_SPEED,
    }
)
"""The rule of every channel."""

WHEEL_CORNER: Final[Mapping[str, tuple[str, frozenset[str]]]] = MappingProxyType(
    {
        "wheel_speed_fl": ("front_left", bag("front left")),
        "wheel_speed_fr": ("front_right", bag("front right")),
        "wheel_speed_rl": ("rear_left", bag("rear left")),
        "wheel_speed_rr": ("rear_right", bag("rear right")),
    }
)
"""The concept, or the pair of concepts, that says which wheel it is."""

"""How channels are called on the page, and which rows of a picture they share."""

from __future__ import annotations

from typing import Final

CHANNEL_WORDS: Final = {
    "vehicle_speed": "Road speed",
    "engine_speed": "Engine speed",
    "supply_voltage": "Supply at the module",
    "system_voltage": "System voltage",
    "module_temperature": "Module temperature",
    "assist_limit": "Assist available",
    "assist_torque": "Assist torque",
    "motor_current": "Motor current",
    "module_current": "Module current",
    "driver_torque": "Driver torque",
    "steering_angle": "Steering angle",
    "assist_mode": "Assist mode",
    "module_status": "Module status",
    "system_current": "Battery current",
    "ambient_temperature": "Ambient temperature",
    "coolant_temperature": "Coolant temperature",
    "wheel_speed_fl": "Wheel speed, front left",
    "wheel_speed_fr": "Wheel speed, front right",
    "wheel_speed_rl": "Wheel speed, rear left",
    "wheel_speed_rr": "Wheel speed, rear right",
}

WHEELS: Final = ("wheel_speed_fl", "wheel_speed_fr", "wheel_speed_rl", "wheel_speed_rr")
WORD_CHANNELS: Final = ("assist_mode", "module_status")

FLOOR: Final = {
    "km/h": 10.0,
    "rpm": 1000.0,
    "V": 2.0,
    "A": 10.0,
    "degC": 10.0,
    "N·m": 2.0,
    "deg": 20.0,
    "%": 10.0,
}
"""Smallest vertical span of a row by unit, so that noise on a constant stays small."""


NEVER_NEGATIVE: Final = frozenset({"km/h", "rpm", "V", "%"})


def channel_words(name: str) -> str:
    """Return a channel's name for people."""
    return CHANNEL_WORDS.get(name, name.replace("_", " "))

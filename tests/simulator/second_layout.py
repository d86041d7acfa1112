"""Another invented vehicle's message layout: other identifiers, units, rates and words."""

from __future__ import annotations

from typing import Final

from canassist.demo.bus.message_layout import MessageLayouts, MessageSpec, SignalSpec
from canassist.demo.plant.vehicle import MODES

_STATES = ("Asleep", "Full", "Reduced", "Off", "Defect")

_MOTION = MessageSpec(
    name="RidgeMotion",
    can_id=0x0CFE2B17,
    extended=True,
    length=8,
    sender="RidgeFrame",
    period_s=0.1,
    signals=(
        SignalSpec(
            name="GroundSpeed",
            start=16,
            length=14,
            scale=0.01,
            unit="mph",
            carries="vehicle_speed",
            no_value=0x3FFF,
        ),
        SignalSpec(
            name="BarAngle",
            start=39,
            length=16,
            big_endian=True,
            signed=True,
            scale=0.0005,
            unit="rad",
            carries="steering_angle",
            no_value=-0x8000,
        ),
    ),
)
_MOTOR = MessageSpec(
    name="RidgeMotor",
    can_id=0x0CF1A400,
    extended=True,
    length=8,
    sender="RidgeMotorUnit",
    period_s=0.04,
    signals=(
        SignalSpec(
            name="ShaftTurns",
            start=31,
            length=16,
            big_endian=True,
            scale=0.125,
            unit="rpm",
            carries="engine_speed",
            no_value=0xFFFF,
        ),
    ),
)
_PULL = MessageSpec(
    name="RidgePull",
    can_id=0x0CF2C831,
    extended=True,
    length=8,
    sender="RidgeSteering",
    period_s=0.025,
    counter="RidgePullCount",
    checksum="RidgePullCheck",
    signals=(
        SignalSpec(name="RidgePullCheck", start=0, length=8, carries="checksum"),
        SignalSpec(name="RidgePullCount", start=8, length=4, carries="counter"),
        SignalSpec(
            name="RiderTorque",
            start=16,
            length=12,
            scale=0.02,
            offset=-40.96,
            unit="Nm",
            carries="driver_torque",
            no_value=0xFFF,
        ),
        SignalSpec(
            name="HelpTorque",
            start=28,
            length=12,
            scale=0.05,
            offset=-102.4,
            unit="Nm",
            carries="assist_torque",
            no_value=0xFFF,
        ),
        SignalSpec(
            name="WindingCurrent",
            start=40,
            length=12,
            scale=0.1,
            offset=-204.8,
            unit="A",
            carries="motor_current",
            no_value=0xFFF,
        ),
    ),
)
_FEED = MessageSpec(
    name="RidgeFeed",
    can_id=0x18F3D231,
    extended=True,
    length=6,
    sender="RidgeSteering",
    period_s=0.025,
    signals=(
        SignalSpec(
            name="FeedVoltage",
            start=7,
            length=16,
            big_endian=True,
            unit="mV",
            carries="supply_voltage",
            no_value=0xFFFF,
        ),
        SignalSpec(
            name="FeedCurrent",
            start=16,
            length=12,
            scale=0.05,
            offset=-4.0,
            unit="A",
            carries="module_current",
            no_value=0xFFF,
        ),
    ),
)
_MOOD = MessageSpec(
    name="RidgeMood",
    can_id=0x18F3D331,
    extended=True,
    length=4,
    sender="RidgeSteering",
    period_s=0.1,
    signals=(
        SignalSpec(
            name="StageHeat",
            start=0,
            length=12,
            scale=0.1,
            offset=-60.0,
            unit="degC",
            carries="module_temperature",
            no_value=0xFFF,
        ),
        SignalSpec(
            name="HelpShare",
            start=12,
            length=10,
            scale=0.25,
            unit="%",
            carries="assist_limit",
            no_value=0x3FF,
        ),
        SignalSpec(
            name="SteeringMood",
            start=24,
            length=4,
            carries="module_status",
            no_value=15,
            table=dict(enumerate(_STATES)),
        ),
    ),
)
_BOARD = MessageSpec(
    name="RidgeBoard",
    can_id=0x18F40A2C,
    extended=True,
    length=8,
    sender="RidgePower",
    period_s=0.2,
    signals=(
        SignalSpec(
            name="BoardSupply",
            start=32,
            length=16,
            scale=0.02,
            unit="V",
            carries="system_voltage",
            no_value=0xFFFF,
        ),
        SignalSpec(
            name="OutsideHeat",
            start=8,
            length=10,
            scale=0.25,
            unit="K",
            offset=120.0,
            carries="ambient_temperature",
            no_value=0x3FF,
        ),
    ),
)
_CHOICE = MessageSpec(
    name="RidgeChoice",
    can_id=0x18F50B42,
    extended=True,
    length=2,
    sender="RidgePanel",
    period_s=0.5,
    signals=(
        SignalSpec(
            name="HelpChoice",
            start=2,
            length=3,
            carries="assist_mode",
            no_value=7,
            table=dict(enumerate(MODES, start=1)),
        ),
    ),
)

RIDGE: Final = MessageLayouts(
    name="demo_ridge_vehicle",
    messages=(_MOTION, _MOTOR, _PULL, _FEED, _MOOD, _BOARD, _CHOICE),
    module_sender="RidgeSteering",
    states=_STATES,
)

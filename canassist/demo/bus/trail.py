"""The demo vehicle's own message layout: eight messages at 500 kbit/s, all of it invented."""

from __future__ import annotations

from typing import Final

from canassist.demo.bus.message_layout import MessageLayouts, MessageSpec, SignalSpec
from canassist.demo.plant.vehicle import MODES

_STATES = ("Waiting", "Ready", "Limited", "Shutdown", "Failure")

_MODE_TABLE = dict(enumerate(MODES, start=1))


def _wheel(name: str, start: int, channel: str) -> SignalSpec:
    return SignalSpec(
        name=name,
        start=start,
        length=12,
        big_endian=True,
        scale=0.05,
        unit="km/h",
        carries=channel,
        no_value=0xFFF,
    )


CHASSIS = MessageSpec(
    name="ChassisMotion",
    can_id=0x0F4,
    length=8,
    sender="ChassisNode",
    period_s=0.05,
    note="Road speed and the speed of each wheel.",
    signals=(
        SignalSpec(
            name="RoadSpeed",
            start=7,
            length=16,
            big_endian=True,
            scale=0.01,
            unit="km/h",
            carries="vehicle_speed",
            no_value=0xFFFF,
        ),
        _wheel("WheelFrontLeft", 23, "wheel_speed_fl"),
        _wheel("WheelFrontRight", 27, "wheel_speed_fr"),
        _wheel("WheelRearLeft", 47, "wheel_speed_rl"),
        _wheel("WheelRearRight", 51, "wheel_speed_rr"),
    ),
)
ENGINE = MessageSpec(
    name="EngineTurn",
    can_id=0x112,
    length=6,
    sender="EngineNode",
    period_s=0.05,
    signals=(
        SignalSpec(
            name="CrankSpeed",
            start=0,
            length=16,
            scale=0.25,
            unit="1/min",
            carries="engine_speed",
            no_value=0xFFFF,
        ),
        SignalSpec(
            name="CoolantHeat",
            start=16,
            length=8,
            offset=-40,
            unit="degC",
            carries="coolant_temperature",
            no_value=0xFF,
        ),
        SignalSpec(
            name="EngineState",
            start=24,
            length=2,
            carries="engine_state",
            table={0: "Stopped", 1: "Cranking", 2: "Running"},
        ),
    ),
)
HELM = MessageSpec(
    name="HelmPosition",
    can_id=0x151,
    length=4,
    sender="ChassisNode",
    period_s=0.05,
    note="Handlebar angle, positive to the right.",
    signals=(
        SignalSpec(
            name="HelmAngle",
            start=0,
            length=16,
            signed=True,
            scale=0.1,
            unit="deg",
            carries="steering_angle",
            no_value=-0x8000,
        ),
        SignalSpec(name="HelmZeroKnown", start=16, length=1, carries="one"),
    ),
)
EFFORT = MessageSpec(
    name="SteerEffort",
    can_id=0x1A6,
    length=8,
    sender="SteerModule",
    period_s=0.02,
    counter="SteerEffortCount",
    checksum="SteerEffortCheck",
    note="Torques are referred to the input shaft, positive to the right.",
    signals=(
        SignalSpec(
            name="DriverTorque",
            start=7,
            length=12,
            big_endian=True,
            signed=True,
            scale=0.01,
            unit="Nm",
            carries="driver_torque",
            no_value=-0x800,
        ),
        SignalSpec(
            name="AssistTorque",
            start=11,
            length=12,
            big_endian=True,
            signed=True,
            scale=0.05,
            unit="Nm",
            carries="assist_torque",
            no_value=-0x800,
        ),
        SignalSpec(
            name="MotorCurrent",
            start=31,
            length=12,
            big_endian=True,
            signed=True,
            scale=0.1,
            unit="A",
            carries="motor_current",
            no_value=-0x800,
        ),
        SignalSpec(name="SteerEffortCount", start=48, length=4, carries="counter"),
        SignalSpec(name="SteerEffortCheck", start=56, length=8, carries="checksum"),
    ),
)
SUPPLY = MessageSpec(
    name="SupplyStatus",
    can_id=0x1B2,
    length=4,
    sender="SteerModule",
    period_s=0.02,
    note="Voltage at the steering module's terminals and the current that it draws.",
    signals=(
        SignalSpec(
            name="ModuleSupply",
            start=0,
            length=12,
            scale=0.01,
            unit="V",
            carries="supply_voltage",
            no_value=0xFFF,
        ),
        SignalSpec(
            name="ModuleDraw",
            start=12,
            length=12,
            signed=True,
            scale=0.1,
            unit="A",
            carries="module_current",
            no_value=-0x800,
        ),
    ),
)
STATE = MessageSpec(
    name="SteerState",
    can_id=0x1C8,
    length=4,
    sender="SteerModule",
    period_s=0.05,
    signals=(
        SignalSpec(
            name="ModuleHeat",
            start=7,
            length=10,
            big_endian=True,
            scale=0.25,
            offset=-40,
            unit="degC",
            carries="module_temperature",
            no_value=0x3FF,
        ),
        SignalSpec(
            name="AssistLimit",
            start=16,
            length=8,
            scale=0.5,
            unit="%",
            carries="assist_limit",
            no_value=0xFF,
        ),
        SignalSpec(
            name="ModuleState",
            start=24,
            length=3,
            carries="module_status",
            no_value=7,
            table=dict(enumerate(_STATES)),
        ),
    ),
)
POWER = MessageSpec(
    name="PowerBoard",
    can_id=0x2D0,
    length=6,
    sender="PowerNode",
    period_s=0.1,
    note="Voltage at the distribution board; battery current, discharge positive.",
    signals=(
        SignalSpec(
            name="BoardVoltage",
            start=0,
            length=11,
            scale=0.01,
            unit="V",
            carries="system_voltage",
            no_value=0x7FF,
        ),
        SignalSpec(
            name="BatteryFlow",
            start=23,
            length=12,
            big_endian=True,
            signed=True,
            scale=0.25,
            unit="A",
            carries="system_current",
            no_value=-0x800,
        ),
        SignalSpec(
            name="AirHeat",
            start=32,
            length=8,
            offset=-40,
            scale=0.5,
            unit="degC",
            carries="ambient_temperature",
            no_value=0xFF,
        ),
    ),
)
PANEL = MessageSpec(
    name="RiderPanel",
    can_id=0x3E4,
    length=4,
    sender="PanelNode",
    period_s=0.2,
    note="The rider's selection in every frame, and one of three pages beside it.",
    signals=(
        SignalSpec(name="PanelPage", start=0, length=2, selector=True, carries="page"),
        SignalSpec(
            name="SteerMode",
            start=4,
            length=3,
            carries="assist_mode",
            no_value=7,
            table=_MODE_TABLE,
        ),
        SignalSpec(
            name="TripMeter", start=8, length=16, scale=0.1, unit="km", carries="trip_km", page=0
        ),
        SignalSpec(
            name="HourMeter", start=8, length=20, scale=0.1, unit="h", carries="hours", page=1
        ),
        SignalSpec(
            name="FuelShare",
            start=15,
            length=8,
            big_endian=True,
            scale=0.5,
            unit="%",
            carries="fuel_pct",
            page=2,
        ),
    ),
)

TRAIL: Final = MessageLayouts(
    name="demo_trail_vehicle",
    messages=(CHASSIS, ENGINE, HELM, EFFORT, SUPPLY, STATE, POWER, PANEL),
    module_sender="SteerModule",
    states=_STATES,
)

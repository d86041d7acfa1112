"""The eight sample rides, by name."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from types import MappingProxyType
from typing import Final

from canassist.demo.plant import faults
from canassist.demo.plant.riding import Manoeuvre, Stretch
from canassist.demo.plant.scenario import Scenario
from canassist.demo.plant.vehicle import (
    Alternator,
    AssistLaw,
    Battery,
    Chassis,
    HeatPath,
    VehicleModel,
)
from canassist.model import Code


def _key_on_and_start(rest_s: float = 8.0, crank_s: float = 0.9) -> tuple[Stretch, ...]:
    return (
        Stretch(manoeuvre=Manoeuvre.KEY_ON, seconds=4),
        Stretch(manoeuvre=Manoeuvre.START, seconds=4, crank_s=crank_s),
        Stretch(manoeuvre=Manoeuvre.REST, seconds=rest_s),
    )


VEHICLE: Final = VehicleModel()
"""The sound demo vehicle on a mild day."""

SECOND_VEHICLE: Final = replace(
    VEHICLE,
    name="Demo trail vehicle, second",
    battery=Battery(charge=0.8, inner_ohm=0.012),
    alternator=Alternator(set_v=14.05),
    heat=HeatPath(housing_k_per_w=0.70),
    assist=AssistLaw(nm_per_a=0.48),
    chassis=Chassis(scrub_nm=33.0, hold_nm=24.0),
    path_ohm=0.010,
    ambient_c=17.0,
    module_start_c=34.0,
    idle_rpm=1180.0,
)
"""Another one of the same kind: a little older, a little lighter in front."""

_MIXED = (
    *_key_on_and_start(),
    Stretch(manoeuvre=Manoeuvre.SWEEP, seconds=24),
    Stretch(manoeuvre=Manoeuvre.CIRCLE, seconds=50, speed_kph=6),
    Stretch(manoeuvre=Manoeuvre.TRAIL, seconds=45, speed_kph=20),
    Stretch(manoeuvre=Manoeuvre.CRUISE, seconds=60, speed_kph=46),
    Stretch(manoeuvre=Manoeuvre.STRAIGHT, seconds=8, speed_kph=38),
    Stretch(manoeuvre=Manoeuvre.ROUGH, seconds=25, speed_kph=14, mode="Light"),
    Stretch(manoeuvre=Manoeuvre.CIRCLE, seconds=30, speed_kph=7),
    Stretch(manoeuvre=Manoeuvre.SWEEP, seconds=18, mode="Medium"),
    Stretch(manoeuvre=Manoeuvre.REST, seconds=16),
)

HEALTHY = Scenario(
    name="healthy_mixed",
    title="Healthy vehicle, a bit of everything, warm enough to be near derating",
    vehicle=replace(VEHICLE, ambient_c=31.0, bay_rise_k=21.0, module_start_c=76.5),
    stretches=_MIXED,
    conclusion=Code.NO_FAULT_FOUND,
    seed=11,
)
HOT = Scenario(
    name="hot_tight_turns",
    title="Slow tight turns on a hot day until the module protects itself",
    vehicle=replace(VEHICLE, ambient_c=35.0, bay_rise_k=22.0, module_start_c=74.0),
    stretches=(
        *_key_on_and_start(),
        Stretch(manoeuvre=Manoeuvre.TRAIL, seconds=30, speed_kph=18),
        Stretch(manoeuvre=Manoeuvre.CIRCLE, seconds=110, speed_kph=5, effort=1.3),
        Stretch(manoeuvre=Manoeuvre.CRUISE, seconds=60, speed_kph=42),
        Stretch(manoeuvre=Manoeuvre.CIRCLE, seconds=70, speed_kph=5, effort=1.35),
        Stretch(manoeuvre=Manoeuvre.CRUISE, seconds=45, speed_kph=44),
        Stretch(manoeuvre=Manoeuvre.REST, seconds=12),
    ),
    conclusion=Code.THERMAL_PROTECTION,
    seed=12,
)
WEAK_BATTERY = Scenario(
    name="weak_battery",
    title="A worn battery gives way while cranking and while steering at idle",
    vehicle=replace(
        VEHICLE,
        battery=Battery(charge=0.5, inner_ohm=0.050, slow_ohm=0.02, slow_charging_ohm=0.06),
    ),
    stretches=(
        *_key_on_and_start(crank_s=1.6),
        Stretch(manoeuvre=Manoeuvre.SWEEP, seconds=40, effort=1.2),
        Stretch(manoeuvre=Manoeuvre.TRAIL, seconds=40, speed_kph=18),
        Stretch(manoeuvre=Manoeuvre.CRUISE, seconds=50, speed_kph=44),
        Stretch(manoeuvre=Manoeuvre.REST, seconds=10),
        Stretch(manoeuvre=Manoeuvre.SWEEP, seconds=35, effort=1.2),
        Stretch(manoeuvre=Manoeuvre.CIRCLE, seconds=25, speed_kph=5),
        Stretch(manoeuvre=Manoeuvre.REST, seconds=12),
    ),
    conclusion=Code.LOW_BATTERY,
    seed=13,
)
NOT_CHARGING = Scenario(
    name="not_charging",
    title="The alternator gives nothing; the battery empties while riding",
    vehicle=replace(
        VEHICLE,
        battery=Battery(charge=0.24, capacity_ah=14.0, inner_ohm=0.011),
        base_load_a=18.0,
    ),
    stretches=(
        *_key_on_and_start(),
        Stretch(manoeuvre=Manoeuvre.TRAIL, seconds=60, speed_kph=19),
        Stretch(manoeuvre=Manoeuvre.SWEEP, seconds=25, effort=1.3),
        Stretch(manoeuvre=Manoeuvre.CRUISE, seconds=70, speed_kph=45),
        Stretch(manoeuvre=Manoeuvre.CIRCLE, seconds=60, speed_kph=7, effort=0.85),
        Stretch(manoeuvre=Manoeuvre.SWEEP, seconds=25, effort=1.3),
        Stretch(manoeuvre=Manoeuvre.REST, seconds=12),
    ),
    faults=(faults.AlternatorShare(share=0.0),),
    conclusion=Code.CHARGING_FAULT,
    seed=14,
)
PATH = Scenario(
    name="supply_resistance",
    title="A bad ground joint: the supply falls at the module, not at the board",
    stretches=(
        *_key_on_and_start(),
        Stretch(manoeuvre=Manoeuvre.SWEEP, seconds=40, effort=1.2),
        Stretch(manoeuvre=Manoeuvre.CIRCLE, seconds=50, speed_kph=5, effort=1.1),
        Stretch(manoeuvre=Manoeuvre.TRAIL, seconds=40, speed_kph=20),
        Stretch(manoeuvre=Manoeuvre.CRUISE, seconds=45, speed_kph=44),
        Stretch(manoeuvre=Manoeuvre.SWEEP, seconds=30, effort=1.5, idle_rpm=1900.0),
        Stretch(manoeuvre=Manoeuvre.REST, seconds=12),
    ),
    faults=(faults.ExtraPathResistance(ohm=0.045),),
    conclusion=Code.SUPPLY_RESISTANCE,
    seed=15,
)
SPEED_LOST = Scenario(
    name="speed_lost",
    title="Road speed goes missing for a while, and again",
    stretches=(
        *_key_on_and_start(),
        Stretch(manoeuvre=Manoeuvre.SWEEP, seconds=20),
        Stretch(manoeuvre=Manoeuvre.TRAIL, seconds=70, speed_kph=20),
        Stretch(manoeuvre=Manoeuvre.CIRCLE, seconds=60, speed_kph=6),
        Stretch(manoeuvre=Manoeuvre.CRUISE, seconds=50, speed_kph=44),
        Stretch(manoeuvre=Manoeuvre.REST, seconds=14),
    ),
    faults=(
        faults.LostSignal(
            channel="vehicle_speed", how=faults.Silence.NO_VALUE, from_s=75.0, until_s=96.0
        ),
        faults.LostSignal(channel="vehicle_speed", from_s=128.0, until_s=150.0),
    ),
    conclusion=Code.SPEED_SIGNAL_FAULT,
    seed=16,
)
OFFSET = Scenario(
    name="torque_offset",
    title="The torque sensor rests beside zero",
    stretches=(
        *_key_on_and_start(rest_s=12),
        Stretch(manoeuvre=Manoeuvre.SWEEP, seconds=20),
        Stretch(manoeuvre=Manoeuvre.TRAIL, seconds=50, speed_kph=20),
        Stretch(manoeuvre=Manoeuvre.CRUISE, seconds=45, speed_kph=44),
        Stretch(manoeuvre=Manoeuvre.STRAIGHT, seconds=10, speed_kph=36),
        Stretch(manoeuvre=Manoeuvre.CIRCLE, seconds=40, speed_kph=6),
        Stretch(manoeuvre=Manoeuvre.REST, seconds=20),
    ),
    faults=(faults.TorqueOffset(offset_nm=0.75),),
    conclusion=Code.TORQUE_SENSOR_OFFSET,
    seed=17,
)
SECOND = Scenario(
    name="second_vehicle",
    title="Another healthy vehicle of the same kind on the same round",
    vehicle=SECOND_VEHICLE,
    stretches=_MIXED,
    conclusion=Code.NO_FAULT_FOUND,
    seed=18,
)

RIDES: Final[Mapping[str, Scenario]] = MappingProxyType(
    {
        ride.name: ride
        for ride in (
            HEALTHY,
            HOT,
            WEAK_BATTERY,
            NOT_CHARGING,
            PATH,
            SPEED_LOST,
            OFFSET,
            SECOND,
        )
    }
)
"""The eight sample rides; `simulate` turns one into figures."""

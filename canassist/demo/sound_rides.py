"""Four short rides of three sound vehicles of one model, to learn from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from types import MappingProxyType
from typing import Final

from canassist.demo.plant.riding import Manoeuvre, Stretch
from canassist.demo.plant.scenario import Scenario
from canassist.demo.plant.vehicle import Alternator, HeatPath, VehicleModel
from canassist.demo.rides import SECOND_VEHICLE, VEHICLE
from canassist.model import Code

_FROM_KEY_ON: Final = (
    Stretch(manoeuvre=Manoeuvre.KEY_ON, seconds=2),
    Stretch(manoeuvre=Manoeuvre.START, seconds=3),
    Stretch(manoeuvre=Manoeuvre.REST, seconds=4),
)
_HOME: Final = (
    Stretch(manoeuvre=Manoeuvre.CRUISE, seconds=36, speed_kph=45),
    Stretch(manoeuvre=Manoeuvre.STRAIGHT, seconds=4, speed_kph=38),
)

THIRD_VEHICLE: Final = replace(
    VEHICLE,
    name="Demo trail vehicle, third",
    path_ohm=0.0115,
    alternator=Alternator(set_v=14.15),
    heat=HeatPath(housing_k_per_w=0.72),
)
"""A third of the same kind; the wire to its module is a little shorter."""


def _hot(vehicle: VehicleModel, start_c: float, effort: float, seed: int) -> Scenario:
    """Return a ride that starts with a warm module and goes on until it takes assist back."""
    return Scenario(
        name="hot_turns",
        title="Slow turns with a warm module until it protects itself",
        vehicle=replace(vehicle, ambient_c=35.0, bay_rise_k=22.0, module_start_c=start_c),
        stretches=(
            *_FROM_KEY_ON,
            Stretch(manoeuvre=Manoeuvre.CIRCLE, seconds=26, speed_kph=5, effort=effort),
            *_HOME,
        ),
        conclusion=Code.THERMAL_PROTECTION,
        seed=seed,
    )


def _mixed(vehicle: VehicleModel, seed: int) -> Scenario:
    return Scenario(
        name="mixed",
        title="A cool module and a bit of everything",
        vehicle=replace(vehicle, ambient_c=24.0, module_start_c=45.0),
        stretches=(
            *_FROM_KEY_ON,
            Stretch(manoeuvre=Manoeuvre.SWEEP, seconds=10),
            Stretch(manoeuvre=Manoeuvre.TRAIL, seconds=18, speed_kph=20),
            *_HOME,
        ),
        conclusion=Code.NO_FAULT_FOUND,
        seed=seed,
    )


SOUND_RIDES: Final[Mapping[str, tuple[Scenario, ...]]] = MappingProxyType(
    {
        "first": (_hot(VEHICLE, 83.0, 1.3, 41), _mixed(VEHICLE, 42)),
        "second": (_hot(SECOND_VEHICLE, 83.5, 1.45, 43),),
        "third": (_hot(THIRD_VEHICLE, 84.0, 1.3, 44),),
    }
)
"""Rides by vehicle: what `canassist learn` needs to find the law of heat and the usual figures."""

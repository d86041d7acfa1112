"""Rides before and after a repair, and sound pairs."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

from canassist.demo import Scenario
from canassist.demo.plant.riding import Manoeuvre, Stretch
from canassist.model import Result
from tests.bench.comparison import pair, ridden
from tests.simulator import scenario_parts as parts
from tests.simulator.draw import Draw
from tests.simulator.scenarios import draw_scenario


@cache
def sound(seed: int, number: int) -> Result:
    """Return the first (0) or second (1) ride of a sound vehicle."""
    return ridden(pair(seed)[number])


def faulty(name: str, seed: int = 1) -> Scenario:
    """Return a ride with a planted fault."""
    return draw_scenario(name, seed, held_out=True)


def after(scenario: Scenario, *, repaired: bool, times: int = 1) -> Scenario:
    """Return another, full ride of the same vehicle, with its fault or without."""
    draw = Draw(f"after {scenario.name}", scenario.seed, held_out=True)
    stretches = parts.mixed(draw)
    for _ in range(times - 1):
        stretches += parts.mixed(draw)[3:]
    known = parts.sound_vehicle(draw)
    vehicle = scenario.vehicle
    if repaired:
        vehicle = replace(
            vehicle, battery=known.battery, starter=known.starter, base_load_a=known.base_load_a
        )
    return replace(
        scenario,
        vehicle=vehicle,
        faults=() if repaired else scenario.faults,
        stretches=tuple(stretches) if repaired else scenario.stretches,
        seed=scenario.seed + 1000,
    )


def gentle(scenario: Scenario) -> Scenario:
    """Return a short stand with hands off after the repair: it can show nothing."""
    stretches = (
        Stretch(manoeuvre=Manoeuvre.REST, seconds=3.0),
        Stretch(manoeuvre=Manoeuvre.TRAIL, seconds=12.0, speed_kph=14.0, swing=0.1),
    )
    return replace(after(scenario, repaired=True), stretches=stretches, seed=scenario.seed + 2000)

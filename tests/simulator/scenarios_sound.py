"""Rides with nothing broken: healthy ones, and ones in which the module protects itself."""

from __future__ import annotations

from dataclasses import replace

from canassist.demo.plant.riding import Manoeuvre, Stretch
from canassist.demo.plant.scenario import Scenario
from canassist.demo.plant.vehicle import VehicleModel
from canassist.model import Code
from tests.simulator import scenario_parts as parts
from tests.simulator.draw import Draw

HEALTHY = Code.NO_FAULT_FOUND
FOUR_BASIC = frozenset({"vehicle_speed", "engine_speed", "supply_voltage", "module_temperature"})


def _healthy(draw: Draw, stretches: list[Stretch], **other: object) -> Scenario:
    scenario = Scenario(
        name="",
        title="",
        vehicle=parts.sound_vehicle(draw),
        stretches=tuple(stretches),
        conclusion=HEALTHY,
        layout=parts.any_layout(draw),
    )
    return replace(scenario, **other)  # type: ignore[arg-type]  # fields of Scenario


def mixed(draw: Draw) -> Scenario:
    """Return a ride with a bit of everything."""
    return _healthy(draw, parts.mixed(draw))


def rough_ground(draw: Draw) -> Scenario:
    """Return a ride over ground that kicks back."""
    ride = parts.mixed(draw)
    return _healthy(draw, [*ride[:4], parts.rough(draw), parts.rough(draw), *ride[4:]])


def mode_changes(draw: Draw) -> Scenario:
    """Return a ride with the rider trying every mode."""
    return _healthy(draw, parts.with_modes(draw, parts.mixed(draw)))


def cold_start(draw: Draw) -> Scenario:
    """Return a ride on a cold morning: the starter takes long, the battery is stiff."""
    vehicle = parts.sound_vehicle(draw)
    cold = draw.figure(-18.0, -6.0)
    vehicle = replace(
        vehicle,
        ambient_c=cold,
        module_start_c=cold + 1.0,
        coolant_start_c=cold + 1.0,
        battery=replace(
            vehicle.battery,
            inner_ohm=draw.figure(0.0125, 0.0145),
            charge=draw.figure(0.9, 0.99),
        ),
        starter=replace(vehicle.starter, locked_ohm=0.062),
    )
    start = Stretch(manoeuvre=Manoeuvre.START, seconds=6.0, crank_s=draw.figure(1.6, 3.2))
    ride = parts.mixed(draw)
    return _healthy(draw, [ride[0], start, *ride[2:]], vehicle=vehicle)


def deep_inrush(draw: Draw) -> Scenario:
    """Return a start whose first moment is deep and whose cranking is sound."""
    vehicle = parts.sound_vehicle(draw)
    starter = replace(vehicle.starter, locked_ohm=draw.figure(0.021, 0.027), inrush_s=0.1)
    battery = replace(vehicle.battery, charge=draw.figure(0.85, 0.98))
    vehicle = replace(vehicle, starter=starter, battery=battery)
    return _healthy(draw, parts.mixed(draw), vehicle=vehicle)


def plowing(draw: Draw) -> Scenario:
    """Return pushing with the blade down: heavy, and sound."""
    plow = Stretch(
        manoeuvre=Manoeuvre.PLOW,
        seconds=draw.figure(50.0, 70.0),
        speed_kph=draw.figure(5.0, 8.0),
        effort=draw.figure(1.15, 1.3),
        extra_load_a=draw.figure(4.0, 10.0),
        idle_rpm=1500.0,
    )
    ride = parts.mixed(draw)
    return _healthy(draw, [*ride[:4], plow, *ride[4:]], also=(Code.MECHANICAL_LOAD,))


def winching(draw: Draw) -> Scenario:
    """Return the winch pulling: other loads, and a supply that bears them."""
    winch = Stretch(
        manoeuvre=Manoeuvre.WINCH,
        seconds=draw.figure(38.0, 52.0),
        extra_load_a=draw.figure(60.0, 105.0),
        idle_rpm=draw.figure(1900.0, 2300.0),
    )
    ride = parts.mixed(draw)
    return _healthy(draw, [*ride[:4], winch, *ride[4:]])


def winching_hard(draw: Draw) -> Scenario:
    """Return the winch pulling the supply below its limit while nobody steers."""
    vehicle = parts.sound_vehicle(draw)
    winch = Stretch(
        manoeuvre=Manoeuvre.WINCH,
        seconds=draw.figure(40.0, 60.0),
        extra_load_a=draw.figure(270.0, 330.0),
    )
    vehicle = replace(
        vehicle, battery=replace(vehicle.battery, inner_ohm=draw.figure(0.011, 0.013))
    )
    ride = parts.mixed(draw)
    stretches = [*ride[:3], winch, parts.rest(draw), *ride[3:]]
    also = (Code.LOW_BATTERY, Code.INCONCLUSIVE)
    return _healthy(draw, stretches, vehicle=vehicle, also=also)


def long_idle(draw: Draw) -> Scenario:
    """Return minutes of idling and hardly any riding: not enough to tell."""
    idle = Stretch(manoeuvre=Manoeuvre.REST, seconds=draw.figure(120.0, 170.0))
    short = Stretch(
        manoeuvre=Manoeuvre.TRAIL, seconds=draw.figure(12.0, 18.0), speed_kph=18.0, swing=0.4
    )
    stretches = [*parts.started(draw), idle, short, parts.rest(draw)]
    return _healthy(draw, stretches, conclusion=Code.INCONCLUSIVE, also=(HEALTHY,))


def never_ridden(draw: Draw) -> Scenario:
    """Return a start and a stand with hands off: nothing to judge."""
    idle = Stretch(manoeuvre=Manoeuvre.REST, seconds=draw.figure(25.0, 60.0))
    stretches = [*parts.started(draw), idle]
    return _healthy(draw, stretches, conclusion=Code.INCONCLUSIVE)


def only_cruising(draw: Draw) -> Scenario:
    """Return riding fast and straight alone: slow steering was not tried."""
    stretches = [*parts.started(draw), *(parts.cruise(draw) for _ in range(3))]
    return _healthy(draw, stretches, conclusion=Code.INCONCLUSIVE, also=(HEALTHY,))


def engine_running_from_the_first(draw: Draw) -> Scenario:
    """Return a recording that begins while riding."""
    ride = parts.mixed(draw)[2:]
    return _healthy(draw, ride)


def stopped_and_started(draw: Draw) -> Scenario:
    """Return a ride with the engine stopped and started again on the way."""
    first, again = parts.mixed(draw), parts.started(draw)
    off = Stretch(manoeuvre=Manoeuvre.OFF, seconds=draw.figure(6.0, 12.0))
    return _healthy(draw, [*first[:5], parts.rest(draw), off, *again[1:], *first[5:]])


def nearly_hot(draw: Draw) -> Scenario:
    """Return a ride in the heat that stays just below where assist is reduced."""
    vehicle = replace(
        parts.hot_vehicle(draw),
        ambient_c=draw.figure(27.0, 31.0),
        bay_rise_k=20.0,
        module_start_c=draw.figure(68.0, 71.0),
    )
    return _healthy(draw, parts.mixed(draw, effort=0.95), vehicle=vehicle)


def basic_channels(draw: Draw) -> Scenario:
    """Return a sound ride of which the bus tells only speeds, supply and temperature."""
    scenario = _healthy(draw, parts.mixed(draw))
    told = {spec.carries for m in scenario.layout.messages for spec in m.signals}
    return replace(
        scenario,
        leaves_out=frozenset(told - FOUR_BASIC),
        conclusion=Code.INCONCLUSIVE,
        also=(HEALTHY,),
    )


def hot(draw: Draw) -> Scenario:
    """Return tight turns in the heat until the module protects itself, twice."""
    return _protected(draw, parts.hot_vehicle(draw))


def hot_without_limit(draw: Draw) -> Scenario:
    """Return the same with only the module's status telling of it."""
    scenario = _protected(draw, parts.hot_vehicle(draw))
    return replace(scenario, leaves_out=frozenset({"assist_limit"}))


def hot_plowing(draw: Draw) -> Scenario:
    """Return plowing in the heat until the module protects itself."""
    plow = Stretch(
        manoeuvre=Manoeuvre.PLOW,
        seconds=draw.figure(80.0, 110.0),
        speed_kph=draw.figure(5.0, 7.0),
        effort=draw.figure(1.9, 2.2),
        extra_load_a=draw.figure(4.0, 10.0),
    )
    stretches = [
        *parts.started(draw),
        parts.trail(draw),
        plow,
        parts.cruise(draw),
        parts.rest(draw),
    ]
    scenario = _protected(draw, parts.hot_vehicle(draw))
    return replace(scenario, stretches=tuple(stretches), also=(Code.MECHANICAL_LOAD,))


def _protected(draw: Draw, vehicle: VehicleModel) -> Scenario:
    stretches = [
        *parts.started(draw),
        parts.trail(draw),
        parts.circle(draw, effort=1.5, seconds=draw.figure(75.0, 95.0)),
        parts.cruise(draw, seconds=draw.figure(75.0, 90.0)),
        parts.circle(draw, effort=1.5, seconds=draw.figure(55.0, 75.0)),
        parts.cruise(draw),
        parts.rest(draw),
    ]
    scenario = _healthy(draw, stretches, vehicle=vehicle)
    return replace(scenario, conclusion=Code.THERMAL_PROTECTION)

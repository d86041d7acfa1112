"""Rides with a fault in the supply."""

from __future__ import annotations

from dataclasses import replace

from canassist.demo.plant import faults
from canassist.demo.plant.riding import Manoeuvre, Stretch
from canassist.demo.plant.scenario import Scenario
from canassist.demo.plant.vehicle import Battery, Starter, VehicleModel
from canassist.model import Code
from tests.simulator import scenario_parts as parts
from tests.simulator.draw import Draw


def _scenario(
    draw: Draw,
    vehicle: VehicleModel,
    stretches: list[Stretch],
    conclusion: Code,
    planted: tuple[faults.Fault, ...] = (),
) -> Scenario:
    return Scenario(
        name="",
        title="",
        vehicle=vehicle,
        stretches=tuple(stretches),
        faults=planted,
        conclusion=conclusion,
        layout=parts.any_layout(draw),
        seed=draw.ride_seed,
    )


def _worn(draw: Draw) -> VehicleModel:
    """Return a vehicle with a worn battery, and lights on."""
    battery = Battery(
        charge=draw.figure(0.42, 0.62),
        inner_ohm=draw.figure(0.054, 0.064),
        slow_ohm=draw.figure(0.014, 0.022),
        slow_charging_ohm=0.06,
    )
    return replace(
        parts.sound_vehicle(draw),
        battery=battery,
        starter=Starter(locked_ohm=0.075),
        base_load_a=draw.figure(13.5, 16.0),
    )


def _steering_at_idle(draw: Draw) -> list[Stretch]:
    return [
        parts.sweep(draw, effort=1.25),
        parts.trail(draw),
        parts.sweep(draw, effort=1.25),
        parts.cruise(draw),
        parts.circle(draw),
        parts.sweep(draw, effort=1.25),
        parts.rest(draw),
    ]


def weak_battery(draw: Draw) -> Scenario:
    """Return a worn battery: deep while cranking, and while steering at idle."""
    ride = [*parts.started(draw), *_steering_at_idle(draw)]
    return _scenario(draw, _worn(draw), ride, Code.LOW_BATTERY)


def weak_battery_without_start(draw: Draw) -> Scenario:
    """Return the same, recorded with the engine already running."""
    scenario = weak_battery(draw)
    return replace(scenario, stretches=scenario.stretches[2:])


def weak_battery_cold(draw: Draw) -> Scenario:
    """Return a worn battery on a cold morning, with a long start."""
    cold = draw.figure(-14.0, -4.0)
    vehicle = replace(
        _worn(draw),
        ambient_c=cold,
        module_start_c=cold + 1.0,
        coolant_start_c=cold + 1.0,
    )
    start = Stretch(manoeuvre=Manoeuvre.START, seconds=6.0, crank_s=draw.figure(2.0, 3.4))
    key_on, _, stand = parts.started(draw)
    ride = [key_on, start, stand, *_steering_at_idle(draw)]
    return _scenario(draw, vehicle, ride, Code.LOW_BATTERY)


def weak_battery_key_on(draw: Draw) -> Scenario:
    """Return a worn battery that gives way with the key on and the lamps lit."""
    vehicle = _worn(draw)
    lamps = draw.figure(20.0, 26.0)
    key_on, start, stand = parts.started(draw)
    key_on = replace(key_on, seconds=draw.figure(8.0, 16.0), extra_load_a=lamps)
    ride = [key_on, start, stand, *_steering_at_idle(draw)]
    return _scenario(draw, vehicle, ride, Code.LOW_BATTERY)


def _fast_and_standing(draw: Draw) -> list[Stretch]:
    """Return fast stretches of more than half a minute with stands between them."""
    ride = parts.started(draw)
    for _ in range(3):
        fast = draw.pick((parts.cruise, parts.trail))(draw)
        ride += [replace(fast, seconds=draw.figure(36.0, 46.0)), parts.sweep(draw, effort=1.1)]
    return [*ride, parts.cruise(draw), parts.rest(draw)]


def _empty_battery(draw: Draw) -> Battery:
    return Battery(
        charge=draw.figure(0.18, 0.34),
        capacity_ah=draw.figure(12.0, 16.0),
        inner_ohm=draw.figure(0.009, 0.012),
    )


def not_charging(draw: Draw) -> Scenario:
    """Return an alternator that gives nothing, and a battery that shows it."""
    vehicle = replace(
        parts.sound_vehicle(draw), battery=_empty_battery(draw), base_load_a=draw.figure(15.0, 20.0)
    )
    planted = (faults.AlternatorShare(share=0.0),)
    return _scenario(draw, vehicle, _fast_and_standing(draw), Code.CHARGING_FAULT, planted)


def charging_stops(draw: Draw) -> Scenario:
    """Return an alternator that gives up on the way."""
    vehicle = replace(
        parts.sound_vehicle(draw), battery=_empty_battery(draw), base_load_a=draw.figure(15.0, 20.0)
    )
    ride = _fast_and_standing(draw)
    from_s = parts.span_of(ride, Manoeuvre.SWEEP)[0] - draw.figure(2.0, 6.0)
    planted = (faults.AlternatorShare(share=0.0, from_s=from_s),)
    return _scenario(draw, vehicle, ride, Code.CHARGING_FAULT, planted)


def charging_weak(draw: Draw) -> Scenario:
    """Return an alternator that gives a small part of its current."""
    vehicle = replace(
        parts.sound_vehicle(draw), battery=_empty_battery(draw), base_load_a=draw.figure(16.0, 20.0)
    )
    planted = (faults.AlternatorShare(share=draw.figure(0.08, 0.2)),)
    return _scenario(draw, vehicle, _fast_and_standing(draw), Code.CHARGING_FAULT, planted)


def path_resistance(draw: Draw) -> Scenario:
    """Return a bad joint between the board and the module."""
    planted = (faults.ExtraPathResistance(ohm=draw.figure(0.045, 0.065)),)
    ride = [*parts.started(draw), *_steering_at_idle(draw)]
    return _scenario(draw, parts.sound_vehicle(draw), ride, Code.SUPPLY_RESISTANCE, planted)


def path_resistance_small(draw: Draw) -> Scenario:
    """Return a joint that has only begun to go bad."""
    planted = (faults.ExtraPathResistance(ohm=draw.figure(0.036, 0.044)),)
    ride = [*parts.started(draw), *_steering_at_idle(draw)]
    return _scenario(draw, parts.sound_vehicle(draw), ride, Code.SUPPLY_RESISTANCE, planted)


def path_resistance_without_board(draw: Draw) -> Scenario:
    """Return a bad joint where only the module tells its voltage."""
    scenario = path_resistance(draw)
    return replace(scenario, leaves_out=frozenset({"system_voltage", "system_current"}))


def path_resistance_on_the_way(draw: Draw) -> Scenario:
    """Return a joint that goes bad while riding."""
    ride = [*parts.started(draw), *_steering_at_idle(draw)]
    from_s = parts.span_of(ride, Manoeuvre.TRAIL)[0] + draw.figure(2.0, 8.0)
    planted = (faults.ExtraPathResistance(ohm=draw.figure(0.046, 0.066), from_s=from_s),)
    return _scenario(draw, parts.sound_vehicle(draw), ride, Code.SUPPLY_RESISTANCE, planted)


def short_breaks(draw: Draw) -> Scenario:
    """Return a plug that opens for moments that the module bears."""
    ride = parts.mixed(draw)
    planted = tuple(
        faults.SupplyBreak(from_s=at_s, until_s=at_s + draw.figure(0.07, 0.11))
        for at_s in parts.moments(draw, ride, 6, apart_s=4.0)
    )
    return _scenario(draw, parts.sound_vehicle(draw), ride, Code.SUPPLY_BREAK, planted)


def long_breaks(draw: Draw) -> Scenario:
    """Return a plug that opens for long enough to restart the module."""
    ride = parts.mixed(draw)
    planted = tuple(
        faults.SupplyBreak(from_s=at_s, until_s=at_s + draw.figure(0.4, 0.9))
        for at_s in parts.moments(draw, ride, 4, apart_s=5.0)
    )
    return _scenario(draw, parts.sound_vehicle(draw), ride, Code.SUPPLY_BREAK, planted)


def overvoltage(draw: Draw) -> Scenario:
    """Return a regulator that lets go now and then."""
    return _regulator(draw, draw.figure(15.7, 15.98), draw.figure(6.0, 9.0))


def overvoltage_derates(draw: Draw) -> Scenario:
    """Return a regulator that lets go so far that the module takes assist back."""
    return _regulator(draw, draw.figure(16.3, 17.0), draw.figure(6.0, 9.0))


def _regulator(draw: Draw, set_v: float, lasts_s: float) -> Scenario:
    fast = [parts.cruise(draw), parts.trail(draw), parts.cruise(draw)]
    ride = [*parts.started(draw), parts.sweep(draw), *fast, parts.circle(draw), parts.rest(draw)]
    first = parts.span_of(ride, Manoeuvre.CRUISE)[0] + 12.0
    last = parts.span_of(ride, Manoeuvre.CIRCLE)[0] - 12.0
    width = (last - first) / 6
    planted = tuple(
        faults.RegulatorVoltage(
            set_v=set_v, from_s=first + k * width, until_s=first + k * width + lasts_s
        )
        for k in range(6)
    )
    vehicle = parts.sound_vehicle(draw)
    # A full battery takes little more, so the voltage rises at once.
    full = replace(vehicle.battery, charge=0.97, slow_charging_ohm=0.14, slow_tau_s=1.2)
    vehicle = replace(vehicle, battery=full)
    return _scenario(draw, vehicle, ride, Code.OVERVOLTAGE_FAULT, planted)


def hot_and_bad_joint(draw: Draw) -> Scenario:
    """Return a bad joint on a hot day: heat and voltage both take assist."""
    planted = (faults.ExtraPathResistance(ohm=draw.figure(0.062, 0.075)),)
    vehicle = replace(parts.hot_vehicle(draw), module_start_c=draw.figure(83.6, 85.2))
    ride = [
        *parts.started(draw),
        *(parts.sweep(draw, effort=1.35) for _ in range(4)),
        parts.cruise(draw),
        parts.sweep(draw, effort=1.35),
        parts.rest(draw),
    ]
    scenario = _scenario(draw, vehicle, ride, Code.SUPPLY_RESISTANCE, planted)
    return replace(scenario, also=(Code.THERMAL_PROTECTION,))

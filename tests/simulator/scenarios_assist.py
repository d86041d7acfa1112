"""Rides with a fault in the torque sensor, the assist or the module; and with heavy going."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from canassist.demo.plant import faults
from canassist.demo.plant.riding import Manoeuvre, Stretch
from canassist.demo.plant.scenario import Scenario
from canassist.model import Code
from tests.simulator import scenario_parts as parts
from tests.simulator.draw import Draw

_CODES: Final = (
    ("C1A20", "steering assist stage", (0x5A, 0x20)),
    ("C1B07", "steering torque sensor", (0x5B, 0x07)),
    ("U1C41", "no message from the steering module", (0xDC, 0x41)),
)
"""Invented codes in the makers' own range: number, what the tester says, the two bytes."""


def _scenario(
    draw: Draw, ride: list[Stretch], conclusion: Code, planted: tuple[faults.Fault, ...]
) -> Scenario:
    return Scenario(
        name="",
        title="",
        vehicle=parts.sound_vehicle(draw),
        stretches=tuple(ride),
        faults=planted,
        conclusion=conclusion,
        layout=parts.any_layout(draw),
        seed=draw.ride_seed,
    )


def _straight(draw: Draw) -> Stretch:
    return Stretch(
        manoeuvre=Manoeuvre.STRAIGHT,
        seconds=draw.figure(7.0, 11.0),
        speed_kph=draw.figure(30.0, 40.0),
    )


def _offset(draw: Draw, offset_nm: float, drift_nm_per_k: float = 0.0) -> Scenario:
    ride = parts.mixed(draw)
    ride = [*ride[:5], _straight(draw), parts.rest(draw), *ride[5:]]
    planted = (faults.TorqueOffset(offset_nm=offset_nm, drift_nm_per_k=drift_nm_per_k),)
    return _scenario(draw, ride, Code.TORQUE_SENSOR_OFFSET, planted)


def offset_right(draw: Draw) -> Scenario:
    """Return a torque sensor that rests to the right."""
    return _offset(draw, draw.figure(0.55, 1.1))


def offset_left(draw: Draw) -> Scenario:
    """Return a torque sensor that rests to the left."""
    return _offset(draw, -draw.figure(0.55, 1.1))


def offset_drifts(draw: Draw) -> Scenario:
    """Return a torque sensor whose rest moves with the module's temperature."""
    return _offset(draw, draw.figure(0.6, 0.8), draw.figure(0.004, 0.012))


def offset_in_every_mode(draw: Draw) -> Scenario:
    """Return a torque sensor that rests beside zero while the rider tries every mode."""
    scenario = _offset(draw, draw.pick((-1.0, 1.0)) * draw.figure(0.6, 1.2))
    return replace(scenario, stretches=tuple(parts.with_modes(draw, scenario.stretches)))


def _factor(draw: Draw, left: float, right: float) -> Scenario:
    planted = (faults.AssistFactor(left=left, right=right),)
    return _scenario(draw, parts.mixed(draw), Code.ASSIST_MAP_DEVIATION, planted)


def assist_low(draw: Draw) -> Scenario:
    """Return assist that is too low on both sides."""
    factor = draw.figure(0.45, 0.68)
    return _factor(draw, factor, factor)


def assist_high(draw: Draw) -> Scenario:
    """Return assist that is too high on both sides."""
    factor = draw.figure(1.35, 1.7)
    return _factor(draw, factor, factor)


def assist_low_left(draw: Draw) -> Scenario:
    """Return assist that is too low to the left."""
    return _factor(draw, draw.figure(0.45, 0.66), 1.0)


def assist_low_right(draw: Draw) -> Scenario:
    """Return assist that is too low to the right."""
    return _factor(draw, 1.0, draw.figure(0.45, 0.66))


def assist_ignores_speed(draw: Draw) -> Scenario:
    """Return assist that is as strong at speed as on the spot."""
    ride = [
        *parts.started(draw),
        parts.sweep(draw),
        parts.circle(draw),
        parts.trail(draw),
        replace(parts.cruise(draw), swing=draw.figure(1.8, 2.4)),
        parts.trail(draw),
        parts.rest(draw),
    ]
    planted = (faults.FixedGainSpeed(speed_kph=draw.figure(0.0, 4.0)),)
    return _scenario(draw, ride, Code.ASSIST_MAP_DEVIATION, planted)


def assist_uncommanded(draw: Draw) -> Scenario:
    """Return assist that nobody asked for, now and then, with hands off or nearly."""
    ride = [
        *parts.started(draw, rest_s=14.0),
        parts.sweep(draw),
        _straight(draw),
        parts.trail(draw),
        parts.cruise(draw),
        Stretch(manoeuvre=Manoeuvre.REST, seconds=draw.figure(18.0, 24.0)),
    ]
    stands = [parts.span_of(ride, Manoeuvre.REST), parts.span_of(ride, Manoeuvre.REST, 1)]
    size = draw.pick((-1.0, 1.0)) * draw.figure(4.0, 8.0)
    planted = tuple(
        faults.UncommandedAssist(
            torque_nm=size,
            from_s=(start + end) / 2 + place,
            until_s=(start + end) / 2 + place + draw.figure(0.8, 2.0),
        )
        for start, end in stands
        for place in (-2.0, 3.0)
    )
    return _scenario(draw, ride, Code.ASSIST_MAP_DEVIATION, planted)


def _derates(draw: Draw, ride: list[Stretch]) -> tuple[faults.Fault, ...]:
    return tuple(
        faults.UnexplainedDerate(
            limit_pct=draw.figure(20.0, 70.0), from_s=at_s, until_s=at_s + draw.figure(3.0, 10.0)
        )
        for at_s in parts.moments(draw, ride, 4, apart_s=14.0)
    )


def module_derates(draw: Draw) -> Scenario:
    """Return a module that takes assist back with everything in order."""
    ride = parts.mixed(draw)
    scenario = _scenario(draw, ride, Code.MODULE_SUSPECT, _derates(draw, ride))
    # Wherever the draw puts them, some of it has to be felt: one falls into slow turns.
    start, _ = parts.span_of(ride, Manoeuvre.CIRCLE)
    felt = faults.UnexplainedDerate(limit_pct=35.0, from_s=start + 8.0, until_s=start + 15.0)
    return replace(scenario, faults=(*scenario.faults, felt))


def module_derates_with_codes(draw: Draw) -> Scenario:
    """Return the same with a tester reading trouble codes."""
    scenario = module_derates(draw)
    first = draw.figure(8.0, 20.0)
    codes = tuple(
        faults.StoredCode(
            code=code, text=text, raw=raw, from_s=first + 0.7 * place, until_s=first + 30.0
        )
        for place, (code, text, raw) in enumerate(_CODES)
    )
    return replace(scenario, faults=(*scenario.faults, *codes))


def heavy_going(draw: Draw) -> Scenario:
    """Return steering that binds: assist follows its map and the bar is heavy all the same."""
    ride = parts.mixed(draw)
    planted = (faults.HeavyGoing(factor=draw.figure(1.5, 1.75)),)
    scenario = _scenario(draw, ride, Code.MECHANICAL_LOAD, planted)
    vehicle = replace(scenario.vehicle, chassis=replace(scenario.vehicle.chassis, strength_nm=19.0))
    return replace(scenario, vehicle=vehicle, also=(Code.NO_FAULT_FOUND,))

"""What scenarios are put together from: vehicles and rides with drawn parameters."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

from canassist.demo.bus.message_layout import MessageLayouts
from canassist.demo.bus.trail import TRAIL
from canassist.demo.plant.riding import Manoeuvre, Stretch
from canassist.demo.plant.vehicle import (
    MODES,
    Alternator,
    AssistLaw,
    Battery,
    Chassis,
    HeatPath,
    ProtectionRule,
    VehicleModel,
)
from tests.simulator.draw import Draw
from tests.simulator.second_layout import RIDGE

_RIDGE_SHARE: Final = 0.3


def any_layout(draw: Draw) -> MessageLayouts:
    """Return one of the message layouts."""
    return RIDGE if draw.chance(_RIDGE_SHARE) else TRAIL


def sound_vehicle(draw: Draw) -> VehicleModel:
    """Return a vehicle with nothing wrong, as vehicles differ."""
    ambient = draw.figure(4.0, 30.0)
    return VehicleModel(
        battery=Battery(
            charge=draw.figure(0.75, 0.98),
            capacity_ah=draw.figure(16.0, 26.0),
            inner_ohm=draw.figure(0.008, 0.0125),
        ),
        alternator=Alternator(set_v=draw.figure(13.9, 14.5)),
        heat=HeatPath(
            loss_ohm=draw.figure(0.035, 0.050),
            housing_j_per_k=draw.figure(210.0, 380.0),
            housing_k_per_w=draw.figure(0.60, 0.85),
        ),
        protection=ProtectionRule(
            hysteresis_c=draw.figure(1.0, 3.0),
            hysteresis_v=draw.figure(0.1, 0.3),
            down_pct_per_s=draw.figure(180.0, 400.0),
            up_pct_per_s=draw.figure(60.0, 150.0),
        ),
        assist=AssistLaw(
            lag_s=draw.figure(0.045, 0.08),
            nm_per_a=draw.figure(0.46, 0.54),
        ),
        chassis=Chassis(
            scrub_nm=draw.figure(31.0, 37.0),
            hold_nm=draw.figure(22.0, 28.0),
        ),
        path_ohm=draw.figure(0.005, 0.012),
        base_load_a=draw.figure(9.0, 14.0),
        ambient_c=ambient,
        bay_rise_k=draw.figure(8.0, 16.0),
        module_start_c=ambient + draw.figure(8.0, 22.0),
        coolant_start_c=ambient + draw.figure(5.0, 40.0),
        idle_rpm=draw.figure(1080.0, 1220.0),
    )


def hot_vehicle(draw: Draw) -> VehicleModel:
    """Return a sound vehicle whose module is about to be too hot for tight turns."""
    return replace(
        sound_vehicle(draw),
        heat=HeatPath(
            loss_ohm=draw.figure(0.043, 0.052),
            housing_j_per_k=draw.figure(210.0, 330.0),
            housing_k_per_w=draw.figure(0.70, 0.85),
        ),
        ambient_c=draw.figure(31.0, 38.0),
        bay_rise_k=draw.figure(22.0, 27.0),
        module_start_c=draw.figure(81.5, 83.8),
    )


def started(draw: Draw, *, rest_s: float = 6.0) -> list[Stretch]:
    """Return key on, start and a rest with hands off."""
    return [
        Stretch(manoeuvre=Manoeuvre.KEY_ON, seconds=draw.figure(2.5, 5.0)),
        Stretch(manoeuvre=Manoeuvre.START, seconds=4.0, crank_s=draw.figure(0.6, 1.4)),
        Stretch(manoeuvre=Manoeuvre.REST, seconds=rest_s + draw.figure(0.0, 4.0)),
    ]


def rest(draw: Draw) -> Stretch:
    """Return a stand with the engine running and hands off."""
    return Stretch(manoeuvre=Manoeuvre.REST, seconds=draw.figure(9.0, 14.0))


def sweep(draw: Draw, *, effort: float = 1.0) -> Stretch:
    """Return steering on the spot."""
    return Stretch(
        manoeuvre=Manoeuvre.SWEEP,
        seconds=draw.figure(15.0, 24.0),
        effort=effort * draw.figure(0.92, 1.05),
        swing=draw.figure(0.85, 1.0),
    )


def circle(draw: Draw, *, effort: float = 1.0, seconds: float = 0.0) -> Stretch:
    """Return slow tight turns."""
    return Stretch(
        manoeuvre=Manoeuvre.CIRCLE,
        seconds=seconds or draw.figure(24.0, 38.0),
        speed_kph=draw.figure(4.5, 8.0),
        effort=effort * draw.figure(0.95, 1.08),
        swing=draw.figure(0.85, 1.0),
    )


def trail(draw: Draw) -> Stretch:
    """Return a winding trail."""
    return Stretch(
        manoeuvre=Manoeuvre.TRAIL,
        seconds=draw.figure(24.0, 38.0),
        speed_kph=draw.figure(15.0, 25.0),
        swing=draw.figure(0.8, 1.2),
    )


def cruise(draw: Draw, *, seconds: float = 0.0) -> Stretch:
    """Return riding fast and nearly straight."""
    return Stretch(
        manoeuvre=Manoeuvre.CRUISE,
        seconds=seconds or draw.figure(40.0, 55.0),
        speed_kph=draw.figure(38.0, 55.0),
        swing=draw.figure(0.8, 1.3),
    )


def rough(draw: Draw) -> Stretch:
    """Return stones and roots that kick back."""
    return Stretch(
        manoeuvre=Manoeuvre.ROUGH,
        seconds=draw.figure(18.0, 30.0),
        speed_kph=draw.figure(10.0, 20.0),
        effort=draw.figure(0.8, 1.1),
    )


def mixed(draw: Draw, *, effort: float = 1.0) -> list[Stretch]:
    """Return a ride with everything in it: start, slow and fast, and a rest at the end."""
    middle = [
        sweep(draw, effort=effort),
        circle(draw, effort=effort),
        trail(draw),
        cruise(draw),
        circle(draw, effort=effort),
    ]
    return [*started(draw), *draw.shuffled(middle), rest(draw)]


def with_modes(draw: Draw, stretches: Sequence[Stretch]) -> list[Stretch]:
    """Return a ride with the rider's selection changing now and then."""
    return [replace(part, mode=draw.pick(MODES)) for part in stretches]


def span_of(
    stretches: Sequence[Stretch], manoeuvre: Manoeuvre, number: int = 0
) -> tuple[float, float]:
    """Return when a kind of stretch begins and ends, the first of its kind or a later one.

    Raises
    ------
    ValueError
        If the ride has no such stretch.
    """
    at_s, seen = 0.0, 0
    for part in stretches:
        if part.manoeuvre is manoeuvre:
            if seen == number:
                return at_s, at_s + part.seconds
            seen += 1
        at_s += part.seconds
    raise ValueError(f"no stretch {number} of {manoeuvre}")


def length_of(stretches: Sequence[Stretch]) -> float:
    """Return how long a ride lasts, in seconds."""
    return sum(part.seconds for part in stretches)


def moments(draw: Draw, stretches: Sequence[Stretch], count: int, *, apart_s: float) -> list[float]:
    """Return times after the start, one in each of `count` equal parts of the ride.

    The ends of the ride are left out, and neighbours are at least ``apart_s`` apart.
    """
    first = span_of(stretches, Manoeuvre.START)[1] + 5.0
    width = (length_of(stretches) - 4.0 - apart_s - first) / count
    free = max(width - apart_s, 0.0)
    return [first + number * width + draw.figure(0.0, free) for number in range(count)]

"""Rides with a fault in a signal, the bus or the recording."""

from __future__ import annotations

from dataclasses import replace

from canassist.demo.bus.message_layout import MessageLayouts
from canassist.demo.bus.trail import TRAIL
from canassist.demo.plant import faults
from canassist.demo.plant.riding import Manoeuvre, Stretch
from canassist.demo.plant.scenario import Scenario
from canassist.model import Code
from tests.simulator import scenario_parts as parts
from tests.simulator.draw import Draw


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


def _lost(draw: Draw, channel: str, how: faults.Silence) -> Scenario:
    ride = parts.mixed(draw)
    planted = tuple(
        faults.LostSignal(
            channel=channel, how=how, from_s=at_s, until_s=at_s + draw.figure(3.0, 11.0)
        )
        for at_s in parts.moments(draw, ride, 3, apart_s=16.0)
    )
    return _scenario(draw, ride, Code.SPEED_SIGNAL_FAULT, planted)


def speed_stops(draw: Draw) -> Scenario:
    """Return a road speed message that stops now and then."""
    return _lost(draw, "vehicle_speed", faults.Silence.STOPS)


def speed_no_value(draw: Draw) -> Scenario:
    """Return a road speed that reads "no value" now and then."""
    return _lost(draw, "vehicle_speed", faults.Silence.NO_VALUE)


def engine_speed_lost(draw: Draw) -> Scenario:
    """Return an engine speed that reads "no value" now and then."""
    return _lost(draw, "engine_speed", faults.Silence.NO_VALUE)


def _stuck(draw: Draw, channel: str) -> Scenario:
    """Return a channel that sticks three times, each time while speed changes a lot."""
    ride = [
        *parts.started(draw),
        parts.sweep(draw),
        parts.trail(draw),
        parts.cruise(draw),
        parts.circle(draw),
        parts.cruise(draw),
        parts.rest(draw),
    ]
    spans = [
        parts.span_of(ride, Manoeuvre.TRAIL),
        parts.span_of(ride, Manoeuvre.CRUISE),
        parts.span_of(ride, Manoeuvre.CRUISE, 1),
    ]
    planted = tuple(
        faults.StuckSignal(
            channel=channel,
            from_s=end - draw.figure(9.0, 13.0),
            until_s=end + draw.figure(2.0, 5.0),
        )
        for _, end in spans
    )
    return _scenario(draw, ride, Code.SPEED_SIGNAL_FAULT, planted)


def speed_stuck(draw: Draw) -> Scenario:
    """Return a road speed that sticks while riding."""
    return _stuck(draw, "vehicle_speed")


def engine_speed_stuck(draw: Draw) -> Scenario:
    """Return an engine speed that sticks while road speed goes on."""
    return _stuck(draw, "engine_speed")


def speed_false(draw: Draw) -> Scenario:
    """Return a road speed that reads far too high, against every wheel."""
    ride = parts.mixed(draw)
    planted = (faults.FalseSpeed(factor=draw.figure(1.7, 2.4)),)
    return replace(_scenario(draw, ride, Code.SPEED_SIGNAL_FAULT, planted), layout=TRAIL)


def speed_jumps(draw: Draw) -> Scenario:
    """Return a road speed that jumps for moments."""
    ride = parts.mixed(draw)
    planted = tuple(
        faults.JumpingSignal(
            channel="vehicle_speed",
            size=draw.figure(40.0, 75.0),
            from_s=at_s,
            until_s=at_s + draw.figure(0.12, 0.19),
        )
        for at_s in parts.moments(draw, ride, 6, apart_s=6.0)
    )
    return _scenario(draw, ride, Code.SPEED_SIGNAL_FAULT, planted)


def module_restarts(draw: Draw) -> Scenario:
    """Return a module that restarts by itself with its supply intact."""
    ride = parts.mixed(draw)
    planted = tuple(
        faults.ModuleRestart(from_s=at_s, until_s=at_s + draw.figure(0.7, 1.6))
        for at_s in parts.moments(draw, ride, 5, apart_s=5.0)
    )
    scenario = _scenario(draw, ride, Code.MODULE_SUSPECT, planted)
    return replace(scenario, also=(Code.SUPPLY_BREAK,))


def error_frames(draw: Draw) -> Scenario:
    """Return a disturbed bus: error frames, and road speed lost with them."""
    ride = parts.mixed(draw)
    planted: list[faults.Fault] = []
    for at_s in parts.moments(draw, ride, 5, apart_s=8.0):
        until_s = at_s + draw.figure(1.6, 4.0)
        planted += [
            faults.ErrorFrames(from_s=at_s, until_s=until_s, each_s=draw.figure(0.02, 0.2)),
            faults.LostSignal(channel="vehicle_speed", from_s=at_s, until_s=until_s),
        ]
    scenario = _scenario(draw, ride, Code.BUS_FAULT, tuple(planted))
    return replace(scenario, also=(Code.SPEED_SIGNAL_FAULT,))


def two_buses(layout: MessageLayouts) -> MessageLayouts:
    """Return a layout with everything but the steering module on a second bus."""
    own = layout.module_sender
    moved = [m if m.sender == own else replace(m, bus=1) for m in layout.messages]
    return replace(layout, messages=tuple(moved))


def silent_bus(draw: Draw) -> Scenario:
    """Return two buses of which the one with the speeds falls silent now and then."""
    ride = parts.mixed(draw)
    planted = tuple(
        faults.SilentBus(from_s=at_s, until_s=at_s + draw.figure(2.5, 6.0))
        for at_s in parts.moments(draw, ride, 4, apart_s=9.0)
    )
    scenario = _scenario(draw, ride, Code.BUS_FAULT, planted)
    also = (Code.SPEED_SIGNAL_FAULT,)
    return replace(scenario, layout=two_buses(scenario.layout), also=also)


def recorder_gaps(draw: Draw) -> Scenario:
    """Return a sound ride with holes in the recording."""
    ride = parts.mixed(draw)
    planted = tuple(
        faults.RecorderGap(from_s=at_s, until_s=at_s + draw.figure(1.5, 5.0))
        for at_s in parts.moments(draw, ride, 5, apart_s=8.0)
    )
    return _scenario(draw, ride, Code.NO_FAULT_FOUND, planted)

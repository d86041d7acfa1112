"""Situations of battery, charging, wiring and plugs."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from tests.simulator.foreign.draws import SeededDraws
from tests.simulator.foreign.plans import (
    Effect,
    RidePlan,
    begin,
    cruise,
    mixed_ride,
    moments,
    riding,
    slow_turns,
    standing_turns,
    starting,
    turning,
)
from tests.simulator.foreign.vehicle.riding import CRANK_S, RideInputs, RidingStretch

Situation = Callable[[RidePlan, SeededDraws], None]


def _openings(plan: RidePlan, count: int, shortest_s: float, longest_s: float) -> Effect:
    def effect(inputs: RideInputs, draw: SeededDraws) -> None:
        for at in moments(inputs, turning(inputs), draw, count, 9.0):
            long_s = draw.spread(shortest_s, longest_s)
            inputs.contact[inputs.span(at, at + long_s)] = False
            plan.spans.append((at, at + long_s))
        plan.marks["openings"] = len(plan.spans)

    return effect


def loose_plug(plan: RidePlan, draw: SeededDraws) -> None:
    """Plan: the module's plug loses contact for moments; the module starts anew each time."""
    begin(plan, draw)
    mixed_ride(plan, draw)
    plan.blame |= {"supply": "supply_break"}
    plan.effects.append(_openings(plan, draw.count(4, 9), 0.06, 1.4))


def one_opening(plan: RidePlan, draw: SeededDraws) -> None:
    """Plan: one loss of contact in the whole ride."""
    begin(plan, draw)
    mixed_ride(plan, draw)
    plan.blame |= {"supply": "supply_break"}
    plan.effects.append(_openings(plan, 1, 0.25, 0.7))


def load_opening(plan: RidePlan, draw: SeededDraws) -> None:
    """Plan: A contact that opens only where current flows; battery and source are good."""
    begin(plan, draw)
    mixed_ride(plan, draw)

    def effect(inputs: RideInputs, local: SeededDraws) -> None:
        work = np.abs(inputs.rate_deg_s) > 0.45 * np.abs(inputs.rate_deg_s).max()
        where = riding(inputs) & work & (inputs.kph < 15.0)
        for at in moments(inputs, where, local, local.count(4, 8), 7.0):
            long_s = local.spread(0.05, 0.5)
            inputs.contact[inputs.span(at, at + long_s)] = False
            plan.spans.append((at, at + long_s))

    plan.blame |= {"supply": "supply_break"}
    plan.effects.append(effect)


def path_resistance(plan: RidePlan, draw: SeededDraws) -> None:
    """Plan: A corroded joint in feed or ground: the module's supply falls with its own current."""
    begin(plan, draw)
    mixed_ride(plan, draw)
    ohm = draw.between(0.08, 0.17) * plan.vehicle.scale**2
    plan.marks["path_ohm"] = ohm
    plan.change_vehicle(path_ohm=ohm)
    plan.blame |= {"supply": "supply_resistance", "break": "supply_resistance"}
    plan.also_true = ("supply_resistance",)
    plan.stretches.insert(-2, standing_turns(draw, draw.between(20.0, 30.0)))


def feed_open(plan: RidePlan, draw: SeededDraws) -> None:
    """Plan: one of two feeds opens for good in the middle of the ride: resistance steps up."""
    begin(plan, draw)
    mixed_ride(plan, draw)
    plan.stretches.insert(-2, standing_turns(draw, draw.between(20.0, 30.0)))
    ohm = draw.between(0.09, 0.16) * plan.vehicle.scale**2
    at = draw.between(60.0, 110.0)
    plan.marks |= {"path_ohm": ohm, "from_s": at}

    def effect(inputs: RideInputs, local: SeededDraws) -> None:
        del local
        inputs.path_ohm[inputs.span(at, 1e6)] = ohm

    plan.effects.append(effect)
    plan.blame |= {"supply": "supply_resistance", "break": "supply_resistance"}
    plan.also_true = ("supply_resistance",)


def _keep_source(plan: RidePlan, share: Callable[[RideInputs, SeededDraws], None]) -> None:
    plan.effects.append(share)


def dead_source(plan: RidePlan, draw: SeededDraws) -> None:
    """Plan: nothing charges: the battery carries the ride until it is empty."""
    begin(plan, draw)
    mixed_ride(plan, draw)
    plan.stretches.insert(-2, standing_turns(draw, draw.between(20.0, 30.0)))
    scale = plan.vehicle.scale
    open_v = draw.between(11.6, 11.9) * scale
    ohm = draw.between(0.028, 0.045) * scale**1.5
    load_a = draw.between(14.0, 20.0) / scale**0.5
    plateau_v = draw.between(9.75, 10.1) * scale  # drained, not worn: the start itself is passable
    plan.change_vehicle(
        open_v=open_v, battery_ohm=ohm, base_load_a=load_a,
        starter_a=max(8.0, (open_v - plateau_v) / ohm - load_a) if plan.vehicle.has_engine else 0.0,
    )  # fmt: skip

    def effect(inputs: RideInputs, local: SeededDraws) -> None:
        del local
        inputs.source_share[:] = 0.0

    _keep_source(plan, effect)
    plan.blame |= {"supply": "charging_fault", "break": "charging_fault"}
    plan.deviation = ("charging_fault",)
    plan.tolerated = ("no_fault_found",)
    plan.also_true = ("charging_fault",)


def source_fails(plan: RidePlan, draw: SeededDraws) -> None:
    """Plan: charging ends in the middle of the ride (belt, converter)."""
    dead_source(plan, draw)
    at = draw.between(50.0, 75.0)
    plan.marks["from_s"] = at

    def effect(inputs: RideInputs, local: SeededDraws) -> None:
        del local
        inputs.source_share[inputs.span(0.0, at)] = 1.0

    plan.effects.append(effect)


def weak_battery(plan: RidePlan, draw: SeededDraws) -> None:
    """Plan: A worn battery cannot carry the steering where the source gives little (idle, none)."""
    plan.warm, plan.stretches = False, starting(plan.vehicle)
    top, scale = plan.vehicle.top_kph, plan.vehicle.scale
    plan.stretches += [
        standing_turns(draw, draw.between(25.0, 35.0)),
        cruise(draw, draw.between(60.0, 75.0), top),
        standing_turns(draw, draw.between(25.0, 35.0)),
        slow_turns(draw, draw.between(30.0, 45.0)),
    ]
    plan.change_vehicle(
        open_v=draw.between(11.7, 12.1) * scale,
        battery_ohm=draw.between(0.07, 0.13) * scale**1.7,
        half_rpm=draw.between(1.5, 2.0) * plan.vehicle.idle_rpm,
        starter_a=draw.between(32.0, 42.0) if plan.vehicle.has_engine else 0.0,
        base_load_a=draw.between(13.0, 16.0),
    )
    plan.blame |= {"supply": "low_battery", "break": "low_battery"}
    plan.also_true = ("low_battery",)
    plan.tolerated = ("low_battery",) if plan.vehicle.has_engine else ()


def flat_taking(plan: RidePlan, draw: SeededDraws) -> None:
    """Plan: A flat but sound battery takes all that the sound source gives at first."""
    plan.warm, plan.stretches = False, starting(plan.vehicle)
    mixed_ride(plan, draw)
    scale = plan.vehicle.scale
    plan.change_vehicle(
        open_v=draw.between(11.75, 11.95) * scale,
        charge_ohm=draw.between(0.055, 0.08) * scale**1.5,
        polar_s=draw.between(150.0, 260.0),
        starter_a=draw.between(70.0, 95.0) if plan.vehicle.has_engine else 0.0,
    )
    plan.blame |= {"supply": "low_battery"}
    plan.also_true = ("low_battery",)


def cold_crank(plan: RidePlan, draw: SeededDraws) -> None:
    """Plan: A cold start at about -12 degC with a plateau near 9.1 V: sound."""
    plan.warm, plan.stretches = False, starting(plan.vehicle)
    mixed_ride(plan, draw)
    scale = plan.vehicle.scale
    ambient = draw.between(-15.0, -9.0)
    plateau = draw.between(8.95, 9.3) * scale
    crank_s = draw.between(1.4, 2.6)
    plan.stretches = [
        replace(part, seconds=crank_s) if part.engine == "crank" else part
        for part in plan.stretches
    ]
    ohm = draw.between(0.016, 0.022) * scale**1.5
    open_v = draw.between(12.4, 12.65) * scale
    start_a = (open_v - plateau) / (ohm + plan.vehicle.polar_ohm * 0.05)
    plan.change_vehicle(
        ambient_c=ambient,
        start_c=ambient,
        coolant_c=ambient,
        open_v=open_v,
        battery_ohm=ohm,
        starter_a=start_a if plan.vehicle.has_engine else 0.0,
    )
    plan.marks["plateau_v"] = plateau


def single_cylinder(plan: RidePlan, draw: SeededDraws) -> None:
    """Plan: supply ripple of one cylinder at idle, about 10 Hz."""
    begin(plan, draw)
    mixed_ride(plan, draw)
    size = draw.between(0.25, 0.55) * plan.vehicle.scale
    plan.marks["ripple_v"] = size

    def effect(inputs: RideInputs, local: SeededDraws) -> None:
        del local
        phase = 2 * np.pi * np.cumsum(inputs.rpm / 120.0) * 0.01
        idle = np.clip(1.6 - inputs.rpm / 2500.0, 0.15, 1.0) * (inputs.rpm > 500)
        inputs.ripple_v[:] = size * np.sin(phase) * idle

    plan.effects.append(effect)


def accessories(plan: RidePlan, draw: SeededDraws) -> None:
    """Plan: lamps, heated grips and a pump ask for more than the source is rated for."""
    begin(plan, draw)
    mixed_ride(plan, draw)
    over = (
        draw.between(1.0, 1.12) * plan.vehicle.source_a * (0.75 if plan.vehicle.has_engine else 1)
    )

    def effect(inputs: RideInputs, local: SeededDraws) -> None:
        on, off = local.between(20.0, 35.0), local.between(130.0, 160.0)
        inputs.load_a[inputs.span(on, off)] = over

    plan.effects.append(effect)
    plan.blame |= {"supply": "low_battery"}
    plan.uncertain = True


def fluttering_contact(plan: RidePlan, draw: SeededDraws) -> None:
    """Plan: a contact goes high-ohmic for 20 to 90 ms at a time; the module stays alive."""
    begin(plan, draw)
    mixed_ride(plan, draw)

    def effect(inputs: RideInputs, local: SeededDraws) -> None:
        for at in moments(inputs, turning(inputs), local, local.count(25, 45), 1.2):
            ohm = local.between(0.25, 0.6) * plan.vehicle.scale**2
            inputs.path_ohm[inputs.span(at, at + local.between(0.02, 0.09))] = ohm
            plan.spans.append((at, at + 0.1))

    plan.effects.append(effect)
    plan.blame |= {"supply": "supply_break"}
    plan.deviation = ("supply_break", "supply_resistance", "no_fault_found")
    plan.also_true = ("supply_break", "supply_resistance")


def winch(plan: RidePlan, draw: SeededDraws) -> None:
    """Plan: A heavy consumer pulls for seconds; battery and source are good."""
    begin(plan, draw)
    mixed_ride(plan, draw)
    amps = draw.between(70.0, 110.0) / plan.vehicle.scale

    def effect(inputs: RideInputs, local: SeededDraws) -> None:
        for at in moments(inputs, riding(inputs), local, 5, 12.0):
            inputs.load_a[inputs.span(at, at + local.between(0.8, 3.0))] += amps
            plan.spans.append((at, at + 3.0))

    plan.effects.append(effect)
    plan.blame |= {"supply": "low_battery"}
    plan.uncertain = True


def slow_samples(plan: RidePlan, draw: SeededDraws) -> None:
    """Plan: short dips by another load on a worn battery fall between slow supply samples."""
    begin(plan, draw, cold_share=0.0)
    mixed_ride(plan, draw)
    scale = plan.vehicle.scale
    plan.change_vehicle(battery_ohm=draw.between(0.030, 0.045) * scale**1.6)
    plan.law.rise_pct_s = min(plan.law.rise_pct_s, draw.between(15.0, 35.0))
    plan.recording.supply_period_s = draw.between(0.15, 0.5)
    amps = draw.between(130.0, 190.0) / scale**0.6

    def effect(inputs: RideInputs, local: SeededDraws) -> None:
        for at in moments(inputs, riding(inputs), local, local.count(6, 10), 8.0):
            long_s = local.between(0.06, 0.14)
            inputs.load_a[inputs.span(at, at + long_s)] += amps
            plan.spans.append((at, at + long_s))

    plan.effects.append(effect)
    plan.blame |= {"supply": "low_battery", "break": "low_battery"}
    plan.uncertain = True


def overvoltage(plan: RidePlan, draw: SeededDraws) -> None:
    """Plan: the regulator fails: supply rises beyond what the module takes."""
    begin(plan, draw)
    mixed_ride(plan, draw)
    volts = draw.between(16.9, 18.2) * plan.vehicle.scale
    at = draw.between(30.0, 60.0)
    plan.marks |= {"from_s": at, "volts": volts}

    def effect(inputs: RideInputs, local: SeededDraws) -> None:
        for start in (at, at + local.between(55.0, 75.0)):
            inputs.charge_v[inputs.span(start, start + local.between(25.0, 40.0))] = volts

    plan.change_vehicle(source_a=max(plan.vehicle.source_a, 90.0), charge_ohm=0.3)
    plan.effects.append(effect)
    plan.also_true = ("overvoltage_fault",)
    plan.deviation = ("overvoltage_fault",)
    plan.tolerated = ("no_fault_found",)


def key_cycles(plan: RidePlan, draw: SeededDraws) -> None:
    """Plan: engine and key off and on again on the way."""
    plan.warm, plan.stretches = False, starting(plan.vehicle)
    top = plan.vehicle.top_kph
    for _ in range(draw.count(2, 3)):
        plan.stretches += [
            slow_turns(draw, draw.between(30.0, 40.0)),
            cruise(draw, draw.between(25.0, 35.0), top),
            RidingStretch(name="stop", seconds=5.0),
            RidingStretch(name="key_off", seconds=draw.between(5.0, 15.0), engine="off", key=False),
            *starting(plan.vehicle)[1:],
        ]
    plan.stretches.append(slow_turns(draw, draw.between(15.0, 25.0)))


def asleep(plan: RidePlan, draw: SeededDraws) -> None:
    """Plan: the ride ends, the key goes off, the units fall asleep one after another."""
    begin(plan, draw)
    mixed_ride(plan, draw)
    plan.stretches += [
        RidingStretch(name="engine_off", seconds=draw.between(2.0, 5.0), engine="off"),
        RidingStretch(name="key_off", seconds=draw.between(20.0, 35.0), engine="off", key=False),
    ]
    for unit in ("module", "chassis", "engine", "power", "panel"):
        plan.recording.sleep_after_s[unit] = draw.between(0.5, 14.0)


def engine_stall(plan: RidePlan, draw: SeededDraws) -> None:
    """Plan: the engine dies and is started again, the vehicle stands."""
    begin(plan, draw)
    mixed_ride(plan, draw)
    stop = [
        RidingStretch(name="stop", seconds=6.0),
        RidingStretch(name="stalled", seconds=draw.between(3.0, 8.0), engine="off"),
        RidingStretch(name="crank", seconds=CRANK_S, engine="crank"),
        RidingStretch(name="idle", seconds=4.0),
    ]
    plan.stretches[-3:-3] = stop


def lithium_ride(plan: RidePlan, draw: SeededDraws) -> None:
    """Plan: A lithium battery: 13.2 V at rest, hardly a dip; sound."""
    plan.warm, plan.stretches = False, starting(plan.vehicle)
    mixed_ride(plan, draw)


def regulated_ride(plan: RidePlan, draw: SeededDraws) -> None:
    """Plan: an alternator regulated down to 12.3 V while riding, up to 15 V on overrun; sound."""
    begin(plan, draw)
    mixed_ride(plan, draw)

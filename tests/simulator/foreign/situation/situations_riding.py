"""Situations of the rider, the road, the recorder and other units."""

from __future__ import annotations

import numpy as np

from tests.simulator.foreign.draws import SeededDraws
from tests.simulator.foreign.plans import (
    RidePlan,
    begin,
    hot_ride,
    mixed_ride,
    moments,
    riding,
    slow_turns,
    starting,
    turning,
)
from tests.simulator.foreign.vehicle.riding import RideInputs, RidingStretch, smoothed


def ordinary(plan: RidePlan, draw: SeededDraws) -> None:
    """Plan: an ordinary ride, nothing wrong."""
    begin(plan, draw)
    mixed_ride(plan, draw)


def hot_work(plan: RidePlan, draw: SeededDraws) -> None:
    """Plan: hard standing turns in the heat: the module protects itself."""
    hot_ride(plan, draw)


def hard_rider(plan: RidePlan, draw: SeededDraws) -> None:
    """Plan: A rider who works hard and quickly in the heat; nothing is stiff."""
    hot_ride(plan, draw)
    factor = draw.between(1.12, 1.3)

    def effect(inputs: RideInputs, local: SeededDraws) -> None:
        del local
        inputs.effort *= factor

    plan.effects.append(effect)


def stiff_tyres(plan: RidePlan, draw: SeededDraws) -> None:
    """Plan: low tyre pressure or a binding linkage: all turning takes more, the map is followed."""
    begin(plan, draw)
    mixed_ride(plan, draw)
    factor = draw.between(1.7, 2.3)
    plan.marks["effort"] = factor

    def effect(inputs: RideInputs, local: SeededDraws) -> None:
        del local
        inputs.effort *= factor

    plan.effects.append(effect)
    plan.deviation = ("mechanical_load", "no_fault_found")
    plan.also_true = ("mechanical_load",)


def cut_middle(plan: RidePlan, draw: SeededDraws) -> None:
    """Plan: the log starts and ends in the middle of a hot ride."""
    hot_ride(plan, draw)
    total = sum(part.seconds for part in plan.stretches)
    plan.recording.cut = (draw.between(35.0, 75.0), total - draw.between(20.0, 60.0))


def thinned(plan: RidePlan, draw: SeededDraws) -> None:
    """Plan: A recorder that keeps only a share of the frames, all ids by turns."""
    (hot_ride if draw.chance(0.4) else ordinary)(plan, draw)
    plan.recording.keep_share = draw.between(0.3, 0.75)


def recorder_holes(plan: RidePlan, draw: SeededDraws) -> None:
    """Plan: the recorder stops for seconds."""
    (hot_ride if draw.chance(0.4) else ordinary)(plan, draw)
    at = 25.0
    for _ in range(draw.count(2, 5)):
        at += draw.between(12.0, 30.0)
        long_s = draw.between(0.3, 6.0)
        plan.recording.holes.append((at, at + long_s))
        at += long_s


def wheels_spin(plan: RidePlan, draw: SeededDraws) -> None:
    """Plan: driven wheels spin, or hang in the air; road speed comes from them."""
    begin(plan, draw)
    mixed_ride(plan, draw)

    def effect(inputs: RideInputs, local: SeededDraws) -> None:
        where = riding(inputs) & (inputs.kph > 4.0) & (inputs.kph < 18.0)
        for at in moments(inputs, where, local, 4, 15.0):
            bump = np.zeros(inputs.kph.size)
            bump[inputs.span(at, at + local.between(1.0, 3.0))] = local.between(20.0, 45.0)
            bump = smoothed(bump, 0.4)
            for wheel in ("rl", "rr"):
                inputs.wheel_kph[wheel] = inputs.wheel_kph[wheel] + bump
            inputs.bus_kph += bump
            plan.spans.append((at, at + 3.0))

    plan.effects.append(effect)


def dead_rear(plan: RidePlan, draw: SeededDraws) -> None:
    """Plan: the rear wheels go dead at some moment; road speed comes from the front."""
    begin(plan, draw)
    mixed_ride(plan, draw)
    at = draw.between(20.0, 90.0)

    def effect(inputs: RideInputs, local: SeededDraws) -> None:
        del local
        for wheel in ("rl", "rr"):
            inputs.wheel_kph[wheel] = np.where(inputs.time_s > at, 0.0, inputs.wheel_kph[wheel])

    plan.effects.append(effect)
    plan.also_true = ("speed_signal_fault",)


def stored_codes(plan: RidePlan, draw: SeededDraws) -> None:
    """Plan: old codes of other units are read out on a clean ride."""
    begin(plan, draw)
    mixed_ride(plan, draw)
    plan.recording.stored_codes = draw.one_of(("obd", "uds", "dm1"))
    plan.recording.code_at_s = draw.between(4.0, 20.0)


def mode_change(plan: RidePlan, draw: SeededDraws) -> None:
    """Plan: the rider chooses a firmer mode and steers on."""
    begin(plan, draw)
    mixed_ride(plan, draw)
    at = draw.between(60.0, 100.0)
    plan.marks["from_s"] = at

    def effect(inputs: RideInputs, local: SeededDraws) -> None:
        del local
        inputs.mode[inputs.time_s > at] = 0

    plan.effects.append(effect)


def errors_at_wake(plan: RidePlan, draw: SeededDraws) -> None:
    """Plan: error frames while the units wake up, none later."""
    plan.warm, plan.stretches = False, starting(plan.vehicle)
    mixed_ride(plan, draw)
    plan.recording.error_bursts = [(1.0, 1.6, draw.count(4, 20))]
    plan.also_true = ("bus_fault",)


def heat_and_errors(plan: RidePlan, draw: SeededDraws) -> None:
    """Plan: A hot ride with error frames at wake-up: the heat is the answer."""
    hot_ride(plan, draw)
    plan.recording.error_bursts = [(0.2, 0.9, draw.count(4, 12))]
    plan.also_true = ("bus_fault",)


def one_odd(plan: RidePlan, draw: SeededDraws) -> None:
    """Plan: a hot ride, and once another unit asks for less assist; that is not on the bus."""
    hot_ride(plan, draw)

    def effect(inputs: RideInputs, local: SeededDraws) -> None:
        for at in moments(inputs, inputs.kph > 20.0, local, 1, 10.0):
            span = inputs.span(at, at + local.between(0.8, 2.0))
            inputs.outside_pct[span] = local.between(30.0, 70.0)
            plan.spans.append((at, at + 2.0))

    plan.effects.append(effect)


def hot_and_loose(plan: RidePlan, draw: SeededDraws) -> None:
    """Plan: a hot ride on which the plug also loses contact."""
    hot_ride(plan, draw)

    def effect(inputs: RideInputs, local: SeededDraws) -> None:
        for at in moments(inputs, turning(inputs), local, local.count(3, 6), 12.0):
            inputs.contact[inputs.span(at, at + local.spread(0.08, 0.8))] = False
            plan.spans.append((at, at + 0.8))

    plan.blame |= {"supply": "supply_break"}
    plan.effects.append(effect)


def bundled(plan: RidePlan, draw: SeededDraws) -> None:
    """Plan: the recorder hands on its frames in bundles; their times are the bundle's."""
    (hot_ride if draw.chance(0.4) else ordinary)(plan, draw)
    plan.recording.bundle_s = draw.between(0.05, 0.4)


def bus_errors(plan: RidePlan, draw: SeededDraws) -> None:
    """Plan: bursts of error frames; road speed does not come through and the module falls back."""
    begin(plan, draw)
    mixed_ride(plan, draw)

    def effect(inputs: RideInputs, local: SeededDraws) -> None:
        where = riding(inputs) & (inputs.kph > 5.0)
        for at in moments(inputs, where, local, local.count(4, 7), 15.0):
            long_s = local.between(2.0, 6.0)
            inputs.kph_lost[inputs.span(at, at + long_s)] = True
            plan.recording.error_bursts.append((at - 0.1, at + long_s, round(60 * long_s)))
            plan.spans.append((at, at + long_s))

    plan.effects.append(effect)
    plan.blame |= {"speed_lost": "bus_fault"}
    plan.also_true = ("bus_fault", "speed_signal_fault")


def short_trip(plan: RidePlan, draw: SeededDraws) -> None:
    """Plan: half a minute of slow turns: too little to say that all is well."""
    begin(plan, draw)
    plan.stretches += [
        slow_turns(draw, draw.between(15.0, 25.0)),
        RidingStretch(name="idle", seconds=5),
    ]


def stop_and_go(plan: RidePlan, draw: SeededDraws) -> None:
    """Plan: many short halts, hands off the bar at each."""
    begin(plan, draw)
    for _ in range(7):
        plan.stretches += [
            slow_turns(draw, draw.between(14.0, 20.0)),
            RidingStretch(name="stop", seconds=draw.between(5.0, 9.0)),
        ]
    mixed_ride(plan, draw)

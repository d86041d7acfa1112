"""Situations of sensors, signals and the module itself."""

from __future__ import annotations

import numpy as np

from tests.simulator.foreign.draws import SeededDraws
from tests.simulator.foreign.plans import (
    RidePlan,
    begin,
    heat_start,
    hot_ride,
    mixed_ride,
    moments,
    riding,
    starting,
    turning,
)
from tests.simulator.foreign.vehicle.riding import BoolArray, RideInputs, RidingStretch, smoothed


def speed_lost(plan: RidePlan, draw: SeededDraws) -> None:
    """Plan: road speed stops coming (or comes as "no value") while riding."""
    begin(plan, draw)
    mixed_ride(plan, draw)
    plan.recording.lost_as = draw.one_of(("silent", "invalid"))

    def effect(inputs: RideInputs, local: SeededDraws) -> None:
        where = riding(inputs) & (inputs.kph > 5.0)
        for at in moments(inputs, where, local, local.count(1, 4), 20.0):
            long_s = local.between(3.0, 14.0)
            inputs.kph_lost[inputs.span(at, at + long_s)] = True
            plan.spans.append((at, at + long_s))

    plan.effects.append(effect)
    plan.also_true = ("speed_signal_fault",)


def speed_lost_engine_off(plan: RidePlan, draw: SeededDraws) -> None:
    """Plan: road speed is silent while the vehicle stands with the engine off."""
    begin(plan, draw)
    mixed_ride(plan, draw)
    plan.stretches += [
        RidingStretch(name="engine_off", seconds=draw.between(12.0, 20.0), engine="off"),
    ]
    total = sum(part.seconds for part in plan.stretches)

    def effect(inputs: RideInputs, local: SeededDraws) -> None:
        inputs.kph_lost[inputs.span(total - local.between(7.0, 9.0), 1e6)] = True

    plan.effects.append(effect)
    plan.also_true = ("speed_signal_fault",)


def speed_stuck(plan: RidePlan, draw: SeededDraws) -> None:
    """Plan: road speed stays at one high value while the wheels tell another."""
    begin(plan, draw)
    mixed_ride(plan, draw)
    at = draw.between(35.0, 60.0)
    kph = draw.between(40.0, 55.0)
    plan.marks |= {"from_s": at, "kph": kph}

    def effect(inputs: RideInputs, local: SeededDraws) -> None:
        span = inputs.span(at, at + local.between(40.0, 90.0))
        inputs.bus_kph[span] = kph
        plan.spans.append((at, at))

    plan.effects.append(effect)
    plan.deviation = ("speed_signal_fault",)
    plan.also_true = ("speed_signal_fault",)


def rpm_lost(plan: RidePlan, draw: SeededDraws) -> None:
    """Plan: engine speed stops coming; a module that needs it takes the engine for stopped."""
    begin(plan, draw)
    mixed_ride(plan, draw)
    plan.change_vehicle(needs_engine=True)

    def effect(inputs: RideInputs, local: SeededDraws) -> None:
        where = riding(inputs) & (inputs.kph > 4.0)
        for at in moments(inputs, where, local, local.count(1, 3), 25.0):
            long_s = local.between(3.0, 9.0)
            inputs.rpm_lost[inputs.span(at, at + long_s)] = True
            plan.spans.append((at, at + long_s))

    plan.effects.append(effect)
    plan.also_true = ("speed_signal_fault",)


def torque_offset(plan: RidePlan, draw: SeededDraws) -> None:
    """Plan: driver torque does not rest at zero."""
    begin(plan, draw)
    mixed_ride(plan, draw)
    bias = draw.between(0.9, 2.2) * draw.one_of((-1.0, 1.0))
    plan.marks["bias_nm"] = bias

    def effect(inputs: RideInputs, local: SeededDraws) -> None:
        del local
        inputs.torque_bias_nm += bias

    plan.effects.append(effect)
    plan.deviation = ("torque_sensor_offset",)
    plan.also_true = ("torque_sensor_offset", "assist_map_deviation")


def _assist_shares(plan: RidePlan, left: float, right: float) -> None:
    def effect(inputs: RideInputs, local: SeededDraws) -> None:
        del local
        inputs.left_share *= left
        inputs.right_share *= right

    plan.effects.append(effect)
    plan.deviation = ("assist_map_deviation",)
    plan.also_true = ("assist_map_deviation",)
    plan.module_sound = False


def map_low(plan: RidePlan, draw: SeededDraws) -> None:
    """Plan: all assist is a good third below the map, whatever the limit says."""
    begin(plan, draw)
    mixed_ride(plan, draw)
    share = draw.between(0.45, 0.65)
    plan.marks["share"] = share
    _assist_shares(plan, share, share)


def one_sided(plan: RidePlan, draw: SeededDraws) -> None:
    """Plan: one side gets less assist than the other."""
    begin(plan, draw)
    mixed_ride(plan, draw)
    share = draw.between(0.4, 0.62)
    plan.marks["share"] = share
    left = draw.chance(0.5)
    _assist_shares(plan, share if left else 1.0, 1.0 if left else share)


def steers_unasked(plan: RidePlan, draw: SeededDraws) -> None:
    """Plan: the module turns by itself, away from the centre, hands hardly on the bar."""
    begin(plan, draw)
    mixed_ride(plan, draw)

    def effect(inputs: RideInputs, local: SeededDraws) -> None:
        moving = smoothed(np.abs(inputs.rate_deg_s), 4.0) / plan.vehicle.lock_deg
        calm = riding(inputs) & (moving < 0.02) & (inputs.kph > 15.0)
        for at in moments(inputs, calm, local, local.count(3, 6), 8.0):
            long_s = local.between(0.6, 1.8)
            size = local.between(4.0, 8.0) * local.one_of((-1.0, 1.0))
            inputs.unasked_nm[inputs.span(at, at + long_s)] = size
            plan.spans.append((at, at + long_s))

    plan.effects.append(effect)
    plan.deviation = ("assist_map_deviation", "module_suspect")
    plan.also_true = ("assist_map_deviation", "module_suspect")
    plan.module_sound = False


def _fails(plan: RidePlan, draw: SeededDraws, *, shown: bool) -> None:
    begin(plan, draw)
    mixed_ride(plan, draw)
    at = draw.between(55.0, 110.0)
    left = draw.between(0.0, 45.0)
    plan.marks |= {"from_s": at, "left_pct": left}

    def effect(inputs: RideInputs, local: SeededDraws) -> None:
        del local
        span = inputs.span(at, 1e6)
        inputs.forced_pct[span] = left
        inputs.fault_shown[span] = shown

    plan.effects.append(effect)
    plan.module_sound = False
    plan.internal_code = True
    plan.also_true = ("module_suspect",)


def fault_status(plan: RidePlan, draw: SeededDraws) -> None:
    """Plan: the module fails and says so in its status."""
    _fails(plan, draw, shown=True)


def fault_code(plan: RidePlan, draw: SeededDraws) -> None:
    """Plan: the module fails; its trouble code is read out on the bus afterwards."""
    _fails(plan, draw, shown=False)
    plan.recording.stored_codes = draw.one_of(("module_uds", "module_dm1"))
    plan.recording.code_at_s = -draw.between(3.0, 6.0)


def fault_silent(plan: RidePlan, draw: SeededDraws) -> None:
    """Plan: the module cuts its assist now and then, no one can see why."""
    begin(plan, draw)
    mixed_ride(plan, draw)

    def effect(inputs: RideInputs, local: SeededDraws) -> None:
        for at in moments(inputs, turning(inputs), local, local.count(3, 7), 12.0):
            long_s = local.between(1.0, 8.0)
            inputs.forced_pct[inputs.span(at, at + long_s)] = local.between(0.0, 50.0)
            plan.spans.append((at, at + long_s))

    plan.effects.append(effect)
    plan.module_sound = False
    plan.also_true = ("module_suspect",)


def sensor_high(plan: RidePlan, draw: SeededDraws) -> None:
    """Plan: from cold its temperature reads 45 to 55 K too high; a cool module is limited."""
    plan.warm, plan.stretches = False, starting(plan.vehicle)
    mixed_ride(plan, draw)
    ambient = draw.between(15.0, 30.0)
    bias = draw.between(45.0, 55.0)
    if heat_start(plan) - ambient - bias > 8.0:
        ambient = heat_start(plan) - bias - draw.between(2.0, 7.0)
    plan.change_vehicle(ambient_c=ambient, start_c=ambient, coolant_c=ambient)
    plan.marks["bias_k"] = bias

    def effect(inputs: RideInputs, local: SeededDraws) -> None:
        del local
        inputs.sensor_bias_k += bias

    plan.effects.append(effect)
    plan.blame |= {"heat": "module_suspect"}
    plan.tolerated = ("inconclusive",)
    plan.module_sound = False
    plan.uncertain = True


def _frozen(inputs: RideInputs, channel: str, start_s: float) -> None:
    stuck: BoolArray = inputs.time_s > start_s
    inputs.frozen[channel] = stuck


def temperature_stuck(plan: RidePlan, draw: SeededDraws) -> None:
    """Plan: the bus repeats one cool temperature while the module goes on getting hot."""
    hot_ride(plan, draw)
    at = draw.between(6.0, 12.0)

    def effect(inputs: RideInputs, local: SeededDraws) -> None:
        del local
        _frozen(inputs, "module_temperature", at)

    plan.effects.append(effect)
    plan.tolerated = ("inconclusive",)
    plan.module_sound = None
    plan.uncertain = True


def temperature_glitch(plan: RidePlan, draw: SeededDraws) -> None:
    """Plan: single readings of the module's temperature are wild; the module does not mind."""
    begin(plan, draw)
    mixed_ride(plan, draw)

    def effect(inputs: RideInputs, local: SeededDraws) -> None:
        for at in moments(inputs, riding(inputs), local, local.count(3, 8), 6.0):
            plan.recording.glitches.append((at, at + 0.15, local.between(25.0, 60.0)))

    plan.effects.append(effect)


def end_hold(plan: RidePlan, draw: SeededDraws) -> None:
    """Plan: the rider holds the bar hard against its stop for seconds, again and again."""
    begin(plan, draw)
    mixed_ride(plan, draw)
    for _ in range(4):
        plan.stretches.insert(
            -2,
            RidingStretch(
                name="against_the_stop", seconds=draw.between(8.0, 14.0), swing=1.0,
                period_s=draw.between(7.0, 11.0),
            ),
        )  # fmt: skip

"""Each situation shows what its name says, seen in the plant's own arrays."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from tests.simulator.foreign.bus.database import STATUS_TEXTS
from tests.simulator.foreign.bus.recorder import Recorder, channel_values, status_numbers
from tests.simulator.foreign.draws import SeededDraws
from tests.simulator.foreign.rides import PlantedRide, RideName, make_ride, simulate
from tests.simulator.foreign.situation.situations import SITUATIONS
from tests.simulator.foreign.truth import derates, losses, right_answers, silences
from tests.simulator.foreign.vehicle.plant import run_plant
from tests.simulator.foreign.vehicle.protection import ROOT
from tests.simulator.foreign.vehicle.riding import STEP_S

NOTHING_WRONG = (
    "ordinary", "wheels_spin", "mode_change", "cold_crank", "single_cylinder", "winch",
    "key_cycles", "engine_stall", "flat_taking", "end_hold", "accessories",
)  # fmt: skip
NOTHING_WRONG_EITHER = (
    "dead_rear", "stored_codes", "errors_at_wake", "stop_and_go", "asleep", "lithium_ride",
    "regulated_ride", "speed_lost_engine_off", "temperature_glitch", "short_trip",
)  # fmt: skip
"""Rides whose plant differs little from the others'; looked at with the slow tests."""


@cache
def a_ride(
    situation: str, law: str = "other_lines", seed: int = 2, vehicle: str = ""
) -> PlantedRide:
    kind = vehicle or SITUATIONS[situation].vehicles[0]
    return simulate(RideName(law=law, situation=situation, vehicle=kind, seed=seed, held_out=False))


def lost(ride: PlantedRide) -> dict[str, float]:
    events = derates(ride.record) + silences(ride.record, ride.inputs)
    return losses(ride.plan, ride.record, ride.inputs, events)[0]


@pytest.mark.parametrize(
    "situation",
    [
        *NOTHING_WRONG,
        *(pytest.param(name, marks=pytest.mark.slow) for name in NOTHING_WRONG_EITHER),
    ],
)
def test_where_nothing_is_wrong_no_assist_is_lost(situation: str) -> None:
    ride = a_ride(situation)
    assert lost(ride) == {}
    assert "no_fault_found" in right_answers(ride.plan, {}, {})[0]
    assert ride.plan.module_sound


@pytest.mark.parametrize(
    ("situation", "law", "code"),
    [
        ("hot_work", "stepped_heat", "thermal_protection"),
        ("hot_work", "winding_duty", "duty_protection"),
        ("hot_work", "winding_model", "duty_protection"),
        ("hard_rider", "concave_heat", "thermal_protection"),
        ("cut_middle", "trip_and_cool", "thermal_protection"),
        ("heat_and_errors", "hysteresis_heat", "thermal_protection"),
        ("one_odd", "convex_heat", "thermal_protection"),
        ("hot_and_loose", "other_lines", "supply_break"),
        ("hot_and_loose", "other_lines", "thermal_protection"),
        ("loose_plug", "slow_start", "supply_break"),
        ("one_opening", "rate_limited", "supply_break"),
        ("load_opening", "supply_steps", "supply_break"),
        ("path_resistance", "supply_wide", "supply_resistance"),
        ("path_resistance_24v", "supply_latch", "supply_resistance"),
        ("feed_open", "lagging_supply", "supply_resistance"),
        ("dead_source", "supply_wide", "charging_fault"),
        ("source_fails", "supply_latch", "charging_fault"),
        ("weak_battery", "supply_wide", "low_battery"),
        ("slow_samples", "slow_back", "low_battery"),
        ("overvoltage", "status_only", "overvoltage_fault"),
        ("speed_lost", "other_lines", "speed_signal_fault"),
        ("rpm_lost", "other_lines", "speed_signal_fault"),
        ("bus_errors", "other_lines", "bus_fault"),
        ("fault_status", "other_lines", "module_suspect"),
        ("fault_code", "other_lines", "module_suspect"),
        ("fault_silent", "other_lines", "module_suspect"),
        ("sensor_high", "stepped_heat", "module_suspect"),
        ("temperature_stuck", "stepped_heat", "thermal_protection"),
    ],
)
def test_what_takes_assist_away_is_named(situation: str, law: str, code: str) -> None:
    assert any(lost(a_ride(situation, law, seed)).get(code, 0.0) > 20.0 for seed in (2, 3, 4))


@pytest.mark.parametrize("situation", ["loose_plug", "one_opening", "load_opening"])
def test_a_lost_contact_silences_the_module_and_only_it(situation: str) -> None:
    ride = a_ride(situation)
    longest = [end - start for start, end in ride.plan.spans if end - start > 0.05]
    restarts = silences(ride.record, ride.inputs)
    assert len(restarts) == len(longest)
    for event in restarts:
        opened = min(abs(event.start_s - start) for start, _ in ride.plan.spans)
        assert opened <= 0.04
        assert event.end_s - event.start_s >= ride.plan.vehicle.boot_s


@pytest.mark.parametrize("situation", ["path_resistance", "path_resistance_24v", "feed_open"])
def test_resistance_follows_the_modules_own_current(situation: str) -> None:
    ride = a_ride(situation)
    record = ride.record
    at = round(ride.plan.marks.get("from_s", 0.0) / STEP_S) + 500
    on = record.module_on[at:] & (record.module_a[at:] > 3.0)
    drop_v = (record.system_v - record.supply_v)[at:][on]
    ohm = drop_v / np.maximum(record.module_a[at:][on], 1e-9)
    assert np.median(ohm) == pytest.approx(ride.plan.marks["path_ohm"], rel=0.1)


def test_a_dead_source_never_charges() -> None:
    ride = a_ride("dead_source")
    assert ride.record.system_a.min() >= -1e-6
    fails = a_ride("source_fails")
    at = round(fails.plan.marks["from_s"] / STEP_S)
    assert fails.record.system_a[at + 10 :].min() >= -1e-6
    assert fails.record.system_v[at - 500 : at].mean() > fails.record.system_v[-500:].mean() + 0.5


def test_a_weak_battery_is_charged_while_riding() -> None:
    ride = a_ride("weak_battery")
    cruising = ride.inputs.kph > 25.0
    assert np.median(ride.record.system_v[cruising]) > 13.2 * ride.plan.vehicle.scale


def test_a_flat_battery_takes_current_until_the_voltage_stands() -> None:
    ride = a_ride("flat_taking")
    assert ride.record.system_a.min() < -8.0
    assert ride.record.system_v.max() > 13.2 * ride.plan.vehicle.scale


def test_a_cold_crank_stands_near_its_plateau() -> None:
    ride = a_ride("cold_crank")
    turning = np.flatnonzero(ride.inputs.starter_a > 0)[30:]
    middle = float(np.median(ride.record.system_v[turning]))
    assert middle == pytest.approx(ride.plan.marks["plateau_v"], abs=0.35 * ride.plan.vehicle.scale)
    assert ride.plan.vehicle.ambient_c < -8.0


@pytest.mark.parametrize("vehicle", ["trail_quad", "hauler_24v", "lithium_quad"])
def test_a_sound_battery_holds_its_starter(vehicle: str) -> None:
    """Load test, service pages: 9.6 V or more above 20 degC; the inrush is not judged."""
    ride = a_ride("key_cycles", vehicle=vehicle)
    turning = np.flatnonzero(ride.inputs.starter_a > 0)
    settled = turning[(turning[:, None] - turning[None, :1]).ravel() > 29]
    assert np.median(ride.record.system_v[settled]) > 9.6 * ride.plan.vehicle.scale


def test_the_ripple_has_the_engines_beat() -> None:
    ride = a_ride("single_cylinder")
    idle = np.flatnonzero((ride.inputs.rpm > 500) & (ride.inputs.kph < 0.1))[-400:]
    spectrum = np.abs(np.fft.rfft(ride.inputs.ripple_v[idle] - ride.inputs.ripple_v[idle].mean()))
    beat_hz = np.fft.rfftfreq(idle.size, STEP_S)[int(spectrum.argmax())]
    assert beat_hz == pytest.approx(ride.inputs.rpm[idle].mean() / 120.0, abs=0.6)


def test_a_regulated_supply_swings_by_design() -> None:
    ride = a_ride("regulated_ride")
    assert ride.inputs.charge_v.min() < 12.7
    assert ride.inputs.charge_v.max() > 14.4


def test_overvoltage_is_over_the_limit() -> None:
    ride = a_ride("overvoltage")
    assert ride.record.supply_v.max() > 16.5 * ride.plan.vehicle.scale


def test_one_side_gets_less() -> None:
    ride = a_ride("one_sided")
    record = ride.record
    work = (np.abs(record.driver_nm) > 2.0) & (np.abs(record.assist_nm) < 20.0)
    gain = record.assist_nm / np.where(work, record.driver_nm, np.nan)
    slow = ride.inputs.kph < 12.0
    sides = [
        np.nanmedian(gain[work & slow & (np.sign(record.driver_nm) == side)]) for side in (-1, 1)
    ]
    assert min(sides) / max(sides) == pytest.approx(ride.plan.marks["share"], abs=0.1)


def test_a_low_map_is_low_at_full_limit() -> None:
    ride = a_ride("map_low")
    work = np.abs(ride.record.driver_nm) > 2.0
    vehicle = ride.plan.vehicle
    row = list(vehicle.gain.values())[len(vehicle.gain) // 2]
    asked = np.interp(ride.inputs.kph, vehicle.gain_kph, row)
    asked = asked * (np.abs(ride.record.driver_nm) - vehicle.deadband_nm)
    small = work & (asked < 0.8 * vehicle.max_assist_nm) & ~ride.inputs.released
    ratio = np.abs(ride.record.assist_nm)[small] / asked[small]
    assert np.median(ratio) == pytest.approx(ride.plan.marks["share"], abs=0.03)


def test_torque_rests_beside_zero() -> None:
    ride = a_ride("torque_offset")
    calm = (np.abs(ride.inputs.rate_deg_s) < 1e-6) & (ride.inputs.kph > 10.0)
    rest = float(np.median(ride.record.driver_nm[calm]))
    assert rest == pytest.approx(ride.plan.marks["bias_nm"], abs=0.1)


def test_steering_unasked_goes_against_idle_hands() -> None:
    ride = a_ride("steers_unasked")
    for start, end in ride.plan.spans:
        span = ride.inputs.span(start + 0.1, end - 0.1)
        against = np.sign(ride.record.assist_nm[span]) != np.sign(ride.record.driver_nm[span])
        assert (np.abs(ride.record.assist_nm[span]) > 2.0).mean() > 0.5
        assert against.mean() > 0.5


def test_returning_is_towards_the_centre() -> None:
    ride = a_ride("ordinary", "return_and_damp")
    home = ride.inputs.released & (np.abs(ride.record.assist_nm) > 1.0)
    assert home.sum() > 100
    assert (np.sign(ride.record.assist_nm[home]) == -np.sign(ride.inputs.angle_deg[home])).all()


def test_a_stuck_speed_stands_while_the_wheels_turn() -> None:
    ride = a_ride("speed_stuck")
    stuck = np.flatnonzero(ride.inputs.bus_kph == ride.plan.marks["kph"])
    assert stuck.size > 3000
    assert np.median(np.abs(ride.inputs.wheel_kph["fl"][stuck] - ride.plan.marks["kph"])) > 8.0


def test_spinning_wheels_run_ahead_of_the_front() -> None:
    ride = a_ride("wheels_spin")
    ahead = ride.inputs.wheel_kph["rl"] - ride.inputs.wheel_kph["fl"]
    assert ahead.max() > 15.0
    assert np.allclose(ride.inputs.wheel_kph["fl"], ride.inputs.kph, rtol=0.2, atol=0.1)


def test_an_internal_fault_is_in_the_status_or_on_the_bus() -> None:
    shown = a_ride("fault_status")
    status = status_numbers(shown.plan, shown.inputs, shown.record)
    at = round(shown.plan.marks["from_s"] / STEP_S)
    assert (status[at + 1 :] == STATUS_TEXTS.index("InternalFault")).all()
    code = make_ride(RideName(law="other_lines", situation="fault_code", vehicle="trail_quad",
                              seed=2, held_out=False))  # fmt: skip
    assert b" 738#" in code.log or b" 18FECA13#" in code.log


def test_a_high_sensor_reads_above_cold_surroundings() -> None:
    ride = a_ride("sensor_high")
    values = channel_values(ride.plan, ride.inputs, ride.record)
    above = values["module_temperature"][0] - values["ambient_temperature"][0]
    assert above == pytest.approx(ride.plan.marks["bias_k"], abs=1.0)


def test_a_stuck_temperature_stays_while_the_board_warms() -> None:
    ride = a_ride("temperature_stuck")
    values = channel_values(ride.plan, ride.inputs, ride.record)["module_temperature"]
    assert np.ptp(values[1300:]) == 0.0
    assert np.ptp(ride.record.board_c[1300:]) > 5.0


def test_dips_of_slow_samples_are_shorter_than_the_samples() -> None:
    ride = a_ride("slow_samples")
    slow_s = ride.plan.recording.supply_period_s
    assert slow_s is not None
    assert all(end - start < slow_s for start, end in ride.plan.spans)
    assert ride.record.supply_v.min() < 11.0 * ride.plan.vehicle.scale


def test_stiff_tyres_take_more_at_the_same_turns() -> None:
    ride = a_ride("stiff_tyres")
    easy = replace(ride.inputs, effort=np.ones_like(ride.inputs.effort))
    light = run_plant(ride.plan.vehicle, ride.plan.law, easy, warm=ride.plan.warm)
    hard = np.abs(ride.record.driver_nm) + np.abs(ride.record.assist_nm)
    soft = np.abs(light.driver_nm) + np.abs(light.assist_nm)
    work = soft > 4.0
    assert np.median(hard[work] / soft[work]) == pytest.approx(ride.plan.marks["effort"], rel=0.05)


def logged(situation: str, seed: int = 2) -> tuple[PlantedRide, list[tuple[float, str]]]:
    ride = a_ride(situation, seed=seed)
    recorder = Recorder(ride.plan, ride.inputs, ride.record,
                        SeededDraws("noise", 1, held_out=False))  # fmt: skip
    window = ride.plan.recording.cut or (0.0, 1e6)
    traffic = recorder.kept_traffic(ride.database, window)
    frames = [(float(at), series.head.decode()) for series in traffic.series
              for at in series.time_s]  # fmt: skip
    return ride, sorted(frames)


def gaps_s(frames: list[tuple[float, str]]) -> float:
    times = np.array([at for at, _ in frames])
    return float(np.diff(times).max())


RECORDED: dict[str, Callable[[PlantedRide, list[tuple[float, str]]], bool]] = {
    "recorder_holes": lambda ride, frames: gaps_s(frames) > 0.25,
    "cut_middle": lambda ride, frames: frames[0][0] > 30 and frames[-1][0] < ride.inputs.end_s - 9,
    "bus_errors": lambda ride, frames: sum(head.startswith("2000") for _, head in frames) > 100,
    "errors_at_wake": lambda ride, frames: all(
        at < 2.0 for at, head in frames if head.startswith("2000")
    ),
    "stored_codes": lambda ride, frames: any(
        head.startswith(("7E8", "18FECA00")) for _, head in frames
    ),
    "bundled": lambda ride, frames: len({round(at, 2) for at, _ in frames}) < 0.5 * len(frames),
}  # fmt: skip


@pytest.mark.parametrize("situation", sorted(RECORDED))
def test_what_the_recorder_and_other_units_do_is_in_the_log(situation: str) -> None:
    ride, frames = logged(situation)
    assert RECORDED[situation](ride, frames)


def test_a_thinning_recorder_loses_frames_of_all_ids() -> None:
    ride, frames = logged("thinned")
    share = ride.plan.recording.keep_share
    message = ride.database.messages[0]
    seen = sum(head.startswith(f"{message.frame_id:03X}") for _, head in frames)
    sent = ride.record.module_on.sum() * STEP_S / message.period_s
    assert seen / sent == pytest.approx(share, abs=0.08)


def test_units_fall_asleep_one_after_another() -> None:
    ride, frames = logged("asleep")
    last = [
        max(at for at, head in frames if int(head[:-1], 16) == message.frame_id)
        for message in ride.database.messages
    ]
    assert max(last) - min(last) > 2.0
    assert ride.inputs.end_s - max(last) > 4.0


def test_no_root_is_left_without_a_name_where_a_fault_is_planted() -> None:
    for situation in ("loose_plug", "path_resistance", "weak_battery", "speed_lost"):
        assert not any(code.startswith("unknown") for code in lost(a_ride(situation)))


def test_the_start_of_an_engine_takes_no_assist_that_counts() -> None:
    ride = a_ride("cold_crank", "slow_back")
    supply = ride.record.root == ROOT["supply"]
    turning = ride.inputs.starter_a > 0
    assert not (supply & turning).any()


def test_a_reset_by_the_starter_is_no_break() -> None:
    ride = a_ride("cold_crank", "supply_latch", 85, "trail_quad")
    turning = ride.inputs.starter_a > 0
    assert (turning & ~ride.record.module_on).any()
    assert silences(ride.record, ride.inputs) == []
    assert lost(ride) == {}


def test_what_the_law_of_speed_takes_is_not_lost() -> None:
    ride = a_ride("ordinary", "from_standstill")
    assert any(event.root == "law" for event in derates(ride.record))
    assert lost(ride) == {}


def test_nobody_misses_assist_beside_a_stopped_engine() -> None:
    ride = a_ride("speed_lost_engine_off", "hysteresis_heat", 154, "regulated_wagon")
    assert (ride.record.root == ROOT["speed_lost"]).any()
    assert lost(ride) == {}

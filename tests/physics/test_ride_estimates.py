"""Estimates on rides whose truth is known: made by hand, or simulated."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pytest

from canassist.demo import RIDES, SimulatedRide, demo_profile, simulate
from canassist.demo.plant.vehicle import ProtectionRule
from canassist.model import AssistMap, Estimate, FloatArray, Physics, Timeline
from canassist.physics import starter_turns, study
from canassist.profile import default_profile
from tests.detect.hand_rides import Samples, make_ride


def _every(period_s: float, until_s: float) -> FloatArray:
    return np.arange(round(until_s / period_s) + 1, dtype=np.float64) * period_s


def _holds(estimate: Estimate | None, truth: float, *, within: float) -> None:
    assert estimate is not None
    assert estimate.low <= estimate.value <= estimate.high
    assert estimate.value == pytest.approx(truth, rel=within)


class _Rides(dict[str, SimulatedRide]):
    """Sample rides, simulated when asked for."""

    def __missing__(self, name: str) -> SimulatedRide:
        return self.setdefault(name, simulate(RIDES[name]))


@pytest.fixture(scope="module")
def rides() -> Mapping[str, SimulatedRide]:
    return _Rides()


def _study(ride: SimulatedRide, *, without: frozenset[str] = frozenset()) -> Physics:
    timeline = ride.timeline()
    kept = {name: one for name, one in timeline.channels.items() if name not in without}
    profile = demo_profile(ride.scenario.layout, ride.scenario.vehicle)
    return study(replace(timeline, channels=kept), profile)


# -- the engine ------------------------------------------------------------------------------


def _engine(speeds: list[float], period_s: float = 0.1) -> Timeline:
    time_s = np.arange(len(speeds), dtype=np.float64) * period_s
    return make_ride({"engine_speed": (time_s, np.array(speeds))})


def test_the_starter_turns_from_half_a_second_before_zero_is_left_to_past_500() -> None:
    turns = starter_turns(_engine([0.0] * 10 + [200.0] * 5 + [500.0, 501.0, 1100.0]))
    (turn,) = turns
    assert (turn.start_s, turn.end_s) == pytest.approx((0.5, 1.6))
    assert turn.started


def test_a_start_that_fails_ends_at_zero() -> None:
    (turn,) = starter_turns(_engine([0.0] * 10 + [200.0] * 5 + [0.0] * 5))
    assert turn.end_s == pytest.approx(1.5)
    assert not turn.started


def test_a_dying_engine_is_not_being_started() -> None:
    assert starter_turns(_engine([1100.0] * 5 + [400.0, 200.0, 0.0, 0.0])) == ()
    assert starter_turns(_engine([300.0, 200.0, 0.0, 0.0])) == ()


def test_a_log_may_begin_while_the_starter_turns() -> None:
    (turn,) = starter_turns(_engine([90.0, 220.0, 240.0, 900.0]))
    assert (turn.start_s, turn.end_s) == pytest.approx((0.0, 0.3))


def test_without_engine_speed_nothing_is_known_of_the_starter() -> None:
    assert starter_turns(make_ride({"vehicle_speed": (np.arange(3.0), np.zeros(3))})) == ()


def test_a_crank_is_judged_after_its_inrush() -> None:
    """Rest 12.4 V, inrush 7.0 V for 0.1 s, plateau 10.4 V."""
    time_s = _every(0.02, 6.0)
    supply = np.full(len(time_s), 12.4)
    supply[(time_s >= 2.0) & (time_s < 3.2)] = 10.4
    supply[(time_s >= 2.0) & (time_s < 2.1)] = 7.0
    rpm = np.where(time_s < 2.15, 0.0, np.where(time_s < 3.2, 230.0, 1100.0))
    ride = make_ride({"supply_voltage": (time_s, supply), "engine_speed": (time_s, rpm)})
    (crank,) = study(ride, default_profile()).cranks
    assert crank.start_s == pytest.approx(2.0)
    assert (crank.inrush_min_v, crank.plateau_min_v, crank.rest_v) == (7.0, 10.4, 12.4)


# -- the supply path -------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["supply_resistance", "weak_battery", "healthy_mixed"])
def test_the_path_is_told_apart_from_the_battery(
    rides: Mapping[str, SimulatedRide], name: str
) -> None:
    path = _study(rides[name]).supply_path
    assert path is not None
    assert path.method == "difference"
    _holds(path.path_ohm, rides[name].truth.parameters["path_ohm"], within=0.03)
    assert path.drop_v == pytest.approx(path.path_ohm.value * path.peak_current_a)


def test_a_weak_battery_shows_as_the_source(rides: Mapping[str, SimulatedRide]) -> None:
    path = _study(rides["weak_battery"]).supply_path
    assert path is not None
    _holds(path.source_ohm, rides["weak_battery"].truth.parameters["battery_ohm"], within=0.15)


@pytest.mark.parametrize("name", ["supply_resistance", "weak_battery", "healthy_mixed"])
def test_without_system_voltage_fast_steps_tell_the_path(
    rides: Mapping[str, SimulatedRide], name: str
) -> None:
    path = _study(rides[name], without=frozenset({"system_voltage"})).supply_path
    assert path is not None
    assert path.method == "fast_split"
    truth = rides[name].truth.parameters["path_ohm"]
    assert path.path_ohm.low <= truth <= path.path_ohm.high
    assert (path.path_ohm.low > 0.03) == (truth > 0.03)


def test_from_motor_current_alone_nothing_is_guessed(rides: Mapping[str, SimulatedRide]) -> None:
    lacking = frozenset({"system_voltage", "module_current"})
    assert _study(rides["healthy_mixed"], without=lacking).supply_path is None


def test_a_contact_that_opens_is_no_resistance() -> None:
    """10 mΩ, and a supply that is gone for moments under whatever current."""
    time_s = _every(0.02, 240.0)
    rng = np.random.default_rng(8)
    current = 20.0 + 18.0 * np.sin(time_s * 0.9) + rng.normal(scale=0.2, size=len(time_s))
    supply = 14.2 - 0.010 * current + rng.normal(scale=0.015, size=len(time_s))
    supply[(time_s % 40.0) < 0.12] = 0.3
    channels = {
        "supply_voltage": (time_s, supply),
        "system_voltage": (time_s, np.full(len(time_s), 14.2)),
        "module_current": (time_s, current),
    }
    path = study(make_ride(channels), default_profile()).supply_path
    assert path is not None
    _holds(path.path_ohm, 0.010, within=0.002)


def test_a_coarse_voltage_is_not_taken_for_an_exact_one() -> None:
    """20 mΩ read in steps of 0.2 V: rounding may not make the path look worse than it is."""
    time_s = _every(0.02, 240.0)
    rng = np.random.default_rng(4)
    current = 12.0 + 11.0 * np.sin(time_s * 0.9) + rng.normal(scale=0.2, size=len(time_s))
    exact = 14.13 - 0.020 * (12.0 + 11.0 * np.sin(time_s * 0.9))
    channels = {
        "supply_voltage": (time_s, np.round(exact / 0.2) * 0.2),
        "system_voltage": (time_s, np.full(len(time_s), 14.2)),
        "module_current": (time_s, np.round(current, 1)),
    }
    path = study(make_ride(channels), default_profile()).supply_path
    assert path is not None
    assert path.path_ohm.value == pytest.approx(0.020, rel=0.1)
    assert path.path_ohm.low < 0.03


def test_a_voltage_that_moved_in_one_stretch_only_is_no_line() -> None:
    """All but one stretch rest on one step: leaving that one out leaves nothing to fit."""
    time_s = _every(0.02, 120.0)
    current = np.round(20.0 + 18.0 * np.sin(time_s * 0.9), 1)
    moved = (time_s > 30.0) & (time_s < 36.0) & (current > 30.0)
    channels = {
        "supply_voltage": (time_s, np.where(moved, 13.9, 14.0)),
        "system_voltage": (time_s, np.full(len(time_s), 14.2)),
        "module_current": (time_s, current),
    }
    path = study(make_ride(channels), default_profile()).supply_path
    assert path is None or path.path_ohm.low <= 0.0


def test_a_path_that_changes_on_the_way_is_told_as_it_is_now() -> None:
    """8 mΩ for the first 60 s, 60 mΩ after; the source holds 14.2 V."""
    time_s = _every(0.02, 180.0)
    rng = np.random.default_rng(1)
    current = 20.0 + 18.0 * np.sin(time_s * 0.9)
    ohm = np.where(time_s < 60.0, 0.008, 0.060)

    def read(value: FloatArray, spread: float) -> Samples:
        return time_s, value + rng.normal(scale=spread, size=len(time_s))

    channels = {
        "supply_voltage": read(14.2 - ohm * current, 0.015),
        "system_voltage": read(np.full(len(time_s), 14.2), 0.015),
        "module_current": read(current, 0.2),
    }
    path = study(make_ride(channels), default_profile()).supply_path
    assert path is not None
    _holds(path.path_ohm, 0.060, within=0.02)


def test_the_hand_worked_drop_over_20_milliohm() -> None:
    """12.6 V source, 20 mΩ: 0, 20, 40, 60, 80 A leave 12.6, 12.2, 11.8, 11.4, 11.0 V."""
    time_s = _every(0.1, 200.0)
    current = np.repeat([0.0, 20.0, 40.0, 60.0, 80.0], 5)
    current = np.resize(current, len(time_s))
    module = np.resize(np.repeat([12.6, 12.2, 11.8, 11.4, 11.0], 5), len(time_s))
    channels = {
        "supply_voltage": (time_s, module),
        "system_voltage": (time_s, np.full(len(time_s), 12.6)),
        "module_current": (time_s, current),
    }
    path = study(make_ride(channels), default_profile()).supply_path
    assert path is not None
    assert path.path_ohm.value == pytest.approx(0.020)
    assert path.drop_v == pytest.approx(1.6)


# -- heat ------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["healthy_mixed", "hot_tight_turns", "not_charging"])
def test_heating_is_what_the_network_of_the_module_is(
    rides: Mapping[str, SimulatedRide], name: str
) -> None:
    fit, truth = _study(rides[name]).thermal, rides[name].truth.parameters
    assert fit is not None
    _holds(fit.tau_s, truth["tau_s"], within=0.06)
    _holds(fit.gain_k_per_a2, truth["gain_k_per_a2"], within=0.06)
    assert fit.ambient_c == pytest.approx(truth["bay_c"], abs=1.5)
    assert fit.fit > 0.99


def test_times_to_derate_and_recover_are_of_the_worked_cooling() -> None:
    """One node of 300 s and 0.02 K/A² in 25 degC; 85 to 65.2192 degC takes 120 s (worked)."""
    time_s = _every(0.5, 900.0)
    load = np.where((time_s > 60.0) & (time_s < 560.0), 70.0, 0.0)
    rise, level = [], 0.0
    for amps in load:
        level += (amps**2 * 0.02 - level) * (1.0 - np.exp(-0.5 / 300.0))
        rise.append(level)
    rng = np.random.default_rng(5)
    heat = 25.0 + np.array(rise) + rng.normal(scale=0.05, size=len(time_s))
    channels = {"module_temperature": (time_s, heat), "motor_current": (time_s, load)}
    fit = study(make_ride(channels), default_profile()).thermal
    assert fit is not None
    _holds(fit.tau_s, 300.0, within=0.02)
    assert fit.to_derate_s is not None
    # by hand: 98 K settled at 70 A, 60 K to go: 300 ln(98 / 38) = 284.2 s
    assert fit.to_derate_s == pytest.approx(284.2, rel=0.03)
    # from the hottest to 85.6 degC, where the line gives 98 %
    hottest = float(heat.max())
    assert fit.recover_s == pytest.approx(300.0 * np.log((hottest - 25.0) / 60.6), rel=0.05)
    # 60 K at 0.02 K/A²: 54.8 A for ever
    assert fit.sustained_current_a == pytest.approx(54.77, rel=0.02)


def test_no_heating_without_current_or_rise() -> None:
    time_s = _every(0.5, 300.0)
    rng = np.random.default_rng(6)
    heat = (time_s, 40.0 + rng.normal(scale=0.1, size=len(time_s)))
    assert study(make_ride({"module_temperature": heat}), default_profile()).thermal is None
    current = (time_s, 20.0 + np.sin(time_s))
    ride = make_ride({"module_temperature": heat, "motor_current": current})
    assert study(ride, default_profile()).thermal is None


# -- torque at rest ---------------------------------------------------------------------------


def test_the_offset_of_the_sensor_is_found(rides: Mapping[str, SimulatedRide]) -> None:
    rest = _study(rides["torque_offset"]).torque_rest
    assert rest is not None
    assert rest.offset_nm.low <= 0.75 <= rest.offset_nm.high
    assert rest.offset_nm.high - rest.offset_nm.low < 0.01


def test_a_bar_that_is_held_at_the_lock_is_no_rest(rides: Mapping[str, SimulatedRide]) -> None:
    for name in ("healthy_mixed", "supply_resistance", "hot_tight_turns"):
        rest = _study(rides[name]).torque_rest
        assert rest is not None
        assert abs(rest.offset_nm.value) < 0.01


def test_drift_with_temperature_is_a_slope() -> None:
    """0.6 N·m at 20 degC and 0.004 N·m/K, resting for 4 s in every 10."""
    rng = np.random.default_rng(9)
    time_s = _every(0.02, 300.0)
    heat = 20.0 + 0.1 * time_s
    steering = (time_s % 10.0) > 4.0
    torque = 0.6 + 0.004 * (heat - 20.0) + rng.normal(scale=0.02, size=len(time_s))
    torque += np.where(steering, 2.0 * np.sin(3.0 * time_s), 0.0)
    angle = np.where(steering, 100.0 * np.sin(3.0 * time_s), 0.0)
    channels = {
        "driver_torque": (time_s, torque),
        "steering_angle": (time_s, angle),
        "vehicle_speed": (time_s, np.zeros(len(time_s))),
        "module_temperature": (time_s, heat),
    }
    rest = study(make_ride(channels), default_profile()).torque_rest
    assert rest is not None
    assert rest.drift_nm_per_k is not None
    assert rest.drift_nm_per_k.low <= 0.004 <= rest.drift_nm_per_k.high
    assert rest.drift_nm_per_k.value == pytest.approx(0.004, rel=0.1)


@pytest.mark.parametrize(
    ("torque_s", "angle_s", "told"), [(0.1, 0.5, True), (1.5, 0.1, False), (0.1, 2.0, False)]
)
def test_rest_takes_samples_that_can_show_a_second(
    torque_s: float, angle_s: float, told: bool
) -> None:
    """Between samples 1.5 s apart a hand may have steered; between angles 2 s apart, too."""
    torque_at, angle_at = _every(torque_s, 60.0), _every(angle_s, 60.0)
    channels = {
        "driver_torque": (torque_at, np.full(len(torque_at), 0.8)),
        "steering_angle": (angle_at, np.zeros(len(angle_at))),
        "vehicle_speed": (torque_at, np.full(len(torque_at), 50.0)),
    }
    rest = study(make_ride(channels), default_profile()).torque_rest
    assert (rest is not None) is told


def test_no_rest_without_the_steering_angle() -> None:
    time_s = _every(0.02, 60.0)
    ride = make_ride({"driver_torque": (time_s, np.full(len(time_s), 0.8))})
    assert study(ride, default_profile()).torque_rest is None


# -- charging and effort -----------------------------------------------------------------------


def test_charging_is_told_by_the_level_above_its_speed(
    rides: Mapping[str, SimulatedRide],
) -> None:
    good, bad = _study(rides["healthy_mixed"]).charging, _study(rides["not_charging"]).charging
    assert good is not None
    assert bad is not None
    assert good.voltage_v.low > 13.2
    assert bad.voltage_v.high < 12.5
    assert bad.below_limit_s == pytest.approx(bad.seconds, rel=0.01)


def test_effort_is_a_quantile_of_slow_steering() -> None:
    """Torque 8 N·m for a fifth of slow steering, 3 N·m for the rest: nine tenths is 8."""
    time_s = _every(0.1, 100.0)
    torque = np.where((time_s % 10.0) < 2.0, 8.0, 3.0)
    channels = {
        "driver_torque": (time_s, torque),
        "vehicle_speed": (time_s, np.full(len(time_s), 5.0)),
        "motor_current": (time_s, np.full(len(time_s), 20.0)),
    }
    effort = study(make_ride(channels), default_profile()).effort
    assert effort is not None
    assert effort.torque_p90_nm == 8.0
    assert (effort.saturated_share, effort.mean_current_a) == (None, 20.0)


def test_effort_is_judged_at_full_assist_only() -> None:
    """With 30 % of its assist the rider pulls 9 N·m; with all of it 5 N·m."""
    time_s = _every(0.1, 150.0)
    reduced, told = time_s < 50.0, time_s < 100.0
    table = AssistMap(
        speed_kph=(0.0,), gains={"*": (4.0,)}, driver_deadband_nm=0.5, max_assist_nm=40.0
    )
    channels = {
        "driver_torque": (time_s, np.where(reduced, 9.0, np.where(told, 5.0, 8.0))),
        "vehicle_speed": (time_s, np.full(len(time_s), 5.0)),
        "assist_torque": (time_s, np.where(reduced, 12.0, 18.0)),
        "assist_limit": (time_s, np.where(reduced, 30.0, np.where(told, 100.0, np.nan))),
    }
    profile = replace(default_profile(), assist_map=table)
    effort = study(make_ride(channels), profile).effort
    assert effort is not None
    assert effort.torque_p90_nm == 5.0
    assert effort.saturated_share == 0.0


# -- what is learned where no profile gives it ---------------------------------------------------


def test_the_map_is_learned_from_the_ride(rides: Mapping[str, SimulatedRide]) -> None:
    """Gain by speed and mode within 5 % of the one that the ride was simulated by."""
    ride = rides["healthy_mixed"]
    fit = study(ride.timeline(), default_profile()).assist
    law = ride.scenario.vehicle.assist
    assert fit is not None
    assert fit.map_from == "ride"
    assert fit.driver_deadband_nm == pytest.approx(law.deadband_nm, abs=0.1)
    for mode in ("Medium", "Light"):
        called = np.interp(fit.speed_kph, law.speed_kph, law.gains[mode])
        assert np.array(fit.gains[mode]) == pytest.approx(called, rel=0.06)


def test_a_driver_torque_without_a_value_shows_no_assist_law() -> None:
    time_s = _every(0.02, 60.0)
    channels = {
        "driver_torque": (time_s, np.full(len(time_s), np.nan)),
        "assist_torque": (time_s, 10.0 * np.sin(time_s)),
        "vehicle_speed": (time_s, np.full(len(time_s), 5.0)),
    }
    physics = study(make_ride(channels), default_profile())
    assert physics.assist is not None
    assert (physics.assist.map_from, physics.assist.ratio) == ("none", None)


def test_the_learned_deadband_is_that_of_one_mode() -> None:
    """Deadband 0.5 N·m; mode 1 has gain 4 and is pulled softly, mode 2 gain 2 and hard."""
    time_s = _every(0.02, 160.0)
    first = time_s < 90.0
    driver = np.where(first, 3.0, 6.0) * np.sin(2.0 * np.pi * time_s / 8.0)
    gain = np.where(first, 4.0, 2.0)
    assist = np.sign(driver) * gain * np.maximum(np.abs(driver) - 0.5, 0.0)
    channels = {
        "driver_torque": (time_s, driver),
        "assist_torque": (time_s, assist),
        "vehicle_speed": (time_s, np.full(len(time_s), 2.0)),
        "assist_mode": (time_s, np.where(first, 1.0, 2.0)),
    }
    fit = study(make_ride(channels), default_profile()).assist
    assert fit is not None
    assert fit.driver_deadband_nm == pytest.approx(0.5, abs=0.05)
    assert (fit.gains["1"][0], fit.gains["2"][0]) == pytest.approx((4.0, 2.0), rel=0.03)


def test_a_line_of_its_own_is_learned_where_no_profile_gives_it() -> None:
    scenario = RIDES["hot_tight_turns"]
    own = ProtectionRule(start_c=76.0, zero_c=100.0)
    vehicle = replace(scenario.vehicle, protection=own)
    timeline = simulate(replace(scenario, vehicle=vehicle)).timeline()
    lines = study(timeline, default_profile()).limit_lines
    assert lines is not None
    assert lines.source == "ride"
    assert (lines.temperature_from, lines.supply_from) == ("ride", "assumed")
    assert (lines.derate_start_c, lines.derate_zero_c) == pytest.approx((76.0, 100.0), abs=1.5)


def test_given_lines_are_not_learned_anew(rides: Mapping[str, SimulatedRide]) -> None:
    physics = _study(rides["hot_tight_turns"])
    assert physics.limit_lines is not None
    assert physics.limit_lines.source == "profile"


def test_a_bare_timeline_carries_nothing() -> None:
    physics = study(make_ride({}), default_profile())
    found = (physics.supply_path, physics.thermal, physics.assist, physics.torque_rest)
    assert found == (None, None, None, None)
    assert (physics.charging, physics.effort, physics.cranks) == (None, None, ())


@pytest.mark.slow
def test_intervals_cover_the_truth_in_about_nine_of_ten() -> None:
    """Path, offset and time constant over 300 drawn rides of every scenario."""
    from tests.simulator.scenarios import SCENARIOS, draw_scenario  # noqa: PLC0415 - slow test only

    inside: dict[str, list[bool]] = {"path_ohm": [], "offset_nm": [], "tau_s": []}
    for name in SCENARIOS:
        for seed in range(200, 206):
            scenario = draw_scenario(name, seed)
            ride = simulate(scenario)
            profile = demo_profile(scenario.layout, scenario.vehicle)
            physics, truth = study(ride.timeline(), profile), ride.truth.parameters
            path, rest, heat = physics.supply_path, physics.torque_rest, physics.thermal
            for key, estimate in (
                ("path_ohm", path and path.path_ohm),
                ("offset_nm", rest and rest.offset_nm),
                ("tau_s", heat and heat.tau_s),
            ):
                if estimate and key in truth:
                    inside[key].append(estimate.low <= truth[key] <= estimate.high)
    for key, hits in inside.items():
        assert len(hits) >= 270, key
        assert 0.86 <= np.mean(hits) <= 0.95, (key, np.mean(hits))


def test_an_interval_holds_what_the_current_reading_may_be_off_by() -> None:
    """A current that reads 4 % too high makes the path 4 % too low: no spread shows that."""
    time_s = _every(0.02, 240.0)
    rng = np.random.default_rng(5)
    current = 20.0 + 18.0 * np.sin(time_s * 0.9)

    def read(value: FloatArray, spread: float) -> Samples:
        return time_s, value + rng.normal(scale=spread, size=len(time_s))

    channels = {
        "supply_voltage": read(14.2 - 0.050 * current, 0.015),
        "system_voltage": read(np.full(len(time_s), 14.2), 0.015),
        "module_current": read(1.04 * current, 0.2),
    }
    path = study(make_ride(channels), default_profile()).supply_path
    assert path is not None
    assert path.path_ohm.low <= 0.050 <= path.path_ohm.high
    assert path.path_ohm.sensor_share == 0.05
    spread = path.path_ohm.repeatability()
    assert spread.high < 0.050
    assert spread.with_sensors(0.05).high == pytest.approx(path.path_ohm.high)

"""Engine, cranks, charging, effort, limits and sides on rides worked by hand, at their bounds."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from canassist.model import AssistFit, AssistMap, Estimate, FloatArray, IdStats, Physics, Timeline
from canassist.physics import starter_turns, study
from canassist.physics.assist_fit import fit_assist
from canassist.physics.assist_law import (
    assist_samples,
    available_share,
    comparable_torques,
    map_gain,
)
from canassist.physics.charging import fit_charging
from canassist.physics.cranks import fit_cranks
from canassist.physics.effort import fit_effort
from canassist.physics.engine import StarterTurn, engine_stands, within
from canassist.physics.limits import (
    curve_pct,
    fading,
    follow,
    has_engine,
    limit_lines,
    nominal_share,
    supply_limits_hold,
    supply_line_pct,
    temperature_line_pct,
)
from canassist.physics.module_carriers import bus_was_silent, module_silences
from canassist.physics.supply_path import _less
from canassist.profile import default_profile
from tests.detect.hand_rides import Samples, make_ride

PROFILE = default_profile()
LINES = limit_lines(PROFILE)


def _flat(value: float, until_s: float = 60.0, period_s: float = 0.1) -> Samples:
    time_s = np.arange(round(until_s / period_s) + 1) * period_s
    return time_s, np.full(len(time_s), value)


def _engine(speeds: Sequence[float]) -> Timeline:
    return make_ride({"engine_speed": (np.arange(len(speeds)) * 0.1, np.array(speeds))})


def _map(**changes: object) -> AssistFit:
    fit = AssistFit(
        map_from="profile",
        lag_s=0.0,
        ratio=None,
        side_difference=None,
        speed_kph=(0.0, 10.0),
        gains={"*": (4.0, 2.0), "sport": (2.0, 1.0)},
        driver_deadband_nm=0.5,
        max_assist_nm=30.0,
    )
    return replace(fit, **changes)  # type: ignore[arg-type]  # any field


# -- the engine ------------------------------------------------------------------------------


def test_an_engine_stands_up_to_30_rpm_and_has_started_above_500() -> None:
    assert starter_turns(_engine([0.0, 30.0, 30.0, 0.0])) == ()
    (turn,) = starter_turns(_engine([0.0] * 6 + [31.0, 500.0, 501.0]))
    assert (turn.start_s, turn.end_s, turn.started) == pytest.approx((0.1, 0.8, True))


def test_a_start_that_fails_ends_where_the_engine_stands_again() -> None:
    (turn,) = starter_turns(_engine([0.0, 200.0, 200.0, 0.0, 0.0]))
    assert (turn.start_s, turn.end_s, turn.started) == pytest.approx((-0.4, 0.3, False))
    (cut,) = starter_turns(_engine([0.0, 200.0, 200.0]))
    assert (cut.end_s, cut.started) == (pytest.approx(0.2), False)


def test_a_start_whose_first_samples_are_lost_may_have_begun_with_them() -> None:
    """Of 100 ms samples 0.3 to 0.5 s are lost: speed may have left zero from 0.3 s on."""
    time_s = np.delete(0.1 * np.arange(12), [3, 4, 5])
    speed_rpm = np.array([0.0, 0.0, 0.0, 200.0, 200.0, 200.0, 200.0, 600.0, 800.0])
    (turn,) = starter_turns(make_ride({"engine_speed": (time_s, speed_rpm)}))
    assert (turn.start_s, turn.end_s) == pytest.approx((-0.2, 1.0))


def test_a_log_may_begin_inside_a_start_but_not_with_a_dying_engine() -> None:
    (turn,) = starter_turns(_engine([200.0, 300.0, 600.0]))
    assert (turn.start_s, turn.end_s) == pytest.approx((0.0, 0.2))
    assert starter_turns(_engine([200.0, 100.0, 0.0])) == ()
    assert starter_turns(_engine([900.0, 100.0, 600.0])) == ()
    assert starter_turns(make_ride({"supply_voltage": _flat(12.0)})) == ()


def test_within_a_turn_is_from_its_start_to_before_its_end() -> None:
    turns = (StarterTurn(1.0, 2.0, True), StarterTurn(5.0, 6.0, False))
    inside = within(np.array([0.9, 1.0, 1.9, 2.0, 5.5]), turns)
    assert inside.tolist() == [False, True, True, False, True]


def test_an_engine_stands_up_to_500_rpm_and_unknown_speed_counts_as_running() -> None:
    ride = make_ride({"engine_speed": (np.array([0.0, 0.1]), np.array([500.0, 501.0]))})
    assert engine_stands(ride, np.array([0.0, 0.1, 50.0])).tolist() == [True, False, False]


# -- starts ----------------------------------------------------------------------------------


def test_a_start_is_measured_from_where_the_supply_drops() -> None:
    """At rest 12.5 V; 11.8 V is no drop of more than 0.7 V, 11.7 V at 5.8 s is."""
    time_s = np.arange(101) * 0.1
    engine = np.where(time_s < 5.95, 0.0, np.where(time_s < 6.95, 200.0, 900.0))
    supply = np.where(time_s < 5.55, 12.5, 11.8)
    supply[time_s > 5.75] = 11.7
    supply[59] = 8.0  # the inrush, 0.1 s after the starter engaged
    supply[62] = 9.5
    supply[70] = 6.0  # the engine has caught: no crank any more
    ride = make_ride({"engine_speed": (time_s, engine), "supply_voltage": (time_s, supply)})
    (crank,) = fit_cranks(ride)
    assert crank.rest_v == 12.5
    assert (crank.start_s, crank.end_s) == pytest.approx((5.8, 7.0))
    assert (crank.inrush_min_v, crank.plateau_min_v) == (8.0, 9.5)


def test_a_start_at_the_logs_begin_has_no_level_at_rest() -> None:
    time_s = np.arange(30) * 0.1
    engine = np.where(time_s < 0.95, 200.0, 900.0)
    supply = np.where(time_s < 0.45, 9.0, 10.0)
    ride = make_ride({"engine_speed": (time_s, engine), "supply_voltage": (time_s, supply)})
    (crank,) = fit_cranks(ride)
    assert (crank.start_s, crank.rest_v) == (0.0, None)
    assert (crank.inrush_min_v, crank.plateau_min_v) == (9.0, 9.0)


# -- charging --------------------------------------------------------------------------------


def test_charging_counts_above_its_speed_and_below_its_voltage() -> None:
    rpm, volts = PROFILE.limits.charging_rpm, PROFILE.limits.charging_v
    time_s = np.arange(401) * 0.1
    engine = np.where(time_s < 20.0, rpm + 1.0, rpm)
    supply = np.where(time_s < 10.0, volts, volts - 0.1)
    ride = make_ride({"engine_speed": (time_s, engine), "supply_voltage": (time_s, supply)})
    fit = fit_charging(ride, PROFILE)
    assert fit is not None
    assert (fit.seconds, fit.below_limit_s) == pytest.approx((20.0, 10.0))
    assert fit.voltage_v.value == pytest.approx(volts - 0.05)
    assert len(fit.points.x) == 401


def test_charging_needs_two_stretches_of_ten_seconds() -> None:
    fast = PROFILE.limits.charging_rpm + 100.0
    once = {"engine_speed": _flat(fast, 9.9), "supply_voltage": _flat(14.0, 9.9)}
    assert fit_charging(make_ride(once), PROFILE) is None
    twice = {"engine_speed": _flat(fast, 10.1), "supply_voltage": _flat(14.0, 10.1)}
    fit = fit_charging(make_ride(twice), PROFILE)
    assert fit is not None
    assert fit.seconds == pytest.approx(10.1)
    assert fit_charging(make_ride({"supply_voltage": _flat(14.0)}), PROFILE) is None


# -- effort ----------------------------------------------------------------------------------


def _slow_ride(torque_nm: FloatArray, **channels: Samples) -> Timeline:
    time_s = np.arange(len(torque_nm)) * 0.1
    slow = (time_s, np.full(len(time_s), PROFILE.limits.slow_kph - 0.1))
    return make_ride({"driver_torque": (time_s, torque_nm), "vehicle_speed": slow, **channels})


def test_effort_is_measured_from_fifty_samples_of_more_than_two_newton_metres() -> None:
    sides = np.tile([-2.1, 2.1], 25)
    effort = fit_effort(_slow_ride(sides), PROFILE, None)
    assert effort is not None
    assert effort.torque_p90_nm == pytest.approx(2.1)
    assert (effort.saturated_share, effort.mean_current_a) == (None, None)
    assert fit_effort(_slow_ride(sides[:49]), PROFILE, None) is None
    assert fit_effort(_slow_ride(np.full(60, 2.0)), PROFILE, None) is None


def test_effort_is_of_slow_steering_alone() -> None:
    time_s = np.arange(100) * 0.1
    at_limit = (time_s, np.full(100, PROFILE.limits.slow_kph))
    assert fit_effort(_slow_ride(np.full(100, 5.0), vehicle_speed=at_limit), PROFILE, None) is None


def test_saturated_is_assist_at_its_most_for_what_is_available() -> None:
    """Half of the assist is available: 15 N·m; 97 % of that is 14.55 N·m."""
    time_s = np.arange(100) * 0.1
    full = replace(PROFILE, limits=replace(PROFILE.limits, full_assist_pct=50.0))
    channels = {
        "assist_torque": (time_s, np.repeat([14.56, -14.56, 14.54, -14.54], 25)),
        "assist_limit": (time_s, np.full(100, 50.0)),
        "motor_current": (time_s, np.repeat([-10.0, 30.0], 50)),
    }
    effort = fit_effort(_slow_ride(np.full(100, 5.0), **channels), full, _map())
    assert effort is not None
    assert effort.saturated_share == 0.5
    assert effort.mean_current_a == pytest.approx(20.0)
    learned = fit_effort(_slow_ride(np.full(100, 5.0), **channels), full, _map(map_from="ride"))
    assert learned is not None
    assert learned.saturated_share is None


def test_no_assist_available_saturates_nothing() -> None:
    time_s = np.arange(100) * 0.1
    none = replace(PROFILE, limits=replace(PROFILE.limits, full_assist_pct=0.0))
    channels = {
        "assist_torque": (time_s, np.zeros(100)),
        "assist_limit": (time_s, np.zeros(100)),
    }
    effort = fit_effort(_slow_ride(np.full(100, 5.0), **channels), none, _map())
    assert effort is not None
    assert effort.saturated_share is None


# -- a cold start ----------------------------------------------------------------------------


def _cold(module_c: float, *, engine_rpm: float | None = 0.0, **refs: float) -> Physics:
    channels = {f"{name}_temperature": _flat(value) for name, value in refs.items()}
    if engine_rpm is not None:
        channels["engine_speed"] = _flat(engine_rpm)
    return study(make_ride({"module_temperature": _flat(module_c), **channels}), PROFILE)


def test_coolant_ten_kelvin_from_the_air_is_still_cold() -> None:
    assert _cold(20.0, ambient=10.0, coolant=20.0).cold_start is not None
    assert _cold(20.0, ambient=20.0, coolant=10.0).cold_start is not None
    assert _cold(20.0, ambient=10.0, coolant=20.1).cold_start is None


def test_coolant_alone_is_cold_up_to_45_degrees_with_the_engine_at_rest() -> None:
    check = _cold(20.0, coolant=45.0).cold_start
    assert check is not None
    assert (check.reference, check.reference_c) == ("coolant_temperature", 45.0)
    assert check.believable
    assert not _cold(19.9, coolant=45.0).cold_start.believable  # type: ignore[union-attr]  # found above
    assert _cold(20.0, coolant=45.1).cold_start is None
    assert _cold(20.0, coolant=45.0, engine_rpm=501.0).cold_start is None
    assert _cold(20.0, coolant=45.0, engine_rpm=500.0).cold_start is not None
    assert _cold(20.0, coolant=45.0, engine_rpm=None).cold_start is not None


def test_air_alone_needs_an_engine_at_rest() -> None:
    check = _cold(20.0, ambient=-5.0).cold_start
    assert check is not None
    assert (check.reference, check.reference_c) == ("ambient_temperature", -5.0)
    assert (check.apart_k, check.believable) == (25.0, True)
    assert _cold(20.0, ambient=10.0, engine_rpm=501.0).cold_start is None
    assert _cold(20.0, ambient=10.0, engine_rpm=None).cold_start is None


# -- what is known of the limits -------------------------------------------------------------


@pytest.mark.parametrize(
    ("supply_v", "share"),
    [(12.6, 1.0), (18.0, 1.0), (18.1, 2.0), (34.0, 2.0), (34.1, 4.0), (52.0, 4.0)],
)
def test_the_nominal_supply_is_told_by_where_it_rests(supply_v: float, share: float) -> None:
    ride = make_ride({"supply_voltage": _flat(supply_v)})
    assert nominal_share(ride, PROFILE) == share
    system = make_ride({"system_voltage": _flat(supply_v)})
    assert nominal_share(system, PROFILE) == share
    assert supply_limits_hold(ride, PROFILE, "charging_v") is (share == 1.0)
    assert nominal_share(ride, replace(PROFILE, nominal_v=24.0)) == 2.0
    given = replace(PROFILE, given=frozenset({"vehicle.nominal_v", "limits.charging_v"}))
    assert nominal_share(ride, given) == 1.0


def test_without_a_supply_the_limits_are_of_twelve_volts() -> None:
    ride = make_ride({"engine_speed": _flat(0.0)})
    assert nominal_share(ride, PROFILE) == 1.0
    assert supply_limits_hold(ride, PROFILE, "charging_v")
    assert not supply_limits_hold(ride, replace(PROFILE, nominal_v=24.0), "charging_v")


@pytest.mark.parametrize(
    ("source", "supply_v", "engine"),
    [
        ("alternator", 12.0, True),
        ("dcdc", 12.0, False),
        ("battery", 12.0, False),
        ("", 12.0, None),
        ("", 52.0, False),
        ("", 26.0, None),
    ],
)
def test_an_engine_is_told_by_profile_or_supply(
    source: str, supply_v: float, engine: bool | None
) -> None:
    profile = replace(PROFILE, supply=replace(PROFILE.supply, source=source))
    assert has_engine(make_ride({"supply_voltage": _flat(supply_v)}), profile) is engine


def test_lines_fall_straight_from_start_to_zero() -> None:
    lines = replace(
        LINES, derate_start_c=80.0, derate_zero_c=100.0, derate_start_v=10.0, derate_zero_v=8.0
    )
    heat = temperature_line_pct(np.array([20.0, 80.0, 85.0, 100.0, 120.0, np.nan]), lines)
    assert heat == pytest.approx([100.0, 100.0, 75.0, 0.0, 0.0, np.nan], nan_ok=True)
    supply = supply_line_pct(np.array([14.0, 10.0, 9.5, 8.0, 6.0, np.nan]), lines)
    assert supply == pytest.approx([100.0, 100.0, 75.0, 0.0, 0.0, np.nan], nan_ok=True)


def test_a_line_without_a_taper_is_a_step() -> None:
    lines = replace(
        LINES, derate_start_c=90.0, derate_zero_c=90.0, derate_start_v=9.0, derate_zero_v=9.0
    )
    heat = temperature_line_pct(np.array([20.0, 90.0, 90.1, np.nan]), lines)
    assert heat == pytest.approx([100.0, 100.0, 0.0, np.nan], nan_ok=True)
    supply = supply_line_pct(np.array([12.0, 9.0, 8.9, np.nan]), lines)
    assert supply == pytest.approx([100.0, 100.0, 0.0, np.nan], nan_ok=True)


def test_a_curve_is_linear_between_its_points_and_high_at_its_steps() -> None:
    curve = ((80.0, 100.0), (90.0, 50.0), (90.0, 20.0), (100.0, 0.0))
    asked = np.array([70.0, 85.0, 90.0, 95.0, 110.0, np.nan])
    left = [100.0, 75.0, 50.0, 10.0, 0.0, np.nan]
    assert curve_pct(asked, curve) == pytest.approx(left, nan_ok=True)
    assert curve_pct(asked, curve[::-1]) == pytest.approx(left, nan_ok=True)


def test_a_module_follows_its_target_at_bounded_rates() -> None:
    target = np.array([100.0, 0.0, 0.0, np.nan, 100.0, 100.0])
    given = follow(np.arange(6.0), target, fall_pct_s=40.0, rise_pct_s=25.0)
    assert given.tolist() == [100.0, 60.0, 20.0, 20.0, 45.0, 70.0]
    unknown = follow(np.arange(2.0), np.full(2, np.nan), fall_pct_s=40.0, rise_pct_s=25.0)
    assert unknown.tolist() == [100.0, 100.0]
    nothing = follow(np.empty(0), np.empty(0), fall_pct_s=40.0, rise_pct_s=25.0)
    assert nothing.tolist() == []


def test_a_loss_explains_what_is_left_of_it_later() -> None:
    loss = np.array([0.0, 50.0, 10.0, np.nan, 0.0, 0.0, 0.0])
    left = fading(np.arange(7.0), loss, rise_pct_s=15.0)
    assert left.tolist() == [0.0, 50.0, 35.0, 20.0, 5.0, 0.0, 0.0]


# -- the module's silences -------------------------------------------------------------------


@pytest.mark.parametrize(("silent_s", "silent"), [(4.8, False), (5.0, False), (5.1, True)])
def test_a_bus_was_silent_for_more_than_half_of_a_span(silent_s: float, silent: bool) -> None:
    recording = make_ride({}, recording_gaps=[(5.0, 10.0 + silent_s)])
    assert bus_was_silent(recording, {0}, (10.0, 20.0)) is silent
    bus = make_ride({}, bus_gaps=[(1, 20.0 - silent_s, 25.0)])
    assert bus_was_silent(bus, {1}, (10.0, 20.0)) is silent
    assert not bus_was_silent(bus, {0}, (10.0, 20.0))


def test_a_message_that_says_so_itself_is_silence_enough() -> None:
    """No other channel is heard: the bus went on, as the message's own silence tells."""
    time_s = np.concatenate((np.arange(0.0, 10.0, 0.1), np.arange(12.0, 20.0, 0.1)))
    ride = make_ride({"motor_current": (time_s, np.zeros(len(time_s)))})
    assert module_silences(ride) == ()
    own = IdStats(
        source=ride.channels["motor_current"].source,
        count=len(time_s),
        first_s=0.0,
        last_s=19.9,
        period_s=0.1,
        jitter_s=0.0,
        longest_silence_s=2.1,
        silences=((9.9, 12.0),),
    )
    (found,) = module_silences(replace(ride, bus=replace(ride.bus, ids=(own,))))
    assert (found.start_s, found.end_s, found.shortest_s) == pytest.approx((9.9, 12.0, 0.5))


# -- the law of assist -----------------------------------------------------------------------


def _torques(
    driver: FloatArray, assist: FloatArray, *known: bool, period_s: float = 0.1
) -> Timeline:
    time_s = np.arange(len(driver)) * period_s
    ride = make_ride({"driver_torque": (time_s, driver), "assist_torque": (time_s, assist)})
    pair = zip(("driver_torque", "assist_torque"), known, strict=True)
    signed = {name: replace(ride.channels[name], sign_known=sure) for name, sure in pair}
    return replace(ride, channels=signed)


def test_signs_that_are_known_are_left_as_they_are() -> None:
    driver, assist = np.array([2.0, -2.0]), np.array([-8.0, 8.0])
    found = comparable_torques(_torques(driver, assist, True, True))
    assert found is not None
    assert found[1].value.tolist() == [-8.0, 8.0]


@pytest.mark.parametrize("known", [(True, False), (False, True), (False, False)])
def test_an_unknown_sign_is_told_by_the_ride(known: tuple[bool, bool]) -> None:
    """19 of 20 alike is enough, 18 is not; torques below 1 N·m do not count."""
    driver = np.array([1.0] * 20 + [0.9] * 20)
    alike = np.array([1.0] * 19 + [-1.0] + [-5.0] * 20)
    found = comparable_torques(_torques(driver, alike, *known))
    assert found is not None
    assert found[1].value.tolist() == alike.tolist()
    turned = comparable_torques(_torques(driver, -alike, *known))
    assert turned is not None
    assert turned[1].value.tolist() == alike.tolist()
    mixed = np.array([1.0] * 18 + [-1.0] * 2 + [-5.0] * 20)
    amounts = comparable_torques(_torques(-driver, mixed, *known))
    assert amounts is not None
    assert amounts[0].value.tolist() == driver.tolist()
    assert amounts[1].value.tolist() == np.abs(mixed).tolist()


def test_torque_that_comes_too_seldom_shows_no_turn() -> None:
    flat = np.full(20, 3.0)
    assert comparable_torques(_torques(flat, flat, True, True, period_s=0.25)) is not None
    assert comparable_torques(_torques(flat, flat, True, True, period_s=0.26)) is None
    assert comparable_torques(_torques(np.full(20, np.nan), flat, True, True)) is None


def test_what_is_available_is_the_limit_or_the_least_that_the_lines_leave() -> None:
    lines = replace(
        LINES, derate_start_c=80.0, derate_zero_c=100.0, derate_start_v=10.0, derate_zero_v=8.0
    )
    hot = {"module_temperature": _flat(85.0), "supply_voltage": _flat(9.0)}
    assert available_share(make_ride(hot), np.array([1.0]), lines).tolist() == [0.5]
    del hot["supply_voltage"]
    assert available_share(make_ride(hot), np.array([1.0]), lines).tolist() == [0.75]
    assert available_share(make_ride(hot), np.array([1.0]), None).tolist() == [1.0]
    hot["assist_limit"] = _flat(40.0)
    assert available_share(make_ride(hot), np.array([1.0]), lines).tolist() == [0.4]


def test_the_maps_gain_is_by_speed_and_mode() -> None:
    speed = np.array([0.0, 5.0, 20.0, 5.0, 5.0, np.nan])
    mode = np.array([np.nan, np.nan, np.nan, 2.0, 3.0, np.nan])
    gain = map_gain(_map(), speed, mode, {2.0: "sport"})
    assert gain == pytest.approx([4.0, 3.0, 2.0, 1.5, 3.0, np.nan], nan_ok=True)
    bare = map_gain(_map(gains={"2": (2.0, 1.0)}), speed[3:5], mode[3:5], {})
    assert bare == pytest.approx([1.5, np.nan], nan_ok=True)


def test_expected_assist_is_gain_times_effort_as_far_as_the_limit_lets_it() -> None:
    time_s = np.arange(4) * 0.1
    ride = make_ride(
        {
            "driver_torque": (time_s, np.array([0.4, -2.5, 9.5, 2.5])),
            "assist_torque": (time_s, np.zeros(4)),
            "vehicle_speed": (time_s, np.zeros(4)),
            "assist_limit": (time_s, np.array([100.0, 50.0, 100.0, 100.0])),
        }
    )
    found = assist_samples(ride, _map(), None)
    assert found is not None
    assert found.expected_nm.tolist() == [0.0, -4.0, 30.0, 8.0]
    assert not found.open_top.any()
    learned = assist_samples(ride, _map(known_up_to_nm=8.0), None)
    assert learned is not None
    assert learned.expected_nm.tolist() == [0.0, -4.0, 8.0, 8.0]
    assert learned.open_top.tolist() == [False, False, True, False]


def test_a_learned_map_says_nothing_where_nothing_was_steered() -> None:
    time_s = np.arange(3) * 0.1
    ride = make_ride(
        {
            "driver_torque": (time_s, np.full(3, 2.5)),
            "assist_torque": (time_s, np.zeros(3)),
            "vehicle_speed": (time_s, np.array([4.0, 8.0, 3.9])),
        }
    )
    found = assist_samples(ride, _map(unshown_kph=((4.0, 8.0),)), None)
    assert found is not None
    assert np.isnan(found.gain).tolist() == [True, False, False]


def test_a_second_around_a_change_of_mode_is_not_settled() -> None:
    time_s = np.arange(60) * 0.1
    mode = np.where(time_s < 2.95, 1.0, 2.0)
    ride = make_ride(
        {
            "driver_torque": (time_s, np.full(60, 2.5)),
            "assist_torque": (time_s, np.zeros(60)),
            "assist_mode": (time_s, mode),
        }
    )
    found = assist_samples(ride, _map(), None)
    assert found is not None
    unsettled = time_s[~found.settled]
    assert (unsettled[0], unsettled[-1]) == pytest.approx((2.0, 4.0))


# -- assist against the map ------------------------------------------------------------------


def _ridden(right: float, left: float, *, sign_known: bool = True) -> AssistFit:
    """Four minutes of turns to both sides at a gain of its own each; the map says 4."""
    time_s = np.arange(2400) * 0.1
    driver = np.where((time_s // 4.0) % 2.0 == 0.0, 3.0, -2.5)
    given = np.where(driver > 0.0, right, left) * (np.abs(driver) - 0.5) * np.sign(driver)
    table = AssistMap(
        speed_kph=(0.0, 10.0), gains={"*": (4.0, 4.0)}, driver_deadband_nm=0.5, max_assist_nm=30.0
    )
    ride = make_ride(
        {
            "driver_torque": (time_s, driver),
            "assist_torque": (time_s, given),
            "vehicle_speed": (time_s, np.where(time_s < 120.0, 0.0, 10.0)),
        }
    )
    if not sign_known:
        torque = replace(ride.channels["driver_torque"], sign_known=False)
        ride = replace(ride, channels={**ride.channels, "driver_torque": torque})
    found = fit_assist(ride, replace(PROFILE, assist_map=table), LINES)
    assert found is not None
    return found


def test_each_side_is_measured_against_the_map_by_itself() -> None:
    fit = _ridden(right=4.0, left=3.0)
    assert fit.ratio is not None
    assert fit.ratio.value == pytest.approx((4.0 * 2.5 + 3.0 * 2.0) / (4.0 * 4.5), rel=0.02)
    assert fit.side_difference is not None
    assert fit.side_difference.value == pytest.approx(0.25, abs=0.01)
    assert fit.side_difference.count == 30
    assert fit.side_difference.low <= 0.25 <= fit.side_difference.high
    assert [(band.speed_low_kph, band.speed_high_kph) for band in fit.bands] == [
        (0.0, 10.0),
        (10.0, 10.0),
    ]
    for band in fit.bands:
        assert band.expected_gain == pytest.approx(4.0)
        assert band.right_gain is not None
        assert band.right_gain.value == pytest.approx(4.0, rel=0.02)
        assert band.right_gain.unit == "N·m/N·m"
        assert band.left_gain is not None
        assert band.left_gain.value == pytest.approx(3.0, rel=0.02)
        assert 300 <= len(band.points.x) <= 800


def test_without_sure_signs_there_are_no_sides() -> None:
    fit = _ridden(right=4.0, left=3.0, sign_known=False)
    assert fit.ratio is not None
    assert fit.side_difference is None
    assert all(band.left_gain is None and band.right_gain is None for band in fit.bands)


def test_what_is_left_of_a_resistance_has_both_spreads_as_root_of_squares() -> None:
    both = Estimate(value=30.0, low=27.0, high=33.0, unit="ohm", count=9)
    path = Estimate(value=20.0, low=16.0, high=24.0, unit="ohm", count=7)
    left = _less(both, path)
    assert (left.value, left.low, left.high) == pytest.approx((10.0, 5.0, 15.0))

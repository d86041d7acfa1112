"""Derates and their causes on rides worked by hand."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from canassist.detect.derate import find_derates
from canassist.detect.signals import find_losses
from canassist.model import Event, FloatArray, Physics, Profile, Protection, Severity, Timeline
from canassist.physics import life_of_ride, limit_lines, study

Ride = Callable[..., Timeline]
Every = Callable[[float, float], FloatArray]
Channels = dict[str, tuple[FloatArray, FloatArray]]


def _find(timeline: Timeline, profile: Profile) -> list[Event]:
    physics = Physics(limit_lines=limit_lines(profile))
    life = life_of_ride(timeline)
    return find_derates(timeline, profile, physics, life, find_losses(timeline, life))


def _warm(every: Every, until_s: float = 60.0) -> Channels:
    """Everything in order: 60 degC, 14 V, engine running, full assist."""
    time_s = every(0.1, until_s)

    def flat(value: float) -> FloatArray:
        return np.full(len(time_s), value)

    return {
        "vehicle_speed": (time_s, flat(8.0)),
        "engine_speed": (time_s, flat(2000.0)),
        "supply_voltage": (time_s, flat(14.0)),
        "module_temperature": (time_s, flat(60.0)),
        "assist_limit": (time_s, flat(100.0)),
        "driver_torque": (time_s, 2.0 * np.sin(time_s)),
        "motor_current": (time_s, 8.0 * np.sin(time_s)),
    }


def test_nothing_wrong_is_silent(ride: Ride, every: Every, profile: Profile) -> None:
    assert _find(ride(_warm(every)), profile) == []


@pytest.mark.parametrize(("samples", "count"), [(2, 0), (3, 1)])
def test_a_derate_lasts_0_3_s(
    ride: Ride, every: Every, profile: Profile, samples: int, count: int
) -> None:
    """Three samples at 0.1 s: measured to the first that is not part of the run, 0.3 s."""
    channels = _warm(every)
    channels["assist_limit"][1][100 : 100 + samples] = 90.0
    events = _find(ride(channels), profile)
    assert len(events) == count
    for event in events:
        assert (event.start_s, event.end_s) == pytest.approx((10.0, 10.3))


def test_it_ends_at_98_that_holds_for_a_second(ride: Ride, every: Every, profile: Profile) -> None:
    channels = _warm(every)
    limit = channels["assist_limit"][1]
    limit[100:110] = 80.0
    limit[110:120] = 97.0  # above 95, below 98
    limit[120:129] = 98.0  # 0.9 s
    limit[129] = 97.9
    events = _find(ride(channels), profile)
    assert [(e.start_s, e.end_s) for e in events] == [pytest.approx((10.0, 13.0))]


def _heat_up(channels: Channels) -> None:
    """Temperature climbs 60 .. 105 .. 60 degC; the limit follows the line 85 .. 115."""
    time_s = channels["module_temperature"][0]
    heat = np.interp(time_s, [5.0, 25.0, 30.0, 50.0], [60.0, 105.0, 105.0, 60.0])
    channels["module_temperature"] = (time_s, heat)
    channels["assist_limit"] = (time_s, np.clip(100.0 * (115.0 - heat) / 30.0, 0.0, 100.0))


def test_a_limit_that_follows_the_temperature_line_is_heat(
    ride: Ride, every: Every, profile: Profile
) -> None:
    """Published taper: 100 at 85 degC to 0 at 115; 105 degC leaves 33.3 %."""
    channels = _warm(every)
    _heat_up(channels)
    (event,) = _find(ride(channels), profile)
    assert (event.cause, event.severity) == ("temperature", Severity.WARNING)
    assert event.measured["min_assist_pct"] == pytest.approx(100.0 / 3.0)
    assert event.expected["min_assist_pct"] == pytest.approx(100.0 / 3.0)
    assert event.shares["temperature"] == pytest.approx(1.0)
    assert event.shares["unexplained"] == pytest.approx(0.0)
    # 95 % is at 86.5 degC: 2.25 K/s from 60 degC at 5 s -> 16.78 s, the next sample is 16.8 s
    assert event.start_s == pytest.approx(16.8)


def test_a_limit_that_follows_the_supply_line_is_voltage(
    ride: Ride, every: Every, profile: Profile
) -> None:
    channels = _warm(every)
    time_s = channels["supply_voltage"][0]
    supply = np.interp(time_s, [20.0, 22.0, 24.0, 26.0], [14.0, 10.0, 10.0, 14.0])
    channels["supply_voltage"] = (time_s, supply)
    channels["assist_limit"] = (time_s, np.clip(100.0 * (supply - 9.0) / 2.0, 0.0, 100.0))
    (event,) = _find(ride(channels), profile)
    assert event.cause == "voltage"
    assert event.measured["min_assist_pct"] == pytest.approx(50.0)
    assert event.measured["min_supply_v"] == pytest.approx(10.0)


def test_slow_return_after_a_dip_still_counts_as_voltage(
    ride: Ride, every: Every, profile: Profile
) -> None:
    """Supply is low for 0.3 s; the module lets assist back at 20 % a second."""
    channels = _warm(every)
    time_s, supply = channels["supply_voltage"]
    supply[(time_s > 19.95) & (time_s < 20.25)] = 9.5
    limit = np.interp(time_s, [20.0, 20.1, 20.3, 24.05], [100.0, 25.0, 25.0, 100.0])
    channels["assist_limit"] = (time_s, limit)
    (event,) = _find(ride(channels), profile)
    assert event.cause == "voltage"
    assert event.shares["voltage"] > 0.75


def test_heat_and_supply_each_over_a_quarter_are_both_named(
    ride: Ride, every: Every, profile: Profile
) -> None:
    channels = _warm(every)
    time_s, heat = channels["module_temperature"]
    heat[(time_s > 20.0) & (time_s < 30.0)] = 97.0  # leaves 60 %
    supply = channels["supply_voltage"][1]
    supply[(time_s > 20.0) & (time_s < 25.0)] = 10.0  # leaves 50 %
    limit = channels["assist_limit"][1]
    limit[(time_s > 20.0) & (time_s < 30.0)] = 60.0
    limit[(time_s > 20.0) & (time_s < 25.0)] = 50.0
    (event,) = _find(ride(channels), profile)
    assert event.cause == "temperature+voltage"
    # by hand: lost 49 * 50 + 50 * 40 = 4450; heat 99 * 40 = 3960; supply 49 * 50 = 2450 and more
    assert event.shares["temperature"] == pytest.approx(3960 / 4450, abs=0.01)
    assert event.shares["voltage"] >= 2450 / 4450 - 0.01


def test_what_deepens_a_reduction_is_named_beside_its_trigger(
    ride: Ride, every: Every, profile: Profile
) -> None:
    channels = _warm(every)
    time_s, heat = channels["module_temperature"]
    heat[:] = 87.0  # leaves 93.3 %: by hand 6.7 * 60 of 6.7 * 30 + 60 * 30, a fifth
    channels["assist_limit"][1][:] = 280.0 / 3.0
    dip = (time_s > 10.0) & (time_s < 40.0)
    channels["supply_voltage"][1][dip] = 9.8  # leaves 40 %
    channels["assist_limit"][1][dip] = 40.0
    (event,) = _find(ride(channels), profile)
    assert (event.cause, event.measured["also"]) == ("temperature", "voltage")
    assert event.shares["voltage"] > 4.0 * event.shares["temperature"]


def test_good_supply_and_temperature_leave_it_unexplained(
    ride: Ride, every: Every, profile: Profile
) -> None:
    channels = _warm(every)
    channels["assist_limit"][1][200:300] = 40.0
    (event,) = _find(ride(channels), profile)
    assert (event.cause, event.severity) == ("unexplained", Severity.SERIOUS)
    assert event.measured["lost_assist_pct_s"] == pytest.approx(60.0 * 10.0)


def test_lost_road_speed_explains_a_fallback(ride: Ride, every: Every, profile: Profile) -> None:
    channels = _warm(every)
    time_s, speed = channels["vehicle_speed"]
    speed[(time_s > 20.0) & (time_s < 30.0)] = np.nan
    channels["assist_limit"][1][(time_s > 20.6) & (time_s < 30.2)] = 50.0
    (event,) = _find(ride(channels), profile)
    assert event.cause == "speed_signal"


def test_no_assist_before_the_engine_starts_is_a_note(
    ride: Ride, every: Every, profile: Profile
) -> None:
    channels = _warm(every)
    time_s, rpm = channels["engine_speed"]
    rpm[time_s < 12.0] = 0.0
    channels["vehicle_speed"][1][:] = 0.0
    channels["assist_limit"][1][time_s < 12.3] = 0.0
    (event,) = _find(ride(channels), profile)
    assert (event.cause, event.severity, event.start_s) == ("engine_stopped", Severity.NOTE, 0.0)


def test_too_high_a_supply_explains_a_cut(ride: Ride, every: Every, profile: Profile) -> None:
    channels = _warm(every)
    time_s, supply = channels["supply_voltage"]
    high = (time_s > 20.0) & (time_s < 24.0)
    supply[high] = 17.0
    channels["assist_limit"][1][high] = 30.0
    (event,) = _find(ride(channels), profile)
    assert event.cause == "overvoltage"


def test_status_words_stand_in_and_are_named(ride: Ride, every: Every, profile: Profile) -> None:
    channels = _warm(every)
    time_s = channels["assist_limit"][0]
    del channels["assist_limit"]
    status = np.full(len(time_s), 2.0)
    status[100:150] = 1.0
    channels["module_status"] = (time_s, status)
    words = replace(profile, status_reduced=frozenset({"1"}), status_off=frozenset({"0"}))
    (event,) = _find(ride(channels), words)
    assert event.measured["seen_on"] == "module_status"
    assert (event.start_s, event.end_s) == pytest.approx((10.0, 15.0))
    assert _find(ride(channels), profile) == []  # no words that mean reduced are known


def test_the_status_stands_in_for_a_limit_that_never_has_a_value(
    ride: Ride, every: Every, profile: Profile
) -> None:
    channels = _warm(every)
    time_s, limit = channels["assist_limit"]
    limit[:] = np.nan
    channels["module_status"] = (time_s, np.where((time_s > 9.95) & (time_s < 14.95), 1.0, 2.0))
    words = replace(profile, status_reduced=frozenset({"1"}))
    (event,) = _find(ride(channels), words)
    assert event.measured["seen_on"] == "module_status"


def test_a_limit_that_follows_road_speed_is_no_derate(
    ride: Ride, every: Every, profile: Profile
) -> None:
    """Limit falls from 100 at 20 km/h to 50 at 70; only a drop below that is a derate."""
    channels = _warm(every, 300.0)
    time_s = channels["vehicle_speed"][0]
    speed = 35.0 + 35.0 * np.sin(time_s / 12.0)
    channels["vehicle_speed"] = (time_s, speed)
    limit = np.interp(speed, [20.0, 70.0], [100.0, 50.0])
    channels["assist_limit"] = (time_s, limit)
    events = _find(ride(channels), profile)
    assert {(e.cause, e.severity) for e in events} == {("law", Severity.NOTE)}
    assert sum(e.measured["lost_assist_pct_s"] for e in events) == 0.0
    dropped = limit.copy()
    dropped[1500:1600] *= 0.5
    channels["assist_limit"] = (time_s, dropped)
    (event,) = [e for e in _find(ride(channels), profile) if e.cause != "law"]
    assert event.start_s == pytest.approx(150.0)
    # by hand: at 35 km/h and below the law leaves 85 % and more, of which half is lost
    assert 30.0 < 100.0 - event.measured["min_assist_pct"] < 75.0


def test_nothing_without_limit_and_status(ride: Ride, every: Every, profile: Profile) -> None:
    channels = _warm(every)
    del channels["assist_limit"]
    assert _find(ride(channels), profile) == []


def _waits_for_the_engine(every: Every) -> Channels:
    """No assist at the battery's 12.4 V for 12 s, full assist at 14 V from then on; 60 degC."""
    channels = _warm(every)
    time_s, rpm = channels["engine_speed"]
    before = time_s < 12.0
    rpm[before] = 0.0
    channels["supply_voltage"][1][before] = 12.4
    channels["assist_limit"][1][before] = 0.0
    return channels


def test_without_engine_speed_low_supply_takes_no_blame_for_a_stopped_engine(
    ride: Ride, every: Every, profile: Profile
) -> None:
    """With the engine stopped both are gone, assist and charge: neither explains the other."""
    channels = _waits_for_the_engine(every)
    (told,) = _find(ride(channels), profile)
    assert told.cause == "engine_stopped"
    del channels["engine_speed"]
    (untold,) = _find(ride(channels), profile)
    assert (untold.cause, untold.measured["after"]) == ("start_up", "log_begin")
    assert untold.severity is Severity.NOTE


def test_a_24_v_vehicle_is_told_no_12_v_line(ride: Ride, every: Every, profile: Profile) -> None:
    channels = _warm(every)
    channels["supply_voltage"][1][:] = 27.0
    _heat_up(channels)
    (event,) = _find(ride(channels), profile)
    assert event.cause == "temperature"
    assert "supply_v" not in event.expected


def test_without_engine_speed_a_warm_module_takes_no_blame_for_a_stopped_engine(
    ride: Ride, every: Every, profile: Profile
) -> None:
    """The ride warms the module to 70 degC, short of its line; then the engine is stopped."""
    channels = _warm(every)
    time_s, heat = channels["module_temperature"]
    heat[:] = np.interp(time_s, [0.0, 50.0], [40.0, 70.0])
    stopped = time_s > 50.0
    channels["engine_speed"][1][stopped] = 0.0
    channels["assist_limit"][1][stopped] = 0.0
    (told,) = _find(ride(channels), profile)
    assert told.cause == "engine_stopped"
    del channels["engine_speed"]
    (untold,) = _find(ride(channels), profile)
    assert (untold.cause, untold.measured["missing"]) == (None, "engine_speed")


# -- onset: what stands there is the trigger, the rest is the module's own law ------------------


def test_a_dip_s_slow_recovery_belongs_to_the_dip(
    ride: Ride, every: Every, profile: Profile
) -> None:
    """Supply dips for 0.4 s; the module comes back over 60 s, long after the supply is good."""
    channels = _warm(every, 120.0)
    time_s, supply = channels["supply_voltage"]
    supply[(time_s > 19.95) & (time_s < 20.35)] = 9.0
    limit = np.interp(time_s, [20.0, 20.1, 20.4, 80.0], [100.0, 0.0, 0.0, 100.0])
    channels["assist_limit"] = (time_s, limit)
    (event,) = _find(ride(channels), profile)
    assert event.cause == "voltage"
    assert event.measured["beyond_line_share"] > 0.5


def test_a_module_that_was_silent_comes_back_by_its_ramp(
    ride: Ride, every: Every, profile: Profile
) -> None:
    """The plug loses contact for 0.5 s; the module starts again with no assist, and ramps up."""
    channels = _warm(every)
    time_s = channels["assist_limit"][0]
    limit = np.interp(time_s, [20.5, 28.5], [0.0, 100.0])
    limit[time_s < 20.25] = 100.0
    channels["assist_limit"] = (time_s, limit)
    awake = (time_s < 20.05) | (time_s > 20.65)
    awake_ones = ("assist_limit", "driver_torque", "motor_current", "module_temperature")
    for name in awake_ones:
        channels[name] = (time_s[awake], channels[name][1][awake])
    timeline = ride(channels)
    named = {
        name: replace(one, sender="Module" if name in awake_ones else "Body")
        for name, one in timeline.channels.items()
    }
    (event,) = _find(replace(timeline, channels=named), profile)
    assert (event.cause, event.measured["after"]) == ("start_up", "silence")
    ramp = replace(profile, protection=Protection(start_ramp_s=2.0))
    (event,) = _find(replace(timeline, channels=named), ramp)
    assert event.cause is None  # far longer than the module's ramp: not by itself


def test_a_ramp_after_an_engine_start_is_a_note(ride: Ride, every: Every, profile: Profile) -> None:
    channels = _warm(every)
    time_s, rpm = channels["engine_speed"]
    rpm[time_s < 10.0] = 0.0
    limit = np.interp(time_s, [10.5, 14.0], [40.0, 100.0])
    channels["assist_limit"] = (time_s[time_s > 10.45], limit[time_s > 10.45])
    (event,) = _find(ride(channels), profile)
    assert (event.cause, event.severity) == ("start_up", Severity.NOTE)


def test_an_engine_that_stops_at_rest_is_a_note_wherever_the_vehicle_goes_then(
    ride: Ride, every: Every, profile: Profile
) -> None:
    """It stops at standstill and starts 3 s later; the ramp outlasts it as the vehicle sets off."""
    channels = _warm(every)
    time_s, rpm = channels["engine_speed"]
    rpm[(time_s > 20.0) & (time_s < 23.0)] = 0.0
    channels["vehicle_speed"][1][:] = np.interp(time_s, [10, 15, 24, 27], [8.0, 0.0, 0.0, 15.0])
    channels["assist_limit"] = (
        time_s,
        np.interp(time_s, [20.1, 20.3, 23.0, 31.0], [100.0, 0.0, 0.0, 100.0]),
    )
    (event,) = _find(ride(channels), profile)
    assert (event.cause, event.severity) == ("engine_stopped", Severity.NOTE)
    channels["vehicle_speed"][1][:] = 15.0
    (event,) = _find(ride(channels), profile)
    assert event.severity is Severity.WARNING


def test_slow_supply_samples_cannot_say_that_there_was_no_dip(
    ride: Ride, every: Every, profile: Profile
) -> None:
    channels = _warm(every)
    fast, slow = every(0.02, 60.0), every(0.15, 60.0)
    channels["assist_limit"] = (fast, np.where((fast > 20.0) & (fast < 21.0), 50.0, 100.0))
    channels["supply_voltage"] = (slow, np.full(len(slow), 14.0))
    (event,) = _find(ride(channels), profile)
    assert (event.cause, event.measured["missing"]) == (None, "supply_voltage")
    channels["supply_voltage"] = (fast, np.full(len(fast), 14.0))
    (event,) = _find(ride(channels), profile)
    assert event.cause == "unexplained"


@pytest.mark.parametrize(
    "missing", ["module_temperature", "vehicle_speed", "driver_torque", "motor_current"]
)
def test_without_a_channel_that_could_explain_it_nothing_is_unexplained(
    ride: Ride, every: Every, profile: Profile, missing: str
) -> None:
    channels = _warm(every)
    channels["assist_limit"][1][200:300] = 40.0
    del channels[missing]
    (event,) = _find(ride(channels), profile)
    assert (event.cause, event.measured["missing"]) == (None, missing)


def test_what_stands_at_full_assist_again_and_again_is_no_trigger(
    ride: Ride, every: Every, profile: Profile
) -> None:
    """Ten dips of the same depth, and assist falls at one of them."""
    channels = _warm(every, 200.0)
    time_s, supply = channels["supply_voltage"]
    for start_s in range(10, 190, 18):
        supply[(time_s > start_s) & (time_s < start_s + 0.6)] = 10.8
    channels["assist_limit"][1][(time_s > 82.2) & (time_s < 90.0)] = 30.0
    (event,) = _find(ride(channels), profile)
    assert event.cause == "unexplained"


def test_duty_stands_higher_at_each_onset_than_at_any_full_assist(
    ride: Ride, every: Every, profile: Profile
) -> None:
    """The module limits where current squared, averaged over 40 s, passes 1600 A2; cool signal."""
    channels = _warm(every, 600.0)
    time_s = channels["assist_limit"][0]
    rng = np.random.default_rng(3)
    current = 25.0 + 5.0 * rng.normal(size=len(time_s))
    for start_s in (150.0, 380.0):
        current[(time_s > start_s) & (time_s < start_s + 60.0)] += 35.0
    level, limit, low = 0.0, np.full(len(time_s), 100.0), False
    for row, amps in enumerate(current.tolist()):
        level += (amps**2 - level) * 0.1 / 40.0
        low = level > 1600.0 or (low and level > 1200.0)
        limit[row] = 50.0 if low else 100.0
    channels["motor_current"] = (time_s, current)
    channels["assist_limit"] = (time_s, limit)
    events = _find(ride(channels), profile)
    assert [event.cause for event in events] == ["duty", "duty"]
    shuffled = current.copy()
    shuffled[:] = 25.0 + 5.0 * rng.normal(size=len(time_s))  # the same falls without any duty
    channels["motor_current"] = (time_s, shuffled)
    assert {event.cause for event in _find(ride(channels), profile)} == {"unexplained"}


def test_one_onset_is_duty_only_by_a_known_rule(ride: Ride, every: Every, profile: Profile) -> None:
    channels = _warm(every, 300.0)
    time_s = channels["assist_limit"][0]
    heavy = (time_s > 150.0) & (time_s < 200.0)
    channels["motor_current"] = (time_s, np.where(heavy, 60.0, 20.0))
    channels["assist_limit"][1][(time_s > 190.0) & (time_s < 230.0)] = 60.0
    (event,) = _find(ride(channels), profile)
    assert event.cause == "unexplained"
    rule = replace(profile, protection=Protection(duty_rule=True))
    (event,) = _find(ride(channels), rule)
    assert event.cause == "duty"


def test_a_curve_of_the_profile_rules_speed_and_heat(
    ride: Ride, every: Every, profile: Profile
) -> None:
    """70 % at standstill by design; 40 % at 88 degC where the curve has a step."""
    own = Protection(
        road_speed=((0.0, 70.0), (4.0, 100.0)), temperature=((87.0, 100.0), (87.0, 40.0))
    )
    channels = _warm(every)
    time_s, speed = channels["vehicle_speed"]
    speed[time_s < 20.0] = 0.0
    channels["assist_limit"][1][time_s < 20.2] = 70.0
    hot = time_s > 40.0
    channels["module_temperature"][1][hot] = 88.0
    channels["assist_limit"][1][hot] = 40.0
    events = _find(ride(channels), replace(profile, protection=own))
    assert [event.cause for event in events] == ["law", "temperature"]


def test_a_given_line_that_is_a_tenth_too_high_blames_nobody(
    ride: Ride, every: Every, profile: Profile
) -> None:
    """The module tapers from 78 degC; the profile says 86.5 to 115."""
    channels = _warm(every, 400.0)
    time_s = channels["module_temperature"][0]
    heat = 70.0 + 15.0 * np.sin(time_s / 30.0)
    channels["module_temperature"] = (time_s, heat)
    channels["assist_limit"] = (time_s, np.clip(100.0 * (105.0 - heat) / 27.0, 0.0, 100.0))
    limits = replace(profile.limits, derate_start_c=86.5)
    names = ("derate_start_c", "derate_zero_c")
    told = replace(profile, limits=limits, given=frozenset(f"limits.{name}" for name in names))
    timeline = ride(channels)
    physics = study(timeline, told)
    assert physics.limit_lines is not None
    (test,) = physics.limit_lines.tested
    assert (test.quantity, test.agrees) == ("temperature", False)
    assert test.ride_start == pytest.approx(78.0, abs=1.0)
    life = life_of_ride(timeline)
    events = find_derates(timeline, told, physics, life, find_losses(timeline, life))
    assert {event.cause for event in events} == {"temperature"}


def test_a_temperature_that_rests_as_it_never_did_excludes_nothing(
    ride: Ride, every: Every, profile: Profile
) -> None:
    """The reading stops at 60 degC for 100 s, and assist falls meanwhile."""
    channels = _warm(every, 200.0)
    time_s = channels["module_temperature"][0]
    heat = np.round(55.0 + 10.0 * np.sin(time_s / 5.0))
    heat[time_s > 95.0] = 60.0
    channels["module_temperature"] = (time_s, heat)
    channels["assist_limit"][1][(time_s > 160.0) & (time_s < 170.0)] = 60.0
    (event,) = _find(ride(channels), profile)
    assert (event.cause, event.measured["missing"]) == (None, "module_temperature")
    channels["assist_limit"][1][:] = np.where((time_s > 60.0) & (time_s < 70.0), 60.0, 100.0)
    (event,) = _find(ride(channels), profile)
    assert event.cause == "unexplained"


def test_a_module_that_wakes_after_a_hole_of_the_log_starts_up(
    ride: Ride, every: Every, profile: Profile
) -> None:
    channels = _warm(every)
    for name, (time_s, value) in channels.items():
        seen = (time_s < 20.05) | (time_s > 24.95)
        channels[name] = (time_s[seen], value[seen])
    time_s, limit = channels["assist_limit"]
    limit[:] = np.where(time_s > 22.0, np.minimum(100.0, 50.0 * (time_s - 25.0)), 100.0)
    (event,) = _find(ride(channels, recording_gaps=[(20.0, 25.0)]), profile)
    assert (event.cause, event.severity) == ("start_up", Severity.NOTE)


def test_a_stopped_engine_explains_no_loss_that_stays_once_it_runs(
    ride: Ride, every: Every, profile: Profile
) -> None:
    channels = _warm(every, 100.0)
    time_s, rpm = channels["engine_speed"]
    rpm[time_s < 5.0] = 0.0
    limit = channels["assist_limit"][1]
    limit[time_s < 5.0] = 0.0
    limit[time_s >= 5.0] = 55.0
    (event,) = _find(ride(channels), profile)
    assert event.cause != "engine_stopped"
    assert event.severity is not Severity.NOTE
    limit[time_s >= 5.0] = np.minimum(100.0, 20.0 + 4.0 * (time_s[time_s >= 5.0] - 5.0))
    (climbs,) = _find(ride(channels), profile)
    assert (climbs.cause, climbs.severity) == ("engine_stopped", Severity.NOTE)


def test_a_dip_to_near_a_line_that_is_a_little_off_is_the_trigger(
    ride: Ride, every: Every, profile: Profile
) -> None:
    """A module latched by a dip to 11.6 V, with a given line that starts at 11.0 V."""
    channels = _warm(every)
    time_s, supply_v = channels["supply_voltage"]
    supply_v[(time_s >= 29.7) & (time_s < 30.0)] = 11.6
    channels["assist_limit"][1][time_s >= 30.0] = 40.0
    (event,) = _find(ride(channels), profile)
    assert event.cause == "voltage"
    supply_v[(time_s >= 10.0) & (time_s < 10.3)] = 11.6  # and nothing followed
    (again,) = _find(ride(channels), profile)
    assert again.cause != "voltage"

"""Derates and their causes on rides worked by hand."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from canassist.detect.derating import find_derates
from canassist.detect.signals import find_losses
from canassist.model import Event, FloatArray, Physics, Profile, Severity, Timeline
from canassist.physics import limit_lines

Ride = Callable[..., Timeline]
Every = Callable[[float, float], FloatArray]
Channels = dict[str, tuple[FloatArray, FloatArray]]


def _find(timeline: Timeline, profile: Profile) -> list[Event]:
    physics = Physics(limit_lines=limit_lines(profile))
    return find_derates(timeline, profile, physics, find_losses(timeline))


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


def test_a_warm_module_does_not_take_the_blame_for_a_short_of_a_quarter(
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
    assert event.cause == "voltage"


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
    assert _find(ride(channels), profile) == []
    dropped = limit.copy()
    dropped[1500:1600] *= 0.5
    channels["assist_limit"] = (time_s, dropped)
    (event,) = _find(ride(channels), profile)
    assert event.start_s == pytest.approx(150.0)


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
    assert untold.cause == "unexplained"
    assert untold.severity is Severity.WARNING


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
    assert untold.cause == "unexplained"

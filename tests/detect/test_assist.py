"""Assist deviations on rides worked by hand: assist is made from the contract's own rule."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from canassist.detect.assist import find_assist_deviations
from canassist.model import Event, FloatArray, Profile, Severity, Timeline
from canassist.physics import study
from tests.detect.hand_rides import Samples

Ride = Callable[..., Timeline]
Every = Callable[[float, float], FloatArray]
SPEEDS, GAINS = (0.0, 10.0, 20.0, 40.0, 60.0, 80.0), (4.0, 3.6, 3.0, 2.0, 1.3, 1.0)
LAG_S = 0.05


def _called_for(driver_nm: FloatArray, speed_kph: FloatArray, limit_pct: FloatArray) -> FloatArray:
    """Gain by speed x (|driver torque| - 0.5), at most 40, times the assist limit."""
    gain = np.interp(speed_kph, SPEEDS, GAINS)
    size = np.minimum(gain * np.maximum(np.abs(driver_nm) - 0.5, 0.0), 40.0)
    return np.asarray(np.sign(driver_nm) * size * limit_pct / 100.0)


def _sound(every: Every, until_s: float = 120.0) -> dict[str, Samples]:
    """Return turns to both sides every 8 s, first slow, then at 40 km/h; assist is 50 ms late."""
    time_s = every(0.02, until_s)
    driver = 5.0 * np.sin(2.0 * np.pi * time_s / 8.0)
    speed = np.where(time_s < until_s / 2.0, 5.0, 40.0)
    limit = np.full(len(time_s), 100.0)
    late = 5.0 * np.sin(2.0 * np.pi * (time_s - LAG_S) / 8.0)
    return {
        "vehicle_speed": (time_s, speed),
        "engine_speed": (time_s, np.full(len(time_s), 2000.0)),
        "assist_limit": (time_s, limit),
        "assist_torque": (time_s, _called_for(late, speed, limit)),
        "driver_torque": (time_s, driver),
    }


def _find(timeline: Timeline, profile: Profile) -> list[Event]:
    return find_assist_deviations(timeline, profile, study(timeline, profile))


def _span(events: list[Event]) -> list[tuple[str | None, float]]:
    return [(event.cause, event.start_s) for event in events]


def test_assist_by_the_map_is_silent(ride: Ride, every: Every, profile: Profile) -> None:
    assert _find(ride(_sound(every)), profile) == []


def test_the_lag_is_found(ride: Ride, every: Every, profile: Profile) -> None:
    fit = study(ride(_sound(every)), profile).assist
    assert fit is not None
    assert fit.lag_s == pytest.approx(LAG_S, abs=0.011)
    assert fit.ratio is not None
    assert fit.ratio.value == pytest.approx(1.0, abs=0.02)


def _scaled(channels: dict[str, Samples], factor: FloatArray) -> dict[str, Samples]:
    time_s, assist = channels["assist_torque"]
    return {**channels, "assist_torque": (time_s, assist * factor)}


def test_weak_to_both_sides_is_low_and_one_event(
    ride: Ride, every: Every, profile: Profile
) -> None:
    channels = _sound(every)
    time_s = channels["assist_torque"][0]
    weak = np.where((time_s > 20.0) & (time_s < 44.0), 0.6, 1.0)
    events = _find(ride(_scaled(channels, weak)), profile)
    assert [event.cause for event in events] == ["low"]
    # assist passes 3 N·m at |driver torque| 1.29 N·m: 0.33 s after 20 s, where it crosses zero
    assert events[0].start_s == pytest.approx(20.33, abs=0.3)
    assert events[0].end_s == pytest.approx(44.33, abs=0.3)
    assert events[0].measured["assist_share"] == pytest.approx(0.6, abs=0.03)


def test_strong_to_both_sides_is_high(ride: Ride, every: Every, profile: Profile) -> None:
    channels = _sound(every)
    time_s = channels["assist_torque"][0]
    events = _find(ride(_scaled(channels, np.where(time_s > 60.0, 1.5, 1.0))), profile)
    assert [event.cause for event in events] == ["high"]
    assert events[0].end_s is None


def test_nineteen_per_cent_is_within_tolerance(ride: Ride, every: Every, profile: Profile) -> None:
    channels = _sound(every)
    count = len(channels["assist_torque"][0])
    assert _find(ride(_scaled(channels, np.full(count, 0.83))), profile) == []


@pytest.mark.parametrize(("side", "cause"), [(1.0, "right_low"), (-1.0, "left_low")])
def test_weak_to_one_side_is_named_by_it(
    ride: Ride, every: Every, profile: Profile, side: float, cause: str
) -> None:
    channels = _sound(every)
    assist = channels["assist_torque"][1]
    factor = np.where(np.sign(assist) == side, 0.6, 1.0)
    events = _find(ride(_scaled(channels, factor)), profile)
    assert [event.cause for event in events] == [cause]


def _unsigned(timeline: Timeline) -> Timeline:
    unknown = {
        name: replace(one, sign_known=False) if name.endswith("torque") else one
        for name, one in timeline.channels.items()
    }
    return replace(timeline, channels=unknown)


def test_a_weak_side_of_unknown_sign_is_low_and_one_event(
    ride: Ride, every: Every, profile: Profile
) -> None:
    """Good turns to the other side lie between; which side is weak is not said."""
    channels = _sound(every)
    factor = np.where(channels["assist_torque"][1] > 0.0, 0.6, 1.0)
    events = _find(_unsigned(ride(_scaled(channels, factor))), profile)
    assert [event.cause for event in events] == ["low"]


@pytest.mark.parametrize("count_as", [np.abs, np.negative])
def test_sound_assist_of_unknown_sign_is_silent(
    ride: Ride, every: Every, profile: Profile, count_as: Callable[[FloatArray], FloatArray]
) -> None:
    """An assist that is sent as an amount, or left positive, is still the assist called for."""
    channels = _sound(every)
    time_s, assist = channels["assist_torque"]
    channels["assist_torque"] = (time_s, count_as(assist))
    timeline = _unsigned(ride(channels))
    assert _find(timeline, profile) == []
    fit = study(timeline, profile).assist
    assert fit is not None
    assert fit.lag_s == pytest.approx(LAG_S, abs=0.011)


@pytest.mark.parametrize("count_as", [np.abs, np.negative])
def test_weak_assist_of_unknown_sign_is_low(
    ride: Ride, every: Every, profile: Profile, count_as: Callable[[FloatArray], FloatArray]
) -> None:
    channels = _sound(every)
    time_s, assist = channels["assist_torque"]
    channels["assist_torque"] = (time_s, 0.6 * count_as(assist))
    events = _find(_unsigned(ride(channels)), profile)
    assert {event.cause for event in events} == {"low"}


def test_one_gain_at_every_speed_ignores_speed(ride: Ride, every: Every, profile: Profile) -> None:
    channels = _sound(every)
    time_s, speed = channels["vehicle_speed"]
    assist = channels["assist_torque"][1]
    flat = assist * np.interp(5.0, SPEEDS, GAINS) / np.interp(speed, SPEEDS, GAINS)
    # a third speed, so that the gain can be seen to stay the same over a range of speeds
    middle = (time_s > 60.0) & (time_s < 90.0)
    speed[middle] = 25.0
    channels["assist_torque"] = (time_s, flat)
    events = _find(ride(channels), profile)
    assert [event.cause for event in events] == ["ignores_speed"]


def test_too_little_steering_is_no_deviation(ride: Ride, every: Every, profile: Profile) -> None:
    channels = _sound(every)
    time_s = channels["assist_torque"][0]
    short = np.where((time_s > 21.0) & (time_s < 21.8), 0.5, 1.0)
    assert _find(ride(_scaled(channels, short)), profile) == []


def test_reduced_assist_by_its_limit_is_no_deviation(
    ride: Ride, every: Every, profile: Profile
) -> None:
    channels = _sound(every)
    time_s, limit = channels["assist_limit"]
    limit[(time_s > 20.0) & (time_s < 50.0)] = 40.0
    late = 5.0 * np.sin(2.0 * np.pi * (time_s - LAG_S) / 8.0)
    speed = channels["vehicle_speed"][1]
    channels["assist_torque"] = (time_s, _called_for(late, speed, limit))
    assert _find(ride(channels), profile) == []


@pytest.mark.parametrize(("seconds", "count"), [(0.2, 0), (0.6, 1)])
def test_uncommanded_assist_lasts_0_3_s(
    ride: Ride, every: Every, profile: Profile, seconds: float, count: int
) -> None:
    channels = _sound(every)
    time_s, assist = channels["assist_torque"]
    driver = channels["driver_torque"][1]
    still = (time_s > 30.0) & (time_s < 40.0)
    driver[still], assist[still] = 0.0, 0.0
    alone = (time_s >= 34.0) & (time_s < 34.0 + seconds)
    assist[alone] = 4.0
    events = [e for e in _find(ride(channels), profile) if e.cause == "uncommanded"]
    assert len(events) == count
    for event in events:
        assert event.severity is Severity.SERIOUS
        assert event.start_s == pytest.approx(34.0, abs=0.03)


@pytest.mark.parametrize(
    ("assist_nm", "angle_from", "angle_to", "causes"),
    [
        pytest.param(-5.0, 60.0, 0.0, [], id="back to the centre"),
        pytest.param(-5.0, 5.0, 60.0, [], id="against the motion"),
        pytest.param(-5.0, -20.0, -60.0, ["uncommanded"], id="away from the centre"),
        pytest.param(-5.0, 60.0, 60.0, ["uncommanded"], id="without any motion"),
    ],
)
def test_return_to_centre_and_damping_are_by_design(  # noqa: PLR0917 - fixtures and a table
    ride: Ride,
    every: Every,
    profile: Profile,
    assist_nm: float,
    angle_from: float,
    angle_to: float,
    causes: list[str],
) -> None:
    """The hands are off from 30 to 40 s, and the module gives 5 N·m for 0.8 s."""
    channels = _sound(every)
    time_s, assist = channels["assist_torque"]
    still = (time_s > 30.0) & (time_s < 40.0)
    channels["driver_torque"][1][still], assist[still] = 0.0, 0.0
    assist[(time_s >= 34.0) & (time_s < 34.8)] = assist_nm
    angle = np.interp(time_s, [33.95, 34.85], [angle_from, angle_to])
    channels["steering_angle"] = (time_s, angle)
    assert [event.cause for event in _find(ride(channels), profile)] == causes
    del channels["steering_angle"]
    (event,) = _find(ride(channels), profile)
    assert (event.cause, event.measured["missing"]) == ("uncommanded", "steering_angle")


def test_assist_against_the_driver_is_uncommanded(
    ride: Ride, every: Every, profile: Profile
) -> None:
    channels = _sound(every)
    time_s, assist = channels["assist_torque"]
    # driver torque is to the right from 32 to 36 s
    assist[(time_s >= 33.5) & (time_s < 34.3)] = -5.0
    causes = [event.cause for event in _find(ride(channels), profile)]
    assert "uncommanded" in causes


def test_a_kick_that_assist_follows_late_is_nothing(
    ride: Ride, every: Every, profile: Profile
) -> None:
    channels = _sound(every)
    time_s = channels["driver_torque"][0]

    def kicked(at_s: FloatArray) -> FloatArray:
        rough = 3.0 * np.sin(2.0 * np.pi * 6.0 * at_s) * ((at_s % 3.0) < 0.5)
        return np.asarray(5.0 * np.sin(2.0 * np.pi * at_s / 8.0) + rough)

    speed, limit = channels["vehicle_speed"][1], channels["assist_limit"][1]
    channels["driver_torque"] = (time_s, kicked(time_s))
    channels["assist_torque"] = (time_s, _called_for(kicked(time_s - LAG_S), speed, limit))
    assert _find(ride(channels), profile) == []


def test_a_change_of_mode_is_nothing(ride: Ride, every: Every, profile: Profile) -> None:
    table = profile.assist_map
    assert table is not None
    modes = replace(table, gains={"1": GAINS, "2": tuple(1.6 * gain for gain in GAINS)})
    channels = _sound(every)
    time_s, assist = channels["assist_torque"]
    second = time_s > 30.2
    channels["assist_mode"] = (time_s, np.where(second, 2.0, 1.0))
    fade = np.clip((time_s - 30.2) / 0.8, 0.0, 1.0)
    channels["assist_torque"] = (time_s, assist * (1.0 + 0.6 * fade))
    assert _find(ride(channels), replace(profile, assist_map=modes)) == []


def test_nothing_without_driver_torque_or_map(ride: Ride, every: Every, profile: Profile) -> None:
    channels = _scaled(_sound(every), np.full(6001, 0.5))
    del channels["driver_torque"]
    assert _find(ride(channels), profile) == []
    short = _scaled(_sound(every, 4.0), np.full(201, 0.5))
    assert _find(ride(short), replace(profile, assist_map=None)) == []


def test_a_learned_map_shows_a_weak_side(ride: Ride, every: Every, profile: Profile) -> None:
    channels = _sound(every)
    factor = np.where(channels["assist_torque"][1] > 0.0, 0.55, 1.0)
    bare = replace(profile, assist_map=None)
    events = _find(ride(_scaled(channels, factor)), bare)
    assert [event.cause for event in events] == ["right_low"]
    assert _find(ride(_sound(every)), bare) == []


def test_a_learned_map_says_nothing_of_speeds_that_taught_it_nothing(
    ride: Ride, every: Every, profile: Profile
) -> None:
    """At 40 km/h the gain is 2; standing, the bar is only wrenched about, with a gain of 4."""
    channels = _sound(every)
    time_s, speed = channels["vehicle_speed"]
    speed[:] = np.where(time_s < 6.0, 0.0, 40.0)

    def torque(at_s: FloatArray) -> FloatArray:
        quick = 4.0 * np.sin(2.0 * np.pi * at_s)
        slow = 5.0 * np.sin(2.0 * np.pi * at_s / 8.0)
        return np.where(at_s < 6.0, quick, slow)

    limit = channels["assist_limit"][1]
    channels["driver_torque"] = (time_s, torque(time_s))
    channels["assist_torque"] = (time_s, _called_for(torque(time_s - LAG_S), speed, limit))
    assert _find(ride(channels), replace(profile, assist_map=None)) == []


def test_uncommanded_assist_ends_where_no_map_tells(
    ride: Ride, every: Every, profile: Profile
) -> None:
    """In a mode that the map does not have, assist that goes with the driver again ends it."""
    table = profile.assist_map
    assert table is not None
    channels = _sound(every)
    time_s, assist = channels["assist_torque"]
    channels["assist_mode"] = (time_s, np.full(len(time_s), 7.0))
    assist[(time_s >= 33.5) & (time_s < 34.3)] = -5.0  # the driver pulls right
    only_one = replace(profile, assist_map=replace(table, gains={"1": GAINS}))
    (event,) = _find(ride(channels), only_one)
    assert event.cause == "uncommanded"
    assert event.end_s == pytest.approx(34.3, abs=0.03)


@pytest.mark.parametrize("given", [True, False])
@pytest.mark.parametrize("seconds", [2.0, 4.0, 8.0])
@pytest.mark.parametrize(
    ("period_s", "shift_s"), [(0.001, 0.0), (0.2, 0.09), (0.5, 0.2), (1.0, 0.45)]
)
def test_sound_assist_is_silent_at_any_message_rate(  # noqa: PLR0917 - fixtures and a table
    ride: Ride,
    every: Every,
    profile: Profile,
    period_s: float,
    shift_s: float,
    seconds: float,
    given: bool,
) -> None:
    """Turns of 2 to 8 s, assist 0.2 s late; at 2 Hz and less a turn falls between samples."""
    time_s = every(period_s, 60.0)
    speed, limit = np.where(time_s < 30.0, 5.0, 40.0), np.full(len(time_s), 100.0)

    def torque(at_s: FloatArray) -> FloatArray:
        return np.asarray(5.0 * np.sin(2.0 * np.pi * at_s / seconds))

    channels = {
        "vehicle_speed": (time_s, speed),
        "assist_limit": (time_s, limit),
        "driver_torque": (time_s + shift_s, torque(time_s + shift_s)),
        "assist_torque": (time_s, _called_for(torque(time_s - 0.2), speed, limit)),
    }
    table = profile.assist_map if given else None
    assert _find(ride(channels), replace(profile, assist_map=table)) == []

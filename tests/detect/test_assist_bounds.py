"""Bounds and figures of assist deviations, on rides and samples worked by hand."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from canassist.detect.assist import find_assist_deviations
from canassist.detect.assist_stretches import AssistStretch, Judged, judge, stretches
from canassist.model import Event, FloatArray, Profile, Timeline
from canassist.physics import AssistSamples, study
from tests.detect.hand_rides import Samples

Ride = Callable[..., Timeline]
Every = Callable[[float, float], FloatArray]


def _find(timeline: Timeline, profile: Profile) -> list[Event]:
    return find_assist_deviations(timeline, profile, study(timeline, profile))


def _turning(every: Every) -> dict[str, Samples]:
    """Make turns to both sides every 8 s at 5 km/h; the gain is the map's, 3.8 above 0.5 N·m."""
    time_s = every(0.02, 60.0)
    driver = 5.0 * np.sin(2.0 * np.pi * time_s / 8.0)
    assist = 3.8 * np.sign(driver) * np.maximum(np.abs(driver) - 0.5, 0.0)
    return {
        "vehicle_speed": (time_s, np.full(len(time_s), 5.0)),
        "engine_speed": (time_s, np.full(len(time_s), 2000.0)),
        "assist_torque": (time_s, assist),
        "driver_torque": (time_s, driver),
    }


def _hands_off(channels: dict[str, Samples]) -> FloatArray:
    """Let driver and assist rest from 29 to 40 s, and return the assist to be changed."""
    time_s, assist = channels["assist_torque"]
    still = (time_s > 29.0) & (time_s < 40.0)
    channels["driver_torque"][1][still], assist[still] = 0.0, 0.0
    return assist


@pytest.mark.parametrize(("assist_nm", "count"), [(1.95, 0), (2.05, 1)])
def test_uncommanded_assist_is_more_than_2_nm(
    ride: Ride, every: Every, profile: Profile, assist_nm: float, count: int
) -> None:
    channels = _turning(every)
    time_s = channels["assist_torque"][0]
    _hands_off(channels)[(time_s > 33.99) & (time_s < 34.6)] = assist_nm
    events = _find(ride(channels), profile)
    assert [event.cause for event in events] == ["uncommanded"] * count
    for event in events:
        assert event.measured["assist_nm"] == pytest.approx(assist_nm)
        assert "assist_share" not in event.measured


@pytest.mark.parametrize(
    ("between_nm", "seconds"), [(0.95, [0.6, 0.6]), (1.05, [1.2]), (3.0, [1.7])]
)
def test_uncommanded_assist_goes_on_until_less_than_1_nm_is_left(
    ride: Ride, every: Every, profile: Profile, between_nm: float, seconds: list[float]
) -> None:
    """4 N·m for 0.6 s, twice; half a second lies between."""
    channels = _turning(every)
    time_s = channels["assist_torque"][0]
    assist = _hands_off(channels)
    assist[(time_s > 32.99) & (time_s < 34.69)] = between_nm
    assist[(time_s > 32.99) & (time_s < 33.59)] = 4.0
    assist[(time_s > 34.09) & (time_s < 34.69)] = 4.0
    events = _find(ride(channels), profile)
    assert [event.measured["deviating_s"] for event in events] == pytest.approx(seconds)
    assert events[-1].end_s == pytest.approx(34.7)


def test_uncommanded_assist_is_over_once_assist_is_as_called_for(
    ride: Ride, every: Every, profile: Profile
) -> None:
    """5 N·m against the driver, who pulls right from 32 to 36 s and is then served again."""
    channels = _turning(every)
    time_s, assist = channels["assist_torque"]
    assist[(time_s > 33.49) & (time_s < 34.29)] = -5.0
    (event,) = [one for one in _find(ride(channels), profile) if one.cause == "uncommanded"]
    assert (event.start_s, event.end_s) == pytest.approx((33.5, 34.3))


def test_a_status_that_means_reduced_leaves_open_how_much_there_should_be(
    ride: Ride, every: Every, profile: Profile
) -> None:
    channels = _turning(every)
    time_s, assist = channels["assist_torque"]
    weak = (time_s > 16.0) & (time_s < 40.0)
    assist[weak] *= 0.5
    channels["module_status"] = (time_s, np.where(weak, 1.0, 2.0))
    reduced = replace(profile, status_reduced=frozenset({"1"}))
    assert _find(ride(channels), reduced) == []
    other = replace(profile, status_reduced=frozenset({"3"}))
    assert [event.cause for event in _find(ride(channels), other)] == ["low"]


def _samples(expected: FloatArray, delivered: FloatArray) -> AssistSamples:
    count = len(expected)
    yes = np.ones(count, dtype=np.bool_)
    return AssistSamples(
        time_s=0.05 * np.arange(count, dtype=np.float64),
        delivered_nm=delivered,
        driver_nm=np.full(count, 3.0),
        speed_kph=np.full(count, 5.0),
        limit_share=np.ones(count),
        gain=np.full(count, 4.0),
        expected_nm=expected,
        settled=yes,
        open_top=~yes,
        stale_after_s=0.25,
    )


def _verdicts(delivered: FloatArray, allowance_nm: float = 0.0) -> list[int]:
    """Return the verdicts where 10 N·m are called for and a fifth is allowed."""
    samples = _samples(np.full(len(delivered), 10.0), delivered)
    none = np.zeros(len(delivered), dtype=np.bool_)
    judged = judge(samples, tolerance=0.2, leave_out=none, allowance_nm=allowance_nm)
    assert judged.known[5:-5].all()
    return sorted(set(judged.verdict[5:-5].tolist()))


@pytest.mark.parametrize(
    ("assist_nm", "allowance_nm", "verdict"),
    [
        (7.9, 0.0, -1),
        (8.1, 0.0, 0),
        (11.9, 0.0, 0),
        (12.1, 0.0, 1),
        (7.9, 1.0, None),  # 0.8 of 9 N·m is the least
        (7.1, 1.0, -1),
        (13.1, 1.0, None),  # 1.2 of 11 N·m is the most
        (13.3, 1.0, 1),
    ],
)
def test_a_fifth_more_or_less_is_as_it_should_be(
    assist_nm: float, allowance_nm: float, verdict: int | None
) -> None:
    delivered = np.full(40, assist_nm)
    samples = _samples(np.full(40, 10.0), delivered)
    none = np.zeros(40, dtype=np.bool_)
    judged = judge(samples, tolerance=0.2, leave_out=none, allowance_nm=allowance_nm)
    inner = slice(5, -5)
    if verdict is None:  # neither wrong nor right beyond doubt
        assert not judged.known[inner].any()
    else:
        assert judged.known[inner].all()
        assert set(judged.verdict[inner].tolist()) == {verdict}


def test_a_verdict_stands_on_0_15_s_to_either_side() -> None:
    """One sample of seven falls out: (6 x 10 - 3.5) / 7 is 8.07, (5 x 10 - 3.5) / 6 is 7.75."""
    delivered = np.full(40, 10.0)
    delivered[20] = -3.5
    assert _verdicts(delivered) == [0]
    delivered[20] = -4.5  # 55.5 / 7 is 7.93
    assert _verdicts(delivered) == [-1, 0]


def test_a_stretch_runs_from_the_first_wanted_sample_to_the_next_other_one() -> None:
    time_s = 0.1 * np.arange(20, dtype=np.float64)
    wanted = np.zeros(20, dtype=np.bool_)
    wanted[[0, 6, 7, 8, 15]] = True
    among = np.ones(20, dtype=np.bool_)
    among[9] = False
    judged = Judged(
        time_s=time_s,
        seconds=np.full(20, 0.1),
        known=among,
        verdict=np.zeros(20, dtype=np.int64),
        side=np.ones(20, dtype=np.int64),
    )
    found = stretches(judged, wanted, among)
    assert [one[:3] for one in found] == [(0, 0, 1), (6, 8, 10), (15, 15, 16)]
    assert [one.seconds for one in found] == pytest.approx([0.1, 0.3, 0.1])
    wanted[16:] = True
    last = stretches(judged, wanted, among)[-1]
    assert last == AssistStretch(15, 19, None, last.seconds)
    assert last.seconds == pytest.approx(0.5)


def test_a_limit_whose_samples_a_recorder_lost_calls_for_nothing(
    ride: Ride, every: Every, profile: Profile
) -> None:
    """Every 4 s the limit falls to 30 % for 3 s; only samples at 100 % are left."""
    channels = _turning(every)
    time_s, assist = channels["assist_torque"]
    assist[time_s % 4.0 > 1.0] *= 0.3
    limit_s = every(0.1, 60.0)
    left_s = limit_s[limit_s % 4.0 < 1.0]
    timeline = ride({**channels, "assist_limit": (left_s, np.full(len(left_s), 100.0))})
    stale = replace(timeline.channels["assist_limit"], stale_after_s=5.0)
    assert _find(replace(timeline, channels={**timeline.channels, "assist_limit": stale}), profile)
    limit = replace(stale, step_s=0.25)
    thinned = replace(timeline, channels={**timeline.channels, "assist_limit": limit})
    assert _find(thinned, profile) == []

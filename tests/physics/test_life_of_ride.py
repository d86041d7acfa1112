"""The life around a ride, worked by hand: key, engine, units asleep, the log's ends."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pytest

from canassist.model import FrameSource, IdStats
from canassist.physics import LifeOfRide, life_of_ride
from canassist.physics.life_of_ride import rolling
from tests.detect.hand_rides import Samples, make_ride


def _samples(*points: tuple[float, float]) -> Samples:
    time_s, value = np.array(points).T
    return time_s, value


def _life(channels: Mapping[str, Samples] | None = None, **changes: object) -> LifeOfRide:
    ride = make_ride(channels or {"vehicle_speed": _samples((0.0, 0.0), (30.0, 0.0))})
    return replace(life_of_ride(ride), **changes)  # type: ignore[arg-type]  # any field


def _message(
    key: int, *silences: tuple[float, float], period_s: float = 0.1, last_s: float = 100.0
) -> IdStats:
    return IdStats(
        source=FrameSource(0, key),
        count=100,
        first_s=0.0,
        last_s=last_s,
        period_s=period_s,
        jitter_s=0.0,
        longest_silence_s=max((end - start for start, end in silences), default=0.0),
        silences=silences,
    )


def test_a_ride_ends_two_seconds_before_the_last_sign_of_life() -> None:
    life = _life(alive_s=np.array([1.0, 10.0]))
    assert life.last_alive_s == 10.0
    assert not life.after_ride(7.9)
    assert life.after_ride(8.0)
    assert life.after_ride(12.0)


def test_nothing_lies_after_a_ride_that_no_channel_tells_of() -> None:
    assert not _life(alive_s=None).after_ride(50.0)
    assert not _life(alive_s=np.empty(0)).after_ride(50.0)


def test_between_rides_is_before_the_first_sign_of_life_or_two_seconds_after_one() -> None:
    life = _life(alive_s=np.array([5.0, 6.0, 20.0]))
    told = {at_s: life.between_rides(at_s) for at_s in (0.0, 4.9, 5.0, 8.0, 8.1, 19.9, 20.0, 22.1)}
    expected = {0.0: True, 4.9: True, 5.0: False, 8.0: False, 8.1: True}
    assert told == expected | {19.9: True, 20.0: False, 22.1: True}
    assert not _life(alive_s=None).between_rides(0.0)


@pytest.mark.parametrize("name", ["engine_stops_s", "engine_silent_s"])
def test_the_engine_turns_off_within_two_seconds_either_way(name: str) -> None:
    life = _life(**{name: (10.0, 60.0)})
    told = [life.engine_turns_off(at_s) for at_s in (7.9, 8.0, 10.0, 12.0, 12.1, 61.0)]
    assert told == [False, True, True, True, False, True]
    assert not _life().engine_turns_off(10.0)


def test_the_starter_turns_until_half_a_second_after_it_let_go() -> None:
    """Engine speed leaves zero at 2.0 s and passes 500 rpm at 2.6 s."""
    steps = [(0.0, 0.0), (1.9, 0.0), (2.0, 200.0), (2.5, 200.0), (2.6, 900.0), (9.0, 900.0)]
    life = _life({"engine_speed": _samples(*steps)})
    told = [life.starter_turns(at_s) for at_s in (1.49, 1.5, 2.6, 3.1, 3.11)]
    assert told == [False, True, True, True, False]


def test_the_bus_wakes_at_the_begin_and_after_a_silence() -> None:
    ride = make_ride(
        {"vehicle_speed": _samples((0.0, 0.0), (90.0, 0.0))},
        recording_gaps=[(20.0, 30.0)],
        bus_gaps=[(0, 50.0, 60.0)],
    )
    life = life_of_ride(ride)
    told = {at_s: life.wakes_up(at_s) for at_s in (0.0, 2.0, 2.1, 29.9, 30.0, 32.0, 60.0, 62.1)}
    expected = {0.0: True, 2.0: True, 2.1: False, 29.9: False}
    assert told == expected | {30.0: True, 32.0: True, 60.0: True, 62.1: False}
    assert life.log_stops_s == (20.0,)
    stops = [life.log_stops(at_s) for at_s in (17.9, 18.0, 20.0, 20.1)]
    assert stops == [False, True, True, False]


def test_one_unit_asleep_is_enough_among_few_and_two_among_more() -> None:
    few = (_message(1, (10.0, 20.0)), *(_message(key) for key in (2, 3, 4)))
    more = (*few, _message(5))
    assert _life(ids=few).units_fall_asleep(10.0)
    assert not _life(ids=more).units_fall_asleep(10.0)
    two = (_message(6, (10.0, 20.0)), *more)
    assert _life(ids=two).units_fall_asleep(10.0)


def test_a_fifth_of_many_units_must_fall_asleep_along() -> None:
    """Of 15 units 3 are a fifth; of 16 four are needed."""
    asleep = tuple(_message(key, (10.0, 20.0)) for key in range(3))
    awake = tuple(_message(key) for key in range(100, 112))
    assert _life(ids=asleep + awake).units_fall_asleep(10.0)
    assert not _life(ids=(*asleep, *awake, _message(200))).units_fall_asleep(10.0)


@pytest.mark.parametrize(
    ("begin_s", "end_s", "asleep"),
    [
        (12.0, 20.0, True),
        (12.1, 20.0, False),
        (8.0, 9.0, True),
        (10.0, 11.0, True),
        (10.0, 10.99, False),
    ],
)
def test_asleep_is_a_second_or_more_begun_within_two(
    begin_s: float, end_s: float, asleep: bool
) -> None:
    life = _life(ids=(_message(1, (begin_s, end_s)),))
    assert life.units_fall_asleep(10.0) is asleep


def test_a_slow_message_is_asleep_after_five_periods() -> None:
    slow = _life(ids=(_message(1, (10.0, 14.9), period_s=1.0),))
    assert not slow.units_fall_asleep(10.0)
    assert _life(ids=(_message(1, (10.0, 15.0), period_s=1.0),)).units_fall_asleep(10.0)


def test_a_message_that_never_comes_back_fell_asleep() -> None:
    life = _life(ids=(_message(1, last_s=10.0),), log_end_s=11.0)
    assert life.units_fall_asleep(10.0)
    assert not replace(life, log_end_s=10.9).units_fall_asleep(10.0)


def test_messages_silent_just_as_long_are_of_the_same_unit() -> None:
    """0.05 s and two periods of 0.1 s apart at each end are still one unit."""
    same = _life(ids=(_message(1, (10.25, 19.75)),))
    assert same.units_fall_asleep(10.0)
    assert not same.units_fall_asleep(10.0, 20.0)
    assert _life(ids=(_message(1, (10.26, 20.0)),)).units_fall_asleep(10.0, 20.0)
    assert _life(ids=(_message(1, (10.0, 19.74)),)).units_fall_asleep(10.0, 20.0)
    often = _life(ids=(_message(1, (10.0, 20.0), (50.0, 60.0)),))
    assert not often.units_fall_asleep(10.0, 20.0)


def test_a_key_cycle_is_an_engine_that_stops_or_units_that_sleep() -> None:
    assert _life(engine_stops_s=(10.0,)).key_cycle(10.0, 20.0)
    assert _life(ids=(_message(1, (10.0, 15.0)),)).key_cycle(10.0, 20.0)
    assert not _life(ids=(_message(1, (10.0, 20.0)),)).key_cycle(10.0, 20.0)


def test_engine_turns_are_read_from_its_speed() -> None:
    """Up past 500 rpm at 1 s, back at 3 s, up at 4 s, then silent from 5 s on."""
    speeds = [(0.0, 0.0), (1.0, 501.0), (2.0, 900.0), (3.0, 500.0), (4.0, 900.0), (5.0, 900.0)]
    ride = make_ride({"engine_speed": _samples(*speeds)}, duration_s=60.0)
    life = life_of_ride(ride)
    assert life.engine_starts_s == (1.0, 4.0)
    assert life.engine_stops_s == (3.0,)
    assert life.engine_silent_s == (5.0,)
    assert life.has_engine is True


def test_a_stopped_engine_that_falls_silent_does_not_turn_off() -> None:
    ride = make_ride({"engine_speed": _samples((0.0, 0.0), (1.0, 500.0))}, duration_s=60.0)
    life = life_of_ride(ride)
    assert life.engine_silent_s == ()
    assert life.has_engine is None


def test_without_engine_speed_nothing_is_known_of_an_engine() -> None:
    life = _life()
    assert (life.engine_starts_s, life.engine_stops_s, life.engine_silent_s) == ((), (), ())
    assert life.has_engine is None


def test_life_is_an_engine_that_runs_or_a_vehicle_that_rolls_either_way() -> None:
    channels = {
        "engine_speed": _samples((0.0, 500.0), (1.0, 501.0), (2.0, 0.0)),
        "vehicle_speed": _samples((3.0, 3.0), (4.0, 3.1), (5.0, -3.1)),
        "driver_torque": _samples((6.0, 9.0), (7.0, 9.0)),
    }
    assert _life(channels).alive_s == pytest.approx([1.0, 4.0, 5.0])
    del channels["engine_speed"]
    assert _life(channels).alive_s == pytest.approx([4.0, 5.0, 6.0, 7.0])
    torque = _samples((6.0, 2.0), (7.0, -2.1))
    assert _life({"driver_torque": torque}).alive_s == pytest.approx([7.0])
    assert _life({"supply_voltage": _samples((0.0, 12.0), (1.0, 12.0))}).alive_s is None


def test_the_module_lives_from_its_first_message_to_its_last() -> None:
    channels = {
        "motor_current": _samples((1.0, 0.0), (8.0, 0.0)),
        "module_temperature": _samples((2.0, 20.0), (9.0, 20.0)),
        "vehicle_speed": _samples((0.0, 0.0), (30.0, 0.0)),
    }
    life = _life(channels)
    assert (life.module_start_s, life.module_end_s) == (1.0, 9.0)
    assert (_life().module_start_s, _life().module_end_s) == (None, None)


def test_the_modules_own_and_single_messages_are_no_other_units() -> None:
    channels = {"motor_current": _samples((0.0, 0.0), (9.0, 0.0))}
    own = _message(0x100)
    other, once = _message(0x300), _message(0x301, period_s=float("nan"))
    life = life_of_ride(make_ride(channels, ids=[own, other, once]))
    assert life.ids == (other,)


def test_rolling_is_above_three_kilometres_an_hour() -> None:
    ride = make_ride({"vehicle_speed": _samples((0.0, 3.0), (0.1, 3.0), (0.2, 3.1))})
    assert [rolling(ride, at_s) for at_s in (0.0, 0.2)] == [False, True]
    assert not rolling(make_ride({"supply_voltage": _samples((0.0, 12.0))}), 0.0)

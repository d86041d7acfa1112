"""Lost, stuck and jumping signals, restarts and the bus, on rides worked by hand."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
import pytest

from canassist.detect import bus, signals
from canassist.detect.bus import find_log_gaps
from canassist.detect.jumps import find_jumps
from canassist.detect.stuck import find_stuck
from canassist.detect.trouble_codes import find_trouble_codes
from canassist.model import (
    CodeSighting,
    Event,
    FloatArray,
    FrameSource,
    IdStats,
    Profile,
    Severity,
    Thinning,
    Timeline,
)
from canassist.physics import life_of_ride, study
from canassist.timeline import followed
from tests.detect.hand_rides import Samples

Ride = Callable[..., Timeline]
Every = Callable[[float, float], FloatArray]


def find_losses(timeline: Timeline, restarts: Sequence[Event] = ()) -> list[Event]:
    """Find losses with what the ride tells of its life."""
    return signals.find_losses(timeline, life_of_ride(timeline), restarts)


def find_restarts(timeline: Timeline) -> list[Event]:
    """Find restarts with what the ride tells of its life."""
    return bus.find_restarts(life_of_ride(timeline))


def find_disturbances(timeline: Timeline) -> list[Event]:
    """Find disturbances with what the ride tells of its life."""
    return bus.find_disturbances(timeline, life_of_ride(timeline))


def _without(samples: Samples, start_s: float, end_s: float) -> Samples:
    time_s, value = samples
    keep = (time_s < start_s - 1e-9) | (time_s > end_s - 1e-9)
    return time_s[keep], value[keep]


def _running(every: Every, until_s: float = 60.0) -> dict[str, Samples]:
    """Noisy channels of a vehicle that rides, drawn with a fixed seed."""
    rng = np.random.default_rng(7)
    time_s = every(0.05, until_s)
    wave = np.sin(time_s / 3.0)
    noise = rng.normal(size=(4, len(time_s)))
    return {
        "vehicle_speed": (time_s, 30.0 + 10.0 * wave + 0.06 * noise[0]),
        "engine_speed": (time_s, 3000.0 + 600.0 * wave + 4.0 * noise[1]),
        "wheel_speed_fl": (time_s, 30.0 + 10.0 * wave + 0.1 * noise[2]),
        "driver_torque": (time_s, 3.0 * np.sin(time_s) + 0.02 * noise[3]),
    }


# -- lost ------------------------------------------------------------------------------------


def test_a_loss_runs_from_the_last_value_plus_a_period_to_the_next(
    ride: Ride, every: Every
) -> None:
    channels = _running(every)
    channels["vehicle_speed"] = _without(channels["vehicle_speed"], 20.05, 22.0)
    (event,) = find_losses(ride(channels))
    assert event.channel == "vehicle_speed"
    assert (event.start_s, event.end_s) == pytest.approx((20.05, 22.0))
    assert event.measured["how"] == "stopped"


def test_no_value_codes_are_a_loss_too(ride: Ride, every: Every) -> None:
    channels = _running(every)
    time_s, speed = channels["vehicle_speed"]
    speed[(time_s > 20.01) & (time_s < 21.99)] = np.nan
    (event,) = find_losses(ride(channels))
    assert (event.start_s, event.end_s) == pytest.approx((20.05, 22.0))
    assert event.measured["how"] == "no value"


def test_it_is_reported_once_stale(ride: Ride, every: Every) -> None:
    """Period 0.05 s: stale after 0.25 s."""
    channels = _running(every)
    channels["vehicle_speed"] = _without(channels["vehicle_speed"], 20.05, 20.25)
    assert find_losses(ride(channels)) == []
    channels["vehicle_speed"] = _without(channels["vehicle_speed"], 30.05, 30.35)
    assert len(find_losses(ride(channels))) == 1


def test_a_channel_that_stays_away_has_no_end(ride: Ride, every: Every) -> None:
    channels = _running(every)
    channels["vehicle_speed"] = _without(channels["vehicle_speed"], 50.05, 61.0)
    (event,) = find_losses(ride(channels))
    assert event.end_s is None


def test_a_silent_recording_or_bus_loses_no_signal(ride: Ride, every: Every) -> None:
    channels = {name: _without(one, 20.05, 25.0) for name, one in _running(every).items()}
    assert find_losses(ride(channels, recording_gaps=[(20.0, 25.0)])) == []
    assert find_losses(ride(channels, bus_gaps=[(0, 20.0, 25.0)])) == []
    assert len(find_losses(ride(channels))) == 4


def test_what_the_recorder_missed_is_no_loss(ride: Ride, every: Every) -> None:
    """The statistics know the message and no silence of it while the bus went on."""
    channels = _running(every)
    channels["vehicle_speed"] = _without(channels["vehicle_speed"], 20.05, 20.8)
    stats = _id_stats(0x100, silences=())
    assert find_losses(ride(channels, ids=[stats])) == []
    stats = _id_stats(0x100, silences=((20.0, 20.8),))
    assert len(find_losses(ride(channels, ids=[stats]))) == 1


def test_a_channel_that_never_had_a_value_has_lost_none(ride: Ride, every: Every) -> None:
    channels = _running(every)
    channels["vehicle_speed"][1][:200] = np.nan
    assert find_losses(ride(channels)) == []
    channels["vehicle_speed"][1][:] = np.nan
    assert find_losses(ride(channels)) == []


def test_a_message_that_came_once_cannot_be_late(ride: Ride, every: Every) -> None:
    """One sample has no period: neither a loss nor a restart can be told from it."""
    channels = _running(every)
    channels["coolant_temperature"] = (np.array([3.0]), np.array([80.0]))
    assert find_losses(ride(channels)) == []
    once = replace(_id_stats(0x100, silences=((3.0, 60.0),)), period_s=float("nan"), count=1)
    assert find_restarts(ride({"driver_torque": channels["coolant_temperature"]}, ids=[once])) == []


def test_units_that_fall_asleep_with_the_engine_off_are_a_note(ride: Ride, every: Every) -> None:
    channels = _running(every)
    channels["engine_speed"][1][:] = 0.0
    channels["vehicle_speed"] = _without(channels["vehicle_speed"], 50.05, 61.0)
    (event,) = find_losses(ride(channels))
    assert event.severity is Severity.NOTE


# -- stuck -----------------------------------------------------------------------------------


def test_a_repeated_speed_against_the_wheels_is_stuck(
    ride: Ride, every: Every, profile: Profile
) -> None:
    channels = _running(every)
    time_s, speed = channels["vehicle_speed"]
    frozen = (time_s > 19.99) & (time_s < 30.01)
    speed[frozen] = speed[frozen][0]
    (event,) = find_stuck(ride(channels), profile)
    assert event.channel == "vehicle_speed"
    assert (event.start_s, event.end_s) == pytest.approx((20.0, 30.05))
    assert event.measured["witness"] == "wheel_speed_fl"


@pytest.mark.parametrize(("until_s", "count"), [(24.91, 0), (24.96, 1)])
def test_stuck_takes_five_seconds(
    ride: Ride, every: Every, profile: Profile, until_s: float, count: int
) -> None:
    """From the first sample to the first that is not part of it: 20.0 to 25.0 s is enough."""
    channels = _running(every)
    time_s, speed = channels["vehicle_speed"]
    frozen = (time_s > 19.99) & (time_s < until_s)
    speed[frozen] = speed[frozen][0]
    assert len(find_stuck(ride(channels), profile)) == count


def test_standing_still_is_not_stuck(ride: Ride, every: Every, profile: Profile) -> None:
    channels = _running(every)
    time_s = channels["vehicle_speed"][0]
    for name in ("vehicle_speed", "wheel_speed_fl"):
        channels[name][1][time_s > 30.0] = 0.0
    assert find_stuck(ride(channels), profile) == []


def test_coarse_slow_readings_may_repeat(ride: Ride, every: Every, profile: Profile) -> None:
    """Whole km/h twice a second at a steady cruise, while engine speed wanders a little."""
    time_s = every(0.5, 120.0)
    rng = np.random.default_rng(2)
    speed = np.round(57.0 + 1.5 * np.sin(time_s / 15.0))
    engine = 1800.0 + 170.0 * np.sin(time_s / 4.0) + rng.normal(size=len(time_s))
    assert (
        find_stuck(
            ride({"vehicle_speed": (time_s, speed), "engine_speed": (time_s, engine)}), profile
        )
        == []
    )


def test_a_regulated_supply_may_rest_while_a_loose_plug_moves_the_modules(
    ride: Ride, every: Every, profile: Profile
) -> None:
    """Tenths of a volt at the source; what lies behind a plug tells nothing of them."""
    time_s = every(0.1, 60.0)
    fluttering = np.where(np.arange(len(time_s)) % 7 < 2, 9.0, 13.5)
    channels = {
        "system_voltage": (time_s, np.full(len(time_s), 14.0)),
        "supply_voltage": (time_s, fluttering),
    }
    assert find_stuck(ride(channels), profile) == []
    drawn = {**channels, "system_current": (time_s, np.where(time_s % 2.0 < 1.0, 20.0, 90.0))}
    assert [e.channel for e in find_stuck(ride(drawn), profile)] == ["system_voltage"]


def test_current_may_rest_while_the_module_gives_no_assist(
    ride: Ride, every: Every, profile: Profile
) -> None:
    channels = _running(every)
    time_s = channels["driver_torque"][0]
    rng = np.random.default_rng(3)
    assist = 10.0 * np.sin(time_s) + 0.05 * rng.normal(size=len(time_s))
    off = (time_s > 20.0) & (time_s < 40.0)
    assist[off] = 0.0
    channels["assist_torque"] = (time_s, assist)
    channels["assist_limit"] = (time_s, np.where(off, 0.0, 100.0))
    assert find_stuck(ride(channels), profile) == []
    channels["assist_limit"] = (time_s, np.full(len(time_s), 100.0))
    assert [e.channel for e in find_stuck(ride(channels), profile)] == ["assist_torque"]


def test_a_temperature_that_rests_while_current_heats_is_stuck(
    ride: Ride, every: Every, profile: Profile
) -> None:
    """Whole degrees, heated and cooled over 250 s; held at one value for 100 s of heating."""
    time_s = every(0.2, 600.0)
    load = np.where((time_s > 30.0) & (time_s < 280.0), 60.0, 5.0)
    level, rise = 0.0, []
    for amps in load:
        level += (amps**2 * 0.02 - level) * (1.0 - np.exp(-0.2 / 200.0))
        rise.append(level)
    heat = np.round(25.0 + np.array(rise))
    channels = {"module_temperature": (time_s, heat), "motor_current": (time_s, load)}
    sound = ride(channels)
    assert find_stuck(sound, profile, study(sound, profile).thermal) == []
    stuck = heat.copy()
    stuck[(time_s > 149.9) & (time_s < 250.0)] = stuck[time_s > 149.9][0]
    timeline = ride({**channels, "module_temperature": (time_s, stuck)})
    (event,) = find_stuck(timeline, profile, study(timeline, profile).thermal)
    assert event.channel == "module_temperature"
    assert event.end_s == pytest.approx(250.0)


# -- jumps -----------------------------------------------------------------------------------


def test_a_jump_lasts_until_its_return(ride: Ride, every: Every, profile: Profile) -> None:
    channels = _running(every)
    time_s, speed = channels["vehicle_speed"]
    speed[(time_s > 19.99) & (time_s < 20.09)] += 40.0  # two samples
    (event,) = find_jumps(ride(channels), profile)
    assert (event.start_s, event.end_s) == pytest.approx((20.0, 20.1))
    assert event.measured["step_kph"] == pytest.approx(40.0, abs=1.0)
    assert event.expected["step_kph"] == 15.0


def test_a_jump_is_one_where_the_sample_before_it_is_lost(
    ride: Ride, every: Every, profile: Profile
) -> None:
    """There 36 °C in 0.4 s would be possible; the step back, in 0.2 s, is not."""
    time_s = np.delete(every(0.1, 30.0), [197, 198, 199, 201])
    heat = np.where(np.abs(time_s - 20.0) < 0.05, 64.0, 28.0)
    (event,) = find_jumps(ride({"module_temperature": (time_s, heat)}), profile)
    assert (event.start_s, event.end_s) == pytest.approx((20.0, 20.2))
    assert (event.measured["before_value"], event.measured["after_value"]) == (28.0, 64.0)


def test_a_longer_one_counts_0_2_s_and_once(ride: Ride, every: Every, profile: Profile) -> None:
    channels = _running(every)
    time_s, speed = channels["vehicle_speed"]
    speed[(time_s > 19.99) & (time_s < 21.01)] += 40.0
    (event,) = find_jumps(ride(channels), profile)
    assert (event.start_s, event.end_s) == pytest.approx((20.0, 20.2))


def test_a_step_of_the_limit_itself_is_possible(ride: Ride, every: Every, profile: Profile) -> None:
    time_s = every(0.1, 10.0)
    for step, count in ((15.0, 0), (15.1, 1)):
        speed = np.where(time_s < 4.95, 20.0, 20.0 + step)
        assert len(find_jumps(ride({"vehicle_speed": (time_s, speed)}), profile)) == count


def test_slow_messages_may_step_further(ride: Ride, every: Every, profile: Profile) -> None:
    """Once a second: 15 km/h in 0.1 s is 150 km/h in 1 s."""
    time_s = every(1.0, 20.0)
    speed = np.where(time_s < 9.5, 20.0, 60.0)
    assert find_jumps(ride({"vehicle_speed": (time_s, speed)}), profile) == []


def test_a_gap_or_waking_up_is_no_jump(ride: Ride, every: Every, profile: Profile) -> None:
    time_s = every(0.1, 20.0)
    heat = np.where(time_s < 0.35, 15.0, 57.0)
    assert find_jumps(ride({"coolant_temperature": (time_s, heat)}), profile) == []
    late = np.where(time_s < 9.95, 15.0, 57.0)
    gap = _without((time_s, late), 8.0, 12.0)
    assert find_jumps(ride({"coolant_temperature": gap}), profile) == []
    assert len(find_jumps(ride({"coolant_temperature": (time_s, late)}), profile)) == 1


def test_coming_free_is_part_of_having_been_stuck(
    ride: Ride, every: Every, profile: Profile
) -> None:
    channels = _running(every)
    time_s, speed = channels["vehicle_speed"]
    frozen = (time_s > 19.99) & (time_s < 30.01)
    speed[frozen] = 5.0
    timeline = ride(channels)
    stuck = find_stuck(timeline, profile)
    assert len(stuck) == 1
    starts = [event.start_s for event in find_jumps(timeline, profile, stuck)]
    assert starts == pytest.approx([20.0])


# -- the bus and the recording ----------------------------------------------------------------


def _id_stats(
    key: int, *, period_s: float = 0.05, silences: tuple[tuple[float, float], ...]
) -> IdStats:
    return IdStats(
        source=FrameSource(0, key),
        count=1000,
        first_s=0.0,
        last_s=60.0,
        period_s=period_s,
        jitter_s=0.0,
        longest_silence_s=1.0,
        silences=silences,
    )


def _module(every: Every) -> dict[str, Samples]:
    """Return a module of two messages, 20 and 10 a second, and a road speed of another unit."""
    fast, slow = every(0.05, 60.0), every(0.1, 60.0)
    return {
        "driver_torque": (fast, np.full(len(fast), 1.0)),
        "module_temperature": (slow, np.full(len(slow), 50.0)),
        "vehicle_speed": (fast, np.full(len(fast), 20.0)),
    }


MODULE = ("driver_torque", "module_temperature")


def _silent(every: Every, *spans: tuple[float, float]) -> dict[str, Samples]:
    """Return the module without what it sent after the begin of each span and before its end."""
    channels = _module(every)
    for name in MODULE:
        for start_s, end_s in spans:
            channels[name] = _without(channels[name], start_s + 0.01, end_s)
    return channels


def test_a_restart_is_the_silence_of_all_of_the_modules_messages(ride: Ride, every: Every) -> None:
    """No statistics and no database are asked: the channels' own samples show it."""
    (event,) = find_restarts(ride(_silent(every, (20.0, 20.9))))
    assert (event.start_s, event.end_s) == pytest.approx((20.0, 20.9))
    assert event.measured == {"silent_s": pytest.approx(0.9)}
    assert event.severity is Severity.SERIOUS


def test_messages_of_one_sender_name_or_none_do_not_hide_a_restart(
    ride: Ride, every: Every
) -> None:
    """Every unit's messages stand under one name, or under none; the others go on."""
    for sender in ("Gateway", ""):
        timeline = ride(_silent(every, (20.0, 20.9)))
        channels = {name: replace(one, sender=sender) for name, one in timeline.channels.items()}
        senders = {one.source: sender for one in channels.values()} | {FrameSource(0, 0x7): sender}
        other = _id_stats(0x7, silences=())
        bus_of_all = replace(timeline.bus, ids=(other,))
        timeline = replace(timeline, channels=channels, senders=senders, bus=bus_of_all)
        assert len(find_restarts(timeline)) == 1


def test_supply_that_another_unit_reports_does_not_hide_a_restart(ride: Ride, every: Every) -> None:
    channels = _silent(every, (20.0, 20.9))
    time_s = every(0.05, 60.0)
    channels["supply_voltage"] = (time_s, np.full(len(time_s), 14.0))
    timeline = ride(channels)
    named = {
        name: replace(one, sender="Module" if name in MODULE else "Body")
        for name, one in timeline.channels.items()
    }
    assert len(find_restarts(replace(timeline, channels=named))) == 1


def test_one_message_that_goes_on_is_no_restart(ride: Ride, every: Every) -> None:
    channels = _module(every)
    channels["driver_torque"] = _without(channels["driver_torque"], 20.01, 20.9)
    assert find_restarts(ride(channels)) == []


def test_a_slow_message_has_no_time_to_fall_silent(ride: Ride, every: Every) -> None:
    channels = _silent(every, (20.1, 20.9))
    slow = every(1.0, 60.0)
    channels["module_temperature"] = (slow, np.full(len(slow), 50.0))
    assert len(find_restarts(ride(channels))) == 1


def test_a_silent_recording_is_no_restart(ride: Ride, every: Every) -> None:
    timeline = ride(_silent(every, (20.0, 22.0)), recording_gaps=[(20.0, 22.0)])
    assert find_restarts(timeline) == []


def test_a_hole_of_the_whole_bus_is_no_restart(ride: Ride, every: Every) -> None:
    """Half a second without any message: too short for a gap of the recording, and no restart."""
    channels = _silent(every, (20.0, 20.5))
    channels["vehicle_speed"] = _without(channels["vehicle_speed"], 20.01, 20.5)
    assert find_restarts(ride(channels)) == []


def test_what_a_thinning_recorder_may_lose_is_no_restart(ride: Ride, every: Every) -> None:
    """Half of all frames are lost by turns: 0.45 s is nothing, 3 s are impossible."""
    for lasts_s, count in ((0.45, 0), (3.0, 1)):
        timeline = ride(_silent(every, (20.0, 20.0 + lasts_s)))
        assert len(find_restarts(timeline)) == 1
        period_s = {
            timeline.channels[name].source.key: timeline.channels[name].period_s for name in MODULE
        }
        thinning = {0: Thinning(lost=0.5, lost_again=0.5, period_s=period_s)}
        thinned = replace(timeline, bus=replace(timeline.bus, thinning=thinning))
        assert len(find_restarts(thinned)) == count
        assert len(find_losses(thinned)) == 2 * count


def _thinned(timeline: Timeline, *, missed: float = 0.0) -> Timeline:
    """Return a ride as of a recorder that drops half of all frames, of a message maybe more."""
    periods = {one.source.key: one.period_s for one in timeline.channels.values()}
    thinning = Thinning(
        lost=0.5, lost_again=0.5, period_s=periods, missed=dict.fromkeys(periods, missed)
    )
    thinned = replace(timeline, bus=replace(timeline.bus, thinning={0: thinning}))
    return replace(thinned, channels=followed(timeline.channels, thinned.bus))


def test_a_message_that_loses_more_than_others_may_be_silent_for_longer(
    ride: Ride, every: Every
) -> None:
    timeline = ride(_silent(every, (20.0, 23.0)))
    assert len(find_losses(_thinned(timeline))) == 2
    assert find_losses(_thinned(timeline, missed=0.85)) == []


def test_frames_lost_at_the_ends_of_a_restart_are_no_loss_besides(ride: Ride, every: Every) -> None:
    channels = _silent(every, (20.0, 23.0))
    timeline = ride(channels)
    restarts = find_restarts(timeline)
    name = MODULE[0]
    channels[name] = _without(channels[name], 19.5, 23.0)
    later = ride(channels)
    assert [one.channel for one in find_losses(later, restarts)] == [name]
    assert find_losses(_thinned(later), restarts) == []


def test_a_witness_speaks_only_when_the_other_was_heard(
    ride: Ride, every: Every, profile: Profile
) -> None:
    """Speed rests between dips of the wheels' speeds of which its own samples were dropped."""
    channels = _running(every)
    del channels["engine_speed"]
    time_s, speed = channels["vehicle_speed"]
    frozen = (time_s > 19.99) & (time_s < 30.01)
    speed[frozen] = speed[frozen][0]
    stuck = ride(channels)
    assert len(find_stuck(_thinned(stuck), profile)) == 1
    wheels = channels["wheel_speed_fl"][1]
    wheels[frozen] = np.where(np.sin(time_s[frozen] * 2.0) > 0.0, speed[frozen], 0.0)
    heard = ~frozen | (np.sin(time_s * 2.0) > 0.0)
    channels["vehicle_speed"] = (time_s[heard], speed[heard])
    rare = ride(channels)
    assert len(find_stuck(rare, profile)) == 1
    assert find_stuck(_thinned(rare), profile) == []


def test_a_seam_between_parts_is_neither_restart_nor_loss(ride: Ride, every: Every) -> None:
    timeline = ride(_silent(every, (20.0, 20.6)))
    joined = replace(timeline, bus=replace(timeline.bus, seams=((0, 19.99, 20.61),)))
    assert find_restarts(joined) == []
    assert find_losses(joined) == []


def test_a_key_cycle_is_a_note(ride: Ride, every: Every) -> None:
    """The module falls silent a second after the engine stops, or other units do."""
    channels = _silent(every, (30.0, 40.0))
    time_s = every(0.05, 60.0)
    rpm = np.where((time_s > 29.0) & (time_s < 41.0), 0.0, 1500.0)
    (event,) = find_restarts(ride(channels | {"engine_speed": (time_s, rpm)}))
    assert (event.severity, event.measured["when"]) == (Severity.NOTE, "key_cycle")
    asleep = [_id_stats(0x300 + k, silences=((28.5 + k, 39.0 + k),)) for k in range(3)]
    (event,) = find_restarts(ride(channels, ids=asleep))
    assert event.severity is Severity.NOTE
    awake = [_id_stats(0x300 + k, silences=()) for k in range(3)]
    (event,) = find_restarts(ride(channels, ids=awake))
    assert event.severity is Severity.SERIOUS


def test_units_that_fall_asleep_after_the_ride_lose_no_signal(ride: Ride, every: Every) -> None:
    """The engine stops at 40 s; the units follow one by one, and the log goes on for a while."""
    channels = _running(every)
    time_s, rpm = channels["engine_speed"]
    rpm[time_s > 40.0] = 0.0
    channels["vehicle_speed"][1][time_s > 39.0] = 0.0
    channels["wheel_speed_fl"][1][time_s > 39.0] = 0.0
    ends = {"vehicle_speed": 42.0, "driver_torque": 43.0, "wheel_speed_fl": 45.0}
    for name, end_s in ends.items():
        channels[name] = _without(channels[name], end_s, 61.0)
    assert find_losses(ride(channels)) == []


def test_a_restart_says_all_about_the_modules_channels(ride: Ride, every: Every) -> None:
    timeline = ride(_silent(every, (20.0, 20.9)))
    assert find_losses(timeline, find_restarts(timeline)) == []
    assert len(find_losses(timeline)) == 2


@pytest.mark.parametrize(("count", "found"), [(2, 0), (3, 1)])
def test_a_disturbance_takes_three_error_frames(
    ride: Ride, every: Every, count: int, found: int
) -> None:
    errors = [10.0 + 0.9 * k for k in range(count)]
    events = find_disturbances(ride(_running(every), error_time_s=errors))
    assert len(events) == found
    for event in events:
        assert (event.start_s, event.end_s) == pytest.approx((10.0, 11.8))


def test_error_frames_a_second_apart_do_not_belong_together(ride: Ride, every: Every) -> None:
    assert find_disturbances(ride(_running(every), error_time_s=[10.0, 11.0, 12.0])) == []


def test_a_silent_bus_of_several_is_a_disturbance(ride: Ride, every: Every) -> None:
    (event,) = find_disturbances(ride(_running(every), bus_gaps=[(0, 10.0, 12.0)]))
    assert (event.start_s, event.end_s, event.measured["bus"]) == (10.0, 12.0, "can0")


def test_gaps_and_codes_are_passed_on(ride: Ride, every: Every) -> None:
    code = CodeSighting(code="U0131", text="", protocol="UDS", first_s=3.0, last_s=9.0)
    timeline = ride(_running(every), recording_gaps=[(10.0, 12.0)], trouble_codes=(code,))
    (gap,) = find_log_gaps(timeline)
    assert (gap.start_s, gap.end_s, gap.severity) == (10.0, 12.0, Severity.NOTE)
    (seen,) = find_trouble_codes(timeline)
    assert (seen.code, seen.start_s, seen.end_s) == ("U0131", 3.0, 9.0)


# -- wheels as witnesses ------------------------------------------------------------------------


def _wheels(every: Every, *moving: str) -> dict[str, Samples]:
    """Return a road speed of 0 while these wheels turn, up and down, and the others stand."""
    time_s = every(0.05, 60.0)
    channels = {"vehicle_speed": (time_s, np.full(len(time_s), 10.0))}
    turning = 20.0 + 8.0 * np.sin(time_s)
    standing = (time_s > 20.0) & (time_s < 40.0)
    channels["vehicle_speed"][1][:] = np.where(standing, 0.0, turning)
    for place in ("fl", "fr", "rl", "rr"):
        value = turning if place in moving else np.where(standing, 0.0, turning)
        channels[f"wheel_speed_{place}"] = (time_s, value.copy())
    return channels


def test_spinning_wheels_of_one_axle_make_no_stuck_speed(
    ride: Ride, every: Every, profile: Profile
) -> None:
    assert find_stuck(ride(_wheels(every, "rl", "rr")), profile) == []
    found = find_stuck(ride(_wheels(every, "fl", "fr", "rl", "rr")), profile)
    assert [event.channel for event in found] == ["vehicle_speed"]


def test_a_dead_wheel_signal_beside_a_turning_one_is_stuck(
    ride: Ride, every: Every, profile: Profile
) -> None:
    channels = _wheels(every, "fl", "fr", "rl", "rr")
    channels["vehicle_speed"] = channels["wheel_speed_fl"]
    channels["wheel_speed_rl"][1][:] = 0.0
    found = find_stuck(ride(channels), profile)
    assert {event.channel for event in found} == {"wheel_speed_rl"}


def test_a_step_that_a_wheel_makes_too_is_spin(ride: Ride, every: Every, profile: Profile) -> None:
    channels = _wheels(every)
    time_s, speed = channels["vehicle_speed"]
    speed[:] = np.where((time_s > 30.0) & (time_s < 31.0), 40.0, 10.0)
    assert len(find_jumps(ride(channels), profile)) == 1
    channels["wheel_speed_rl"] = (time_s, speed.copy())
    assert find_jumps(ride(channels), profile) == []

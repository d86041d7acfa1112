"""Undervoltage on rides worked by hand."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from canassist.detect import undervoltage
from canassist.model import Event, FloatArray, Physics, Profile, Severity, SupplySpec, Timeline
from canassist.physics import life_of_ride

Ride = Callable[..., Timeline]
Every = Callable[[float, float], FloatArray]


def find_undervoltage(timeline: Timeline, profile: Profile) -> list[Event]:
    """Find dips on a ride of which nothing was estimated."""
    return undervoltage.find_undervoltage(timeline, profile, Physics(), life_of_ride(timeline))


def test_one_sample_is_enough_and_the_end_holds(ride: Ride, every: Every, profile: Profile) -> None:
    """Limit 11.0 V: starts at the only low sample, ends at the first above 11.2 V for 0.2 s."""
    time_s = every(0.1, 2.0)
    supply = np.full(21, 12.5)
    supply[5] = 10.9
    supply[6] = 11.15  # above the limit, not by 0.2 V
    supply[7] = 11.3  # held for 0.1 s only
    supply[8] = 11.2
    events = find_undervoltage(ride({"supply_voltage": (time_s, supply)}), profile)
    assert [(e.start_s, e.end_s) for e in events] == [pytest.approx((0.5, 0.9))]
    assert events[0].measured["min_supply_v"] == 10.9
    assert events[0].expected["min_supply_v"] == 11.0
    assert events[0].cause is None  # engine speed is missing


def test_a_gap_counts_nothing_below_the_limit(ride: Ride, every: Every, profile: Profile) -> None:
    """Low from 0.5 s to the gap at 0.9 s, and for 0.2 s after it; the gap lasts 3 s."""
    supply = np.full(21, 12.5)
    supply[5:12] = 10.0
    time_s = every(0.1, 2.0)
    time_s[10:] += 3.0
    (event,) = find_undervoltage(ride({"supply_voltage": (time_s, supply)}), profile)
    assert event.measured["below_limit_s"] == pytest.approx(0.4 + 0.2)


def test_a_single_low_sample_counts_to_the_next(ride: Ride, every: Every, profile: Profile) -> None:
    supply = np.full(21, 12.5)
    supply[5] = 10.0
    (event,) = find_undervoltage(ride({"supply_voltage": (every(0.1, 2.0), supply)}), profile)
    assert event.measured["below_limit_s"] == pytest.approx(0.1)


def test_exactly_at_the_limit_is_not_below(ride: Ride, every: Every, profile: Profile) -> None:
    supply = np.full(21, 11.0)
    assert find_undervoltage(ride({"supply_voltage": (every(0.1, 2.0), supply)}), profile) == []


def test_a_dip_that_the_log_cuts_off_has_no_end(ride: Ride, every: Every, profile: Profile) -> None:
    supply = np.append(np.full(20, 12.5), 10.0)
    events = find_undervoltage(ride({"supply_voltage": (every(0.1, 2.0), supply)}), profile)
    assert [(e.start_s, e.end_s) for e in events] == [(2.0, None)]


def test_no_value_neither_starts_nor_ends(ride: Ride, every: Every, profile: Profile) -> None:
    supply = np.full(41, 12.5)
    supply[10] = 10.0
    supply[11:31] = np.nan
    events = find_undervoltage(ride({"supply_voltage": (every(0.1, 4.0), supply)}), profile)
    assert [(e.start_s, e.end_s) for e in events] == [pytest.approx((1.0, 3.1))]


def _start(every: Every, plateau_v: float) -> dict[str, tuple[FloatArray, FloatArray]]:
    """Engine leaves zero at 2.0 s and passes 500 rpm at 3.0 s; dip from 1.8 s to 2.9 s."""
    time_s = every(0.05, 6.0)
    rpm = np.where(time_s < 1.999, 0.0, np.where(time_s < 2.999, 250.0, 1100.0))
    supply = np.where((time_s > 1.799) & (time_s < 2.901), plateau_v, 12.6)
    return {"supply_voltage": (time_s, supply), "engine_speed": (time_s, rpm)}


def test_the_starter_may_pull_down_to_its_own_limit(
    ride: Ride, every: Every, profile: Profile
) -> None:
    """The starter turns from 1.5 s: 9.8 V is above 9.6 V and no event, 9.5 V is one."""
    assert find_undervoltage(ride(_start(every, 9.8)), profile) == []
    events = find_undervoltage(ride(_start(every, 9.5)), profile)
    assert [e.cause for e in events] == ["cranking"]
    assert (events[0].start_s, events[0].end_s) == pytest.approx((1.8, 2.95))


def test_a_dip_before_the_starter_turns_has_the_other_limit(
    ride: Ride, every: Every, profile: Profile
) -> None:
    channels = _start(every, 9.8)
    time_s, supply = channels["supply_voltage"]
    supply[(time_s > 1.199) & (time_s < 1.401)] = 10.8
    events = find_undervoltage(ride(channels), profile)
    assert [(e.cause, e.severity) for e in events] == [("engine_stopped", Severity.NOTE)]
    assert events[0].start_s == pytest.approx(1.2)


def _running(every: Every, until_s: float = 60.0) -> dict[str, tuple[FloatArray, FloatArray]]:
    time_s = every(0.05, until_s)
    return {
        "supply_voltage": (time_s, np.full(len(time_s), 14.2)),
        "engine_speed": (time_s, np.full(len(time_s), 2500.0)),
        "module_current": (time_s, np.full(len(time_s), 2.0)),
    }


def test_a_dip_in_step_with_module_current_is_steering(
    ride: Ride, every: Every, profile: Profile
) -> None:
    channels = _running(every)
    time_s, supply = channels["supply_voltage"]
    current = channels["module_current"][1]
    turn = (time_s % 10.0) > 7.0
    current[turn] = 30.0
    hard = (time_s > 47.0) & (time_s < 50.0)
    current[hard] = 70.0
    supply -= 0.06 * (current - 2.0)  # 14.2 - 0.06 * 68 = 10.1 V
    events = find_undervoltage(ride(channels), profile)
    assert [e.cause for e in events] == ["steering_load"]


def test_a_dip_without_steering_is_another_load(ride: Ride, every: Every, profile: Profile) -> None:
    channels = _running(every)
    time_s, supply = channels["supply_voltage"]
    ramp = np.interp(time_s, [30.0, 32.0, 36.0, 38.0], [0.0, 3.8, 3.8, 0.0])
    channels["supply_voltage"] = (time_s, supply - ramp)
    assert [e.cause for e in find_undervoltage(ride(channels), profile)] == ["other_load"]


def test_supply_gone_in_a_blink_without_current_is_a_break(
    ride: Ride, every: Every, profile: Profile
) -> None:
    channels = _running(every)
    time_s, supply = channels["supply_voltage"]
    gone = (time_s > 30.0) & (time_s < 30.3)
    supply[gone] = 5.5
    channels["module_current"][1][gone] = 0.0
    assert [e.cause for e in find_undervoltage(ride(channels), profile)] == ["supply_break"]


def test_running_and_never_charged_is_charging(ride: Ride, every: Every, profile: Profile) -> None:
    channels = _running(every, 200.0)
    time_s = channels["supply_voltage"][0]
    channels["supply_voltage"] = (time_s, 12.4 - 0.01 * time_s)  # below 11 V after 140 s
    events = find_undervoltage(ride(channels), profile)
    assert [e.cause for e in events] == ["charging"]


def test_a_gap_says_nothing_on_charging(ride: Ride, every: Every, profile: Profile) -> None:
    """One second is seen of the running engine, and one after a gap of 20 s: too little."""
    time_s = np.concatenate((every(0.05, 1.0), 21.0 + every(0.05, 1.0)))
    supply = np.full(len(time_s), 12.4)
    supply[-5:] = 10.5
    engine = np.full(len(time_s), 2500.0)
    channels = {"supply_voltage": (time_s, supply), "engine_speed": (time_s, engine)}
    assert [e.cause for e in find_undervoltage(ride(channels), profile)] == ["other_load"]


def test_a_24_v_vehicle_is_not_judged_by_12_v_limits(
    ride: Ride, every: Every, profile: Profile
) -> None:
    supply = np.full(21, 27.0)
    supply[5] = 10.0
    channels = {"supply_voltage": (every(0.1, 2.0), supply)}
    assert find_undervoltage(ride(channels), profile) == []
    given = replace(
        profile,
        limits=replace(profile.limits, undervoltage_v=22.0),
        given=frozenset({"limits.undervoltage_v"}),
    )
    assert len(find_undervoltage(ride(channels), given)) == 1


def test_nothing_without_supply(ride: Ride, every: Every, profile: Profile) -> None:
    time_s = every(0.1, 2.0)
    assert find_undervoltage(ride({"engine_speed": (time_s, np.zeros(21))}), profile) == []


@pytest.mark.parametrize("volts", [12.0, 24.0])
def test_supply_that_steps_under_measured_load_is_no_break(
    ride: Ride, every: Every, profile: Profile, volts: float
) -> None:
    """A high resistance: every push of 60 A takes 4.2 V (twice that on 24 V) within one sample."""
    scale = volts / 12.0
    channels = _running(every, 120.0)
    time_s, supply = channels["supply_voltage"]
    current = channels["module_current"][1]
    current[(time_s % 8.0) > 7.0] = 62.0
    current[(time_s % 8.0) < 1.0] = 20.0
    supply[:] = scale * (14.2 - 0.07 * (current - 2.0))
    given = replace(
        profile,
        nominal_v=volts,
        limits=replace(profile.limits, undervoltage_v=11.0 * scale, charging_v=13.2 * scale),
        given=frozenset({"vehicle.nominal_v", "limits.undervoltage_v", "limits.charging_v"}),
    )
    events = find_undervoltage(ride(channels), given)
    assert len(events) > 10
    assert {e.cause for e in events} == {"steering_load"}


def test_a_break_is_measured_from_the_sample_before(
    ride: Ride, every: Every, profile: Profile
) -> None:
    """The contact opens in the middle of a push: nothing of the fall is left to the current."""
    channels = _running(every)
    time_s, supply = channels["supply_voltage"]
    current = channels["module_current"][1]
    current[(time_s > 29.0) & (time_s < 31.0)] = 50.0
    supply -= 0.01 * (current - 2.0)
    gone = (time_s > 30.0) & (time_s < 30.3)
    supply[gone], current[gone] = 0.2, 0.0
    assert [e.cause for e in find_undervoltage(ride(channels), profile)] == ["supply_break"]


def test_a_slow_low_sample_is_no_break(ride: Ride, every: Every, profile: Profile) -> None:
    """Five samples a second: what happened between two of them is not seen."""
    time_s = every(0.2, 60.0)
    supply = np.full(len(time_s), 14.2)
    supply[150] = 8.0
    channels = {
        "supply_voltage": (time_s, supply),
        "engine_speed": (time_s, np.full(len(time_s), 2500.0)),
        "module_current": (time_s, np.full(len(time_s), 2.0)),
    }
    assert "supply_break" not in {e.cause for e in find_undervoltage(ride(channels), profile)}


def test_without_an_engine_by_the_profile_a_cause_is_found(
    ride: Ride, every: Every, profile: Profile
) -> None:
    channels = _running(every)
    time_s, supply = channels["supply_voltage"]
    supply[(time_s > 30.0) & (time_s < 30.3)] = 0.2
    del channels["engine_speed"]
    assert [e.cause for e in find_undervoltage(ride(channels), profile)] == [None]
    electric = replace(profile, supply=SupplySpec(source="dcdc"))
    assert [e.cause for e in find_undervoltage(ride(channels), electric)] == ["supply_break"]


def test_an_engine_that_stops_in_a_dip_did_not_cause_it(
    ride: Ride, every: Every, profile: Profile
) -> None:
    channels = _running(every)
    time_s, supply = channels["supply_voltage"]
    channels["supply_voltage"] = (time_s, np.where(time_s > 30.0, 9.0, supply))
    channels["engine_speed"][1][time_s > 31.0] = 0.0
    (event,) = find_undervoltage(ride(channels), profile)
    assert event.cause != "engine_stopped"


def test_the_way_back_is_scaled_to_the_supply(ride: Ride, every: Every, profile: Profile) -> None:
    """24 V: back once 0.4 V above the limit, which is 0.2 V of 12."""
    time_s = every(0.1, 4.0)
    supply = np.full(len(time_s), 27.0)
    supply[5:10], supply[10:20] = 21.0, 22.3
    given = replace(
        profile,
        nominal_v=24.0,
        limits=replace(profile.limits, undervoltage_v=22.0),
        given=frozenset({"limits.undervoltage_v"}),
    )
    (event,) = find_undervoltage(ride({"supply_voltage": (time_s, supply)}), given)
    assert event.end_s == pytest.approx(2.0)
    assert event.limits == {"undervoltage_v": 22.0}

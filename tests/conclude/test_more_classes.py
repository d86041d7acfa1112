"""More classes of rides on which an answer said too much, found on foreign vehicles.

As in `test_seen_to_fail`: each class stands for many vehicles, and the rides are hand-made.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from canassist.model import (
    AssistFit,
    Channel,
    Code,
    Event,
    EventKind,
    LearnedFigure,
    Profile,
    Severity,
    Strength,
)
from canassist.profile import default_profile
from tests.conclude.hand_made import (
    HandMade,
    charging,
    constant,
    crank,
    derate,
    dip,
    given_profile,
    path,
    ridden,
)
from tests.conclude.test_seen_to_fail import (
    blamed,
    first,
    heated,
    hot,
    named,
    physics,
    silence,
    starting,
    vary,
)


def test_a_module_starved_by_its_own_load_lost_no_contact() -> None:
    """Supply was low under load before the silence: the resistance is the root of both."""
    pulled = [dip("steering_load", at, 8.0) for at in (60.0, 90.0, 120.0)]
    channels = ridden()
    vary(channels, "supply_voltage", 60.0, 61.0, 5.5)
    ride = HandMade(
        events=(*pulled, silence(60.8), derate("start_up", 61.4)),
        channels=channels,
        physics=physics(supply_path=path(0.12, 0.11, 0.13)),
    )
    assert first(ride.verdict()) is Code.SUPPLY_RESISTANCE
    assert Code.SUPPLY_BREAK not in named(ride.verdict())
    opened = replace(ride, events=(dip("supply_break", 60.75, 0.5), *ride.events[3:]))
    assert first(opened.verdict()) is Code.SUPPLY_BREAK


def test_dips_by_an_unmeasured_load_leave_a_break_weak() -> None:
    breaks = [dip("supply_break", at, 7.0) for at in (60.0, 120.0, 180.0)]
    loads = [dip("steering_load", at, 10.2) for at in (80.0, 140.0)]
    reduced = [derate("voltage", at + 0.2) for at in (60.0, 120.0, 180.0)]
    ride = HandMade(events=(*breaks, *loads, *reduced)).without("module_current")
    assert first(ride.verdict()) is Code.INCONCLUSIVE
    assert named(ride.verdict())[Code.SUPPLY_BREAK].strength is Strength.WEAK
    without_loads = replace(ride, events=(*breaks, *reduced))
    assert first(without_loads.verdict()) is Code.SUPPLY_BREAK


def test_one_opening_is_never_strong_whatever_stood_beside_it() -> None:
    events = (dip("supply_break", 60.0, 0.4), silence(60.1), derate("start_up", 60.7))
    once = named(HandMade(events=events).verdict())[Code.SUPPLY_BREAK]
    assert once.strength is Strength.MODERATE
    again = (*events, dip("supply_break", 150.0, 0.4), silence(150.1))
    assert named(HandMade(events=again).verdict())[Code.SUPPLY_BREAK].strength is Strength.STRONG


def test_a_reduction_by_the_starter_s_inrush_blames_no_battery() -> None:
    channels = starting(10.6)
    inrush = replace(dip("cranking", 2.02, 8.9), end_s=2.1)
    brief = derate("voltage", 2.05, 20.0, end_s=3.6)
    ride = HandMade(
        channels=channels,
        events=(inrush, brief),
        physics=physics(cranks=(crank(10.6),), supply_path=path(0.012, 0.010, 0.014)),
    )
    assert blamed(ride.verdict()) == set()
    assert first(ride.verdict()) is Code.NO_FAULT_FOUND


def test_a_start_just_below_a_load_test_is_no_more_than_weak() -> None:
    near = HandMade(channels=starting(9.4), physics=physics(cranks=(crank(9.4),)))
    assert named(near.verdict())[Code.LOW_BATTERY].strength is Strength.WEAK
    clear = HandMade(channels=starting(8.6), physics=physics(cranks=(crank(8.6),)))
    assert named(clear.verdict())[Code.LOW_BATTERY].strength is Strength.MODERATE


def at_the_stop(onsets_s: tuple[float, ...]) -> dict[str, Channel]:
    """Return a ride that steers to and fro, and to the stop only just before these moments."""
    channels = ridden()
    time_s = channels["steering_angle"].time_s
    channels["steering_angle"].value[:] = 60.0 * np.sin(time_s)
    for at_s in onsets_s:
        vary(channels, "steering_angle", at_s - 1.0, at_s + 0.1, -118.0)
    return channels


def test_reductions_that_come_at_one_place_of_the_bar_are_a_rule_and_no_fault() -> None:
    onsets_s = (60.0, 110.0, 160.0, 210.0)
    events = tuple(derate("unexplained", at, severity=Severity.SERIOUS) for at in onsets_s)
    alike = HandMade(events=events, channels=at_the_stop(onsets_s)).verdict()
    assert first(alike) is Code.INCONCLUSIVE
    assert named(alike)[Code.MODULE_SUSPECT].strength is Strength.WEAK
    assert "steering angle" in named(alike)[Code.MODULE_SUSPECT].basis
    anywhere = HandMade(events=events, channels=at_the_stop(()))
    assert named(anywhere.verdict())[Code.MODULE_SUSPECT].strength is Strength.MODERATE


def test_assist_below_full_that_is_no_event_keeps_a_ride_from_being_free_of_faults() -> None:
    channels = ridden()
    channels["assist_limit"].value[::9] = 70.0  # too short for an event, and a ninth of the ride
    verdict = HandMade(channels=channels).verdict()
    assert first(verdict) is Code.INCONCLUSIVE
    assert "11 %" in verdict.conclusions[0].because[0].text
    channels["assist_limit"].value[::9] = 100.0
    assert first(HandMade(channels=channels).verdict()) is Code.NO_FAULT_FOUND


@pytest.mark.parametrize(("settles_c", "strength"), [(92.0, "weak"), (60.0, "strong")])
def test_a_reading_that_settles_where_no_place_is_so_hot_proves_no_protection(
    settles_c: float, strength: str
) -> None:
    ride = HandMade(
        channels=hot(), events=(derate("temperature"),),
        physics=physics(thermal=heated(ambient_c=settles_c)),
    )  # fmt: skip
    protection = named(ride.verdict())[Code.THERMAL_PROTECTION]
    assert protection.strength is Strength(strength)


def test_what_rests_on_a_unit_that_nothing_checked_is_held_at_moderate() -> None:
    channels = hot()
    ride = HandMade(channels=channels, events=(derate("temperature"),))
    assert named(ride.verdict())[Code.THERMAL_PROTECTION].strength is Strength.STRONG
    heat = channels["module_temperature"]
    channels["module_temperature"] = replace(heat, not_checked=("unit",))
    held = named(ride.verdict())[Code.THERMAL_PROTECTION]
    assert held.strength is Strength.MODERATE
    assert "module temperature" in held.basis


def learned_from(vehicles: int, name: str, value: float) -> Profile:
    figure = LearnedFigure(value=value, rides=9, vehicles=vehicles)
    return replace(given_profile(), learned={f"limits.{name}": figure})


@pytest.mark.parametrize(("vehicles", "strength"), [(2, "moderate"), (3, "strong")])
def test_a_limit_learned_from_too_few_vehicles_holds_every_answer_down(
    vehicles: int, strength: str
) -> None:
    """Also one that blames nobody; of three vehicles it counts as given."""
    heat = HandMade(
        channels=hot(), events=(derate("temperature"),),
        profile=learned_from(vehicles, "derate_start_c", 85.0),
    )  # fmt: skip
    assert named(heat.verdict())[Code.THERMAL_PROTECTION].strength is Strength(strength)
    high = [
        Event(kind=EventKind.OVERVOLTAGE, start_s=at, end_s=at + 20.0, channel="supply_voltage",
              measured={"max_supply_v": 17.0})
        for at in (60.0, 150.0)
    ]  # fmt: skip
    over = HandMade(
        events=(*high, derate("overvoltage", 60.5)),
        profile=learned_from(vehicles, "overvoltage_v", 15.5),
    )
    assert named(over.verdict())[Code.OVERVOLTAGE_FAULT].strength is Strength(strength)


def hard_work(torque_nm: float) -> HandMade:
    channels = ridden()
    channels["driver_torque"].value[:1500] = torque_nm
    fit = AssistFit(
        map_from="profile", lag_s=0.0, side_difference=None, speed_kph=(0.0,),
        ratio=replace(path(1.0, 0.98, 1.02).path_ohm, unit="share"), gains={"*": (3.0,)},
        max_assist_nm=40.0,
    )  # fmt: skip
    return HandMade(channels=channels, physics=physics(assist=fit))


def test_effort_is_held_to_what_known_good_vehicles_need() -> None:
    ride = hard_work(7.0)
    assert Code.MECHANICAL_LOAD not in named(ride.verdict())
    norm = LearnedFigure(value=4.0, low=3.5, high=4.5, rides=9, vehicles=3, unit="N·m")
    bare = frozenset(name for name in given_profile().given if name != "limits.effort_nm")
    learned = replace(given_profile(), given=bare, learned={"effort_p90_nm": norm})
    heavy = replace(ride, profile=learned)
    assert named(heavy.verdict())[Code.MECHANICAL_LOAD].strength is Strength.MODERATE
    by_hand = replace(learned, given=given_profile().given)
    assert Code.MECHANICAL_LOAD not in named(replace(ride, profile=by_hand).verdict())


def test_without_engine_speed_no_start_is_told_from_a_weak_battery() -> None:
    """An alternator in the profile does not make up for an engine speed that is not there."""
    given = replace(given_profile(), supply=replace(given_profile().supply, source="alternator"))
    channels = ridden() | {"system_voltage": constant("system_voltage", 9.9)}
    ride = HandMade(
        events=(dip(None, 60.0, 9.8), derate("voltage", 60.2), dip(None, 150.0, 9.8)),
        channels=channels, profile=given, physics=physics(charging=charging(14.0)),
    ).without("engine_speed")  # fmt: skip
    low = named(ride.verdict())[Code.LOW_BATTERY]
    assert low.strength is Strength.WEAK


def test_a_load_of_unknown_size_makes_no_battery_weak() -> None:
    """Something else pulled supply down twice: how hard, no signal says."""
    channels = ridden()
    for at_s in (60.0, 150.0):
        for name, low_v in (("supply_voltage", 8.0), ("system_voltage", 8.2)):
            vary(channels, name, at_s, at_s + 1.0, low_v)
    events = (dip("other_load", 60.0, 8.0), dip("other_load", 150.0, 8.0))
    charged = physics(charging=charging(14.0))
    verdict = HandMade(events=events, channels=channels, physics=charged).verdict()
    assert blamed(verdict) == set()
    assert named(verdict)[Code.LOW_BATTERY].strength is Strength.WEAK


def test_heat_that_holds_assist_down_after_a_silence_is_not_the_plug_s() -> None:
    at_s = (60.0, 120.0, 180.0)
    silences = [silence(at - 1.0, 0.8) for at in at_s]
    held = [derate("temperature", at) for at in at_s]
    channels = ridden()
    for at in at_s:
        vary(channels, "module_temperature", at, at + 27.0, 97.0)
    verdict = HandMade(events=(*silences, *held), channels=channels).verdict()
    assert first(verdict) is Code.THERMAL_PROTECTION
    assert named(verdict)[Code.SUPPLY_BREAK].explains == pytest.approx(0.09, abs=0.03)


def test_a_supply_of_48_v_needs_no_engine_speed_to_be_called_sound() -> None:
    """No profile says so: no starter and no alternator stands behind such a supply."""
    channels = ridden()
    for name in ("supply_voltage", "system_voltage"):
        channels[name].value[:] = 52.0
    electric = HandMade(channels=channels, profile=default_profile()).without("engine_speed")
    assert first(electric.verdict()) is Code.NO_FAULT_FOUND
    lead = HandMade(profile=default_profile()).without("engine_speed")
    lead.channels["supply_voltage"].value[:400] = 10.5
    assert first(lead.verdict()) is Code.INCONCLUSIVE


def test_a_module_that_reports_its_own_failure_answers_where_no_loss_can_be_seen() -> None:
    channels = ridden()
    status = constant("module_status", 0.0, labels={0.0: "Ready", 5.0: "InternalFault"})
    channels["module_status"] = status
    vary(channels, "module_status", 100.0, 300.0, 5.0)
    ride = HandMade(channels=channels, profile=default_profile()).without("assist_limit")
    assert first(ride.verdict()) is Code.MODULE_SUSPECT


@pytest.mark.parametrize(("period_s", "asked"), [(0.15, True), (0.1, False)])
def test_an_open_answer_says_which_reading_would_have_told(period_s: float, asked: bool) -> None:
    """Supply that came too seldom excludes nothing: a faster log would tell."""
    channels = ridden()
    channels["supply_voltage"] = replace(channels["supply_voltage"], period_s=period_s)
    bare = derate("voltage", 60.0)
    untold = replace(bare, cause=None, measured={**bare.measured, "missing": "supply_voltage"})
    events = (untold, replace(untold, start_s=150.0, end_s=177.0))
    verdict = HandMade(events=events, channels=channels).verdict()
    answer = verdict.conclusions[0]
    assert answer.code is Code.INCONCLUSIVE
    assert any("2 of them came, supply at the module" in one.text for one in answer.because)
    assert "too little of supply at the module" in verdict.events[0].text
    often = [check for check in answer.next_checks if "every 0.1 s or more often" in check.text]
    assert bool(often) is asked


def test_low_supply_without_a_root_is_measured_at_both_ends() -> None:
    events = (derate("voltage", 60.0), derate("voltage", 150.0))
    answer = HandMade(events=events).verdict().conclusions[0]
    assert answer.code is Code.INCONCLUSIVE
    assert any("Low supply stood at the onset of 2" in one.text for one in answer.because)
    assert "at the battery posts at the same time" in answer.next_checks[0].text
    assert any("crush" in caution for caution in answer.next_checks[0].cautions)


@pytest.mark.parametrize(
    ("causes", "words"),
    [
        ((), "throughout"),
        (("engine_stopped",), "whenever the engine ran."),
        (("start_up",), "once it had come up"),
        (("start_up", "engine_stopped"), "whenever the engine ran, once it had come up"),
        (("start_up", "law"), "no more assist than its law"),
    ],
)
def test_full_assist_is_said_of_no_more_than_it_was(causes: tuple[str, ...], words: str) -> None:
    """What took assist as it should, and so carries no weight, is named in the sentence."""
    events = tuple(
        derate(cause, 60.0 + 60.0 * place, severity=Severity.NOTE)
        for place, cause in enumerate(causes)
    )
    answer = HandMade(events=events).verdict().conclusions[0]
    assert answer.code is Code.NO_FAULT_FOUND
    assert any(words in one.text for one in answer.because)


@pytest.mark.parametrize("channel", ["engine_speed", "vehicle_speed"])
def test_no_wheel_is_turned_to_see_the_engine_s_speed(channel: str) -> None:
    hole = Event(kind=EventKind.SIGNAL_LOSS, start_s=59.0, end_s=90.0, channel=channel)
    verdict = HandMade(events=(hole, derate("speed_signal"))).verdict()
    told = " ".join(check.text for check in named(verdict)[Code.SPEED_SIGNAL_FAULT].next_checks)
    assert ("Wheels lifted" in told) is (channel == "vehicle_speed")
    assert ("change the engine's speed" in told) is (channel == "engine_speed")


@pytest.mark.parametrize(("system_v", "leads"), [(10.7, False), (12.9, True)])
def test_a_path_is_not_all_of_it_where_the_source_itself_gave_way(
    system_v: float, leads: bool
) -> None:
    """The path loses over a volt; a source that fell below the limit before it counts more."""
    channels = ridden()
    starts = [60.0, 90.0, 120.0, 150.0]
    for at_s in starts:
        vary(channels, "supply_voltage", at_s, at_s + 1.5, system_v - 1.4 if leads else 9.3)
        vary(channels, "system_voltage", at_s, at_s + 1.5, system_v)
    dips = [dip("steering_load", at_s, 9.3) for at_s in starts]
    measured = physics(supply_path=path(0.040, 0.034, 0.046))
    reduced = (derate("voltage", 60.2), derate("voltage", 120.2))
    found = named(HandMade(channels=channels, physics=measured, events=(*dips, *reduced)).verdict())
    strength = found[Code.SUPPLY_RESISTANCE].strength
    assert (strength is Strength.STRONG) is leads
    assert ("system voltage itself fell" in found[Code.SUPPLY_RESISTANCE].basis) is not leads
    assert (Code.LOW_BATTERY in found) is not leads

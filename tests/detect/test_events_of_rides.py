"""Whole rides: events against the simulator's truth, and against real recordings' answers."""

from __future__ import annotations

import csv
from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

from canassist.demo import RIDES, Truth, demo_profile, simulate
from canassist.detect import find_events
from canassist.model import Event, EventKind, Profile, Severity, Timeline
from canassist.physics import study
from canassist.pipeline import survey
from canassist.profile import default_profile, parse_profile
from tests.simulator.scenarios import SCENARIOS, draw_scenario

if TYPE_CHECKING:
    from pathlib import Path

    from canassist.demo import Scenario

START_TOLERANCE_S = 0.2


def _events(timeline: Timeline, profile: Profile) -> tuple[Event, ...]:
    return find_events(timeline, profile, study(timeline, profile))


def _judged(scenario: Scenario) -> tuple[tuple[Event, ...], Truth]:
    ride = simulate(scenario)
    profile = demo_profile(scenario.layout, scenario.vehicle)
    return _events(ride.timeline(), profile), ride.truth


def _unmatched(found: tuple[Event, ...], truth: Truth) -> list[str]:
    """Name every planted event that was not found, and every found one that was not planted."""
    free, wrong = list(found), []
    for true in truth.events:
        low, high = true.earliest_s - START_TOLERANCE_S, true.latest_s + START_TOLERANCE_S
        match = next(
            (
                event
                for event in free
                if event.kind.value == true.kind
                and low <= event.start_s <= high
                and (event.cause == true.cause or event.cause in true.also)
                and (true.channel is None or event.channel == true.channel)
                and event.code == true.code
            ),
            None,
        )
        if match is None:
            wrong.append(f"missed {true.kind} {true.cause} {true.channel} at {true.start_s:.2f} s")
        else:
            free.remove(match)
    near = {(one.kind, round(one.start_s)) for one in truth.doubtful}
    wrong += [
        f"false {event.kind} {event.cause} at {event.start_s:.2f} s"
        for event in free
        if not any((event.kind.value, round(event.start_s) + k) in near for k in (-1, 0, 1))
    ]
    return wrong


@pytest.mark.parametrize("name", sorted(RIDES))
def test_events_of_a_sample_ride_are_the_planted_ones(name: str) -> None:
    found, truth = _judged(RIDES[name])
    assert _unmatched(found, truth) == []


@pytest.mark.parametrize("name", ["healthy_mixed", "second_vehicle"])
def test_a_healthy_ride_has_no_event_above_a_note(name: str) -> None:
    found, _ = _judged(RIDES[name])
    assert {event.severity for event in found} == {Severity.NOTE}
    assert [event.cause for event in found] == ["engine_stopped"]


@pytest.mark.parametrize(
    "name", ["rough_ground", "mode_changes", "long_idle", "plowing", "cold_start", "winching"]
)
def test_hard_but_sound_riding_is_silent(name: str) -> None:
    found, _ = _judged(draw_scenario(name, 31))
    assert [event for event in found if event.severity is not Severity.NOTE] == []


@pytest.mark.slow
@pytest.mark.parametrize("name", sorted(SCENARIOS))
def test_events_of_every_scenario_are_the_planted_ones(name: str) -> None:
    mistakes, planted = [], 0
    for seed in range(40, 43):
        found, truth = _judged(draw_scenario(name, seed))
        mistakes += _unmatched(found, truth)
        planted += len(truth.events)
    assert len(mistakes) <= 0.1 * planted, mistakes


def test_events_come_in_time_order_with_what_the_channels_read() -> None:
    found, _ = _judged(RIDES["supply_resistance"])
    starts = [event.start_s for event in found]
    assert starts == sorted(starts)
    dip = next(event for event in found if event.kind is EventKind.UNDERVOLTAGE)
    assert dip.channels_then["supply_voltage"] < 11.0
    assert dip.text == ""


def test_detection_does_not_change_its_input() -> None:
    timeline = simulate(RIDES["hot_tight_turns"]).timeline()
    before = {name: one.value.tobytes() for name, one in timeline.channels.items()}
    assert _events(timeline, default_profile()) == _events(timeline, default_profile())
    assert before == {name: one.value.tobytes() for name, one in timeline.channels.items()}


def test_detectors_that_lack_their_channels_say_nothing() -> None:
    """Each channel left out in turn: no crash, and no event on what is not there."""
    timeline = simulate(RIDES["weak_battery"]).timeline()
    profile = demo_profile(RIDES["weak_battery"].layout, RIDES["weak_battery"].vehicle)
    for name in timeline.channels:
        kept = {key: one for key, one in timeline.channels.items() if key != name}
        found = _events(replace(timeline, channels=kept), profile)
        assert name not in {event.channel for event in found}
        if name == "engine_speed":
            dips = [event for event in found if event.kind is EventKind.UNDERVOLTAGE]
            assert {event.cause for event in dips} == {None}


def test_a_raw_count_is_held_against_no_limit() -> None:
    timeline = simulate(RIDES["torque_offset"]).timeline()
    raw = {
        name: replace(one, unit_known=name != "driver_torque")
        for name, one in timeline.channels.items()
    }
    kinds = {event.kind for event in _events(replace(timeline, channels=raw), default_profile())}
    assert EventKind.TORQUE_OFFSET not in kinds
    assert EventKind.ASSIST_DEVIATION not in kinds


# -- real recordings ---------------------------------------------------------------------------

ANSWER_LIMITS = "\n[limits]\nundervoltage_v = 10.5\ncranking_v = 10.5\n"


def _real(data: Path, log: str) -> tuple[Timeline, tuple[Event, ...]]:
    text = (data / "profiles" / "car_a.toml").read_text("utf-8") + ANSWER_LIMITS
    profile = parse_profile(text, "car_a.toml")
    timeline = survey([data / "car_a" / log], [data / "dbc" / "car_a_800kB.dbc"], profile).timeline
    return timeline, _events(timeline, profile)


def test_a_real_crank_dips_where_the_answers_say(shared_data: Path) -> None:
    with (shared_data / "answers.tsv").open(encoding="utf-8") as answers:
        rows = list(csv.reader(answers, delimiter="\t"))
    answer = next(row for row in rows if row[0] == "car_a/crank_9v.trc" and row[2] == "10.5")
    _, found = _real(shared_data, "crank_9v.trc")
    (dip,) = [event for event in found if event.kind is EventKind.UNDERVOLTAGE]
    assert dip.cause == "cranking"
    assert dip.start_s == pytest.approx(float(answer[3]), abs=0.001)
    assert dip.measured["min_supply_v"] == pytest.approx(float(answer[6]))
    assert dip.measured["lowest_at_s"] == pytest.approx(float(answer[7]), abs=0.001)
    assert dip.end_s is not None
    assert dip.end_s > float(answer[4])


def test_a_real_crank_shows_reduced_assist_on_the_status(shared_data: Path) -> None:
    _, found = _real(shared_data, "crank_9v.trc")
    (derate,) = [event for event in found if event.kind is EventKind.DERATE]
    assert derate.measured["seen_on"] == "module_status"
    assert (derate.cause, derate.severity) == ("engine_stopped", Severity.NOTE)


def test_the_real_healthy_drive_has_no_event_above_a_note(shared_data: Path) -> None:
    for log in ("drive_eps_volt_speed.trc", "idle_steer_modes.log"):
        _, found = _real(shared_data, log)
        assert [event for event in found if event.severity is not Severity.NOTE] == []


def test_sentinels_of_a_waking_module_are_no_measurements(shared_data: Path) -> None:
    """The first frame says "invalid" on every signal: 18.75 V, 7.875 N·m, 140.75 A."""
    timeline, found = _real(shared_data, "wake_sentinels_key_on.log")
    _, supply_v = timeline.channels["supply_voltage"].valid()
    assert supply_v.max() < 14.0
    assert [event for event in found if event.severity is not Severity.NOTE] == []


def test_missing_engine_speed_is_not_called_undervoltage(shared_data: Path) -> None:
    _, found = _real(shared_data, "assist_state_key_on.trc")
    assert {event.kind for event in found} == {EventKind.DERATE}
    assert {event.cause for event in found} == {None}  # no engine speed: it cannot be told

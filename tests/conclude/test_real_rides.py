"""Real recordings of a car whose module reports voltage, current, torque and status."""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path

import pytest

import canassist
from canassist.model import Code, EventKind, Profile, Result, Severity, Strength
from canassist.profile import read_profile
from tests.bench.recordings import said_of_recordings

STRICTER_V = 10.5


def analyze(shared_data: Path, log: str, profile: Profile) -> Result:
    return canassist.analyze(
        shared_data / "car_a" / log, dbc=shared_data / "dbc" / "car_a_800kB.dbc", profile=profile
    )


@pytest.fixture
def profile(shared_data: Path) -> Profile:
    return read_profile(shared_data / "profiles" / "car_a.toml")


@pytest.fixture
def stricter(profile: Profile) -> Profile:
    limits = replace(profile.limits, undervoltage_v=STRICTER_V, cranking_v=STRICTER_V)
    given = profile.given | {"limits.undervoltage_v", "limits.cranking_v"}
    return replace(profile, limits=limits, given=given)


def answer(shared_data: Path, threshold: float) -> dict[str, float]:
    """Return first and last sample below a threshold, and the lowest, from the data's answers."""
    with (shared_data / "answers.tsv").open(encoding="utf-8") as file:
        for row in csv.reader(file, delimiter="\t"):
            if row[0] == "car_a/crank_9v.trc" and float(row[2]) == threshold:
                return {"first": float(row[3]), "last": float(row[4]), "low": float(row[6])}
    raise AssertionError("no such answer")


def test_the_dip_starts_and_bottoms_where_the_answers_say(
    shared_data: Path, stricter: Profile
) -> None:
    result = analyze(shared_data, "crank_9v.trc", stricter)
    truth = answer(shared_data, STRICTER_V)
    (dip,) = [event for event in result.events if event.kind is EventKind.UNDERVOLTAGE]
    assert dip.cause == "cranking"
    assert dip.start_s == pytest.approx(truth["first"], abs=0.002)
    assert dip.measured["min_supply_v"] == pytest.approx(truth["low"], abs=0.001)
    assert dip.end_s is not None
    assert dip.end_s > truth["last"]
    assert "9.1 V" in dip.text  # 9.05 V
    assert "limit then 10.5 V" in dip.text


def test_a_reduction_seen_by_status_names_the_channel(shared_data: Path, profile: Profile) -> None:
    result = analyze(shared_data, "crank_9v.trc", profile)
    (derate,) = [event for event in result.events if event.kind is EventKind.DERATE]
    assert derate.channel == "module_status"
    assert derate.cause == "engine_stopped"
    assert derate.severity is Severity.NOTE


def test_the_healthy_drive_has_no_event_above_a_note(shared_data: Path, profile: Profile) -> None:
    result = analyze(shared_data, "drive_eps_volt_speed.trc", profile)
    assert [event for event in result.events if event.severity is not Severity.NOTE] == []
    assert result.conclusions[0].code in {Code.NO_FAULT_FOUND, Code.INCONCLUSIVE}


@pytest.mark.parametrize(
    "log", ["drive_eps_volt_speed.trc", "idle_steer_modes.log", "wake_sentinels_key_on.log"]
)
def test_sound_cars_blame_no_part_more_than_weakly(
    shared_data: Path, profile: Profile, log: str
) -> None:
    for conclusion in analyze(shared_data, log, profile).conclusions:
        quiet = conclusion.code in {Code.NO_FAULT_FOUND, Code.INCONCLUSIVE}
        assert quiet or conclusion.strength is Strength.WEAK


def test_no_value_codes_are_never_taken_for_measurements(
    shared_data: Path, profile: Profile
) -> None:
    """The first frame says 18.75 V, 140.75 A and 7.875 N·m: all of them mean "no value"."""
    result = analyze(shared_data, "wake_sentinels_key_on.log", profile)
    for name, most in (("supply_voltage", 16.0), ("module_current", 100.0), ("driver_torque", 7.0)):
        assert result.channels[name].valid()[1].max() < most
    assert EventKind.OVERVOLTAGE not in {event.kind for event in result.events}


def test_without_engine_speed_nothing_is_called_cranking(
    shared_data: Path, profile: Profile
) -> None:
    result = analyze(shared_data, "assist_state_key_on.trc", profile)
    assert "cranking" not in {event.cause for event in result.events}
    assert result.conclusions[0].code is Code.INCONCLUSIVE
    assert any("no engine speed" in text for text in result.coverage.cannot_tell)


@pytest.mark.slow
def test_no_recording_is_said_to_show_what_it_does_not(shared_data: Path) -> None:
    """No reduction while driving, no assist level: each is open, and says what it lacks."""
    rows = [row for row in said_of_recordings(shared_data) if not row.error]
    assert len(rows) > 40
    assert not [row.name for row in rows if row.blames]
    assert {row.said[0][0] for row in rows} == {"inconclusive"}
    assert all(row.lacking for row in rows)

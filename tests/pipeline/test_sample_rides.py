"""Every sample ride against its truth, which the simulator wrote from the noiseless channels."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

import canassist
from canassist.model import Event, Severity

START_TOLERANCE_S = 0.2

ROOT = Path(__file__).resolve().parents[2]
TRUTHS = sorted((ROOT / "sample_logs").glob("*.truth.json"))
HEALTHY = ("healthy_mixed", "second_vehicle")


@dataclass(frozen=True)
class Ride:
    """One sample ride's truth and what was found."""

    name: str
    truth: dict[str, Any]  # Any: parsed JSON
    result: canassist.Result


@pytest.fixture(scope="module", params=TRUTHS, ids=lambda path: path.name.split(".")[0])
def ride(request: pytest.FixtureRequest) -> Ride:
    path: Path = request.param
    truth = json.loads(path.read_text("utf-8"))
    result = canassist.analyze(
        path.parent / truth["log"], dbc=ROOT / truth["dbc"], profile=ROOT / truth["profile"]
    )
    return Ride(path.name.split(".")[0], truth, result)


def test_there_are_eight_rides_in_three_containers() -> None:
    assert len(TRUTHS) == 8
    logs = [json.loads(path.read_text("utf-8"))["log"] for path in TRUTHS]
    assert len({name.split(".", 1)[1] for name in logs}) >= 3


def test_the_first_conclusion_is_the_planted_one(ride: Ride) -> None:
    assert ride.result.conclusions[0].code == ride.truth["first_conclusion"]


def test_every_planted_event_is_found_with_its_cause_and_start(ride: Ride) -> None:
    missing = [
        planted
        for planted in ride.truth["events"]
        if not any(_matches(planted, event, ride.result) for event in ride.result.events)
    ]
    assert missing == []


def test_nothing_is_found_that_was_not_planted(ride: Ride) -> None:
    allowed = ride.truth["events"] + ride.truth.get("doubtful", [])
    extra = [
        (event.kind, event.cause, event.start_s)
        for event in ride.result.events
        if event.severity != Severity.NOTE
        and not any(_matches(planted, event, ride.result) for planted in allowed)
    ]
    assert extra == []


def test_the_healthy_rides_are_silent(ride: Ride) -> None:
    if ride.name in HEALTHY:
        assert all(event.severity == Severity.NOTE for event in ride.result.events)
        assert ride.result.conclusions[0].code == "no_fault_found"
    else:
        assert any(event.severity != Severity.NOTE for event in ride.result.events)


def _matches(planted: dict[str, Any], event: Event, result: canassist.Result) -> bool:
    if (event.kind, event.cause) != (planted["kind"], planted.get("cause")):
        return False
    if planted.get("channel") not in (None, event.channel):
        return False
    periods = [channel.period_s for channel in result.channels.values()]
    channel = result.channels.get(event.channel or "")
    tolerance_s = max(START_TOLERANCE_S, channel.period_s if channel else min(periods))
    return abs(event.start_s - planted["start_s"]) <= tolerance_s

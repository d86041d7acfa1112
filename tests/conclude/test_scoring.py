"""The table's own arithmetic: matches, precision, recall, causes and blame, worked by hand."""

from __future__ import annotations

from typing import Final

import numpy as np
import pytest

from canassist.demo import TrueEvent, Truth
from canassist.model import Code, Conclusion, Event, EventKind, Strength
from tests.bench.scoring import RideScore, Total, matches, score_ride
from tests.conclude.hand_made import HandMade

TIMELINE: Final = HandMade().timeline
"""Channels every 0.1 s for 300 s."""


def found(start_s: float, end_s: float | None = None, **parts: object) -> Event:
    whole = {"kind": EventKind.DERATE, "cause": "temperature", "channel": "assist_limit"} | parts
    return Event(start_s=start_s, end_s=end_s, **whole)  # type: ignore[arg-type]  # fields by name


def true(start_s: float, end_s: float | None = None, **parts: object) -> TrueEvent:
    whole = {"kind": "derate", "cause": "temperature"} | parts
    return TrueEvent(start_s=start_s, end_s=end_s, **whole)  # type: ignore[arg-type]  # by name


def concluded(code: Code, strength: Strength = Strength.STRONG) -> Conclusion:
    return Conclusion(code=code, rank=1, strength=strength, headline="")


def score(truth: Truth, events: list[Event], *conclusions: Conclusion) -> RideScore:
    said = conclusions or (concluded(truth.conclusion),)
    return score_ride(("some", 0), truth, events, said, TIMELINE)


@pytest.mark.parametrize(
    ("start_s", "is_match"), [(60.0, True), (60.29, True), (59.71, True), (60.31, False)]
)
def test_a_match_starts_within_three_tenths(start_s: float, is_match: bool) -> None:
    assert matches(found(start_s, 80.0), true(60.0, 80.0), TIMELINE) is is_match


def test_noise_widens_where_a_start_may_lie() -> None:
    loose = true(60.0, 80.0, earliest_s=59.0, latest_s=61.0)
    assert matches(found(58.8, 80.0), loose, TIMELINE)
    assert matches(found(61.2, 80.0), loose, TIMELINE)
    assert not matches(found(61.5, 80.0), loose, TIMELINE)


def test_kind_channel_and_code_must_agree() -> None:
    lost = {"kind": EventKind.SIGNAL_LOSS, "channel": "vehicle_speed"}
    assert not matches(found(60.0, 80.0, **lost), true(60.0, 80.0), TIMELINE)
    other = true(60.0, 80.0, kind="signal_loss", channel="engine_speed")
    assert not matches(found(60.0, 80.0, **lost), other, TIMELINE)


def test_one_finding_serves_one_planted_event() -> None:
    truth = Truth(events=(true(60.0, 61.0), true(60.2, 61.2)), conclusion=Code.LOW_BATTERY)
    derates = score(truth, [found(60.1, 61.0)]).kinds["derate"]
    assert (derates.planted, derates.matched, derates.recall) == (2, 1, 0.5)


def test_precision_counts_false_findings_and_forgives_doubtful_ones() -> None:
    truth = Truth(
        events=(true(60.0, 80.0),), doubtful=(true(100.0, 101.0),), conclusion=Code.LOW_BATTERY
    )
    events = [found(60.0, 80.0), found(100.0, 101.0), found(200.0, 210.0)]
    derates = score(truth, events).kinds["derate"]
    assert derates.precision == pytest.approx(2 / 3)
    assert derates.recall == 1.0


def test_a_cause_without_which_it_would_not_have_happened_is_right_too() -> None:
    both = true(60.0, 80.0, cause="charging", also=("steering_load",))
    for cause, right in (("charging", 1.0), ("steering_load", 1.0), ("cranking", 0.0)):
        truth = Truth(events=(both,), conclusion=Code.CHARGING_FAULT)
        assert score(truth, [found(60.0, 80.0, cause=cause)]).kinds["derate"].cause == right


def test_onset_error_in_seconds_and_periods() -> None:
    truth = Truth(events=(true(60.0, 80.0),), conclusion=Code.LOW_BATTERY)
    derates = score(truth, [found(60.2, 80.0)]).kinds["derate"]
    assert derates.onset_error_s == pytest.approx([0.2])
    assert derates.onset_periods == pytest.approx([2.0])


def test_blame_counts_on_sound_rides_and_only_above_weak() -> None:
    blamed = (concluded(Code.MODULE_SUSPECT, Strength.MODERATE),)
    weakly = (concluded(Code.MODULE_SUSPECT, Strength.WEAK),)
    healthy = Truth(events=(), conclusion=Code.NO_FAULT_FOUND)
    broken = Truth(events=(), conclusion=Code.MODULE_SUSPECT)
    assert score(healthy, [], *blamed).false_blame == ("module_suspect (moderate)",)
    assert score(healthy, [], *weakly).false_blame == ()
    assert score(broken, [], *blamed).false_blame == ()


def test_totals_add_up() -> None:
    total = Total()
    healthy = Truth(events=(), conclusion=Code.NO_FAULT_FOUND)
    total.add(score(healthy, []))
    total.add(score(healthy, [found(60.0, 61.0)], concluded(Code.LOW_BATTERY)))
    assert (total.rides, total.right, total.sound) == (2, 1, 2)
    assert total.first_right == 0.5
    assert total.confusion == {("no_fault_found", "low_battery"): 1}
    assert np.isnan(total.kinds["derate"].recall)
    assert total.kinds["derate"].precision == 0.0

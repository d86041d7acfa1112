"""The moment complained of comes first, whether or not anything was found there."""

from __future__ import annotations

import pytest

from canassist.model import Case, Event, EventKind
from tests.conclude.hand_made import HandMade, derate


def at(*seconds: float, events: tuple[Event, ...] = ()) -> HandMade:
    return HandMade(events=events, case=Case(at_s=seconds))


def test_what_was_found_at_the_moment_is_said_with_its_readings() -> None:
    moment = at(65.0, events=(derate("temperature", 60.0),)).verdict().moments[0]
    assert moment.events == (0,)
    assert moment.text.startswith("At 1:05, the moment complained of: The module reduced assist")
    assert "road speed 8 km/h" in moment.text
    assert moment.readings["supply_voltage"] == pytest.approx(13.9)


def test_a_moment_named_a_little_early_still_finds_the_event() -> None:
    assert at(56.0, events=(derate("temperature", 60.0),)).verdict().moments[0].events == (0,)


def test_nothing_found_names_the_nearest_finding() -> None:
    moment = at(200.0, events=(derate("temperature", 60.0),)).verdict().moments[0]
    assert moment.events == ()
    assert "nothing was found" in moment.text
    assert "lies 1 min 53 s before" in moment.text  # 60 s + 27 s to 200 s


def test_nothing_found_anywhere() -> None:
    assert "and nothing near it" in at(10.0).verdict().moments[0].text


def test_a_moment_outside_the_log_and_one_in_a_gap() -> None:
    assert "6:40 lies outside the log, which ends at 5:00" in at(400.0).verdict().moments[0].text
    gap = Event(kind=EventKind.LOG_GAP, start_s=60.0, end_s=70.0)
    assert "the recording stood still" in at(65.0, events=(gap,)).verdict().moments[0].text


def test_moments_keep_the_order_in_which_they_were_given() -> None:
    moments = at(200.0, 30.0).verdict().moments
    assert [moment.at_s for moment in moments] == [200.0, 30.0]


def test_the_answer_says_whether_it_explains_the_moment() -> None:
    there = at(65.0, events=(derate("speed_signal", 60.0),)).verdict().conclusions
    assert [item.explains_complaint for item in there if item.explains] == ["yes"]
    elsewhere = at(200.0, events=(derate("speed_signal", 60.0),)).verdict().conclusions
    assert [item.explains_complaint for item in elsewhere if item.explains] == ["no"]

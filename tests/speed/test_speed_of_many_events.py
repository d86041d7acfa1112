"""Judging and writing grow with a ride's events, not with their square."""

from __future__ import annotations

from canassist.report import render_page, result_json
from tests.bench.many_events import quiet_ride, result_of, with_dips
from tests.speed.ratios import ratio

FEW, MANY = 150, 600
MOST_TIMES = 8.0
"""Four times the events take at most this many times as long; by the square it would be sixteen."""


def test_four_times_the_events_take_no_sixteen_times_as_long() -> None:
    timeline, profile = quiet_ride(5.0)

    def report(events: int) -> None:
        result = result_of(with_dips(timeline, events), profile)
        render_page(result, data=result_json(result))

    measured = ratio(lambda: report(MANY), lambda: report(FEW), rounds=1)
    assert measured < MOST_TIMES, f"{measured:.1f} times"

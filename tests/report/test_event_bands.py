"""Many events on one picture: alike neighbours are one band, and names cover no curve."""

from __future__ import annotations

import time
from dataclasses import replace

import numpy as np
import pytest

from canassist.model import Event, EventKind, Result
from canassist.report.charts.chart_values import (
    FULL_PX,
    HEAD_PX,
    LETTER_PX,
    ROW_FOOT_PX,
    Chart,
    ChartLine,
    Limit,
    Range,
    Row,
    Word,
)
from canassist.report.charts.event_bands import event_bands
from canassist.report.charts.key_channels import split_rows
from canassist.report.charts.limit_names import place_limit_names
from canassist.report.charts.ride_chart import RideCharts
from canassist.report.charts.word_spans import few_words
from canassist.report.page.measures import Measures
from canassist.report.page.times import RideClock


def dip(start_s: float, length_s: float = 0.3, cause: str = "steering_load") -> Event:
    return Event(
        kind=EventKind.UNDERVOLTAGE, start_s=start_s, end_s=start_s + length_s, cause=cause
    )


def test_alike_neighbours_are_one_band_with_their_count() -> None:
    events = [dip(10.0), dip(11.0), dip(12.0), dip(50.0), dip(80.0), dip(81.0)]
    bands = event_bands(enumerate(events), log_end_s=100.0, span_s=100.0)
    assert [(band.tag, band.start, band.end) for band in bands] == [
        ("3\u00d7", 10.0, 12.3),
        ("4", 50.0, 50.3),
        ("5", 80.0, 80.3),
        ("6", 81.0, 81.3),
    ]


def test_events_of_another_cause_stay_apart() -> None:
    events = [dip(10.0), dip(11.0, cause="charging"), dip(12.0), dip(13.0, cause="charging")]
    bands = event_bands(enumerate(events), log_end_s=100.0, span_s=100.0)
    assert [band.tag for band in bands] == ["1", "2", "3", "4"]


def test_no_event_is_lost_from_the_counts() -> None:
    rng = np.random.default_rng(7)
    starts = np.sort(rng.uniform(0.0, 3600.0, 7000))
    events = [dip(float(start)) for start in starts]
    bands = event_bands(enumerate(events), log_end_s=3600.0, span_s=3600.0)
    counted = sum(int(b.tag[:-1]) if b.tag.endswith("\u00d7") else 1 for b in bands)
    assert counted == 7000
    assert len(bands) < 50


def test_the_work_grows_with_the_events_and_not_with_their_square() -> None:
    def seconds(count: int) -> float:
        events = [dip(float(place), 0.5, ("a", "b", "c")[place % 3]) for place in range(count)]
        best = 1e9
        for _ in range(3):
            begun = time.process_time()
            event_bands(enumerate(events), log_end_s=float(count), span_s=float(count))
            best = min(best, time.process_time() - begun)
        return best

    few, many = seconds(4_000), seconds(32_000)
    assert many < 24.0 * few + 0.05  # eight times the events: the square would be 64


def row_of(y: np.ndarray, limits: tuple[Limit, ...], span: tuple[float, float]) -> Row:
    line = ChartLine(key="a", label="a", x=np.linspace(0.0, 100.0, len(y)), y=y)
    return Row(label="Supply", unit="V", lines=(line,), limits=limits, span=Range(*span, ()))


def placed(row: Row) -> Row:
    chart = Chart(name="ride", message="m", rows=(row,), x_from=0.0, x_to=100.0, ticks=())
    return place_limit_names(chart).rows[0]


@pytest.mark.parametrize("seed", range(30))
def test_no_name_of_a_limit_covers_its_curve(seed: int) -> None:
    """The box of the letters is worked out anew here, and compared with every segment."""
    rng = np.random.default_rng(seed)
    y = 12.0 + np.cumsum(rng.normal(0.0, 0.15, 400))
    y[rng.integers(0, 400, 12)] -= 2.5
    low, high = float(y.min()) - 0.5, float(y.max()) + 0.5
    row = placed(row_of(y, (Limit(11.0, "undervoltage 11.0 V", True),), (low, high)))
    named = [limit for limit in row.limits if limit.text]
    assert len(named) + len(row.beside) == (low <= 11.0 <= high)
    tall = row.height_px - HEAD_PX - ROW_FOOT_PX
    heights = HEAD_PX + tall * (high - y) / (high - low)
    for limit in named:
        at = HEAD_PX + tall * (high - limit.value) / (high - low)
        top, foot = (at, at + 11.0) if limit.below else (at - 11.0, at)
        wide = len(limit.text) * LETTER_PX / FULL_PX
        left = {0.0: 0.0, 1.0: 1.0 - wide}.get(limit.at, limit.at - wide / 2.0)
        first, last = int(left * 399), int(np.ceil((left + wide) * 399)) + 1
        part = heights[max(first, 0) : last + 1]
        crossing = (np.maximum(part[1:], part[:-1]) > top) & (
            np.minimum(part[1:], part[:-1]) < foot
        )
        assert not crossing.any()


def test_a_name_without_a_place_stands_beside_the_row() -> None:
    saw = np.tile([10.0, 14.0], 400)
    row = placed(row_of(saw, (Limit(12.0, "undervoltage 12.0 V", True),), (9.5, 14.5)))
    assert row.beside == ("undervoltage 12.0 V",)
    assert [limit.text for limit in row.limits] == [""]


def test_the_channels_of_the_answer_come_first(result: Result) -> None:
    ride, others = RideCharts(result, Measures(), RideClock(None)).ride_and_others()
    assert others is not None
    first = [row.label for row in ride.rows]
    assert len(first) <= 6
    assert first[0] == "Road speed"
    assert {"Module temperature", "Assist available"} <= set(first)
    assert not set(first) & {row.label for row in others.rows}


def test_few_channels_stay_together() -> None:
    groups = [("vehicle_speed",), ("supply_voltage",), ("wheel_speed_fl", "wheel_speed_fr")]
    assert split_rows(groups, "low_battery") == (groups, [])


def test_the_moment_complained_of_is_marked_with_its_mode(result: Result) -> None:
    moment = replace(result.moments[0], at_s=200.0, readings={"assist_mode": 0.0})
    marked = replace(result, moments=(moment,))
    chart = RideCharts(marked, Measures(), RideClock(None)).ride()
    assert [mark.text for mark in chart.marks] == ["complaint 3:20.0, mode Trail"]


def test_a_doubtful_channel_is_marked(result: Result) -> None:
    doubted = replace(result.channels["vehicle_speed"], doubt="Is it the front wheel?")
    channels = {**result.channels, "vehicle_speed": doubted}
    changed = replace(result, timeline=replace(result.timeline, channels=channels))
    rows = RideCharts(changed, Measures(), RideClock(None)).ride().rows
    assert [row.doubt for row in rows if row.label == "Road speed"] == ["in doubt"]


def test_a_status_that_changes_all_the_time_is_a_texture() -> None:
    words = tuple(Word(place * 0.1, place * 0.1 + 0.1, f"w{place % 2}") for place in range(7000))
    shown = few_words((*words, Word(700.0, 1000.0, "Ready")), 0.0, 1000.0)
    assert len(shown) <= 200
    assert shown[0] == Word(0.0, pytest.approx(700.0), "")
    assert shown[-1].text == "Ready"

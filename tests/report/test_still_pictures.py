"""Still pictures: every dip is drawn, gaps are open, foreign text stays text."""

from __future__ import annotations

import itertools
import re
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from canassist.model import Result
from canassist.report.charts.chart_values import (
    NARROW_PX,
    Band,
    Chart,
    ChartLine,
    Limit,
    Range,
    Row,
    Style,
    Word,
)
from canassist.report.charts.event_bands import distinct
from canassist.report.charts.event_styles import EventFamily
from canassist.report.charts.ride_chart import RideCharts
from canassist.report.charts.static_figures import draw
from canassist.report.charts.word_spans import word_spans
from canassist.report.page.measures import Measures
from canassist.report.page.times import RideClock

STEP = re.compile(r"([ml])(-?\d+)([ +-]\d+)(h0)?")


def points(path: str) -> list[list[tuple[int, int]]]:
    """Return the runs of a relative path as absolute points."""
    runs: list[list[tuple[int, int]]] = []
    x = y = 0
    for letter, dx, dy, _ in STEP.findall(path):
        x, y = x + int(dx), y + int(dy)
        if letter == "m":
            runs.append([])
        runs[-1].append((x, y))
    return runs


def chart_of(line: ChartLine, **more: object) -> Chart:
    row = Row(label="Supply", unit="V", lines=(line,), span=Range(0.0, 20.0, (0.0, 10.0)))
    plain = Chart(
        name="one",
        message="One curve",
        rows=(row,),
        x_from=0.0,
        x_to=100.0,
        ticks=(0.0, 50.0),
        lower=("0:00", "0:50"),
    )
    return replace(plain, **more)  # type: ignore[arg-type]  # a test's short hand


def drawn_path(chart: Chart) -> str:
    found = re.search(r'<path class="curve" d="([^"]*)"', str(draw(chart)))
    assert found is not None
    return found.group(1)


@given(
    levels=st.lists(st.one_of(st.just(float("nan")), st.floats(0.0, 20.0)), min_size=1, max_size=40)
)
def test_the_path_holds_every_extreme_and_every_gap(levels: list[float]) -> None:
    y = np.array(levels)
    x = np.arange(float(len(y)))
    runs = points(drawn_path(chart_of(ChartLine(key="a", label="a", x=x, y=y))))
    known = y[~np.isnan(y)]
    expected = [
        list(group)
        for missing, group in itertools.groupby(levels, lambda level: level != level)  # noqa: PLR0124 - NaN
        if not missing
    ]
    assert len(runs) == len(expected)
    if len(known):
        heights = [20.0 - height / 400.0 * 20.0 for run in runs for _, height in run]
        assert min(heights) == pytest.approx(known.min(), abs=0.026)
        assert max(heights) == pytest.approx(known.max(), abs=0.026)


def test_a_sample_between_two_gaps_is_a_dot() -> None:
    y = np.array([1.0, np.nan, 9.0, np.nan, 1.0])
    path = drawn_path(chart_of(ChartLine(key="a", label="a", x=np.arange(5.0), y=y)))
    assert path.count("h0") == 3


def test_the_dip_of_the_ride_is_in_the_still_picture(result: Result) -> None:
    chart = RideCharts(result, Measures(), RideClock(None)).ride()
    row = next(row for row in chart.rows if row.label == "Supply at the module")
    lone = replace(chart, rows=(row,), bands=())
    found = re.search(r'<path class="edge-voltage" d="([^"]*)"', str(draw(lone)))
    assert found is not None
    deepest = max(height for run in points(found.group(1)) for _, height in run)
    lowest = row.span.high - deepest / 400.0 * (row.span.high - row.span.low)
    assert lowest == pytest.approx(10.2, abs=0.03)


def test_foreign_text_in_a_picture_is_escaped() -> None:
    bad = "<script>'\"&"
    line = ChartLine(key="a", label=bad, x=np.arange(3.0), y=np.arange(3.0), style=Style.POINTS)
    row = Row(
        label=bad,
        unit=bad,
        lines=(line,),
        limits=(Limit(5.0, bad),),
        words=(Word(0.0, 90.0, bad),),
        span=Range(0.0, 20.0, (0.0,)),
    )
    band = Band(start=1.0, end=5.0, family=EventFamily.HEAT, tag=bad)
    svg = str(draw(chart_of(line, rows=(row,), bands=(band,), message=bad, x_label=bad)))
    assert "<script" not in svg
    assert svg.count("&lt;script&gt;") == 5


def test_a_band_has_hue_texture_edges_and_number() -> None:
    line = ChartLine(key="a", label="a", x=np.arange(3.0), y=np.arange(3.0))
    band = Band(start=10.0, end=60.0, family=EventFamily.VOLTAGE, tag="7")
    svg = str(draw(chart_of(line, bands=(band,))))
    assert 'fill="#0072B2"' in svg
    assert 'fill="url(#tex-voltage)"' in svg
    assert svg.count('x1="10.00%"') == svg.count('x1="60.00%"') == 1
    assert ">7 voltage</text>" in svg
    open_end = replace(band, open_end=True)
    assert 'x1="60.00%"' not in str(draw(chart_of(line, bands=(open_end,))))


def test_bands_that_lie_on_each_other_are_drawn_once() -> None:
    one = Band(start=0.0, end=10.0, family=EventFamily.SIGNAL, tag="1")
    same = Band(start=0.2, end=10.0, family=EventFamily.SIGNAL, tag="2")
    inside = Band(start=4.0, end=6.0, family=EventFamily.SIGNAL, tag="3")
    other = Band(start=0.0, end=10.0, family=EventFamily.HEAT, tag="4")
    assert distinct([one, same, inside, other]) == [one, inside, other]
    assert distinct([same], one) == []


def test_the_number_of_the_close_up_goes_before_its_neighbours() -> None:
    near = Band(start=40.0, end=42.0, family=EventFamily.HEAT, tag="1")
    own = Band(start=41.0, end=43.0, family=EventFamily.VOLTAGE, tag="2", main=True)
    line = ChartLine(key="a", label="a", x=np.arange(3.0), y=np.arange(3.0))
    assert [tag.text for tag in chart_of(line, bands=(near, own)).tags()] == ["2"]


@pytest.mark.parametrize("name", ["ride", "one"])
def test_numbers_never_lie_on_each_other(name: str) -> None:
    """Letters of 7 px: 40 short bands in a minute are far more than have room."""
    bands = tuple(
        Band(
            start=2.5 * place, end=2.5 * place + 0.4, family=EventFamily.VOLTAGE, tag=str(place + 1)
        )
        for place in range(40)
    )
    line = ChartLine(key="a", label="a", x=np.arange(3.0), y=np.arange(3.0))
    chart = chart_of(line, bands=bands, name=name)
    shown = chart.tags()
    narrow = chart.apart(shown, NARROW_PX)
    assert set(narrow) < set(shown)
    for tags, width_px in ((shown, {"ride": 780}.get(name, 440)), (narrow, 316)):
        ordered = sorted(tags)
        for one, other in itertools.pairwise(ordered):
            apart_px = (other.x - one.x) * width_px / 100.0
            assert apart_px > 7.0 * (len(one.text) + len(other.text)) / 2.0
    svg = str(draw(chart))
    assert svg.count('class="tag halo roomy"') == len(shown) - len(narrow)


def test_the_name_of_a_limit_leaves_free_what_is_sound() -> None:
    line = ChartLine(key="a", label="a", x=np.arange(3.0), y=np.arange(3.0))
    heights = []
    for below in (False, True):
        row = Row(
            label="Supply",
            unit="V",
            lines=(line,),
            limits=(Limit(10.0, "limit", below),),
            span=Range(0.0, 20.0, (0.0,)),
        )
        found = re.search(
            r'class="limit-name halo"[^>]* y="([\d.]+)"', str(draw(chart_of(line, rows=(row,))))
        )
        assert found is not None
        heights.append(float(found.group(1)))
    assert heights[0] < heights[1]


def test_words_are_split_where_they_change_and_where_they_are_missing(result: Result) -> None:
    mode = result.channels["assist_mode"]
    value = mode.value.copy()
    value[100:120] = np.nan
    spans = word_spans(replace(mode, value=value), 420.0)
    assert [(span.start, span.end, span.text) for span in spans] == [
        (0.0, 104.0, "Trail"),
        (120.0, 210.0, "Trail"),
        (210.0, 420.0, "Sport"),
    ]
    assert word_spans(replace(mode, value=np.full(420, np.nan)), 420.0) == ()

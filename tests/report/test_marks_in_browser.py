"""Marks of the pictures in a real browser: none lies on another or on the data."""

from __future__ import annotations

import itertools
import re
from dataclasses import replace
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Locator, Page

from canassist.model import Result
from canassist.report import render_page
from canassist.report.charts.chart_values import GUTTER_PX
from tests.report.browsing import NARROW, WIDE, draw_all, open_all, opened

pytestmark = pytest.mark.browser

BUSY = 24
LONG_WORDS = {0.0: "Waiting_For_Road_Speed", 1.0: "Reduced_By_Temperature"}


@pytest.fixture(scope="module")
def busy_page(result: Result, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a ride with many short events, and a status that says long words."""
    dip = result.events[1]
    dips = tuple(
        replace(dip, start_s=60.0 + 14.0 * place, end_s=61.0 + 14.0 * place)
        for place in range(BUSY)
    )
    mode = result.channels["assist_mode"]
    said = replace(mode, value=mode.time_s // 120.0 % 2.0, labels=LONG_WORDS)
    channels = {**result.channels, "assist_mode": said}
    busy = replace(
        result, events=dips, timeline=replace(result.timeline, channels=channels), moments=()
    )
    path = tmp_path_factory.mktemp("busy") / "ride.report.html"
    path.write_text(render_page(busy), encoding="utf-8")
    return path


Box = tuple[float, float]


def spans(texts: Locator) -> list[Box]:
    """Return from where to where the letters of each shown text reach, from left to right.

    The box of a text holds the pale rim around its letters too, which may touch another.
    """
    found = []
    for text in texts.all():
        if text.is_visible():
            box = text.bounding_box()
            assert box is not None
            middle = box["x"] + box["width"] / 2.0
            half = text.evaluate("text => text.getComputedTextLength()") / 2.0
            found.append((middle - half, middle + half))
    return sorted(found)


@pytest.mark.parametrize("scripts", [True, False], ids=["scripts", "no-scripts"])
@pytest.mark.parametrize("size", [WIDE, NARROW], ids=["wide", "narrow"])
def test_no_number_or_word_lies_on_another(
    browser: Browser, busy_page: Path, size: tuple[int, int], *, scripts: bool
) -> None:
    with opened(browser, busy_page, size=size, scripts=scripts) as (page, _):
        kind = ".annotation-text" if scripts else ".tag"
        numbers = spans(
            page.locator(f"#fig-ride .plot {kind}").filter(has_text=re.compile(r"^\d+$"))
        )
        (draw_all if scripts else open_all)(page)
        words = spans(
            page.locator("#fig-others .plot text").filter(has_text=re.compile("^(Wait|Reduced_)"))
        )
        right = page.locator("#fig-ride .plot").bounding_box()
    assert right is not None
    assert all(end <= right["x"] + right["width"] - GUTTER_PX for _, end in words)
    assert 2 <= len(numbers) <= BUSY
    assert len(words) >= (1 if size == WIDE else 0)
    for row in (numbers, words):
        for one, other in itertools.pairwise(row):
            assert one[1] <= other[0]


@pytest.mark.parametrize("size", [WIDE, NARROW], ids=["wide", "narrow"])
def test_the_marks_of_an_axis_stand_beside_the_data(
    browser: Browser, busy_page: Path, size: tuple[int, int]
) -> None:
    with opened(browser, busy_page, size=size) as (page, _):
        draw_all(page)
        live = edges(page, ".ytick text, .y2tick text, .y3tick text", ".bg")
        pages_right = page.locator("main").bounding_box()
    with opened(browser, busy_page, size=size, scripts=False) as (page, _):
        still = edges(page, "svg.still text.faint[x='100%'][dx='5']", "svg.still")
    assert pages_right is not None
    for texts, right in (live, still):
        assert len(texts) >= 3
        assert min(left for left, _ in texts) >= right
        assert max(end for _, end in texts) <= pages_right["x"] + pages_right["width"]


def edges(page: Page, texts: str, area: str) -> tuple[list[Box], float]:
    """Return where the marks of the ride's axes stand, and where its rows end."""
    ride = page.locator("#fig-ride .plot").first
    box = ride.locator(area).first.bounding_box()
    assert box is not None
    return spans(ride.locator(texts)), box["x"] + box["width"]

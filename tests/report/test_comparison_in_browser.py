"""The comparison's page in a real browser: offline, without scripts, by keyboard, narrow, dark."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from playwright.sync_api import Browser

from canassist.comparison import compare
from canassist.report import PageVerdict, render_comparison, verify_page
from tests.bench.comparison import KINDS, pair, ridden
from tests.report.browsing import (
    KNOWN_REFUSAL,
    NARROW,
    WIDE,
    Scheme,
    draw_all,
    opened,
    violations,
    walk,
    x_range,
)
from tests.report.test_page_in_browser import HOSTILE, hostile

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def page_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the page on a sound vehicle and one whose supply path lost 60 milliohm."""
    first, second = pair(0)
    found = compare(ridden(first), ridden(KINDS["path +60 mohm"].plant(second)))
    path = tmp_path_factory.mktemp("comparison") / "a_vs_b.compare.html"
    path.write_text(render_comparison(found), encoding="utf-8")
    return path


def test_nothing_is_loaded_and_every_picture_is_drawn(browser: Browser, page_file: Path) -> None:
    with opened(browser, page_file) as (page, seen):
        draw_all(page)
        page.locator("#rides .plot").first.hover()
        assert [url for url in seen.requests if not url.startswith(("file:", "data:"))] == []
        assert len([url for url in seen.requests if url.startswith("file:")]) == 1
        assert seen.errors == []
        assert [text for text in seen.messages if not text.startswith(KNOWN_REFUSAL)] == []
        assert page.locator(".plot.drawn").count() == page.locator(".live").count() >= 6


@pytest.mark.parametrize(
    ("size", "scheme"),
    [
        pytest.param(WIDE, "light", id="wide-light"),
        pytest.param(NARROW, "dark", id="narrow-dark"),
        pytest.param(WIDE, "dark", id="wide-dark", marks=pytest.mark.slow),
        pytest.param(NARROW, "light", id="narrow-light", marks=pytest.mark.slow),
    ],
)
def test_axe_finds_nothing(
    browser: Browser, page_file: Path, size: tuple[int, int], scheme: Scheme
) -> None:
    assert violations(browser, page_file, size, scheme) == []


@pytest.mark.parametrize("scripts", [True, False], ids=["scripts", "no-scripts"])
def test_nothing_sticks_out_of_a_narrow_page(
    browser: Browser, page_file: Path, *, scripts: bool
) -> None:
    with opened(browser, page_file, size=NARROW, scripts=scripts) as (page, _):
        if scripts:
            draw_all(page)
        assert page.locator("html").evaluate("page => page.scrollWidth") == NARROW[0]


def test_without_scripts_every_picture_and_message_is_seen(
    browser: Browser, page_file: Path
) -> None:
    with opened(browser, page_file, scripts=False) as (page, _):
        figures = page.locator("figure").all()
        assert len(figures) >= 7
        for figure in figures:
            assert figure.locator("svg.still").is_visible()
            assert figure.locator("svg.still path").count() > 0
            assert figure.locator("figcaption").inner_text().strip()


def test_by_keyboard_alone(browser: Browser, page_file: Path) -> None:
    with opened(browser, page_file) as (page, _):
        page.keyboard.press("Tab")
        assert page.locator(":focus").inner_text() == "Skip to the answer"
        page.keyboard.press("Enter")
        page.wait_for_url("**#answer")
        draw_all(page)
        page.locator(".skip").focus()
        stops = walk(page, 60)
        assert any(stop.startswith("Every figure of both sides") for stop in stops)
        assert len(set(stops)) > 15
        ride = page.locator("#rides .live").first
        ride.focus()
        before = x_range(ride)
        page.keyboard.press("+")
        page.wait_for_timeout(300)
        after = x_range(ride)
        assert after[1] - after[0] == pytest.approx((before[1] - before[0]) / 2, rel=0.01)


@pytest.mark.parametrize("text", [" ".join(HOSTILE[:-1]), HOSTILE[-1]], ids=["markup", "long"])
def test_hostile_text_is_shown_as_text(browser: Browser, tmp_path: Path, text: str) -> None:
    sides = [hostile(ridden(scenario), text) for scenario in pair(0)]
    found = compare(*sides, names=(text, text), case=sides[0].case)
    path = tmp_path / "hostile.html"
    html = render_comparison(found)
    path.write_bytes(html.encode())
    assert verify_page(html.encode()).verdict is PageVerdict.UNDAMAGED_UNSIGNED
    with opened(browser, path, size=NARROW) as (page, seen):
        draw_all(page)
        assert (seen.dialogs, seen.errors) == ([], [])
        assert page.locator("[onerror], [onload], [onmouseover], img").count() == 0
        assert page.locator('a[href^="javascript"]').count() == 0
        assert page.locator("html").evaluate("page => page.scrollWidth") == NARROW[0]
        assert text[:25] in page.locator("#own").inner_text()


def test_every_link_leads_somewhere(page_file: Path) -> None:
    html = page_file.read_text("utf-8").split("<script", 1)[0]
    ids = re.findall(r'\sid="([^"]+)"', html)
    assert len(ids) == len(set(ids))
    links = set(re.findall(r'href="#([^"]+)"', html))
    assert len(links) >= 7
    assert links - set(ids) == set()

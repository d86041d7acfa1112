"""The page in a real browser: offline, without scripts, by keyboard, narrow, dark, hostile."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page

from canassist.model import Case, NextCheck, Problem, Result, RunnerUp
from canassist.report import PageVerdict, render_page, verify_page
from tests.report.browsing import (
    KNOWN_REFUSAL,
    NARROW,
    WIDE,
    Scheme,
    draw_all,
    open_all,
    opened,
    violations,
    walk,
    x_range,
)

pytestmark = pytest.mark.browser


def test_nothing_is_loaded_and_every_picture_is_drawn(browser: Browser, page_file: Path) -> None:
    with opened(browser, page_file) as (page, seen):
        draw_all(page)
        page.locator("#fig-ride .plot").hover()
        assert [url for url in seen.requests if not url.startswith(("file:", "data:"))] == []
        assert len([url for url in seen.requests if url.startswith("file:")]) == 1
        assert seen.errors == []
        assert [text for text in seen.messages if not text.startswith(KNOWN_REFUSAL)] == []
        assert page.locator(".plot.drawn").count() == page.locator("figure").count()


def test_the_policy_is_strict(page_file: Path) -> None:
    found = re.search(r'Content-Security-Policy" content="([^"]*)"', page_file.read_text("utf-8"))
    assert found is not None
    policy = found.group(1)
    assert policy.startswith("default-src &#39;none&#39;;")
    for loose in ("unsafe", "http", "*", "blob:"):
        assert loose not in policy


def test_a_script_of_another_hand_does_not_run(browser: Browser, page_file: Path) -> None:
    html = page_file.read_text("utf-8")
    other = page_file.with_name("other.html")
    more = "<script>document.title='taken'</script><img src=x onerror=\"document.title='taken'\">"
    other.write_text(html.replace("</main>", f"{more}</main>"), encoding="utf-8")
    with opened(browser, other) as (page, _):
        assert page.title() != "taken"


def test_without_scripts_every_picture_and_message_is_seen(
    browser: Browser, page_file: Path
) -> None:
    with opened(browser, page_file, scripts=False) as (page, _):
        open_all(page)
        figures = page.locator("figure")
        assert figures.count() >= 10
        for place in range(figures.count()):
            figure = figures.nth(place)
            assert figure.locator("svg.still").is_visible()
            assert figure.locator("svg.still path").count() > 0
            assert figure.locator("figcaption").is_visible()
            assert figure.locator("figcaption").inner_text().strip()
        assert page.locator("#save-copy").is_hidden()


def test_the_picture_is_as_tall_with_scripts_as_without(browser: Browser, page_file: Path) -> None:
    with opened(browser, page_file, scripts=False) as (page, _):
        open_all(page)
        still = [box.bounding_box() for box in page.locator(".plot").all()]
    with opened(browser, page_file) as (page, _):
        draw_all(page)
        live = [box.bounding_box() for box in page.locator(".plot").all()]
    for one, other in zip(still, live, strict=True):
        assert one is not None
        assert other is not None
        assert other["height"] == pytest.approx(one["height"], abs=2)


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


@pytest.mark.slow
@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", [WIDE, NARROW], ids=["wide", "narrow"])
def test_axe_finds_nothing_on_any_sample(
    browser: Browser, sample_pages: list[Path], size: tuple[int, int], scheme: Scheme
) -> None:
    found = {path.name: violations(browser, path, size, scheme) for path in sample_pages}
    assert {name: item for name, item in found.items() if item} == {}


@pytest.mark.parametrize("scripts", [True, False], ids=["scripts", "no-scripts"])
def test_nothing_sticks_out_of_a_narrow_page(
    browser: Browser, page_file: Path, *, scripts: bool
) -> None:
    with opened(browser, page_file, size=NARROW, scripts=scripts) as (page, _):
        if scripts:
            draw_all(page)
        assert page.locator("html").evaluate("page => page.scrollWidth") == NARROW[0]


def test_by_keyboard_alone(browser: Browser, page_file: Path) -> None:
    with opened(browser, page_file) as (page, _):
        page.keyboard.press("Tab")
        assert page.locator(":focus").inner_text() == "Skip to the answer"
        assert page.locator(":focus").bounding_box()["x"] >= 0  # type: ignore[index]  # it is shown
        page.keyboard.press("Enter")
        page.wait_for_url("**#answer")
        stops = walk(page, 60)
        assert "The ride" in stops
        assert len(set(stops)) > 25
        ride = page.locator("#fig-ride .live")
        ride.focus()
        before = x_range(ride)
        for key in ("+", "+", "ArrowRight"):
            page.keyboard.press(key)
        page.wait_for_timeout(300)
        after = x_range(ride)
        assert after[1] - after[0] == pytest.approx((before[1] - before[0]) / 4, rel=0.01)
        assert after[0] > before[0]
        page.keyboard.press("0")
        page.wait_for_timeout(300)
        assert x_range(ride) == pytest.approx(before)


def test_every_link_leads_somewhere(page_file: Path) -> None:
    html = page_file.read_text("utf-8").split("<script", 1)[0]
    ids = re.findall(r'\sid="([^"]+)"', html)
    assert len(ids) == len(set(ids))
    links = set(re.findall(r'href="#([^"]+)"', html))
    assert links - set(ids) == set()
    assert {f"event-{number}" for number in range(1, 7)} <= set(ids)


def test_zoom_shows_what_the_still_picture_had_no_room_for(
    browser: Browser, page_file: Path
) -> None:
    with opened(browser, page_file) as (page, _):
        counts = page.locator("#fig-ride .live").evaluate(
            "box => box.data.filter((t) => t.name === 'Supply at the module')"
            ".map((t) => [t.x.length, Math.min(...t.y.filter((v) => v !== null))])"
        )
    assert counts[0][0] > 2000
    assert counts[0][1] == pytest.approx(10.2)


def test_nothing_can_be_written_into_a_page(browser: Browser, page_file: Path) -> None:
    """What is added later is a new report: a page that takes notes could not be sealed."""
    with opened(browser, page_file) as (page, _):
        assert page.locator("input, textarea, [contenteditable], form").count() == 0


HOSTILE = (
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    "' onmouseover='alert(1)",
    "</style><script>alert(1)</script>",
    "</script><script>alert(1)</script>",
    "javascript:alert(1)",
    "<a href='javascript:alert(1)'>x</a>",
    "<!-- --><svg/onload=alert(1)>",
    "\u202egnp.exe\u202c \u200f",
    "{{ 7 * 7 }}{% raw %}",
    "\\00003c/style>",
    "]]>&lt;b&gt;<b>bold</b>",
    "%{x}<br><sub>y</sub>",
    "\x00\x08\x1b[31m\ud800",
    "n" * 10_000,
)


def hostile(result: Result, text: str) -> Result:
    """Return the rich ride with a hostile text wherever one can come from outside."""
    timeline = result.timeline
    channels = {
        name: replace(
            channel,
            signal=text,
            sender=text,
            doubt=text,
            runner_up=RunnerUp(signal=text, why=text),
            labels=dict.fromkeys(channel.labels, text),
            left_out={text: 1},
        )
        for name, channel in timeline.channels.items()
    }
    bus = replace(timeline.bus, buses=(text,))
    identity = replace(
        timeline.identity, part_number=text, software_version=text, serial_number=text, vin=text
    )
    codes = tuple(
        replace(code, code=text, text=text, protocol=text, status=text)
        for code in timeline.trouble_codes
    )
    integrity = tuple(replace(item, message=text) for item in timeline.integrity)
    events = tuple(
        replace(event, text=text, measured={**event.measured, "witness": text}, code=text)
        for event in result.events
    )
    first = result.conclusions[0]
    said = replace(
        first,
        headline=text,
        basis=text,
        because=tuple(replace(item, text=text) for item in first.because),
        next_checks=(NextCheck(text=text, expect=text, cautions=(text,)),),
    )
    return replace(
        result,
        timeline=replace(
            timeline,
            channels=channels,
            bus=bus,
            identity=identity,
            trouble_codes=codes,
            integrity=integrity,
        ),
        events=events,
        conclusions=(said, *result.conclusions[1:]),
        inputs=tuple(replace(item, name=text) for item in result.inputs),
        log=replace(result.log, format=text, problems=(Problem(where=text, what=text),)),
        profile=replace(result.profile, name=text, file_name=text),
        coverage=replace(result.coverage, cannot_tell=(text,), modes_s={text: 1.0}),
        case=Case(
            complaint=text,
            correction=text,
            vehicle=text,
            odometer=text,
            work_order=text,
            technician=text,
            equipment=text,
        ),
    )


def shape(page: Page) -> dict[str, int]:
    """Return how many elements of each kind the page holds, drawn pictures left out."""
    counts: dict[str, int] = page.evaluate(
        "() => { const found = {}; for (const e of document.querySelectorAll('*')) {"
        " if (e.closest('.plot') || e.closest('svg') || e.id.startsWith('js-plotly')"
        " || e.classList.contains('svg-container')) continue;"
        " found[e.tagName] = (found[e.tagName] || 0) + 1; } return found; }"
    )
    return counts


def test_hostile_text_is_shown_as_text_everywhere(
    browser: Browser, result: Result, tmp_path: Path
) -> None:
    """All of it at once; the slow test takes each by itself."""
    check_hostile(browser, result, tmp_path, [" ".join(HOSTILE[:-1])])


@pytest.mark.slow
def test_each_hostile_text_is_shown_as_text_everywhere(
    browser: Browser, result: Result, tmp_path: Path
) -> None:
    check_hostile(browser, result, tmp_path, HOSTILE)


def check_hostile(browser: Browser, result: Result, folder: Path, texts: Sequence[str]) -> None:
    plain = folder / "plain.html"
    plain.write_text(render_page(hostile(result, "plain")), encoding="utf-8")
    with opened(browser, plain) as (page, _):
        draw_all(page)
        expected = shape(page)
    for number, text in enumerate(texts):
        path = folder / f"{number}.html"
        html = render_page(hostile(result, text))
        path.write_bytes(html.encode())
        verdict = verify_page(path.read_bytes()).verdict
        assert verdict is PageVerdict.UNDAMAGED_UNSIGNED, text[:60]
        with opened(browser, path) as (page, seen):
            draw_all(page)
            page.mouse.move(600, 500)
            assert seen.dialogs == []
            assert seen.errors == []
            assert shape(page) == expected, text[:60]
            assert page.locator("[onerror], [onload], [onmouseover]").count() == 0
            assert page.locator('a[href^="javascript"]').count() == 0
            assert page.locator("img").count() == 0
            shown = page.locator("#answer-title").inner_text()
            sound = re.sub(r"[\x00-\x08\x1b\ud800\u202a-\u202e\u200e\u200f]", "\ufffd", text)
            assert shown == sound


def test_hostile_text_keeps_a_narrow_page_narrow(
    browser: Browser, result: Result, tmp_path: Path
) -> None:
    path = tmp_path / "long.html"
    path.write_text(render_page(hostile(result, "n" * 10_000)), encoding="utf-8")
    with opened(browser, path, size=NARROW) as (page, _):
        assert page.evaluate("() => document.documentElement.scrollWidth") == NARROW[0]

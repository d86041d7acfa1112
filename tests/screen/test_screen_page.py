"""The overview's size, words and links."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from canassist.model.screening import ScreenedLog, ScreenFigure
from canassist.report.page.screen_page import render_screening
from canassist.screen.fleet_statistics import screening
from canassist.screen.rides_in_order import RidesInOrder

if TYPE_CHECKING:
    from playwright.sync_api import Browser

RIDE = ScreenedLog(
    log="",
    code="no_fault_found",
    strength="strong",
    duration_s=600.0,
    month="2026-05",
    figures={
        ScreenFigure.PATH_OHM: 0.0081,
        ScreenFigure.CHARGING_V: 14.1,
        ScreenFigure.OFFSET_NM: -0.001,
        ScreenFigure.DERATE_S_PER_SLOW_MIN: 0.2,
        ScreenFigure.ONSET_C: 85.0,
    },
)
BYTES = 3_000_000


def page_of(logs: Iterable[ScreenedLog]) -> str:
    with RidesInOrder() as rides:
        for item in logs:
            rides.add(item)
        return render_screening(screening(rides, version="0"))


def rides(count: int, vehicles: int) -> list[ScreenedLog]:
    """Return rides of some vehicles, or of vehicles that nobody told."""
    return [
        replace(
            RIDE,
            log=f"/recordings/depot/ride{number:06d}.log.gz",
            vehicle=f"vehicle{number % vehicles:04d}" if vehicles else "",
            batch=f"batch{number % 7}",
        )
        for number in range(count)
    ]


@pytest.mark.parametrize("vehicles", [0, 2000])
def test_ten_thousand_logs_stay_below_three_megabytes(vehicles: int) -> None:
    page = page_of(rides(10_000, vehicles))
    assert len(page.encode()) <= BYTES
    assert page.count("ride00") == 10_000  # every one of them is on it


def test_every_link_has_its_target() -> None:
    logs = rides(60, 20)
    logs[3] = replace(logs[3], code="low_battery", blames=True)
    logs[4] = replace(logs[4], figures={ScreenFigure.CHARGING_V: 12.0})
    page = page_of(logs)
    targets = set(re.findall(r'id="([^"]+)"', page))
    links = set(re.findall(r'href="#([^"]+)"', page))
    assert links <= targets
    assert "v1" in links


def test_a_tiny_negative_figure_is_shown_as_zero() -> None:
    page = page_of(rides(10, 10))
    assert "-0.00" not in page


def test_what_is_unread_says_why() -> None:
    broken = replace(RIDE, log="b.log", status="damaged", reason="b.log: cut <off>")
    page = page_of([*rides(3, 3), broken])
    assert "b.log: cut &lt;off&gt;" in page


def mixed_fleet() -> list[ScreenedLog]:
    """Return a fleet that fills every part of the page."""
    logs = rides(60, 20)
    logs[3] = replace(logs[3], code="low_battery", blames=True, report="reports/a.html")
    logs[4] = replace(logs[4], figures={ScreenFigure.CHARGING_V: 12.0}, month="2026-06")
    logs[5] = replace(logs[5], damage="byte 7: the file ends here", local_date=True)
    logs[6] = replace(logs[6], duplicate=True)
    short = replace(RIDE, log="short.log", vehicle="seldom ridden", duration_s=5.0)
    return [*logs, short, replace(RIDE, log="b.log", status="damaged", reason="b.log: is empty.")]


def test_what_was_read_in_part_says_what_is_missing() -> None:
    page = page_of(mixed_fleet())
    assert "byte 7: the file ends here" in page
    assert "1 log names no time zone: its month is by the recorder’s local date." in page


@pytest.mark.parametrize("vehicles", [0, 300])
def test_a_larger_fleet_makes_no_larger_page_and_hides_no_faulty_vehicle(vehicles: int) -> None:
    logs = rides(15_000, vehicles)
    logs[14_999] = replace(logs[14_999], code="low_battery", blames=True)
    page = page_of(logs)
    assert len(page.encode()) <= BYTES
    assert "ride014999" in page
    # 10,000 listed, one of them named once more on top and in each of three counts
    assert page.count("ride0") <= 10_004
    assert f"1 of {vehicles or 15_000} vehicles wants looking at" in page
    assert ("And 5000 more vehicles" in page) == (not vehicles)
    assert ("more in the table of logs</li>" in page) == bool(vehicles)


def test_each_vehicle_stands_in_the_list_that_says_what_is_known_of_it() -> None:
    logs = rides(20, 20)
    logs[0] = replace(logs[0], blamed=(("supply_resistance", "moderate"),))
    logs[1] = replace(logs[1], code="inconclusive", fit_known=0.04, fit_reason="It does not fit.")
    logs[2] = replace(logs[2], code="thermal_protection")
    logs[3] = replace(logs[3], blamed=(("low_battery", "weak"),))
    page = page_of(logs)
    assert "supply resistance (moderate)" in page
    assert "Nothing can be told: no ride answers, or the database is another vehicle’s: 1" in page
    assert "Reduced by heat or duty as designed: no fault of the vehicle: 1 vehicle" in page
    assert "low battery suspected (weak)" in page
    assert "Nothing stands out: 17 vehicles" in page
    assert "Path resistance, mΩ" in page


def test_a_figure_apart_is_said_beside_that_of_the_others() -> None:
    logs = rides(20, 20)
    logs[4] = replace(logs[4], figures={ScreenFigure.CHARGING_V: 12.0})
    assert "charging voltage 12.00 V (others 14.10 V)" in page_of(logs)


@pytest.mark.browser
def test_it_is_searched_and_sorted_in_place_and_reads_without_scripts(
    browser: Browser, tmp_path: Path
) -> None:
    from playwright.sync_api import expect  # noqa: PLC0415 - few tests need it

    path = tmp_path / "overview.html"
    path.write_text(page_of(mixed_fleet()), "utf-8")
    page = browser.new_page()
    page.goto(path.as_uri())
    page.locator("#find").fill("vehicle0007")
    expect(page.locator("#hits")).to_have_text("1 of 21 vehicles")
    expect(page.locator("#list-usual tbody tr:visible")).to_have_count(1)
    page.locator("#find").fill("")
    page.locator("#reason").select_option("low battery")
    expect(page.locator("#hits")).to_have_text("1 of 21 vehicles")
    page.locator("#reason").select_option("")
    page.locator("#list-usual > summary").click()
    head = page.locator("#list-usual th").nth(1)
    head.get_by_role("button").click()
    head.get_by_role("button").click()
    expect(head).to_have_attribute("aria-sort", "descending")
    expect(page.locator("#list-usual tbody tr").first).to_contain_text("vehicle0019")
    page.close()
    plain = browser.new_page(java_script_enabled=False)
    plain.goto(path.as_uri())
    expect(plain.locator("#finder")).to_be_hidden()
    plain.locator("#list-usual > summary").click()
    expect(plain.locator("#list-usual tbody tr").first).to_be_visible()
    plain.close()


@pytest.mark.browser
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_the_page_is_accessible_at_any_width(browser: Browser, scheme: str, tmp_path: Path) -> None:
    from axe_playwright_python.sync_playwright import Axe  # noqa: PLC0415 - few tests need it

    path = tmp_path / "overview.html"
    path.write_text(page_of(mixed_fleet()), "utf-8")
    context = browser.new_context(color_scheme=scheme, bypass_csp=True)  # type: ignore[arg-type]  # a literal
    page = context.new_page()
    page.goto(path.as_uri())
    page.evaluate("document.querySelectorAll('details').forEach(item => { item.open = true })")
    for width in (1280, 390, 320):
        page.set_viewport_size({"width": width, "height": 800})
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        assert Axe().run(page).response["violations"] == []
    context.close()


def test_the_folder_of_all_logs_is_told_once() -> None:
    page = page_of(rides(20, 0))
    assert page.count("/recordings/depot/") == 1
    assert "ride000019.log.gz: no fault found" in page
    apart = [*rides(20, 0), replace(RIDE, log="s3://bucket/ride.log")]
    assert page_of(apart).count("/recordings/depot/") == 20

"""The page in a real browser, as somebody sees it for the first time."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from playwright.sync_api import Browser, Page, expect

from canassist.demo import WrittenRide

if TYPE_CHECKING:
    from tests.web.conftest import Served

pytestmark = pytest.mark.browser

HOT = "because the module was hot"
HOT_ROW = "Hot: protected itself"


def test_sample_ride_is_one_click_away_and_answers(served: Served, page: Page) -> None:
    page.goto(served.address)
    expect(page.get_by_text("No ride here yet")).to_be_visible()
    page.get_by_role("button", name="Show me a sample ride").click()
    row = page.locator("#rides .ride")
    expect(row).to_have_attribute("data-state", "done")
    expect(row).to_contain_text(HOT_ROW)
    row.get_by_role("link", name="Open the report").click()
    shown = page.frame_locator(".frame")
    expect(shown.get_by_role("heading", level=1)).to_contain_text(HOT)
    shown.locator(".ride").first.scroll_into_view_if_needed()
    expect(shown.locator(".ride .drawn").first).to_be_visible()
    assert page.frames[1].evaluate(
        "() => { try { return document.cookie } catch (e) { return e.name } }"
    ) in {
        "SecurityError",
        "",
    }


def test_everything_works_without_scripts(
    served: Served, browser: Browser, rides: dict[str, WrittenRide]
) -> None:
    ride = rides["speed_lost"]
    context = browser.new_context(java_script_enabled=False)
    page = context.new_page()
    page.goto(served.address)
    page.set_input_files("#files", [ride.log, ride.dbc, ride.profile])
    page.get_by_role("button", name="Read the ride").click()
    expect(page.get_by_role("status")).to_contain_text("its turn comes")
    expect(page.locator("#rides .ride[data-state=done]")).to_be_visible(timeout=40_000)
    expect(page.locator("#rides .answer")).to_contain_text("Speed signal false")
    context.close()


def test_same_file_twice_is_recognised(
    served: Served, page: Page, rides: dict[str, WrittenRide]
) -> None:
    ride = rides["hot_tight_turns"]
    page.goto(served.address)
    page.set_input_files("#files", [ride.log, ride.dbc, ride.profile])
    expect(page.locator("#rides .ride")).to_have_attribute("data-state", "done")
    expect(page.locator("#rides")).to_contain_text(HOT_ROW)
    page.set_input_files("#files", [ride.log])
    expect(page.get_by_role("status")).to_contain_text("were here already")
    expect(page.locator("#rides .ride")).to_have_count(1)


NOTE_PROGRESS = """
const note = () => {
  const bar = document.querySelector('#rides progress');
  if (!bar) return;
  const words = document.querySelector('#rides .words');
  const seen = JSON.parse(sessionStorage.getItem('progress') || '[]');
  seen.push([bar.getAttribute('value'), words ? words.innerText : '']);
  sessionStorage.setItem('progress', JSON.stringify(seen));
};
new MutationObserver(note).observe(document, {
  subtree: true, childList: true, attributes: true, characterData: true,
});
"""


def test_progress_moves_while_a_ride_is_in_work(
    served: Served, page: Page, rides: dict[str, WrittenRide]
) -> None:
    # The page notes each change itself: looking in from outside misses some on a busy machine.
    page.add_init_script(NOTE_PROGRESS)
    page.goto(served.address)
    ride = rides["hot_tight_turns"]
    page.set_input_files("#files", [ride.log, ride.dbc, ride.profile])
    expect(page.locator("#rides .ride")).to_have_attribute("data-state", "done")
    seen = json.loads(page.evaluate("() => sessionStorage.getItem('progress')"))
    assert len({value for value, _ in seen}) > 1
    assert len({words for _, words in seen}) > 1


def test_wrong_file_is_told_in_its_row_with_what_to_do(
    served: Served, page: Page, tmp_path: Path
) -> None:
    notes = tmp_path / "notes.txt"
    notes.write_text("The customer says that the steering goes heavy.\n" * 20)
    page.goto(served.address)
    page.set_input_files("#files", [notes])
    row = page.locator("#rides .ride")
    expect(row).to_have_attribute("data-state", "failed")
    expect(row).to_contain_text("notes.txt: a text of an unknown layout")
    expect(row).to_contain_text("choose its log file")
    row.get_by_role("link", name="notes").click()
    expect(page.locator("main")).to_contain_text("Number ")

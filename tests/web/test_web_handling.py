"""What people do on the page: cancel, answer, compare, delete, search; by keyboard, narrow."""

from __future__ import annotations

import re
from collections.abc import Callable
from contextlib import AbstractContextManager
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import urlsplit

import httpx
import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import APIResponse, Page, Route, expect

from canassist.demo import WrittenRide

if TYPE_CHECKING:
    from tests.web.conftest import Served

pytestmark = pytest.mark.browser

Serving = Callable[..., AbstractContextManager["Served"]]
Until = Callable[[Callable[[], bool]], None]
HOT = "Hot: protected itself"
RULES = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]}


def send(served: Served, *files: tuple[str, Path], **fields: str) -> str:
    """Send a ride and wait for its report; return its id."""
    answer = httpx.post(
        served.address + "api/reports",
        files=[(role, (path.name, path.read_bytes())) for role, path in files],
        data=fields,
        timeout=90,
    )
    assert answer.status_code == 200, answer.text
    return answer.headers["x-ride"]


def whole(ride: WrittenRide) -> list[tuple[str, Path]]:
    return [("log", ride.log), ("dbc", ride.dbc), ("profile", ride.profile)]


@pytest.fixture(scope="module")
def shelf(
    shared_page: Served, rides: dict[str, WrittenRide], tmp_path_factory: pytest.TempPathFactory
) -> Served:
    """Return a page with two rides and one file that is no log."""
    send(
        shared_page, *whole(rides["hot_tight_turns"]), work_order="WO-77", complaint="Heavy uphill"
    )
    send(shared_page, *whole(rides["speed_lost"]))
    notes = tmp_path_factory.mktemp("notes") / "notes.txt"
    notes.write_text("no log\n" * 50)
    httpx.post(
        shared_page.address + "api/reports",
        files={"log": (notes.name, notes.read_bytes())},
        timeout=90,
    )
    return shared_page


NOTE_SENDING = """
window.told = [];
new MutationObserver(() => {
  const line = document.querySelector("#sending li");
  const bar = line && line.querySelector("progress");
  if (bar) window.told.push([bar.value, line.innerText]);
}).observe(document, { subtree: true, childList: true, attributes: true, characterData: true });
"""


def test_upload_moves_and_can_be_cancelled(
    until: Until, served: Served, page: Page, tmp_path: Path
) -> None:
    large = tmp_path / "large.log"
    large.write_bytes(b"(1.0) can0 123#00\n" * 1_000_000)
    page.add_init_script(NOTE_SENDING)
    page.goto(served.address)
    slow_down(page, 3_000_000)
    page.set_input_files("#files", [large])
    until(lambda: page.evaluate("new Set(window.told.map(one => one[0])).size > 3"))
    until(lambda: page.evaluate("window.told.some(one => one[1].includes(', about '))"))
    told: list[tuple[float, str]] = page.evaluate("window.told")
    shares = [share for share, _ in told]
    assert shares == sorted(shares)
    assert re.fullmatch(
        r"large.log: \d+\.\d of 18 MB sent, about \d+ s left", told[-1][1].split("\n")[0].strip()
    )
    page.get_by_role("button", name="Cancel the upload of large.log").click()
    expect(page.locator("#sending")).to_contain_text("called off, nothing of it was kept")
    expect(page.locator("#sending progress")).to_have_count(0)
    assert httpx.get(served.address + "api/reports").json()["count"] == 0
    until(lambda: not list((served.data / "incoming").iterdir()))
    assert list((served.data / "files").glob("*/*")) == []


def slow_down(page: Page, bytes_s: int) -> None:
    """Let the browser send no faster than this."""
    line = page.context.new_cdp_session(page)
    line.send("Network.enable")
    held = {"offline": False, "latency": 0, "downloadThroughput": -1, "uploadThroughput": bytes_s}
    line.send("Network.emulateNetworkConditions", held)


def test_dropped_files_are_taken_and_what_went_wrong_stays_in_sight(
    shelf: Served, page: Page
) -> None:
    page.goto(shelf.address)
    count = page.locator("#rides .ride").count()
    parcel = page.evaluate_handle(
        """() => {
        const parcel = new DataTransfer();
        parcel.items.add(new File(["no log at all".repeat(20)], "dropped.txt"));
        parcel.items.add(new File([], "nothing in it.log"));
        return parcel }"""
    )
    page.dispatch_event("#drop", "drop", {"dataTransfer": parcel})
    trouble = page.locator("#sending .trouble")
    expect(trouble).to_contain_text("nothing in it.log: the file is empty")
    expect(page.locator("#rides .ride")).to_have_count(count + 1)
    row = page.locator("#rides .ride").first
    expect(row).to_contain_text("dropped.txt: a text of an unknown layout")
    expect(trouble).to_be_visible()


def test_doubtful_channel_is_asked_answered_and_remembered(
    served: Served, page: Page, rides: dict[str, WrittenRide], tmp_path: Path
) -> None:
    ride = rides["speed_lost"]
    dbc = tmp_path / "doubt.dbc"
    text = ride.dbc.read_text("utf-8")
    dbc.write_text(text.replace("DriverTorque", "TorqueOne").replace("AssistTorque", "TorqueTwo"))
    name = send(served, ("log", ride.log), ("dbc", dbc))
    page.goto(served.address)
    page.get_by_role("link", name="Which signal is it?").click()
    page.wait_for_load_state()
    assert Axe().run(page, options=RULES).response["violations"] == []
    question = page.get_by_role("group", name="Which signal is the driver torque?")
    expect(question).to_be_visible()
    expect(question.locator("svg path").first).to_be_attached()
    expect(question).not_to_contain_text(re.compile(r"\([+-]\d|open:"))
    question.get_by_role("radio", name=re.compile("TorqueOne")).check()
    other = page.get_by_role("group", name="Which signal is the assist torque?")
    other.get_by_role("radio", name=re.compile("TorqueTwo")).check()
    page.get_by_role("button", name="Keep the answers and read anew").click()
    expect(page.get_by_role("status").first).to_contain_text("kept with the vehicle")
    expect(page.locator(".one")).to_have_attribute("data-state", "done")
    result = httpx.get(f"{served.address}api/reports/{name}").json()
    assert result["channels"]["driver_torque"]["signal"] == "SteerEffort.TorqueOne"
    assert result["channels"]["driver_torque"]["chosen_by"] == "profile"
    expect(page.locator("#questions")).to_have_count(0)
    second = send(served, ("log", rides["hot_tight_turns"].log))
    result = httpx.get(f"{served.address}api/reports/{second}").json()
    assert result["channels"]["driver_torque"]["chosen_by"] == "profile"


def test_doubtful_unit_and_sign_are_asked_with_pictures_and_answers_can_be_changed(
    served: Served, page: Page, rides: dict[str, WrittenRide], tmp_path: Path
) -> None:
    ride = rides["speed_lost"]
    text = ride.dbc.read_text("utf-8").replace("7|16@0+ (0.01,0)", "7|16@0+ (0.006213712,0)")
    dbc = tmp_path / "lies.dbc"
    dbc.write_text(text.replace("0|16@1- (0.1,0)", "0|16@1- (-0.1,0)"))
    name = send(served, ("log", ride.log), ("dbc", dbc))
    page.goto(f"{served.address}rides/{name}")
    speed = page.get_by_role("group", name="In which unit is the vehicle speed?")
    expect(speed).to_contain_text("most likely in miles an hour")
    expect(speed.locator("svg path")).not_to_have_count(0)
    speed.get_by_role("radio", name=re.compile("in the unit that the question names")).check()
    angle = page.get_by_role("group", name="Which side is positive in the steering angle?")
    angle.get_by_role("radio", name=re.compile("as the database says")).check()
    page.get_by_role("button", name="Keep the answers and read anew").click()
    expect(page.locator(".one")).to_have_attribute("data-state", "done")
    read = httpx.get(f"{served.address}api/reports/{name}").json()["channels"]
    assert read["vehicle_speed"]["held_out"] is None
    wheel = read["wheel_speed_fl"]["median"]
    assert read["vehicle_speed"]["median"] == pytest.approx(wheel, rel=0.05)
    assert "right positive" not in (read["steering_angle"]["doubt"] or "")
    vehicle = httpx.get(f"{served.address}api/vehicles").json()["vehicles"]
    mine = next(one for one in vehicle if "vehicle_speed" in one["answers"])
    page.goto(f"{served.address}vehicles/{mine['id']}")
    page.get_by_role("button", name="Ask again: vehicle speed").click()
    page.wait_for_load_state()
    expect(page.get_by_role("button", name="Ask again: steering angle")).to_be_visible()
    expect(page.get_by_role("button", name="Ask again: vehicle speed")).to_have_count(0)
    left = httpx.get(f"{served.address}api/vehicles").json()["vehicles"]
    assert [sorted(one["answers"]) for one in left if one["id"] == mine["id"]] == [
        ["steering_angle"]
    ]


def test_ticked_rides_are_compared(shelf: Served, page: Page) -> None:
    page.goto(shelf.address)
    for name in ("hot_tight_turns", "speed_lost"):
        page.get_by_role("checkbox", name=f"Tick {name}").check()
    page.get_by_role("button", name="Compare").click()
    row = page.locator("#rides .ride").first
    expect(row).to_contain_text("against")
    expect(row).to_have_attribute("data-state", "done")
    row.get_by_role("link", name="Open the report").click()
    shown = page.frame_locator(".frame")
    expect(shown.get_by_role("heading", level=1)).not_to_be_empty()
    page.locator("#way-back").click()
    expect(page.get_by_role("link", name="Open the report")).to_be_visible()


def test_deleted_ride_comes_back(shelf: Served, page: Page) -> None:
    page.goto(shelf.address)
    count = page.locator("#rides .ride").count()
    page.get_by_role("checkbox", name="Tick speed_lost").first.check()
    page.get_by_role("button", name="Delete").click()
    expect(page.get_by_role("status")).to_contain_text("1 ride was deleted")
    expect(page.locator("#rides .ride")).to_have_count(count - 1)
    page.get_by_role("button", name="Undo").click()
    expect(page.locator("#rides .ride")).to_have_count(count)


def test_renamed_and_noted_ride_gets_its_report_anew(
    served: Served, page: Page, rides: dict[str, WrittenRide]
) -> None:
    name = send(served, *whole(rides["hot_tight_turns"]))
    page.goto(f"{served.address}rides/{name}")
    page.get_by_text("Name and notes").click()
    page.get_by_label("Name", exact=True).fill("Hill climb")
    page.get_by_label("Complaint", exact=True).fill("Heavy after ten minutes <b>")
    page.get_by_label("Moments of the complaint (m:ss)").fill("3:30")
    page.get_by_role("button", name="Save").click()
    expect(page.locator(".one")).to_have_attribute("data-state", "done")
    expect(page.locator(".one .meta")).to_have_text("Hill climb")
    page.get_by_role("link", name="Open the report").click()
    shown = page.frame_locator(".frame")
    expect(shown.locator("header")).to_contain_text("Heavy after ten minutes <b>")
    expect(shown.locator(".moment")).to_contain_text("3:30")


def test_files_of_a_report_can_be_saved(shelf: Served, page: Page, tmp_path: Path) -> None:
    page.goto(shelf.address)
    page.get_by_role("link", name="hot_tight_turns", exact=True).click()
    begins = {"HTML": b"<!DOCTYPE html>", "PDF": b"%PDF", "JSON": b"{", "ZIP": b"PK"}
    for kind, head in begins.items():
        with page.expect_download() as saving:
            page.get_by_role("link", name=re.compile(rf"\({kind}\)")).click()
        path = tmp_path / saving.value.suggested_filename
        saving.value.save_as(path)
        assert path.name.startswith("hot_tight_turns.")
        assert path.read_bytes().startswith(head)


def test_report_cannot_reach_the_page(shelf: Served, page: Page) -> None:
    page.goto(shelf.address)
    page.get_by_role("link", name="Open the report: hot_tight_turns", exact=True).click()
    page.get_by_role("link", name="The report alone (to print or share)").click()
    page.wait_for_url("**/report")
    page.wait_for_load_state()
    assert Axe().run(page, options=RULES).response["violations"] == []
    tried: dict[str, Any] = page.evaluate(
        """async () => {
        const tries = {};
        for (const path of ["/api/reports", "/"])
          try { tries[path] = (await fetch(path)).status } catch (e) { tries[path] = e.name }
        try { tries.cookie = document.cookie } catch (e) { tries.cookie = e.name }
        try { tries.store = String(localStorage) } catch (e) { tries.store = e.name }
        tries.origin = self.origin;
        return tries }"""
    )
    assert tried == {
        "/api/reports": "TypeError",
        "/": "TypeError",
        "cookie": "SecurityError",
        "store": "SecurityError",
        "origin": "null",
    }


def test_open_page_sees_a_restart_in_mid_work_through(
    starting: Callable[..., Served], serving: Serving, page: Page, tmp_path: Path,
    rides: dict[str, WrittenRide],
) -> None:  # fmt: skip
    ride = rides["hot_tight_turns"]
    first = starting(tmp_path / "data")
    page.goto(first.address)
    page.set_input_files("#files", [ride.log, ride.dbc, ride.profile])
    row = page.locator("#rides .ride")
    expect(row).to_have_attribute("data-state", "working")
    first.kill()
    assert first.process.stderr is not None
    first.process.stderr.close()
    port = str(urlsplit(first.address).port)
    with serving(tmp_path / "data", "--port", port):
        expect(row).to_have_attribute("data-state", "done")
        expect(row).to_contain_text(HOT)


def test_late_answer_does_not_come_after_a_newer_one(
    until: Until, served: Served, page: Page, rides: dict[str, WrittenRide]
) -> None:
    late: list[tuple[Route, APIResponse]] = []

    def hold_the_first(route: Route) -> None:
        if late:
            route.continue_()
        else:
            late.append((route, route.fetch()))

    page.route("**/rows*", hold_the_first)
    page.goto(served.address)
    ride = rides["speed_lost"]
    page.set_input_files("#files", [ride.log, ride.dbc, ride.profile])
    row = page.locator("#rides .ride")
    expect(row).to_have_count(1)
    until(lambda: bool(late) or page.evaluate("false"))
    listed = served.address + "api/reports"
    until(lambda: httpx.get(listed).json()["rides"][0]["state"] == "done")
    page.evaluate("new Promise(good => setTimeout(good, 300))")
    route, response = late[0]
    route.fulfill(response=response)
    expect(row).to_have_attribute("data-state", "done")


def test_everything_is_reached_by_keyboard(served: Served, page: Page) -> None:
    page.goto(served.address)
    press_to(page, "sample")
    page.keyboard.press("Enter")
    expect(page.locator("#rides .ride")).to_have_attribute("data-state", "done")
    page.reload()
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "skip"
    page.keyboard.press("Enter")
    page.keyboard.press("Tab")
    press_to(page, "delete", tick=True)
    page.keyboard.press("Enter")
    expect(page.get_by_role("status")).to_contain_text("1 ride was deleted")
    press_to(page, "undo")
    outline = page.evaluate("getComputedStyle(document.activeElement).outlineStyle")
    assert outline == "solid"
    page.keyboard.press("Enter")
    expect(page.locator("#rides .ride")).to_have_count(1)


def press_to(page: Page, name: str, *, tick: bool = False) -> None:
    """Press Tab until a control is reached, ticking what can be ticked in the shelf."""
    for _ in range(60):
        if tick and page.evaluate("document.activeElement.name === 'ride'"):
            page.keyboard.press("Space")
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.id") == name:
            return
    raise AssertionError(f"{name} cannot be reached by keyboard")

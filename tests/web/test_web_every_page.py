"""Every page that there is, in every state: nothing for axe to find, nothing cut off."""

from __future__ import annotations

import asyncio
import json
import re
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager
from typing import TYPE_CHECKING, Any, Literal

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, FilePayload, Page, Route, expect

from canassist.web.jobs.worker_process import Order, Outcome
from canassist.web.settings import PageLimits
from canassist.web.store.records import NOTES, NewRide, RideRecord, Stored, StoredAnswer
from canassist.web.store.repair_jobs import JobCheck

if TYPE_CHECKING:
    from tests.web.conftest import Inside

pytestmark = pytest.mark.browser

Scheme = Literal["light", "dark"]
RULES = {
    "runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"],
    "resultTypes": ["violations"],
}
TOKEN = "a secret of the shop's own"  # noqa: S105 - of this test alone
LONG = "Hill climb with the plow on and a full bed, in the rain, after the new tie rod end"


class Held:
    """A worker that tells how far it is and then stays there."""

    def __init__(self, order: Order, time_s: float) -> None:
        del order, time_s
        self.order: Order = {}
        self._ended = asyncio.Event()

    async def run(self, told: Callable[..., None]) -> Outcome:
        told("reading", 12e6, 50e6, 1_234_567)
        await self._ended.wait()
        return {}

    def kill(self) -> None:
        self._ended.set()


def stored(inside: Inside, name: str) -> Stored:
    return Stored(sha256=inside.services.blobs.keep_bytes(name.encode()), name=name, size=1_234_567)


def put(inside: Inside, title: str, **more: Any) -> RideRecord:  # noqa: ANN401 - fields of a ride
    new = NewRide(title=title, files=(stored(inside, f"{title}.log"),), **more)
    return inside.services.rides.put(new)[0]


def done(inside: Inside, title: str, vehicle: str, questions: str | None = None) -> RideRecord:
    notes = dict.fromkeys(NOTES, "Heavy uphill") | {"work_order": "WO-77"}
    ride = put(inside, title, vehicle=vehicle, vehicle_by="fit", notes=notes)
    begun = inside.services.queue.begin_next(9)
    assert begun is not None
    assert begun.id == ride.id
    kept = inside.services.blobs.keep_bytes
    answer = StoredAnswer(
        page=kept(b"<!DOCTYPE html><title>Report</title>"), data=kept(b"{}"), questions=questions,
        headline="Assist was reduced because the module was hot.", code="thermal_protection",
        strength="strong", start_utc="2026-05-04T10:11:12+00:00", duration_s=600.0,
        frames=1_140_000, vehicle=vehicle, vehicle_by="fit", vehicle_fit="12 of 39",
    )  # fmt: skip
    inside.services.queue.finish(begun, answer)
    return ride


def question(inside: Inside) -> str:
    choices = [
        {"signal": f"SteerEffort.Torque{name}", "unit": "N·m", "reasons": ["its unit is N·m"],
         "low": -4.0, "high": 5.5, "points": [[0.0, -1.0, 2.0], None, [300.0, -4.0, 5.5]]}
        for name in ("One", "Two")
    ]  # fmt: skip
    asked = [{"channel": "driver_torque", "question": "Which may be the driver torque?",
              "duration_s": 600.0, "choices": choices}]  # fmt: skip
    return inside.services.blobs.keep_bytes(json.dumps(asked).encode())


@pytest.fixture(scope="module")
def shelf(
    serving_inside: Callable[..., AbstractContextManager[Inside]],
    tmp_path_factory: pytest.TempPathFactory,
) -> Iterator[tuple[Inside, dict[str, RideRecord]]]:
    """Return a page with a ride in every state."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("canassist.web.jobs.run_queue.Worker", Held)
        patch.setattr("canassist.web.jobs.progress_board._GUESS_AFTER_S", 0.0)
        for module in ("store.rides_index", "pages.shelf_pages"):
            patch.setattr(f"canassist.web.{module}.PAGE_ROWS", 8)
        folder = tmp_path_factory.mktemp("every") / "data"
        with serving_inside(folder, PageLimits(workers=1)) as inside:
            yield inside, fill(inside)


def fill(inside: Inside) -> dict[str, RideRecord]:
    services = inside.services
    files = [stored(inside, "trail.dbc")]
    vehicle = services.vehicles.add("Demo trail vehicle", files, stored(inside, "trail.toml"))
    services.vehicles.settle(vehicle.id, "vehicle_speed", "ChassisMotion.RoadSpeed")
    services.vehicles.settle(vehicle.id, "ambient_temperature", "")
    for number in range(64):
        gone = put(inside, f"old {number:02}")
        services.queue.cancel(gone.id)
    services.rides.delete([gone.id])
    rides = {
        "hot": done(inside, "hot day", vehicle.id),
        "long": done(inside, LONG, vehicle.id),
        "asked": done(inside, "doubtful", vehicle.id, question(inside)),
        "cancelled": put(inside, "called off"),
    }
    services.queue.cancel(rides["cancelled"].id)
    rides["failed"] = put(inside, "notes")
    begun = services.queue.begin_next(9)
    assert begun is not None
    services.queue.fail(begun, "notes.txt: no CAN frame in it.", "Choose its log file.", "0a1b2c3d")
    sides = f"{rides['hot'].id}/{rides['long'].id}"
    rides["compared"] = put(inside, "hot day against long", kind="compare", sides=sides)
    services.queue.cancel(rides["compared"].id)
    rides["working"] = put(inside, "in work")
    token = {"form_token": inside.form_token()}
    inside.client.post(f"/rides/{rides['working'].id}/again", data=token)
    rides["waiting"] = put(inside, "next in turn")
    rides["later"] = put(inside, "later")
    return rides


def is_sound(page: Page, width: int, name: str) -> None:
    page.wait_for_load_state()
    shown = page.locator("body").inner_text()
    for slip in ("built-in", "object at", "Undefined", "{", "}"):
        assert slip not in re.sub(r"/api/\S*\{\w+\}|\{\"a.*?\}", "", shown), (name, slip)
    page.evaluate("document.querySelectorAll('details').forEach(one => { one.open = true })")
    found = Axe().run(page, options=RULES).response["violations"]
    assert [(one["id"], one["nodes"][0]["html"]) for one in found] == [], name
    assert page.evaluate("document.documentElement.scrollWidth") <= width, name
    small = page.evaluate(
        """() => [...document.querySelectorAll("button, select, input, .button, summary, nav a")]
        .filter(one => one.offsetParent && one.getBoundingClientRect().height < 24)
        .map(one => one.outerHTML)"""
    )
    assert small == [], name


@pytest.fixture(
    params=[
        (1280, "light"),
        (390, "dark"),
        pytest.param((1280, "dark"), marks=pytest.mark.slow),
        pytest.param((390, "light"), marks=pytest.mark.slow),
    ],
    ids=str,
)
def screen(request: pytest.FixtureRequest, browser: Browser) -> Iterator[tuple[Page, int]]:
    """Return a browser page of a width and colour scheme, which may raise no script error."""
    width, scheme = request.param
    context = browser.new_context(
        viewport={"width": width, "height": 844}, color_scheme=scheme, reduced_motion="reduce"
    )
    page = context.new_page()
    errors: list[str] = []
    page.on("pageerror", lambda error: errors.append(str(error)))
    yield page, width
    assert errors == []
    context.close()


def test_every_page_is_sound(
    shelf: tuple[Inside, dict[str, RideRecord]], screen: tuple[Page, int]
) -> None:
    inside, rides = shelf
    page, width = screen
    services = inside.services
    vehicle = services.vehicles.all()[0].id
    old = services.vehicles.add("Old vehicle", [stored(inside, "old.dbc")], None).id
    services.vehicles.delete(old)
    paths = [
        "", "?page=5", "?deleted=1", "?text=zzz", "?said=uploaded", "vehicles", "api", "nothing",
        f"vehicles/{vehicle}", f"vehicles/{vehicle}?said=saved", f"vehicles?deleted={old}",
        f"vehicles?deleted={vehicle}",
        f"?deleted_at={next(iter(deleted(inside)))}", "settings", "settings?bad=zone", "jobs",
        "?state=failed&since=2020-01-01", *jobs(inside, rides),
        f"rides/{rides['hot'].id}/view",
        *(f"rides/{ride.id}" for ride in rides.values()),
    ]  # fmt: skip
    for path in paths:
        page.goto(inside.address + path)
        is_sound(page, width, path)


def jobs(inside: Inside, rides: dict[str, RideRecord]) -> list[str]:
    """Return the pages of a job without anything, and of one with a ride and a repair."""
    services = inside.services
    notes = {"complaint": "Heavy <b>", "correction": "Cleaned", "work_order": "7"}
    if not services.repairs.all():
        services.repairs.open({"work_order": "8"}, None, "")
        job = services.repairs.open(notes, None, "Ann")
        services.rides.join([rides["hot"].id, rides["failed"].id], job.id, "before")
        services.repairs.keep_checks(job.id, [JobCheck(text="Look", expect="clean", is_done=True)])
    names = [f"jobs/{job.id}" for job in services.repairs.all()]
    return [*names, *(f"{name}/claim" for name in names)]


def deleted(inside: Inside) -> Iterator[str]:
    for row in inside.services.database.reading().execute(
        "SELECT deleted_s FROM rides WHERE deleted_s IS NOT NULL"
    ):
        yield row[0]


def test_pages_that_answer_a_form_are_sound(
    shelf: tuple[Inside, dict[str, RideRecord]], screen: tuple[Page, int]
) -> None:
    inside, rides = shelf
    page, width = screen
    page.goto(inside.address + "?sort=longest")
    for name in ("hot", "long", "asked"):
        page.locator(f"#ride-{rides[name].id} input").check()
    page.locator("#compare").click()
    expect(page.get_by_role("heading", level=1)).to_contain_text("Which side")
    is_sound(page, width, "which side")
    for out in page.get_by_role("radio", name="leave out").all():
        out.check()
    page.get_by_role("button", name="Compare").click()
    expect(page.get_by_role("alert")).to_contain_text("Each side needs a ride")
    is_sound(page, width, "each side needs a ride")
    page.goto(inside.address)
    page.locator("#delete").click()
    expect(page.get_by_role("heading", level=1)).to_contain_text("No ride is ticked")
    is_sound(page, width, "nothing ticked")


def test_empty_shelf_and_login_are_sound(
    serving_inside: Callable[..., AbstractContextManager[Inside]],
    tmp_path_factory: pytest.TempPathFactory,
    screen: tuple[Page, int],
) -> None:
    page, width = screen
    with serving_inside(tmp_path_factory.mktemp("guarded") / "data", token=TOKEN) as inside:
        page.goto(inside.address)
        expect(page.get_by_role("heading", level=1)).to_contain_text("Log in")
        is_sound(page, width, "login")
        page.get_by_label("Secret").fill("a guess that is wrong")
        page.get_by_role("button", name="Log in").click()
        expect(page.get_by_role("alert")).to_contain_text("not the secret")
        is_sound(page, width, "wrong secret")
        page.get_by_label("Secret").fill(TOKEN)
        page.get_by_role("button", name="Log in").click()
        expect(page.get_by_text("No ride here yet")).to_be_visible()
        is_sound(page, width, "empty shelf")
        page.goto(inside.address + "vehicles")
        is_sound(page, width, "no vehicle")
        page.get_by_role("button", name="Log out").click()
        expect(page.get_by_role("heading", level=1)).to_contain_text("Log in")


def test_upload_under_way_and_its_end_are_sound(
    shelf: tuple[Inside, dict[str, RideRecord]], screen: tuple[Page, int]
) -> None:
    inside, _ = shelf
    page, width = screen
    held: list[Route] = []
    page.route("**/upload", lambda route: held.append(route))  # noqa: PLW0108 - it is marked
    page.goto(inside.address)
    log = FilePayload(name=f"{LONG}.log", mimeType="text/plain", buffer=b"(1.0) can0 123#00\n")
    page.set_input_files("#files", [log])
    expect(page.locator("#sending progress")).to_be_visible()
    is_sound(page, width, "sending")
    told = {"problem": "The disk is full.", "fix": "Make room.", "number": "1"}
    held[0].fulfill(status=507, json=told)
    expect(page.locator("#sending")).to_contain_text("The disk is full. Make room.")
    is_sound(page, width, "refused")


def test_work_shows_bytes_then_frames_then_time_left(
    shelf: tuple[Inside, dict[str, RideRecord]], page: Page
) -> None:
    inside, rides = shelf
    told = r"Reading the log: 12 of 50 MB, 1\u202f234\u202f567 frames \(about \d+ (s|min) left\)"
    for path in ("", f"rides/{rides['working'].id}"):
        page.goto(inside.address + path)
        shown = page.locator(f"[data-ride='{rides['working'].id}'] .words")
        expect(shown).to_have_text(re.compile(told))
        bar = page.locator(f"[data-ride='{rides['working'].id}'] progress")
        assert 0.15 < float(bar.get_attribute("value") or "") < 0.25
    page.goto(inside.address)
    expect(page.locator(f"#ride-{rides['waiting'].id} .words")).to_have_text("Waiting for its turn")
    later = page.locator(f"#ride-{rides['later'].id} .words")
    expect(later).to_have_text("Waiting for its turn, 1 before it")
    page.goto(f"{inside.address}rides/{rides['later'].id}")
    expect(page.locator(".one .words")).to_have_text("Waiting for its turn, 1 before it")

"""A shop's working day: jobs from complaint to claim, first failures, many rides, two tabs."""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Callable
from contextlib import AbstractContextManager
from pathlib import Path
from typing import TYPE_CHECKING
from urllib.parse import urlsplit

import httpx
import pytest
from playwright.sync_api import Locator, Page, expect
from typer.testing import CliRunner

from canassist.cli.app import app
from canassist.demo import WrittenRide
from canassist.web.settings import PageLimits
from canassist.web.shop.shop_settings import ShopSettings
from canassist.web.store.records import RULES, NewRide, RideRecord, Stored, StoredAnswer

if TYPE_CHECKING:
    from tests.web.conftest import Inside, Served

pytestmark = pytest.mark.browser

Serving = Callable[..., AbstractContextManager["Served"]]
ServingInside = Callable[..., AbstractContextManager["Inside"]]
Until = Callable[[Callable[[], bool]], None]
HOT = "Hot: protected itself"


def put(inside: Inside, number: int, **answer: str) -> RideRecord:
    """Put a ride on the shelf, with an answer where one is given."""
    services = inside.services
    kept = services.blobs.keep_bytes(f"{number}".encode())
    files = (Stored(sha256=kept, name=f"card-{number:03}.blf", size=9),)
    notes = {"complaint": f"complaint {number:03}", "work_order": f"WO-{number % 50}"}
    ride = services.rides.put(NewRide(title=f"ride {number:03}", files=files, notes=notes))[0]
    if not answer:
        return ride
    begun = services.queue.begin_next(9)
    assert begun is not None
    services.queue.finish(
        begun,
        StoredAnswer(
            page=kept, data=kept, questions=None, headline="It was hot.", strength="strong",
            duration_s=60.0, frames=9, vehicle=None, vehicle_by="", vehicle_fit="", **answer,
        ),
    )  # fmt: skip
    return ride


def fill(inside: Inside, count: int) -> None:
    """Put many finished rides on the shelf at once."""
    kept = inside.services.blobs.keep_bytes(b"<!DOCTYPE html>")
    with inside.services.database.writing() as index:
        for n in range(count):
            code = "thermal_protection" if n % 10 else "supply_break"
            row = {
                "id": f"{n:016x}", "title": f"ride {n:03}", "state": "done", "created_s": 1e9 + n,
                "queued_s": 0, "input_key": str(n), "complaint": f"complaint-{n:03}", "page": kept,
                "data": kept, "code": code, "work_order": f"WO-{n % 50}", "strength": "strong",
                "start_utc": f"2026-0{1 + n % 9}-05T08:00:00", "duration_s": 60.0, "rules": RULES,
            }  # fmt: skip
            index.execute(
                f"INSERT INTO rides({', '.join(row)}) VALUES ({', '.join('?' * len(row))})",  # noqa: S608 - our own column names
                tuple(row.values()),
            )
            file = (row["id"], 0, kept, f"card-{n:03}.blf", 9)
            index.execute("INSERT INTO ride_files VALUES (?, ?, ?, ?, ?)", file)


@pytest.fixture
def idle(
    serving_inside: ServingInside, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> AbstractContextManager[Inside]:
    """Return a page whose queue stands still, so that rides stay as they were put."""
    monkeypatch.setattr("canassist.web.store.shelf_search.PAGE_ROWS", 50)
    monkeypatch.setattr("canassist.web.jobs.run_queue.Jobs.start", lambda _: None)
    return serving_inside(tmp_path / "data", PageLimits(workers=1))


def test_job_goes_from_the_complaint_to_the_claim(
    served: Served, page: Page, rides: dict[str, WrittenRide]
) -> None:
    before, after = rides["hot_tight_turns"], rides["speed_lost"]
    page.goto(served.address)
    page.get_by_text("Vehicle, complaint, work order").click()
    page.get_by_label("Work order").first.fill("WO-12")
    page.get_by_label("What does the customer complain of?").fill("Heavy after ten minutes")
    page.get_by_label("Your name (asked once)").fill("Ann")
    page.set_input_files("#files", [before.log, before.dbc, before.profile])
    expect(page.get_by_role("heading", level=1)).to_have_text("WO-12, Heavy after ten minutes")
    expect(page.locator("#before-title ~ .big")).to_contain_text("because the module was hot")
    expect(page.locator("img.picture")).to_be_visible()
    expect(page.locator(".checks .caution").first).to_be_visible()
    check = page.locator(".checks li").first
    check.get_by_role("checkbox").check()
    check.get_by_label("Found or measured").fill("no codes stored")
    page.get_by_label("What was done").fill("Cleaned the fins of the module")
    page.get_by_role("button", name="Save checks and repair").click()
    expect(page.get_by_role("status").first).to_contain_text("Saved")
    expect(page.get_by_text("Ride again after the repair")).to_be_visible()
    page.set_input_files("#files", [after.log])
    expect(page.locator("#after .ride")).to_contain_text("speed_lost")
    page.get_by_role("button", name="Compare before and after").click()
    expect(page.locator("#proof .ride")).to_have_attribute("data-state", "done")
    expect(page.locator("#proof .big")).not_to_be_empty()
    page.get_by_role("link", name="Open the claim sheet").click()
    sheet = page.locator("main")
    for text in ("WO-12", "Heavy after ten minutes", "because the module was hot",
                 "no codes stored", "Cleaned the fins", "hot_tight_turns"):  # fmt: skip
        expect(sheet).to_contain_text(text)
    jobs = httpx.get(f"{served.address}api/jobs").json()["jobs"]
    told = httpx.get(f"{served.address}api/jobs/{jobs[0]['id']}").json()
    assert [len(told[side]) for side in ("before", "after")] == [1, 1]
    assert told["before"][0]["uploaded_by"] == "Ann"
    assert told["proof"]["state"] == "done"


def test_newcomer_without_a_database_is_told_what_is_missing_and_gives_it_there(
    served: Served, page: Page, rides: dict[str, WrittenRide], tmp_path: Path
) -> None:
    ride = rides["hot_tight_turns"]
    broken = tmp_path / "broken.dbc"
    broken.write_text("no database at all\n" * 9)
    page.goto(served.address)
    page.set_input_files("#files", [ride.log, broken])
    trouble = page.locator("#sending .trouble")
    expect(trouble).to_contain_text("broken.dbc: no usable message")
    page.set_input_files("#files", [ride.log])
    row = page.locator("#rides .ride")
    expect(row).to_have_attribute("data-state", "done")
    row.get_by_role("link", name="no database: add it").click()
    page.set_input_files("#databases", [ride.dbc, ride.profile])
    page.get_by_role("button", name="Read the ride with it").click()
    expect(page.locator(".one")).to_have_attribute("data-state", "done")
    expect(page.get_by_role("heading", level=1)).to_contain_text("because the module was hot")
    expect(page.get_by_text("1 earlier report is kept")).to_be_visible()
    with page.expect_request("**/earlier/1"):
        page.get_by_text("1 earlier report is kept").click()
        page.get_by_role("link", name=re.compile("^until ")).click()


def test_folder_of_vehicles_is_read_by_each_ones_own_database(
    served: Served, page: Page, rides: dict[str, WrittenRide], tmp_path: Path
) -> None:
    ride = rides["speed_lost"]
    for number, name in enumerate(("north", "south")):
        home = tmp_path / "fleet" / name
        (home / "logs").mkdir(parents=True)
        own = ride.dbc.read_bytes() + b"\n" * number  # another file, the same messages
        (home / f"{name}.dbc").write_bytes(own)
        cut = b"".join(io.BytesIO(ride.log.read_bytes()).readlines())
        (home / "logs" / f"{name}{''.join(ride.log.suffixes)}").write_bytes(cut)
        for left in ("readme.pdf", ".hidden.log", "settings.ini"):
            (home / left).write_bytes(b"anything")
    page.goto(served.address)
    page.set_input_files("#folder", tmp_path / "fleet")
    expect(page.locator("#sending")).to_contain_text("6 files of the folder are no logs")
    expect(page.locator("#sending")).to_contain_text("readme.pdf")
    expect(page.locator("#rides .ride")).to_have_count(2)
    names = {one["name"] for one in httpx.get(f"{served.address}api/vehicles").json()["vehicles"]}
    assert names == {"north", "south"}
    expect(page.locator("#rides .ride[data-state=done]")).to_have_count(2)
    found = httpx.get(f"{served.address}api/rides").json()["rides"]
    assert {one["title"]: one["vehicle"] for one in found} == {"north": "north", "south": "south"}


def test_zip_gives_its_databases_to_its_logs_and_names_what_it_left(
    inside: Inside, rides: dict[str, WrittenRide]
) -> None:
    ride, packed = rides["speed_lost"], io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        for path in (ride.log, ride.dbc, ride.profile):
            archive.writestr(f"card/sub/{path.name}", path.read_bytes())
        archive.writestr("card/picture.jpg", b"x")
    sent = {"files": ("card.zip", packed.getvalue())}
    told = inside.client.post("/upload", files=sent, headers={"x-form-token": inside.form_token()})
    assert told.json()["left_out"] == ["picture.jpg"]
    found = inside.services.rides.get(told.json()["rides"][0])
    assert found is not None
    assert found.vehicle == told.json()["vehicle"]
    again = inside.client.post("/upload", files=sent, headers={"x-form-token": inside.form_token()})
    assert again.json()["known"] == told.json()["rides"]


def test_failed_ride_that_comes_again_is_read_again(idle: AbstractContextManager[Inside]) -> None:
    with idle as inside:
        ride = put(inside, 1)
        begun = inside.services.queue.begin_next(9)
        assert begun is not None
        inside.services.queue.fail(begun, "It failed.", "Try.", "1")
        sent = {"log": ("card-001.blf", b"1")}
        inside.client.post("/api/reports?wait=0", files=sent)
        now = inside.services.rides.get(ride.id)
        assert now is not None
        assert now.state == "waiting"


def test_what_is_typed_while_a_ride_is_in_work_is_kept(
    idle: AbstractContextManager[Inside], page: Page
) -> None:
    with idle as inside:
        ride = put(inside, 1)
        page.goto(f"{inside.address}rides/{ride.id}")
        page.get_by_text("Name and notes").click()
        page.get_by_label("Complaint", exact=True).fill("Typed while it was in work")
        page.get_by_label("Moments of the complaint (m:ss)").fill("half past three")
        page.keyboard.press("Tab")
        expect(page.locator("#moments-bad")).to_contain_text("Write it as m:ss")
        inside.services.queue.cancel(ride.id)
        page.evaluate("document.dispatchEvent(new CustomEvent('arrived'))")
        expect(page.locator("#newer")).to_be_visible()
        page.reload()
        expect(page.get_by_label("Complaint", exact=True)).to_have_value(
            "Typed while it was in work"
        )
        page.get_by_role("button", name="Save").click()
        expect(page.get_by_role("status").first).to_contain_text("Saved")
        page.reload()
        expect(page.locator("[data-drafted]")).to_be_hidden()
        kept = inside.services.rides.get(ride.id)
        assert kept is not None
        assert kept.complaint == "Typed while it was in work"


def test_stopped_server_is_said_and_what_was_typed_comes_through(
    starting: Callable[..., Served], serving: Serving, page: Page, tmp_path: Path
) -> None:
    first = starting(tmp_path / "data")
    page.goto(first.address)
    page.get_by_text("Vehicle, complaint, work order").click()
    page.get_by_label("What does the customer complain of?").fill("Typed before it stopped")
    first.kill()
    assert first.process.stderr is not None
    first.process.stderr.close()
    expect(page.locator("#away")).to_contain_text("lost its server")
    with serving(tmp_path / "data", "--port", str(urlsplit(first.address).port)):
        expect(page.locator("#away")).to_have_text("The server is back.")
        page.reload()
        field = page.get_by_label("What does the customer complain of?")
        expect(field).to_have_value("Typed before it stopped")


def test_drop_field_serves_the_newest_open_job_unless_something_else_is_said(
    idle: AbstractContextManager[Inside], page: Page, rides: dict[str, WrittenRide]
) -> None:
    log = rides["speed_lost"].log
    with idle as inside:
        repairs = inside.services.repairs
        repairs.open({"work_order": "WO-1"}, None, "")
        newest = repairs.open({"work_order": "WO-2", "correction": "New contact"}, None, "")
        page.goto(inside.address)
        expect(page.get_by_label("For the job")).to_have_value(newest.id)
        page.set_input_files("#files", log)
        page.wait_for_url(f"**/jobs/{newest.id}?*")
        (ride,) = inside.services.rides.of_job(newest.id)
        assert ride.phase == "after"
        page.goto(inside.address)
        page.get_by_text("Vehicle, complaint, work order").click()
        page.get_by_label("What does the customer complain of?").fill("Another complaint")
        expect(page.get_by_label("For the job")).to_have_value("")
        other = {"job": newest.id, "work_order": "wo-1"}
        answer = inside.client.post("/api/reports?wait=0", data=other, files={"log": b"1"})
        assert answer.json()["job"] == repairs.all()[1].id


def test_second_tab_sees_new_rides_and_the_queue_by_itself(
    idle: AbstractContextManager[Inside], page: Page
) -> None:
    with idle as inside:
        put(inside, 1)
        page.goto(inside.address)
        rows = page.locator("#rides .ride")
        expect(rows).to_have_count(1)
        page.get_by_role("checkbox", name="Tick ride 001").check()
        asked: list[str] = []
        page.on("request", lambda one: asked.append(urlsplit(one.url).path))
        for number in (2, 3, 4):
            sent = {"log": (f"ride {number}.log", f"{number}".encode())}
            inside.client.post("/api/reports?wait=0", files=sent)
        expect(rows).to_have_count(4)
        expect(page.locator(".queue")).to_contain_text("4 rides in the queue")
        expect(page.get_by_role("checkbox", name="Tick ride 001")).to_be_checked()
        assert set(asked) == {"/rows"}
        assert len(asked) <= 6
        page.get_by_role("button", name="This one first: ride 4").click()
        expect(page.locator("[data-ride] .words").first).to_have_text("Waiting for its turn")
        page.get_by_role("button", name="Call off all").click()
        expect(page.get_by_role("status").first).to_contain_text("called off")
        assert inside.services.queue.waiting() == {}


def test_five_hundred_rides_are_found_by_filter_and_search(
    idle: AbstractContextManager[Inside], page: Page, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("os.fsync", lambda _: None)  # the disk is not what is tried here
    with idle as inside:
        fill(inside, 500)
        page.set_viewport_size({"width": 1280, "height": 900})
        page.goto(inside.address)
        expect(page.locator("#rides .ride")).to_have_count(50)
        heights: list[float] = page.evaluate(
            "[...document.querySelectorAll('#rides .ride')].map(one => one.offsetHeight)"
        )
        assert sum(heights[:15]) <= 15 * 42
        for text, count in (("card-123.blf", 1), ("complaint-4", 100), ("2026-03-05", 56)):
            page.get_by_label("Search", exact=True).fill(text)
            page.get_by_role("button", name="Find").click()
            page.wait_for_url("**text=*")
            expect(page.locator("#shelf-rows > .note")).to_contain_text(
                f"{count} ride" if count == 1 else f"{count} rides"
            )
            page.goto(inside.address)
        page.get_by_label("Answer").select_option("supply_break")
        page.get_by_role("button", name="Find").click()
        expect(page.locator("#shelf-rows > .note")).to_contain_text("50 rides")
        for query, count in (("text=100%25", 0), ("text=complaint-00&sort=title", 10)):
            page.goto(f"{inside.address}?{query}")
            assert page.locator("#rides .ride").count() == count
        page.goto(f"{inside.address}?since=2026-02-01&until=2026-02-28&work_order=WO-1")
        assert 0 < page.locator("#rides .ride").count() < 50
        ticks_survive_paging(inside, page)


def ticks_survive_paging(inside: Inside, page: Page) -> None:
    page.goto(inside.address)
    page.locator("#rides input[name=ride]").first.check()
    page.get_by_role("link", name="2", exact=True).click()
    page.wait_for_url("**page=2")
    page.locator("#rides input[name=ride]").first.check()
    expect(page.locator(".ticks")).to_have_text("2 rides are ticked:")
    with page.expect_download() as saving:
        page.get_by_role("button", name="Export").click()
    with zipfile.ZipFile(saving.value.path()) as packed:
        assert len(packed.namelist()) == 4
    page.get_by_role("button", name="Move to the job").click()
    expect(page.get_by_role("status").first).to_contain_text("in the job")
    assert inside.services.repairs.all()[0].rides == 2
    page.goto(f"{inside.address}?code=supply_break")
    page.get_by_role("checkbox", name="all 50").check()
    page.get_by_role("button", name="Delete").click()
    expect(page.get_by_role("status").first).to_contain_text("50 rides were deleted")
    page.get_by_role("button", name="Undo").click()
    expect(page.get_by_role("status").first).to_contain_text("back")
    assert inside.services.rides.has_deleted() is False


def test_vehicle_is_corrected_merged_and_asked_again(
    idle: AbstractContextManager[Inside], page: Page, rides: dict[str, WrittenRide], tmp_path: Path
) -> None:
    ride = rides["speed_lost"]
    with idle as inside:
        services = inside.services
        data = ride.dbc.read_bytes()
        sha256 = services.blobs.keep_bytes(data)
        first = services.vehicles.add("trail", [Stored(sha256=sha256, name="a.dbc", size=1)], None)
        twin = services.vehicles.add("trail", [Stored(sha256="e" * 64, name="b.dbc", size=1)], None)
        stray = put(inside, 1, code="inconclusive", start_utc="")
        services.vehicles.settle(first.id, "driver_torque", "")
        page.goto(f"{inside.address}vehicles/{first.id}")
        page.get_by_role("button", name="Ask again: driver torque").click()
        expect(page.get_by_role("status").first).to_contain_text("taken back")
        assert services.vehicles.settled(first.id) == {}
        corrected = tmp_path / "corrected.dbc"
        corrected.write_bytes(data + b"\n")
        page.set_input_files("#new-files", corrected)
        page.get_by_role("button", name="Put it in place").click()
        expect(page.get_by_role("status").first).to_contain_text("The files are replaced")
        expect(page.locator("#files-title ~ .files")).to_have_text(re.compile("corrected.dbc"))
        page.get_by_role("button", name="Read what fits anew").click()
        expect(page.get_by_role("status").first).to_contain_text("are read anew")
        assert stray.id in services.queue.waiting()
        page.goto(f"{inside.address}vehicles/{twin.id}")
        page.get_by_role("button", name="Make them one").click()
        expect(page.get_by_role("status").first).to_contain_text("one vehicle now")
        assert [one.id for one in services.vehicles.all()] == [first.id]


def test_settings_are_kept_and_a_bad_field_is_said_at_the_field(
    idle: AbstractContextManager[Inside], page: Page
) -> None:
    with idle as inside:
        page.goto(f"{inside.address}settings")
        page.get_by_label("Name of the shop").fill("Hill workshop")
        page.get_by_label(re.compile("Time zone")).fill("Nowhere/Atall")
        page.get_by_role("button", name="Save").first.click()
        expect(page.locator("#zone-bad")).to_contain_text("No time zone")
        expect(page.get_by_label("Name of the shop")).to_have_value("Hill workshop")
        page.get_by_label(re.compile("Time zone")).fill("Europe/Oslo")
        page.get_by_role("button", name="Save").first.click()
        expect(page.get_by_role("status").first).to_contain_text("Saved")
        assert inside.services.shop.get().zone == "Europe/Oslo"
        page.get_by_role("button", name="Make the shop's key").click()
        expect(page.get_by_role("link", name="The public half")).to_be_visible()
        with page.expect_download() as saving:
            page.get_by_role("button", name="Save everything as one file").click()
        with zipfile.ZipFile(saving.value.path()) as packed:
            names = packed.namelist()
        assert "records/shop/0.json" in names
        assert not [name for name in names if "key" in name]


def test_report_signed_with_the_shops_key_verifies_as_genuine(
    inside: Inside, rides: dict[str, WrittenRide], until: Until, tmp_path: Path
) -> None:
    ride, client = rides["speed_lost"], inside.client
    client.post("/settings/key", data={"form_token": inside.form_token()})
    inside.services.shop.keep(ShopSettings(name="Hill workshop", signs=True))
    parts = {"log": ride.log, "dbc": ride.dbc, "profile": ride.profile}
    files = [(role, (path.name, path.read_bytes())) for role, path in parts.items()]
    sent = client.post("/api/reports", files=files)
    until(lambda: client.get(f"/api/rides/{sent.headers['x-ride']}").json()["state"] == "done")
    page, key = tmp_path / "report.html", tmp_path / "shop.pub"
    page.write_bytes(client.get(f"/rides/{sent.headers['x-ride']}/report.html").content)
    key.write_bytes(client.get("/settings/key.pub").content)
    told = CliRunner().invoke(app, ["verify", str(page), "--key", str(key)])
    assert told.exit_code == 0, told.output
    assert told.stdout.startswith("GENUINE")
    page.write_bytes(page.read_bytes().replace(b"speed", b"spEED", 1))
    assert CliRunner().invoke(app, ["verify", str(page), "--key", str(key)]).exit_code == 4


def test_job_goes_from_the_complaint_to_the_claim_by_keyboard_alone(
    idle: AbstractContextManager[Inside], page: Page
) -> None:
    def go_to(target: Locator) -> None:
        for _ in range(60):
            if target.evaluate("one => one === document.activeElement"):
                return
            page.keyboard.press("Tab")
        message = "the keyboard does not get there"
        raise AssertionError(message)

    def press(target: Locator, key: str = "Enter") -> None:
        go_to(target)
        page.keyboard.press(key)

    with idle as inside:
        page.goto(f"{inside.address}jobs")
        go_to(page.get_by_label("Work order", exact=True))
        page.keyboard.type("WO-7")
        press(page.get_by_role("button", name="Open the job"))
        page.wait_for_url("**/jobs/*said=opened*")
        go_to(page.locator("#files"))
        go_to(page.get_by_label("What was done"))
        page.keyboard.type("New contact")
        press(page.get_by_role("button", name="Save checks and repair"))
        page.wait_for_url("**said=saved*")
        go_to(page.locator("#files"))
        press(page.get_by_role("link", name="Open the claim sheet"))
        page.wait_for_url("**/claim")
        expect(page.locator("main")).to_contain_text("New contact")
        press(page.get_by_role("link", name="Back to the job"))
        page.wait_for_url("**/jobs/*")
        press(page.get_by_role("button", name="Close the job"))
        expect(page.get_by_role("button", name="Open the job again")).to_be_visible()

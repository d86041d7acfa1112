"""What is kept and what is let go: deleted rides, their files, notes that come during work."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from playwright.sync_api import Page, expect

from canassist.web.jobs.worker_process import Order, Outcome
from canassist.web.settings import PageLimits
from canassist.web.store.records import NewRide, RideRecord, Stored, StoredAnswer

if TYPE_CHECKING:
    from tests.web.conftest import Inside

ServingInside = Callable[..., AbstractContextManager["Inside"]]
Until = Callable[[Callable[[], bool]], None]
HTML = {"accept": "text/html"}
TOKEN = "a secret of the shop's own"  # noqa: S105 - of this test alone


def put(inside: Inside, name: str, *, done: bool = True) -> RideRecord:
    kept = inside.services.blobs.keep_bytes
    stored = Stored(sha256=kept(name.encode()), name=f"{name}.log", size=1)
    ride, _ = inside.services.rides.put(NewRide(title=name, files=(stored,)))
    if done:
        begun = inside.services.queue.begin_next(9)
        assert begun is not None
        answer = StoredAnswer(
            page=kept(f"<!DOCTYPE html>{name}".encode()), data=kept(b"{}"), questions=None,
            headline=name, code="inconclusive", strength="weak", start_utc="", duration_s=1.0,
            frames=1, vehicle=None, vehicle_by="", vehicle_fit="",
        )  # fmt: skip
        inside.services.queue.finish(begun, answer)
    return ride


def kept_files(inside: Inside) -> set[str]:
    return {path.name for path in (inside.data / "files").glob("*/*")}


def test_files_of_forgotten_rides_leave_the_disk_while_the_page_runs(
    serving_inside: ServingInside, tmp_path: Path
) -> None:
    with serving_inside(tmp_path / "data", PageLimits(undo_s=-1.0)) as inside:
        gone, stays = put(inside, "gone"), put(inside, "stays")
        inside.services.products.keep(gone.id, "pdf", "d" * 64)
        token = {"form_token": inside.form_token()}
        before = kept_files(inside)
        assert inside.client.post("/delete", data=token | {"ride": gone.id}).status_code == 303
        inside.services.jobs.tidy()
        assert inside.services.rides.get(gone.id) is None
        left = kept_files(inside)
        assert len(before) - len(left) == 2  # its log and its report; both had the same data
        assert inside.leftovers() == []
        assert inside.client.get(f"/rides/{stays.id}/report").status_code == 200


def test_one_signal_cannot_serve_two_channels(inside: Inside) -> None:
    kept = inside.services.blobs.keep_bytes
    choices = [
        {"signal": f"M.{name}", "unit": "N·m", "reasons": [], "low": 0.0, "high": 1.0, "points": []}
        for name in "AB"
    ]
    asked = [
        {"channel": channel, "question": "Which?", "duration_s": 1.0, "choices": choices}
        for channel in ("driver_torque", "assist_torque")
    ]
    ride = put(inside, "asked")
    files = [Stored(sha256=kept(b"dbc"), name="v.dbc", size=3)]
    vehicle = inside.services.vehicles.add("v", files, None)
    with inside.services.database.writing() as index:
        told = kept(json.dumps(asked).encode())
        index.execute("UPDATE rides SET vehicle = ?, questions = ?", (vehicle.id, told))
    form = {"form_token": inside.form_token(), "signal-driver_torque": "M.A"}
    path, other = f"/rides/{ride.id}/questions", "signal-assist_torque"
    twice = inside.client.post(path, data=form | {other: "M.A"})
    assert twice.status_code == 400
    assert "One signal was chosen" in twice.json()["problem"]
    assert inside.services.vehicles.settled(vehicle.id) == {}
    once = inside.client.post(path, data=form | {other: "M.B"})
    assert once.status_code == 303
    settled = inside.services.vehicles.settled(vehicle.id)
    assert settled == {"driver_torque": "M.A", "assist_torque": "M.B"}


def test_file_that_is_just_being_placed_is_not_swept_away(inside: Inside) -> None:
    with inside.services.blobs.placing():
        sha256 = inside.services.blobs.keep_bytes(b"on its way")
        stored = Stored(sha256=sha256, name="x.log", size=1)
        new = NewRide(title="x", files=(stored,))
        ride, _ = inside.services.rides.put(new)
    inside.services.jobs.tidy()
    assert inside.services.blobs.has(sha256)
    assert inside.services.rides.files(ride.id) == (stored,)


def test_deleted_ride_shows_nothing_until_it_is_back(inside: Inside) -> None:
    ride = put(inside, "once here")
    token = {"form_token": inside.form_token(), "ride": ride.id}
    assert inside.client.post("/delete", data=token).status_code == 303
    for path in ("", "/report", "/report.html", "/report.json", "/export.zip", "/report.pdf"):
        assert inside.client.get(f"/rides/{ride.id}{path}").status_code == 404, path
    assert inside.client.get(f"/api/reports/{ride.id}").status_code == 404
    listed = inside.client.get("/?deleted=1", headers=HTML).text
    assert "once here" in listed
    assert f'href="/rides/{ride.id}' not in listed
    assert inside.client.post("/restore", data=token).status_code == 303
    assert inside.client.get(f"/rides/{ride.id}/report").status_code == 200


def test_ride_without_report_is_named_where_it_cannot_be_compared(inside: Inside) -> None:
    one, other, third = put(inside, "one"), put(inside, "other"), put(inside, "3", done=False)
    ticked = {"form_token": inside.form_token(), "ride": [one.id, third.id, other.id]}
    answer = inside.client.post("/compare", data=ticked)
    assert answer.status_code == 400
    assert answer.json()["problem"].startswith("3 has no report of a ride")
    many = {"form_token": inside.form_token(), "ride": [f"{n}" for n in range(30)]}
    assert "More than 24" in inside.client.post("/compare", data=many).json()["problem"]


class Held:
    """A worker that stays at work until it is called off."""

    begun: list[Held]

    def __init__(self, order: Order, time_s: float) -> None:
        del order, time_s
        self.order: Order = {}
        self.begun.append(self)
        self._ended = asyncio.Event()

    async def run(self, told: Callable[..., None]) -> Outcome:
        del told
        await self._ended.wait()
        return {"died": "called off"}

    def kill(self) -> None:
        self._ended.set()


@pytest.fixture
def at_work(inside: Inside, monkeypatch: pytest.MonkeyPatch) -> Iterator[RideRecord]:
    """Return a ride that is in work and stays there."""
    monkeypatch.setattr(Held, "begun", [], raising=False)
    monkeypatch.setattr("canassist.web.jobs.run_queue.Worker", Held)
    ride = put(inside, "in work", done=False)
    token = {"form_token": inside.form_token()}
    inside.client.post(f"/rides/{ride.id}/again", data=token)
    yield ride
    for worker in Held.begun:
        worker.kill()


def test_notes_that_come_during_work_begin_it_anew(
    until: Until, inside: Inside, at_work: RideRecord
) -> None:
    until(lambda: len(Held.begun) == 1)
    token = {"form_token": inside.form_token()}
    inside.client.post(f"/rides/{at_work.id}", data=token | {"title": "x", "complaint": "heavy"})
    until(lambda: len(Held.begun) == 2)
    until(lambda: bool(Held.begun[1].order))
    assert Held.begun[1].order["case"]["complaint"] == "heavy"
    standing = inside.services.rides.get(at_work.id)
    assert standing is not None
    assert standing.state == "working"


def test_work_that_is_called_off_stays_so_and_can_be_tried_again(
    until: Until, inside: Inside, at_work: RideRecord
) -> None:
    until(lambda: len(Held.begun) == 1)
    token = {"form_token": inside.form_token()}
    inside.client.post(f"/rides/{at_work.id}/cancel", data=token)
    until(lambda: not list((inside.data / "work").iterdir()))
    assert inside.client.get(f"/api/reports/{at_work.id}").json()["state"] == "cancelled"
    inside.client.post(f"/rides/{at_work.id}/again", data=token)
    until(lambda: len(Held.begun) == 2)


@pytest.mark.browser
def test_queue_moves_up_before_ones_eyes(
    serving_inside: ServingInside, tmp_path: Path, page: Page, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(Held, "begun", [], raising=False)
    monkeypatch.setattr("canassist.web.jobs.run_queue.Worker", Held)
    with serving_inside(tmp_path / "data", PageLimits(workers=1)) as inside:
        token = {"form_token": inside.form_token()}
        at_work = put(inside, "in work", done=False)
        inside.client.post(f"/rides/{at_work.id}/again", data=token)
        first, second = put(inside, "first", done=False), put(inside, "second", done=False)
        page.goto(inside.address)
        words = page.locator(f"#ride-{second.id} .words")
        expect(words).to_have_text("Waiting for its turn, 1 before it")
        own = page.context.new_page()
        own.goto(f"{inside.address}rides/{second.id}")
        expect(own.locator(".one .words")).to_have_text("Waiting for its turn, 1 before it")
        inside.client.post(f"/rides/{first.id}/cancel", data=token)
        expect(own.locator(".one .words")).to_have_text("Waiting for its turn")
        page.bring_to_front()
        expect(words).to_have_text("Waiting for its turn")
        for worker in Held.begun:
            worker.kill()


def test_wrong_bearer_secrets_are_counted_as_tries(
    serving_inside: ServingInside, tmp_path: Path
) -> None:
    with serving_inside(tmp_path / "data", PageLimits(logins=3), token=TOKEN) as inside:
        asked = [
            inside.client.get("/api/reports", headers={"authorization": f"Bearer {secret}"})
            for secret in (TOKEN, "a", "b", TOKEN, "c", TOKEN, "d", TOKEN)
        ]
        # The right one passes; a wrong one too many is turned away unheard.
        assert [one.status_code for one in asked] == [200, 401, 401, 200, 401, 200, 429, 200]

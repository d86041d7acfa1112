"""What happens when it is killed, or the disk is full: nothing half there, nothing lost."""

from __future__ import annotations

import errno
import gzip
import hashlib
import os
import random
import signal
import sqlite3
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, closing, suppress
from pathlib import Path
from typing import TYPE_CHECKING

import httpx
import pytest

from canassist.demo import WrittenRide
from canassist.web.jobs.queue_index import Queue
from canassist.web.jobs.worker_process import Order, Outcome
from canassist.web.settings import PageLimits
from canassist.web.store.content_files import Incoming
from canassist.web.store.records import NewRide, RideRecord, StoredAnswer
from canassist.web.store.rides_index import RidesIndex

if TYPE_CHECKING:
    from tests.web.conftest import Inside, Served

Serving = Callable[..., AbstractContextManager["Served"]]
Until = Callable[[Callable[[], bool]], None]
LINES = 60_000


def cut(ride: WrittenRide, number: int) -> bytes:
    """Return the beginning of a ride, a little shorter each time, so that each is another file."""
    lines = gzip.decompress(ride.log.read_bytes()).splitlines(keepends=True)
    return b"".join(lines[: LINES - number])


class Shop:
    """Sends rides to servers that are killed, and remembers what they had promised."""

    def __init__(self, ride: WrittenRide, data: Path) -> None:
        self.ride = ride
        self.data = data
        self.promised: set[str] = set()
        self.finished: dict[str, str] = {}

    def send(self, served: Served, number: int) -> None:
        files = [
            ("log", (f"ride{number}.log", cut(self.ride, number))),
            ("dbc", (self.ride.dbc.name, self.ride.dbc.read_bytes())),
            ("profile", (self.ride.profile.name, self.ride.profile.read_bytes())),
        ]
        with suppress(httpx.TransportError):
            answer = httpx.post(f"{served.address}api/reports?wait=0", files=files, timeout=30)
            self.promised.add(answer.json()["id"])

    def look(self, served: Served) -> list[dict[str, str]]:
        """Hold what was promised and finished before against what is there now."""
        rides: list[dict[str, str]] = httpx.get(f"{served.address}api/reports").json()["rides"]
        states = {ride["id"]: ride["state"] for ride in rides}
        for name, state in states.items():
            if state == "failed":
                told = httpx.get(f"{served.address}api/reports/{name}").json()
                assert "stopped" in told["problem"], told
        assert self.promised <= set(states)
        for name, digest in self.finished.items():
            assert states[name] == "done"
            report = httpx.get(f"{served.address}rides/{name}/report").content
            assert hashlib.sha256(report).hexdigest() == digest
        for name, state in states.items():
            if state == "done" and name not in self.finished:
                report = httpx.get(f"{served.address}rides/{name}/report").content
                assert report.rstrip().endswith(b"-->")
                self.finished[name] = hashlib.sha256(report).hexdigest()
        return rides

    def is_whole(self) -> None:
        """Hold the folder itself to being whole, with no server on it."""
        with closing(sqlite3.connect(self.data / "index.sqlite")) as index:
            assert index.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        for path in (self.data / "files").glob("*/*"):
            assert hashlib.sha256(path.read_bytes()).hexdigest() == path.name


def kill_at_random(
    shop: Shop, starting: Callable[..., Served], moments: int, dice: random.Random
) -> None:
    for number in range(moments):
        served = starting(shop.data)
        sending = threading.Thread(target=shop.send, args=(served, number))
        shop.look(served)
        sending.start()
        time.sleep(dice.uniform(0.0, 2.5))
        if dice.random() < 0.3:
            for pid in children(served.process.pid):
                with suppress(ProcessLookupError):
                    os.kill(pid, signal.SIGKILL)
            time.sleep(dice.uniform(0.0, 0.5))
        served.kill()
        sending.join(60)
        assert served.process.stderr is not None
        served.process.stderr.close()
        shop.is_whole()


def try_again(served: Served, names: list[str]) -> None:
    with served.client() as client:
        page = client.get("/", headers={"accept": "text/html"}).text
        token = page.split('name="form_token" value="')[1].split('"')[0]
        for name in names:
            done = client.post(f"/rides/{name}/again", data={"form_token": token})
            assert done.status_code == 303


def children(pid: int) -> list[int]:
    """Return the processes that a server started, where the system tells them."""
    found: list[int] = []
    for listed in Path(f"/proc/{pid}/task").glob("*/children"):
        with suppress(OSError):
            found += [int(word) for word in listed.read_text().split()]
    return found


@pytest.fixture
def shop(tmp_path: Path, rides: dict[str, WrittenRide]) -> Shop:
    return Shop(rides["speed_lost"], tmp_path / "data")


@pytest.mark.parametrize("moments", [2, pytest.param(40, marks=pytest.mark.slow)])
def test_killed_at_random_moments_it_loses_nothing(
    until: Until, starting: Callable[..., Served], serving: Serving, shop: Shop, moments: int
) -> None:
    kill_at_random(shop, starting, moments, random.Random(4))  # noqa: S311 - no secret
    with serving(shop.data) as served:
        until(lambda: all(ride["state"] in {"done", "failed"} for ride in shop.look(served)))
        try_again(served, [one["id"] for one in shop.look(served) if one["state"] == "failed"])
        until(lambda: all(ride["state"] == "done" for ride in shop.look(served)))
        assert shop.promised <= set(shop.finished)
        until(lambda: not list((shop.data / "work").iterdir()))
        assert list((shop.data / "incoming").iterdir()) == []
    shop.is_whole()


@pytest.mark.parametrize("kills", [1, 3])
def test_killed_worker_is_tried_again_up_to_three_times(
    until: Until, served: Served, rides: dict[str, WrittenRide], kills: int
) -> None:
    if not Path("/proc/self/task").is_dir():
        pytest.skip("this system does not list a process's children")
    ride = rides["hot_tight_turns"]
    answer = httpx.post(
        f"{served.address}api/reports?wait=0", files={"log": (ride.log.name, ride.log.read_bytes())}
    )
    address = f"{served.address}api/reports/{answer.json()['id']}"
    killed: set[int] = set()
    for _ in range(kills):
        until(lambda: bool(set(children(served.process.pid)) - killed))
        pid = next(iter(set(children(served.process.pid)) - killed))
        killed.add(pid)
        os.kill(pid, signal.SIGKILL)
    if kills == 1:
        until(lambda: "conclusions" in httpx.get(address).json())
        assert "ended from outside" in served.log()
        return
    until(lambda: httpx.get(address).json()["state"] == "failed")
    told = httpx.get(address).json()
    assert "stopped unexpectedly" in told["problem"]
    assert told["number"] in served.log()


def test_full_disk_is_told_and_nothing_is_lost(
    inside: Inside, monkeypatch: pytest.MonkeyPatch
) -> None:
    kept = inside.client.post("/api/reports?wait=0", files={"log": ("first.log", b"x" * 999)})
    assert kept.status_code == 202
    data = inside.data
    before = sorted(path.name for path in (data / "files").glob("*/*"))
    write = Incoming.write

    def full(self: Incoming, piece: bytes) -> None:
        if self.size > 100_000:
            raise OSError(errno.ENOSPC, "No space left on device", str(self.path))
        write(self, piece)

    monkeypatch.setattr(Incoming, "write", full)
    answer = inside.client.post("/api/reports", files={"log": ("second.log", b"y" * 900_000)})
    assert answer.status_code == 507
    assert "disk is full" in answer.json()["problem"]
    assert str(data) not in answer.text
    assert list((data / "incoming").iterdir()) == []
    assert sorted(path.name for path in (data / "files").glob("*/*")) == before
    assert inside.client.get("/api/reports").json()["count"] == 1


def test_full_disk_while_the_upload_is_put_in_place(
    inside: Inside, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(self: Incoming) -> str:
        raise OSError(errno.ENOSPC, "No space left on device", str(self.path))

    monkeypatch.setattr(Incoming, "finish", full)
    answer = inside.client.post("/api/reports", files={"log": ("ride.log", b"y" * 900)})
    assert answer.status_code == 507
    assert list((inside.data / "incoming").iterdir()) == []
    assert inside.client.get("/api/reports").json()["count"] == 0


class WithoutRoom:
    """A worker whose disk is full."""

    def __init__(self, order: Order, time_s: float) -> None:
        del order, time_s
        self.order: Order = {}

    async def run(self, told: Callable[..., None]) -> Outcome:
        del told
        return {"disk_full": True}

    def kill(self) -> None:
        """Nothing runs that could be ended."""


def test_full_disk_during_work_is_told_in_the_rides_row(
    until: Until, inside: Inside, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("canassist.web.jobs.run_queue.Worker", WithoutRoom)
    told = inside.client.post("/api/reports", files={"log": ("ride.log", b"y" * 900)})
    assert told.status_code == 422
    assert told.json()["problem"].startswith("The disk is full")
    until(lambda: not list((inside.data / "work").iterdir()))


@pytest.mark.parametrize(
    "error",
    [
        OSError(errno.ENOSPC, "No space left on device"),
        sqlite3.OperationalError("database or disk is full"),
    ],
)
def test_full_disk_while_a_finished_report_is_kept_loses_no_ride(
    inside: Inside, rides: dict[str, WrittenRide], monkeypatch: pytest.MonkeyPatch, error: Exception
) -> None:
    ride = rides["speed_lost"]
    files = [(role, (path.name, path.read_bytes())) for role, path in (
        ("log", ride.log), ("dbc", ride.dbc), ("profile", ride.profile))]  # fmt: skip

    def full(self: Queue, ride: RideRecord, answer: StoredAnswer, identity: str) -> None:
        raise error

    with monkeypatch.context() as patch:
        patch.setattr(Queue, "finish", full)
        told = inside.client.post("/api/reports", files=files)
        assert told.status_code == 422
        assert told.json()["problem"].startswith("The disk is full")
    name = told.json()["id"]
    token = {"form_token": inside.form_token()}
    assert inside.client.post(f"/rides/{name}/again", data=token).status_code == 303
    again = inside.client.post("/api/reports", files=files)
    assert again.status_code == 200
    assert again.headers["x-ride"] == name


def test_full_disk_while_a_ride_is_noted_keeps_the_page_as_it_was(
    inside: Inside, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(self: RidesIndex, new: NewRide) -> tuple[RideRecord, bool]:
        raise sqlite3.OperationalError("database or disk is full")

    with monkeypatch.context() as patch:
        patch.setattr(RidesIndex, "put", full)
        told = inside.client.post("/api/reports", files={"log": ("ride.log", b"y" * 900)})
    assert told.status_code == 507
    assert inside.client.get("/api/reports").json()["count"] == 0
    inside.services.jobs.tidy()
    assert inside.leftovers() == []


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """Return a disk of 24 MB in memory, where the system lets one be made."""
    folder = tmp_path / "small"
    folder.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", "size=24m", "tmpfs", str(folder)]
    try:
        made = subprocess.run(command, capture_output=True, text=True, check=False)
    except OSError as error:
        pytest.skip(f"no disk in memory can be made here ({error})")
    if made.returncode:
        pytest.skip(f"no disk in memory can be made here ({made.stderr.strip()})")
    yield folder
    subprocess.run(["umount", str(folder)], check=True)


def test_disk_that_is_really_full_loses_nothing(
    serving_inside: Callable[..., AbstractContextManager[Inside]], small_disk: Path
) -> None:
    def pieces() -> Iterator[bytes]:  # no length is told beforehand
        yield b'--b\r\ncontent-disposition: form-data; name="log"; filename="a.log"\r\n\r\n'
        for _ in range(48):
            yield b"y" * (1 << 20)
        yield b"\r\n--b--\r\n"

    with serving_inside(small_disk / "data", PageLimits(reserve_bytes=0)) as inside:
        kept = inside.client.post("/api/reports?wait=0", files={"log": ("first.log", b"x" * 999)})
        assert kept.status_code == 202
        head = {"content-type": "multipart/form-data; boundary=b"}
        told = inside.client.post("/api/reports", content=pieces(), headers=head)
        assert told.status_code == 507
        assert told.json()["problem"].startswith("The disk is full")
        assert inside.leftovers() == []
        assert inside.client.get("/api/reports").json()["count"] == 1
        small = inside.client.post("/api/reports?wait=0", files={"log": ("b.log", b"z" * 999)})
        assert small.status_code == 202

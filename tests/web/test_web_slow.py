"""Clients that take their time: each is bounded, and nobody else waits for it."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING
from urllib.parse import urlsplit

import pytest

from canassist.web.settings import PageLimits

if TYPE_CHECKING:
    from tests.web.conftest import Inside

ServingInside = Callable[..., AbstractContextManager["Inside"]]
DRIP_S = 0.02
ANSWER_S = 20.0

HEAD = (
    "POST {path} HTTP/1.1\r\nHost: {host}\r\nContent-Length: 9999999\r\n"
    "Content-Type: multipart/form-data; boundary=b\r\n\r\n"
)
FIRST = b'--b\r\ncontent-disposition: form-data; name="log"; filename="slow.log"\r\n\r\n(1.0) '


class Dripping:
    """A client that sends its first bytes, then one at a time, and keeps what is answered."""

    def __init__(self, line: socket.socket, first: bytes, *, drips: bool) -> None:
        self._line = line
        self._drips = drips
        self._end = threading.Event()
        self.answer = b""
        self.took_s = float("inf")
        line.settimeout(ANSWER_S)
        line.sendall(first)
        self._threads = [threading.Thread(target=self._listen), threading.Thread(target=self._drip)]
        for thread in self._threads:
            thread.start()

    def _drip(self) -> None:
        while self._drips and not self._end.wait(DRIP_S):
            try:
                self._line.sendall(b"x")
            except OSError:
                return

    def _listen(self) -> None:
        begun_s = time.monotonic()
        try:
            while data := self._line.recv(65536):
                self.answer += data
        except OSError:
            pass
        self.took_s = time.monotonic() - begun_s
        self._end.set()

    def wait(self) -> None:
        for thread in self._threads:
            thread.join(ANSWER_S + 5)


@contextmanager
def dripping(page: Inside, first: bytes, *, drips: bool = True) -> Iterator[Dripping]:
    address = urlsplit(page.address)
    with socket.create_connection((address.hostname, address.port), 10) as line:
        yield Dripping(line, first, drips=drips)


def post(page: Inside, path: str) -> bytes:
    return HEAD.format(path=path, host=urlsplit(page.address).netloc).encode()


@pytest.mark.parametrize(
    ("limits", "drips"),
    [
        pytest.param(PageLimits(idle_s=0.6), False, id="falls silent"),
        pytest.param(PageLimits(patience_s=0.6), True, id="drips"),
        pytest.param(
            PageLimits(patience_s=0.1, slowest_bytes_s=1.0, upload_s=0.6), True, id="for ever"
        ),
    ],
)
def test_slow_upload_is_dropped_and_nobody_waits_for_it(
    serving_inside: ServingInside, tmp_path: Path, limits: PageLimits, drips: bool
) -> None:
    with serving_inside(tmp_path / "data", limits) as page:
        page.client.get("/")
        with dripping(page, post(page, "/api/reports") + FIRST, drips=drips) as slow:
            asked_s: list[float] = []
            while not slow.answer and len(asked_s) < 500:
                begun_s = time.monotonic()
                assert page.client.get("/", headers={"accept": "text/html"}).status_code == 200
                asked_s.append(time.monotonic() - begun_s)
            slow.wait()
        assert slow.answer.startswith(b"HTTP/1.1 408"), slow.answer
        assert b"nothing of it was kept" in slow.answer
        assert slow.took_s < 0.6 + 5.0
        assert len(asked_s) >= 3
        assert sorted(asked_s)[len(asked_s) // 2] < 0.3
        assert page.leftovers() == []
        assert page.client.get("/api/reports").json()["count"] == 0
        assert page.services.uploads.total() == 0


def test_as_many_slow_uploads_as_are_taken_do_not_stop_the_page(
    serving_inside: ServingInside, tmp_path: Path
) -> None:
    limits = PageLimits(uploads=4, patience_s=1.5)
    with serving_inside(tmp_path / "data", limits) as page:
        address = urlsplit(page.address)
        first = post(page, "/api/reports") + FIRST
        lines = [socket.create_connection((address.hostname, address.port), 10) for _ in range(4)]
        slow = [Dripping(line, first, drips=True) for line in lines]
        while page.services.uploads.total() < 4:
            page.client.get("/api/reports")
        refused = page.client.post("/api/reports", files={"log": ("a.log", b"x")})
        assert refused.status_code == 503
        assert refused.headers["retry-after"] == "60"
        assert page.client.get("/", headers={"accept": "text/html"}).status_code == 200
        for one, line in zip(slow, lines, strict=True):
            one.wait()
            line.close()
            assert one.answer.startswith(b"HTTP/1.1 408")
        assert page.leftovers() == []


def test_form_that_drips_is_refused(serving_inside: ServingInside, tmp_path: Path) -> None:
    with (
        serving_inside(tmp_path / "data", PageLimits(form_s=0.5)) as page,
        dripping(page, post(page, "/sample") + b"form_token=") as slow,
    ):
        slow.wait()
        assert slow.answer.startswith(b"HTTP/1.1 408"), slow.answer
        assert b"too slowly" in slow.answer


@pytest.mark.parametrize(
    ("first", "drips"),
    [
        pytest.param(b"", False, id="says nothing"),
        pytest.param(b"GET / HTTP/1.1\r\nX-Slow: ", True, id="drips its head"),
        pytest.param(
            b"GET /static/style.css HTTP/1.1\r\nHost: {host}\r\n\r\nGET / HTTP/1.1\r\nX: ",
            True,
            id="drips its second head",
        ),
    ],
)
def test_connection_that_never_asks_is_closed(
    serving_inside: ServingInside, tmp_path: Path, first: bytes, drips: bool
) -> None:
    with serving_inside(tmp_path / "data", PageLimits(head_s=0.6)) as page:
        host = urlsplit(page.address).netloc.encode()
        with dripping(page, first.replace(b"{host}", host), drips=drips) as slow:
            slow.wait()
        assert slow.took_s < 0.6 + 5.0
        assert slow.answer.count(b"HTTP/1.1") == first.count(b"{host}")


def test_long_answer_is_not_cut_by_the_time_for_a_head(
    serving_inside: ServingInside, tmp_path: Path
) -> None:
    with serving_inside(tmp_path / "data", PageLimits(head_s=0.2)) as page:
        begun_s = time.monotonic()
        answer = page.client.post("/api/reports", files={"log": ("a.log", b"no log\n" * 50)})
        assert answer.status_code == 422
        assert time.monotonic() - begun_s > 0.2

"""A served page in a process of its own, and files to give it."""

from __future__ import annotations

import re
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import httpx
import pytest
import uvicorn
from playwright.sync_api import Browser, BrowserContext, Page, expect

from canassist.demo import WrittenRide, write_demo
from canassist.web.app import make_app
from canassist.web.run_server import configured
from canassist.web.services import Services
from canassist.web.settings import PageLimits, PageSettings

START_S = 30.0
WORK_S = 60.0

expect.set_options(timeout=WORK_S * 1000)


@dataclass
class Served:
    """A running page: its process, its address, and what it said."""

    process: subprocess.Popen[str]
    data: Path
    address: str = ""
    token: str = ""
    said: list[str] = field(default_factory=list)

    def client(self) -> httpx.Client:
        return httpx.Client(base_url=self.address, timeout=WORK_S)

    def kill(self) -> None:
        self.process.kill()
        self.process.wait(10)

    def log(self) -> str:
        path = self.data / "canassist.log"
        return path.read_text("utf-8") if path.exists() else ""


def start(data: Path, *options: str) -> Served:
    """Start ``canassist serve`` and wait until it tells its address."""
    process = subprocess.Popen(
        [sys.executable, "-m", "canassist", "serve", "--no-browser", "--port", "0",
         "--data", str(data), *options],
        stderr=subprocess.PIPE,
        stdout=subprocess.DEVNULL,
        text=True,
    )  # fmt: skip
    served = Served(process, data)
    threading.Thread(target=_listen, args=(served,), daemon=True).start()
    end_s = time.monotonic() + START_S
    while not (served.address and _answers(served.address)):
        assert process.poll() is None, served.said
        assert time.monotonic() < end_s, served.said
        time.sleep(0.05)
    return served


def _listen(served: Served) -> None:
    assert served.process.stderr is not None
    for line in served.process.stderr:
        served.said.append(line.rstrip())
        if found := re.search(r"shown only now: (\S+)", line):
            served.token = found[1]
        if found := re.search(r"(http://\S+)", line):
            served.address = re.sub(r"//[^:/]+:", "//127.0.0.1:", found[1])


def _answers(address: str) -> bool:
    try:
        httpx.get(address + "static/style.css", timeout=5)
    except httpx.TransportError:
        return False
    return True


@contextmanager
def _serving(data: Path, *options: str) -> Iterator[Served]:
    """Serve for the time of a block; the process is ended by its own handle."""
    served = start(data, *options)
    try:
        yield served
    finally:
        served.process.terminate()
        try:
            served.process.wait(15)
        except subprocess.TimeoutExpired:
            served.kill()
        if served.process.stderr is not None:
            served.process.stderr.close()


@dataclass
class Inside:
    """A page in this process: its parts can be made to fail, or to wait."""

    data: Path
    address: str
    client: httpx.Client
    services: Services

    def form_token(self) -> str:
        text = self.client.get("/", headers={"accept": "text/html"}).text
        found = re.search(r'name="form_token" value="([^"]+)"', text)
        assert found is not None
        return found[1]

    def leftovers(self) -> list[str]:
        """Return the names of files that are half in, or kept for nobody."""
        wanted = self.services.products.wanted_files()
        kept = [path.name for path in (self.data / "files").glob("*/*")]
        half = [path.name for path in (self.data / "incoming").iterdir()]
        return half + [name for name in kept if name not in wanted]


@contextmanager
def _inside(data: Path, limits: PageLimits | None = None, *, token: str = "") -> Iterator[Inside]:
    """Serve from a thread of this process for the time of a block."""
    data.mkdir(exist_ok=True)
    with socket.create_server(("127.0.0.1", 0)) as listening:
        port = listening.getsockname()[1]
        chosen = limits or PageLimits()
        app = make_app(PageSettings(data=data, port=port, token=token, limits=chosen))
        server = uvicorn.Server(configured(app, chosen))
        thread = threading.Thread(target=server.run, args=([listening],))
        thread.start()
        address = f"http://127.0.0.1:{port}/"
        try:
            _until(lambda: _answers(address))
            with httpx.Client(base_url=address, timeout=WORK_S) as client:
                yield Inside(data, address, client, app.state.services)
        finally:
            app.state.services.board.close()
            server.should_exit = True
            thread.join(30)


@pytest.fixture(scope="session")
def rides(tmp_path_factory: pytest.TempPathFactory) -> dict[str, WrittenRide]:
    """Return two sample rides of the demo vehicle."""
    folder = tmp_path_factory.mktemp("rides")
    return {ride.name: ride for ride in write_demo(folder, only=("hot_tight_turns", "speed_lost"))}


@pytest.fixture
def served(tmp_path: Path) -> Iterator[Served]:
    """Return a fresh page of its own."""
    with _serving(tmp_path / "data") as found:
        yield found


@pytest.fixture(scope="module")
def shared_page(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """Return a page that the tests of one file share."""
    with _serving(tmp_path_factory.mktemp("shared") / "data") as found:
        yield found


@pytest.fixture
def context(browser: Browser) -> Iterator[BrowserContext]:
    """Return a browser's clean profile that asks for no more motion than needed."""
    made = browser.new_context(
        viewport={"width": 1280, "height": 900}, reduced_motion="reduce", accept_downloads=True
    )
    made.set_default_timeout(WORK_S * 1000)
    yield made
    made.close()


@pytest.fixture
def page(context: BrowserContext) -> Page:
    """Return a new browser page that fails the test on any script error."""
    opened = context.new_page()
    errors: list[str] = []
    opened.on("pageerror", lambda error: errors.append(str(error)))
    return opened


@pytest.fixture(scope="session")
def serving() -> Callable[..., AbstractContextManager[Served]]:
    """Return a way to serve a folder for the time of a block."""
    return _serving


@pytest.fixture(scope="session")
def serving_inside() -> Callable[..., AbstractContextManager[Inside]]:
    """Return a way to serve from this process for the time of a block."""
    return _inside


@pytest.fixture
def inside(tmp_path: Path) -> Iterator[Inside]:
    """Return a page in this process."""
    with _inside(tmp_path / "data") as found:
        yield found


@pytest.fixture(scope="module")
def shared_inside(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Inside]:
    """Return a page in this process that the tests of one file share."""
    with _inside(tmp_path_factory.mktemp("shared_inside") / "data") as found:
        yield found


@pytest.fixture(scope="session")
def starting() -> Callable[..., Served]:
    """Return a way to start a server that the test ends by itself."""
    return start


@pytest.fixture(scope="session")
def until() -> Callable[[Callable[[], bool]], None]:
    """Return a way to wait until something holds."""
    return _until


def _until(condition: Callable[[], bool], limit_s: float = WORK_S) -> None:
    end_s = time.monotonic() + limit_s
    while not condition():
        assert time.monotonic() < end_s, "it did not come about in time"
        time.sleep(0.1)

"""The page in the other browser family: every picture comes alive there too.

Spoken to by its own remote protocol (Marionette): messages are JSON behind their length.
"""

from __future__ import annotations

import itertools
import json
import os
import shutil
import socket
import subprocess
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

import pytest

PATIENCE_S = 60.0
SETTINGS = """\
user_pref("marionette.port", 0);
user_pref("datareporting.policy.dataSubmissionEnabled", false);
user_pref("browser.shell.checkDefaultBrowser", false);
user_pref("network.captive-portal-service.enabled", false);
user_pref("network.connectivity-service.enabled", false);
user_pref("app.update.enabled", false);
"""
WHAT_IS_DRAWN = """
document.querySelectorAll("details.opener:not([open]) > summary").forEach((one) => one.click());
const boxes = [...document.querySelectorAll(".live")];
const next = boxes.find((box) => !box.querySelector(".main-svg"));
(next ?? boxes[0]).parentElement.scrollIntoView();
return {
  boxes: boxes.length,
  drawn: document.querySelectorAll(".plot.drawn").length,
  curves: boxes.map((box) => box.querySelectorAll(".scatterlayer path, .scatterlayer use").length),
  heights: boxes.map((box) => box.getBoundingClientRect().height),
  answer: document.querySelector("#answer-title").innerText,
  wide: document.documentElement.scrollWidth - document.documentElement.clientWidth,
};
"""


class Remote:
    """One window of a running browser."""

    def __init__(self, port: int) -> None:
        self._socket = socket.create_connection(("127.0.0.1", port), timeout=PATIENCE_S)
        self._numbers = itertools.count()
        self._answer()  # it says who it is

    def ask(self, command: str, **values: object) -> Any:  # noqa: ANN401 - any JSON value
        """Give a command and return what it gives back."""
        text = json.dumps([0, next(self._numbers), command, values])
        self._socket.sendall(f"{len(text)}:{text}".encode())
        _, _, error, found = self._answer()
        assert error is None, error
        return found

    def _answer(self) -> Any:  # noqa: ANN401 - any JSON value
        length = b""
        while not length.endswith(b":"):
            length += self._read(1)
        return json.loads(self._read(int(length[:-1])))

    def _read(self, count: int) -> bytes:
        content = b""
        while len(content) < count:
            part = self._socket.recv(count - len(content))
            assert part, "the browser hung up"
            content += part
        return content

    def close(self) -> None:
        """End the conversation; the browser goes on."""
        self._socket.close()


@contextmanager
def running(command: str, profile: Path) -> Iterator[Remote]:
    profile.mkdir()
    (profile / "user.js").write_text(SETTINGS, "ascii")
    flags = ["--marionette", "--headless", "--no-remote", "--profile", str(profile)]
    browser = subprocess.Popen(
        [command, *flags], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    try:
        with closing(Remote(port_of(profile / "MarionetteActivePort", browser))) as remote:
            remote.ask("WebDriver:NewSession")
            yield remote
    finally:
        browser.terminate()
        browser.wait(PATIENCE_S)


def port_of(path: Path, browser: subprocess.Popen[bytes]) -> int:
    """Return the port that a starting browser writes into its profile."""
    until = time.monotonic() + PATIENCE_S
    while time.monotonic() < until:
        if path.is_file() and path.read_text("ascii").strip():
            return int(path.read_text("ascii"))
        assert browser.poll() is None, "the browser ended by itself"
        time.sleep(0.05)
    pytest.fail("the browser did not start in time")


@pytest.fixture(scope="module")
def firefox(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Remote]:
    """Return a running Firefox; skip where there is none, but never on a build server."""
    command = shutil.which("firefox-esr") or shutil.which("firefox")
    if command is None:
        if os.environ.get("CI"):
            pytest.fail("a build server must have Firefox")
        pytest.skip("no Firefox is installed")
    with running(command, tmp_path_factory.mktemp("firefox") / "profile") as remote:
        yield remote


def test_every_picture_is_drawn(firefox: Remote, page_file: Path) -> None:
    firefox.ask("WebDriver:Navigate", url=page_file.as_uri())
    until = time.monotonic() + PATIENCE_S
    found: dict[str, Any] = {"curves": [0]}
    while min(found["curves"]) == 0 and time.monotonic() < until:
        found = firefox.ask("WebDriver:ExecuteScript", script=WHAT_IS_DRAWN, args=[])["value"]
        time.sleep(0.1)
    assert found["answer"].startswith("Assist was reduced 3 times because the module was hot.")
    assert found["drawn"] == found["boxes"] >= 10
    assert min(found["curves"]) > 0
    assert min(found["heights"]) > 100
    assert found["wide"] == 0

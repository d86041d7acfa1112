"""A recording at a terminal: keys, marks and their moments, however slowly it shows anything."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
import time
import tomllib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

if sys.platform == "win32":
    pytest.skip("Windows has no pseudo terminals of this kind", allow_module_level=True)
import fcntl
import pty
import struct
import termios

StandIn = Any  # the fixture's class lives in conftest.py
FramesOf = Callable[[Path], list[tuple[float, str, int, int]]]
Wait = Callable[[Callable[[], bool]], None]


class SlowTerminal:
    """A terminal of 80 by 24 that shows a thousand characters a second, as an old serial line."""

    def __init__(self, command: list[str], environment: dict[str, str]) -> None:
        self._ours, theirs = pty.openpty()
        fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
        self.process = subprocess.Popen(
            command, stdin=theirs, stdout=theirs, stderr=theirs, env=environment
        )
        os.close(theirs)
        self.shown = b""
        self.fast = False
        self._showing = threading.Thread(target=self._show, daemon=True)
        self._showing.start()

    def _show(self) -> None:
        while True:
            try:
                part = os.read(self._ours, 65536 if self.fast else 50)
            except OSError:  # the other end is closed
                return
            if not part:
                return
            self.shown += part
            if not self.fast:
                time.sleep(0.05)

    def press(self, keys: str) -> float:
        """Press keys; return when."""
        at = time.time()
        os.write(self._ours, keys.encode())
        return at

    def end(self) -> int:
        """End the recording by its key, and return the command's status."""
        self.press("q")
        self.fast = True
        status = self.process.wait(60)
        self._showing.join(10)
        return status

    def close(self) -> None:
        """Let go of the terminal, and of the command where a test failed."""
        self.process.kill()
        self.process.wait()
        os.close(self._ours)


@contextmanager
def stalls() -> Iterator[list[float]]:
    """Note by how much a thread that only sleeps is woken late: nobody can mark more exactly."""
    worst, over = [0.0], threading.Event()

    def sleep() -> None:
        last = time.monotonic()
        while not over.wait(0.01):
            now = time.monotonic()
            worst[0] = max(worst[0], now - last - 0.01)
            last = now

    thread = threading.Thread(target=sleep, daemon=True)
    thread.start()
    yield worst
    over.set()
    thread.join()


@pytest.fixture
def recording(stand_in: StandIn, tmp_path: Path) -> Iterator[SlowTerminal]:
    stand_in.set("can0", rate=4000)
    words = ["record", "-o", str(tmp_path / "ride"), "--interface", "standin", "--channel", "can0"]
    environment = {**os.environ, **stand_in.environment, "TERM": "xterm"}
    made = SlowTerminal([sys.executable, "-m", "canassist", *words], environment)
    yield made
    made.close()


def test_a_slow_terminal_loses_no_frame_and_moves_no_mark(
    recording: SlowTerminal, tmp_path: Path, wait_until: Wait, frames_of: FramesOf
) -> None:
    """Each mark within 0.2 s of its key; a note has the moment at which it was begun."""
    log = tmp_path / "ride.log.gz"
    wait_until(lambda: log.exists() and log.stat().st_size > 0)
    with stalls() as late:
        pressed = [recording.press(" ")]
        begun = recording.press("n")
        time.sleep(0.6)
        recording.press("hisses\r")
        time.sleep(0.2)
        pressed.append(recording.press(" "))
        time.sleep(0.2)
    near = 0.2 + late[0]
    assert recording.end() == 0
    case = tomllib.loads((tmp_path / "ride.case.toml").read_text("utf-8"))
    assert case["at_log"] == [pytest.approx(at, abs=near) for at in pressed]
    (note,) = case["recording"]["notes"]
    assert note["text"] == "hisses"
    assert note["at_log"] == pytest.approx(begun, abs=near)
    numbers = [number for _, _, _, number in frames_of(log)]
    assert numbers == list(range(numbers[0], numbers[0] + len(numbers)))
    assert case["recording"]["lost_frames"] == 0
    assert b"never" in recording.shown.lower()

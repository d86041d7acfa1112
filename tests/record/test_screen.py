"""The passenger's screen: large, whole at every size, and answering keys at once."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import threading
import time
import tomllib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from canassist.record.case_file import case_text, minutes
from canassist.record.log_annotations import Mark, MarkKind, RecorderHole, RecorderLoss
from canassist.record.show.big_type import ROWS, big, width_of
from canassist.record.show.terminal import KEYS, NEVER, screen_lines
from canassist.record.state import (
    Alarm,
    BusNow,
    ChannelNow,
    LiveAnswer,
    RecipeRow,
    RecordingState,
    RowState,
)

StandIn = Any  # the fixture's class lives in conftest.py
Wait = Callable[[Callable[[], bool]], None]
FramesOf = Callable[[Path], list[tuple[float, str, int, int]]]

pty = pytest.importorskip("pty", reason="this system has no terminals of that kind")


def row(name: str, state: RowState, ridden: float, needed: float, unit: str = "s") -> RecipeRow:
    return RecipeRow(
        name=name, state=state, ridden=ridden, needed=needed, unit=unit, how=f"ride {name}"
    )


ROWS_SHOWN = (
    row("engine start", RowState.DONE, 1, 1, ""),
    row("standing", RowState.DONE, 14, 10),
    row("slow turns left", RowState.MISSING, 4.4, 20),
    row("slow turns right", RowState.DONE, 22, 20),
    row("cruise", RowState.MISSING, 0, 20),
    row("mode Light", RowState.MISSING, 0, 10),
    row("hot module", RowState.IMPOSSIBLE, 0, 10),
    row("engine off, key off", RowState.MISSING, 0, 5),
)
STATE = RecordingState(
    name="ride.log.gz",
    passed_s=85.0,
    first_log_s=1_700_000_000.0,
    log_s=85.2,
    frames=170_400,
    lost=3,
    errors=12,
    written_bytes=3_000_000,
    room_bytes=78_000_000_000,
    buses=(
        BusNow(name="can0", rate=2004.0, load=0.52, frames=170_000, errors=12, ids=31),
        BusNow(name="can1", rate=0.0, load=None, frames=400, errors=0, ids=3, absent_s=7.0),
    ),
    warnings=("can1: the interface is gone for 7 s. Plug it in; recording goes on.",),
    marks=(Mark(kind=MarkKind.HEAVY, at_s=61.3, at_log_s=1_700_000_061.3),),
    answer=LiveAnswer(
        until_s=84.0,
        recipe=ROWS_SHOWN,
        channels=tuple(
            ChannelNow(name=name, text="12.3 V", doubt="which?" if name == "supply" else "")
            for name in ("vehicle speed", "engine speed", "supply", "driver torque", "assist mode")
        ),
    ),
    watches_recipe=True,
    alert=False,
)


@pytest.mark.parametrize("size", [(80, 24), (200, 50), (60, 15), (40, 10), (20, 5)])
@pytest.mark.parametrize(
    "state",
    [
        STATE,
        replace(STATE, answer=None),
        replace(STATE, warnings=("word " * 60,) * 3),
        replace(STATE, alert=True, answer=replace(STATE.answer, alarms=(
            Alarm(kind="dip", at_s=12.25, lasted_s=0.08, text="supply voltage", value="7.0 V"),
        ) * 30)),
    ],
)  # fmt: skip
def test_a_screen_is_never_wider_or_higher_than_the_terminal(
    state: RecordingState, size: tuple[int, int]
) -> None:
    width, height = size
    lines = screen_lines(state, width, height)
    assert len(lines) == height
    assert max(len(one.text) for one in lines) <= width
    assert lines[-1].text == KEYS[:width]


@pytest.mark.parametrize("size", [(80, 24), (200, 50)])
def test_all_that_matters_stands_on_the_screen(size: tuple[int, int]) -> None:
    text = "\n".join(one.text for one in screen_lines(STATE, *size))
    assert NEVER in text
    for one in ROWS_SHOWN:
        assert one.name in text
    for words in ("LOST 3", "errors 12", "room 78.0 GB", "load 52 %", "GONE 7 s", "last 1:01.3"):
        assert words in text
    assert "miss slow turns left 4 of 20 s" in text
    assert "n/a  hot module" in text
    assert "supply 12.3 V ?" in text
    assert "the interface is gone" in text


def test_the_next_thing_to_ride_stands_largest() -> None:
    lines = [one.text for one in screen_lines(STATE, 80, 24)]
    first = big("slow turns left", 80)
    assert lines[1 : 1 + ROWS] == first
    assert lines[2 + ROWS : 2 + 2 * ROWS] == big("16 s more", 80)
    large = [one.text for one in screen_lines(STATE, 200, 50)]
    assert large[1 : 1 + 2 * ROWS] == big("slow turns left", 200, scale=2)
    noted = [one.text for one in screen_lines(STATE, 80, 24, notice="heavy|1:25.2")]
    assert noted[1 : 1 + ROWS] == big("heavy", 80)
    assert noted[2 + ROWS : 2 + 2 * ROWS] == big("1:25.2", 80)


def test_large_letters_differ_from_each_other() -> None:
    letters = "ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789"
    shapes = {tuple(row.rstrip() for row in big(one, 10)) for one in letters if one not in "O0"}
    assert len(shapes) == len(letters) - 2
    assert all(len(big(one, 10)) == ROWS for one in letters)
    assert max(len(row) for row in big("MMMM", 80)) == width_of("MMMM")


def test_minutes_are_rounded_once() -> None:
    assert [minutes(one) for one in (0.0, 59.94, 59.96, 61.25, 3600.0)] == [
        "0:00.0", "0:59.9", "1:00.0", "1:01.2", "60:00.0",
    ]  # fmt: skip


def test_any_text_is_kept_in_the_case_file() -> None:
    hostile = 'a"b\\c\n[x]\x7f\u2028 \U0001f525 \ud800'
    text = case_text(
        log=hostile,
        marks=[Mark(kind=MarkKind.NOTE, at_s=1.0, at_log_s=2.0, text=hostile)],
        losses=[RecorderLoss(channel=hostile, at_log_s=2.0, why=hostile, frames=None)],
        holes=[RecorderHole(channel="x", start_log_s=1.0, why=hostile)],
        figures={"listening": [hostile], "frames": 1, "fine": True, "share": 0.5},
    )
    read = tomllib.loads(text.encode("utf-8").decode("utf-8"))
    kept = hostile.replace("\ud800", "?")
    assert read["recording"]["notes"][0]["text"] == kept
    assert read["recording"]["losses"] == [{"channel": kept, "at_log": 2.0, "why": kept}]
    assert read["at"] == []


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


class Terminal:
    """A terminal with a recording in it."""

    def __init__(self, process: subprocess.Popen[bytes], handle: int) -> None:
        self.process = process
        self.handle = handle
        self.text = ""

    def press(self, keys: str) -> None:
        os.write(self.handle, keys.encode())

    def read(self, seconds: float) -> str:
        """Read what is drawn for a while."""
        ends = time.monotonic() + seconds
        while time.monotonic() < ends:
            try:
                self.text += os.read(self.handle, 65536).decode("utf-8", "replace")
            except BlockingIOError:
                time.sleep(0.02)
            except OSError:
                break
        return self.text


@contextmanager
def in_terminal(out: Path, *options: str, size: tuple[int, int] = (80, 24)) -> Iterator[Terminal]:
    import fcntl  # noqa: PLC0415 - not on every system
    import struct  # noqa: PLC0415 - beside its only use
    import termios  # noqa: PLC0415 - not on every system

    own, theirs = pty.openpty()
    fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", size[1], size[0], 0, 0))
    process = subprocess.Popen(
        [sys.executable, "-m", "canassist", "record", "-o", str(out), *options],
        stdin=theirs,
        stdout=theirs,
        stderr=theirs,
        env={**os.environ, "TERM": "xterm-256color"},
        start_new_session=True,
    )
    os.close(theirs)
    os.set_blocking(own, False)
    try:
        yield Terminal(process, own)
    finally:
        if process.poll() is None:
            process.kill()
        process.wait()
        os.close(own)


def test_keys_mark_within_a_fifth_of_a_second(
    stand_in: StandIn, tmp_path: Path, wait_until: Wait
) -> None:
    stand_in.set("can0", rate=500)
    options = ("--interface", "standin", "--channel", "can0")
    with stalls() as late, in_terminal(tmp_path / "ride", *options) as terminal:
        log = tmp_path / "ride.log.gz"
        wait_until(lambda: bool(terminal.read(0.1)) and log.exists() and log.stat().st_size > 0)
        terminal.read(1.0)
        pressed = []
        for _ in range(3):
            terminal.press(" ")
            pressed.append(time.time())
            terminal.read(0.7)
        terminal.press("n")
        noted_at = time.time()
        terminal.read(0.3)
        terminal.press("ice q\n")
        terminal.read(0.5)
        terminal.press("q")
        terminal.read(3.0)
        assert terminal.process.wait(20) == 0
    case = tomllib.loads((tmp_path / "ride.case.toml").read_text("utf-8"))
    assert len(case["at_log"]) == 3
    for pressed_s, marked_s in zip(pressed, case["at_log"], strict=True):
        assert marked_s == pytest.approx(pressed_s, abs=0.2 + late[0])
    (note,) = case["recording"]["notes"]
    assert note["text"] == "ice q"
    assert note["at_log"] == pytest.approx(noted_at, abs=0.2 + late[0])
    assert "Recorded" in terminal.text


def test_a_terminal_that_takes_nothing_holds_up_nothing(
    stand_in: StandIn, tmp_path: Path, frames_of: FramesOf, wait_until: Wait
) -> None:
    """Nobody reads what is drawn: its buffer fills, and drawing stops; recording does not."""
    stand_in.set("can0", rate=6000, queue=4000)
    options = ("--interface", "standin", "--channel", "can0", "--minutes", "0.15")
    with (
        stalls() as late,
        in_terminal(tmp_path / "ride", *options, size=(200, 50)) as terminal,
    ):
        log = tmp_path / "ride.log.gz"
        wait_until(lambda: log.exists() and log.stat().st_size > 0)
        time.sleep(5.0)
        terminal.press(" ")
        pressed_s = time.time()
        time.sleep(0.5)
        terminal.read(12.0)
        assert terminal.process.wait(30) == 0
    numbers = [number for _, _, _, number in frames_of(tmp_path / "ride.log.gz")]
    assert numbers == list(range(numbers[0], numbers[0] + len(numbers)))
    assert len(numbers) > 0.15 * 60 * 6000 * 0.9
    case = tomllib.loads((tmp_path / "ride.case.toml").read_text("utf-8"))
    assert case["recording"]["lost_frames"] == 0
    assert case["at_log"] == [pytest.approx(pressed_s, abs=0.2 + late[0])]


def test_names_of_a_log_move_no_cursor(tmp_path: Path) -> None:
    log = tmp_path / "in.log"
    log.write_text("".join(f"({n}.0) can\x1b[2J 123#00\n" for n in range(1, 9)), "utf-8")
    with in_terminal(tmp_path / "ride", "--replay", str(log), "--speed", "4") as terminal:
        drawn = terminal.read(6.0)
    assert not re.search(r"can\x1b\[2J", drawn)

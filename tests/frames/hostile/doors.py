"""Hostile command lines, folders, outputs and devices."""

from __future__ import annotations

import contextlib
import os
import socket
from typing import TYPE_CHECKING

from tests.frames.hostile.case import DBC, RIDE, TYPED, UNUSABLE, USED, Case, beside

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

LONG = "n" * 300
REPORT = ("report", "ride.log", "--dbc", "v.dbc")
SHORT_TEMP = (("TMPDIR", "/nonexistent"), ("TEMP", "/nonexistent"), ("TMP", "/nonexistent"))


def _typed(name: str, *typed: object, says: str = "", status: int = TYPED) -> Case:
    return Case(name, beside("x", "", *typed), [status], says)


def _after(prepare: Callable[[Path], object], *typed: object) -> Callable[[Path], list[object]]:
    def build(folder: Path) -> list[object]:
        (folder / "ride.log").write_bytes(RIDE)
        (folder / "v.dbc").write_text(DBC)
        prepare(folder)
        return list(typed)

    return build


def _loop(folder: Path) -> None:
    (folder / "a.log").symlink_to(folder / "b.log")
    (folder / "b.log").symlink_to(folder / "a.log")


def _folder_loop(folder: Path) -> None:
    (folder / "rides").mkdir()
    (folder / "rides" / "again").symlink_to(folder / "rides")
    (folder / "rides" / "ride.log").write_bytes(RIDE)


def _fifo(folder: Path) -> None:
    os.mkfifo(folder / "pipe.html")


def _socket(folder: Path) -> None:
    with socket.socket(socket.AF_UNIX) as plug, contextlib.chdir(folder):
        plug.bind("plug.html")  # a socket's name is short


def _many_stars(folder: Path) -> None:
    (folder / "rides").mkdir()
    for n in range(30):
        (folder / "rides" / ("a" * 60 + f"{n}.log")).write_bytes(RIDE[:500])


def _full(folder: Path) -> None:
    os.mkdir(folder / "full")  # noqa: PTH102 - beside os.symlink and os.mkfifo
    (folder / "full" / "page.html").symlink_to("/dev/full")


STARS = "*a" * 40 + "b.log"

DOORS = [
    _typed("no command", says="canassist"),
    _typed("an empty name", "report", "", status=UNUSABLE),
    _typed("a name of NUL", "report", "a\udc80.log", status=UNUSABLE),
    Case("a name of 300 letters", beside("x", "", "report", LONG), [TYPED, UNUSABLE]),
    Case("a name of 100,000 letters", beside("x", "", "report", "n" * 100_000), [TYPED, UNUSABLE]),
    _typed("a name of control letters", "report", "\x1b[31m.log", status=UNUSABLE),
    _typed("the folder itself", "report", ".", status=UNUSABLE),
    _typed("an option that is none", *REPORT, "--frobnicate"),
    _typed("a moment of no time", *REPORT, "--at", "noon"),
    _typed("a moment of 10^9 minutes", *REPORT, "--at", "9" * 400 + ":00"),
    _typed("a moment before the ride", *REPORT, "--at", "-1:00"),
    _typed("a zone that is none", *REPORT, "--zone", "../../etc/passwd"),
    _typed("a zone of 5,000 letters", *REPORT, "--zone", "Z" * 5000),
    _typed("units that are none", *REPORT, "--units", "parsec"),
    _typed("an output in no folder", *REPORT, "-o", "none/x.html"),
    _typed("an output of 300 letters", *REPORT, "-o", f"{LONG}.html"),
    _typed("an output that is the log", *REPORT, "-o", "ride.log"),
    _typed("an output that is the database", *REPORT, "--json", "v.dbc"),
    _typed("an output that is a folder", *REPORT, "-o", "."),
    _typed("data in no folder", *REPORT, "--json", "none/x.json"),
    _typed("data of 300 letters", *REPORT, "--json", f"{LONG}.json"),
    _typed("an export into a file", *REPORT, "--export", "ride.log"),
    _typed("an output on a device", *REPORT, "-o", "/dev/null", says="device"),
    _typed("an output on a full device", *REPORT, "-o", "/dev/full"),
    _typed("data on a device", *REPORT, "--json", "/dev/null", says="device"),
    Case("an output on a pipe", _after(_fifo, *REPORT, "-o", "pipe.html"), [TYPED], "pipe"),
    Case("an output on a socket", _after(_socket, *REPORT, "-o", "plug.html"), [TYPED]),
    Case("an output on a link to a full device", _after(_full, *REPORT, "-o", "full/page.html"), [TYPED]),
    Case("links in a circle", _after(_loop, "report", "a.log"), [UNUSABLE], "circle"),
    Case("an output on links in a circle", _after(_loop, *REPORT, "-o", "a.log"), [TYPED]),
    Case("a database of links in a circle", _after(_loop, "report", "ride.log", "--dbc", "a.log"), [UNUSABLE]),
    Case("a profile of links in a circle", _after(_loop, *REPORT, "--profile", "a.log"), [UNUSABLE]),
    Case("a case file of links in a circle", _after(_loop, *REPORT, "--case", "a.log"), [UNUSABLE]),
    Case("a page of links in a circle", _after(_loop, "verify", "a.log"), [UNUSABLE]),
    Case("folders in a circle", _after(_folder_loop, "screen", "rides", "-o", "out", "--dbc", "v.dbc"), [USED]),
    Case("a log that is a device", beside("x", "", "report", "/dev/zero"), [UNUSABLE, TYPED]),
    Case("a log that is a terminal", beside("x", "", "report", "/dev/null"), [UNUSABLE, TYPED]),
    Case("a log that cannot be read on", beside("x", "", "report", "/proc/self/mem"), [UNUSABLE]),
    Case("a database that is a device", beside("x", "", "report", "ride.log", "--dbc", "/dev/zero"), [UNUSABLE, TYPED]),
    Case("a profile that cannot be read", beside("x", "", *REPORT, "--profile", "/proc/self/mem"), [UNUSABLE]),
    Case("a page that cannot be read", beside("x", "", "verify", "/proc/self/mem"), [UNUSABLE]),
    Case("a pattern of forty stars", _after(_many_stars, "learn", "rides", "--pattern", STARS, "-o", "v.toml"), [TYPED, UNUSABLE]),
    Case("a log named in forty stars", _after(_many_stars, "report", f"rides/{STARS}"), [UNUSABLE]),
    Case("vehicles by a pattern of forty stars", _after(_many_stars, "screen", "rides", "-o", "out", "--vehicles", "(a*)*b"), [USED, TYPED, UNUSABLE]),
    Case("screen nothing", beside("x", "", "screen", "none", "-o", "out"), [UNUSABLE]),
    Case("screen into a file", _after(_folder_loop, "screen", "rides", "-o", "ride.log"), [TYPED]),
    Case("compare a log with itself", beside("x", "", "compare", "ride.log", "ride.log"), [TYPED, USED]),
    Case("compare a log with notes", beside("b.log", "heavy\n", "compare", "ride.log", "b.log", "--dbc", "v.dbc"), [UNUSABLE]),
    Case("learn from notes", beside("b.log", "heavy\n", "learn", "b.log", "-o", "p.toml"), [UNUSABLE]),
    Case("channels of notes", beside("b.log", "heavy\n", "channels", "b.log"), [UNUSABLE]),
    Case("channels written over the log", beside("x", "", "channels", "ride.log", "--dbc", "v.dbc", "--write", "ride.log"), [TYPED]),
    Case("explain 100,000 letters", beside("x", "", "explain", "e" * 100_000), [TYPED]),
    Case("serve on no port", beside("x", "", "serve", "--port", "99999999"), [TYPED]),
    Case("serve in a file", beside("x", "", "serve", "--no-browser", "--port", "0", "--data", "ride.log"), [TYPED]),
    Case("restore a log", beside("x", "", "restore", "ride.log", "data"), [UNUSABLE]),
    Case("sign with a log", beside("x", "", *REPORT, "--sign", "ride.log"), [UNUSABLE, TYPED]),
    Case("no temporary folder", beside("x", "", *REPORT), [USED, TYPED], env=SHORT_TEMP),
]  # fmt: skip

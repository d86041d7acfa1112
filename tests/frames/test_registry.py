"""Which reader reads a file, and what finding it costs."""

from __future__ import annotations

import subprocess
import sys
from importlib.metadata import EntryPoint
from typing import TYPE_CHECKING

import pytest

from canassist.frames import registry
from canassist.frames.base import ENTRY_POINT_GROUP, LogReader
from canassist.frames.formats.candump.candump import CandumpReader
from tests.frames.text_writers import ASC_HEADER

if TYPE_CHECKING:
    from collections.abc import Iterator
    from typing import BinaryIO

    from canassist.frames.base import ReadRequest
    from canassist.model import FrameBlock, ReadReport

CANDUMP = b"(1436509052.249713) can0 044#2A366C2BBA\n" * 200
HEAVY = ("asammdf", "pandas", "can", "cantools", "scipy", "pyarrow")


class OutsideReader:
    """Reads files of an invented format."""

    name = "outside"
    endings = (".outside",)
    needs_seek = False

    def matches(self, head: bytes) -> bool:
        return head.startswith(b"OUTSIDE")

    def read(
        self, source: BinaryIO, *, request: ReadRequest, report: ReadReport
    ) -> Iterator[FrameBlock]:
        yield from ()


@pytest.fixture
def outside(monkeypatch: pytest.MonkeyPatch) -> None:
    """Register a reader as another package's entry point does."""
    door = EntryPoint(name="outside", value=f"{__name__}:OutsideReader", group=ENTRY_POINT_GROUP)
    monkeypatch.setattr(registry, "_outside", lambda: (door,))
    monkeypatch.setattr(EntryPoint, "load", _load)


_usual_load = EntryPoint.load


def _load(door: EntryPoint) -> object:
    return OutsideReader if door.name == "outside" else _usual_load(door)


def _name(head: bytes, ending: str = "") -> str | None:
    found = registry.find_reader(head, ending)
    return None if found is None else found.name


def test_every_built_in_reader_keeps_the_protocol() -> None:
    readers = list(registry.readers())
    assert all(isinstance(reader, LogReader) for reader in readers)
    names = [reader.name for reader in readers]
    assert len(set(names)) == len(names)
    assert {"candump", "asc", "blf"} <= set(names)


def test_content_decides_before_the_ending() -> None:
    assert _name(CANDUMP, ".asc") == "candump"
    assert _name(ASC_HEADER.encode(), ".blf") == "asc"
    assert _name(b"LOGG" + bytes(200), ".log") == "blf"


def test_the_ending_decides_where_content_says_nothing() -> None:
    assert _name(b"\x01\x02\x03" * 2000, ".blf") == "blf"
    assert _name(b"\x01\x02\x03" * 2000, ".unknown") is None


def test_damage_at_the_start_does_not_hide_what_follows() -> None:
    assert _name(bytes(9000) + CANDUMP) == "candump"
    assert _name(b"garbage " * 2000 + b"\n" + CANDUMP) == "candump"


@pytest.mark.usefixtures("outside")
def test_another_packages_reader_goes_through_the_same_door() -> None:
    assert _name(b"OUTSIDE 1.0") == "outside"
    assert _name(b"nothing", ".outside") == "outside"
    assert _name(CANDUMP) == "candump"


def test_a_door_that_leads_to_no_reader_is_a_programmers_slip() -> None:
    door = EntryPoint(name="x", value="builtins:dict", group=ENTRY_POINT_GROUP)
    with pytest.raises(TypeError, match="entry point x"):
        registry._load(door)


def test_no_text_is_read_by_two_readers() -> None:
    takers = [reader.name for reader in registry.readers() if reader.matches(CANDUMP[:4096])]
    assert takers == ["candump"]
    takers = [reader.name for reader in registry.readers() if reader.matches(ASC_HEADER.encode())]
    assert takers == ["asc"]


def test_reading_a_log_imports_nothing_heavy() -> None:
    """Least of all the library for MF4, however many formats were asked before."""
    code = (
        "import sys, tempfile, pathlib\n"
        "from canassist.frames import open_log\n"
        "with tempfile.TemporaryDirectory() as folder:\n"
        "    path = pathlib.Path(folder) / 'ride.log'\n"
        f"    path.write_bytes({CANDUMP!r})\n"
        "    recording = open_log([path])\n"
        "    assert sum(len(block) for block in recording.blocks()) == 200\n"
        "    path.write_bytes(b'nothing')\n"
        "    try: open_log([path])\n"
        "    except Exception as error: assert 'no CAN frame' in str(error), error\n"
        f"print([name for name in {HEAVY} if name in sys.modules])\n"
    )
    run = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True)
    assert run.stdout.strip() == "[]"


def test_a_reader_is_made_once() -> None:
    assert registry.find_reader(CANDUMP, "") is registry.find_reader(CANDUMP, "")
    assert isinstance(registry.find_reader(CANDUMP, ""), CandumpReader)

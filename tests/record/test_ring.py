"""Only the last minutes are kept; a mark writes them out, and so does the end."""

from __future__ import annotations

import errno
import gzip
import time
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from canassist.cli.record_command import length_s, size_bytes
from canassist.errors import UsageError
from canassist.profile import default_profile
from canassist.record import (
    MarkKind,
    RecordingPlan,
    RecordingSession,
    channel_settings,
    open_sources,
)
from canassist.record.capture import ring
from canassist.record.capture.block_file import BlockFile, pack
from canassist.record.capture.log_writer import DiskThread, PackedBlock
from canassist.record.capture.ring import AFTER_S, SEGMENT_S, RingLog, WrittenOut

StandIn = Any  # the fixture's class lives in conftest.py
FramesOf = Callable[[Path], list[tuple[float, str, int, int]]]
Wait = Callable[[Callable[[], bool]], None]


def block(second: int) -> PackedBlock:
    """Return a block with the one frame of a second."""
    line = f"({second}.000000) can0 123#{second % 256:02X}\n"
    return PackedBlock(pack(line.encode()), 1, float(second), float(second))


def seconds_in(path: Path) -> list[int]:
    lines = gzip.decompress(path.read_bytes()).decode().splitlines()
    return [int(line[1 : line.index(".")]) for line in lines]


def filled(folder: Path, until: int, marks: tuple[int, ...] = ()) -> list[WrittenOut]:
    written: list[WrittenOut] = []
    store = RingLog(folder / "ride.log.gz", 120.0, written.append)
    for second in range(1000, until):
        store.append(block(second))
        if second in marks:
            store.write_out(float(second))
    store.close()
    return written


def test_the_end_writes_the_last_minutes(tmp_path: Path) -> None:
    filled(tmp_path, 2000)
    assert seconds_in(tmp_path / "ride.log.gz") == list(range(1879, 2000))
    assert [path.name for path in tmp_path.iterdir()] == ["ride.log.gz"]


def test_the_disk_holds_little_more_than_what_is_kept(tmp_path: Path) -> None:
    ring = RingLog(tmp_path / "ride.log.gz", 120.0, lambda _: None)
    sizes = []
    for second in range(1000, 3000):
        ring.append(block(second))
        sizes.append(sum(len(seconds_in(path)) for path in tmp_path.iterdir()) if second % 97 == 0
                     else 0)  # fmt: skip
    assert max(sizes) <= 120 + 2 * SEGMENT_S + 2
    ring.close()


def test_a_mark_writes_what_was_before_it_and_a_minute_after(tmp_path: Path) -> None:
    written = filled(tmp_path, 2000, marks=(1500,))
    first = tmp_path / "ride-1.log.gz"
    assert seconds_in(first) == list(range(1380, 1500 + int(AFTER_S) + 1))
    assert [one.path for one in written] == [first, tmp_path / "ride.log.gz"]
    assert (written[0].start_log_s, written[0].end_log_s) == (1380.0, 1560.0)


def test_marks_close_to_each_other_share_a_log(tmp_path: Path) -> None:
    filled(tmp_path, 2000, marks=(1500, 1530))
    assert seconds_in(tmp_path / "ride-1.log.gz") == list(range(1380, 1591))
    assert not (tmp_path / "ride-2.log.gz").exists()


def test_a_mark_just_before_the_end_is_written_too(tmp_path: Path) -> None:
    filled(tmp_path, 2000, marks=(1995,))
    assert seconds_in(tmp_path / "ride-1.log.gz") == list(range(1875, 2000))
    assert not (tmp_path / "ride.log.gz").exists()


def test_a_full_disk_drops_the_oldest_piece_first(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    ring = RingLog(tmp_path / "ride.log.gz", 120.0, lambda _: None)
    for second in range(1000, 1100):
        ring.append(block(second))
    before = len(list(tmp_path.iterdir()))
    append = BlockFile.append
    full = [True]

    def no_room(self: BlockFile, member: bytes) -> None:
        if full[0]:
            raise OSError(errno.ENOSPC, "No space left on device")
        append(self, member)

    monkeypatch.setattr(BlockFile, "append", no_room)
    with pytest.raises(OSError, match="No space"):
        ring.append(block(1100))
    full[0] = False
    ring.append(block(1100))
    assert len(list(tmp_path.iterdir())) == before - 1
    ring.close()
    assert seconds_in(tmp_path / "ride.log.gz")[-1] == 1100


class SlowStore:
    """A disk that takes half a second for each block."""

    def __init__(self) -> None:
        self.blocks: list[PackedBlock] = []
        self.is_closed = False

    def append(self, one: PackedBlock) -> None:
        time.sleep(0.1)
        self.blocks.append(one)

    def close(self) -> None:
        self.is_closed = True


def test_a_slow_disk_holds_up_nobody_and_loses_nothing() -> None:
    store = SlowStore()
    disk = DiskThread(store)
    disk.start()
    begun = time.monotonic()
    for second in range(20):
        assert disk.take(block(second))
    assert time.monotonic() - begun < 0.5
    assert disk.waiting_bytes > 0
    disk.finish()
    assert [one.start_log_s for one in store.blocks] == list(range(20))
    assert store.is_closed
    assert disk.frames_written == 20
    assert disk.frames_lost == 0


def test_a_recording_with_a_ring(stand_in: StandIn, tmp_path: Path, frames_of: FramesOf) -> None:
    stand_in.set("can0", rate=500)
    options = ["--keep-last", "2s", "--minutes", "0.1"]
    process = stand_in.record(tmp_path / "ride", *options)
    _, err = process.communicate(timeout=60)
    assert process.returncode == 0, err
    numbers = [number for _, _, _, number in frames_of(tmp_path / "ride.log.gz")]
    assert numbers == list(range(numbers[0], numbers[0] + len(numbers)))
    assert 2.0 * 500 <= len(numbers) <= 3.6 * 500
    case = tomllib.loads((tmp_path / "ride.case.toml").read_text("utf-8"))
    assert case["recording"]["log"] == "ride.log.gz"
    assert sorted(path.name for path in tmp_path.glob("ride*")) == [
        "ride.case.toml",
        "ride.log.gz",
    ]


def test_a_mark_while_recording_writes_the_rings_log_out(
    stand_in: StandIn, tmp_path: Path, wait_until: Wait, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(ring, "AFTER_S", 0.3)
    stand_in.set("can0", rate=500)
    plan = RecordingPlan(
        log=tmp_path / "ride.log.gz",
        databases=(),
        profile=default_profile(),
        keep_s=60.0,
        watched=False,
    )
    session = RecordingSession(plan, open_sources(channel_settings(["standin"], ["can0"], [])))
    session.start()
    wait_until(lambda: session.log_now_s() is not None and session.state().frames > 0)
    session.tick()
    assert session.mark(MarkKind.NOTE, "no reason to keep it") is not None
    assert session.mark(MarkKind.HEAVY) is not None
    wait_until(lambda: bool(session.written_out))
    assert [path.name for path in session.written_out] == ["ride-1.log.gz"]
    case = tomllib.loads((tmp_path / "ride-1.case.toml").read_text("utf-8"))
    assert len(case["at"]) == 1
    session.stop()


def test_sizes_and_lengths_are_read() -> None:
    assert [size_bytes(text) for text in ("500M", "2GB", "1.5k", "7")] == [
        500_000_000, 2_000_000_000, 1500, 7,
    ]  # fmt: skip
    assert [length_s(text) for text in ("30m", "90s", "2h", "5", "1.5min")] == [
        1800.0, 90.0, 7200.0, 300.0, 90.0,
    ]  # fmt: skip
    for text in ("", "many", "-3", "0", "3x"):
        with pytest.raises(UsageError):
            size_bytes(text)
        with pytest.raises(UsageError):
            length_s(text)

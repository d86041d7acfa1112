"""SQLite logs: python-can's own, and hostile ones."""

from __future__ import annotations

import contextlib
import io
import random
import sqlite3
from typing import TYPE_CHECKING

import can
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from canassist.errors import InputError, NoFramesError
from canassist.frames.base import LogReader, ReadRequest
from canassist.frames.formats.sqlite import SqliteReader
from canassist.model import FrameFlag, IdSet
from tests.frames.frame_samples import Sample, frames, message, read_all

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

START_NS = 1_700_000_000_000_000_000
TABLE = (
    "CREATE TABLE messages (ts REAL, arbitration_id INTEGER, extended INTEGER, remote INTEGER, "
    "error INTEGER, dlc INTEGER, data BLOB)"
)


def _write(path: Path, rows: Iterable[tuple[object, ...]], table: str = TABLE) -> Path:
    path.unlink(missing_ok=True)
    with contextlib.closing(sqlite3.connect(path)) as database, database:
        database.execute(table)
        database.executemany("INSERT INTO messages VALUES (?, ?, ?, ?, ?, ?, ?)", rows)
    return path


def row_of(one: Sample) -> tuple[object, ...]:
    return (
        one.time_ns / 1_000_000_000,
        one.can_id,
        one.has(FrameFlag.EXTENDED),
        one.has(FrameFlag.REMOTE),
        one.has(FrameFlag.ERROR),
        one.length,
        one.data,
    )


def _as_sqlite_knows_it(one: Sample) -> Sample:
    flags = one.flags & (FrameFlag.EXTENDED | FrameFlag.REMOTE)
    return one._replace(bus="CAN", flags=flags | (FrameFlag.FD if one.length > 8 else 0))


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=50)
@given(written=st.lists(frames(), min_size=1))
def test_frames_come_back_to_the_microsecond(tmp_path: Path, written: list[Sample]) -> None:
    path = _write(tmp_path / "ride.db", map(row_of, written))
    assert SqliteReader().matches(path.read_bytes()[:4096])
    for log in (path, path.read_bytes()):
        read, report = read_all(SqliteReader(), log)
        assert read == list(map(_as_sqlite_knows_it, written))
        assert not report.problems
        assert report.epoch == "utc"


def test_what_python_can_writes_is_read_back(tmp_path: Path) -> None:
    chance = random.Random(11)  # noqa: S311 - not a secret
    written = []
    for n in range(400):  # its writer drops what it has not yet stored when it is stopped
        extended = chance.random() < 0.3
        can_id = chance.randrange(0x2000_0000 if extended else 0x800)
        data = chance.randbytes(chance.choice([0, 3, 8, 8, 8, 12, 64]))
        flags = FrameFlag.EXTENDED * extended | FrameFlag.FD * (len(data) > 8)
        written.append(Sample(START_NS + n * 1_234_000, "CAN", can_id, flags, len(data), data))
    path = tmp_path / "ride.db"
    with can.SqliteWriter(path) as writer:
        for one in written:
            writer.on_message_received(message(one))
    read, report = read_all(SqliteReader(), path)
    assert read == written
    assert not report.problems


def test_an_error_frame_keeps_its_class_and_detail(tmp_path: Path) -> None:
    detail = bytes([0, 0x30, 0, 0, 0, 0, 96, 128])
    one = Sample(START_NS, "CAN", 0x004, FrameFlag.ERROR, 8, detail)
    read, _ = read_all(SqliteReader(), _write(tmp_path / "ride.db", [row_of(one)]))
    assert read == [one]


def test_only_wanted_frames_carry_their_payload(tmp_path: Path) -> None:
    written = [Sample(START_NS + n * 1000, "CAN", n % 3, 0, 1, bytes([n])) for n in range(30)]
    path = _write(tmp_path / "ride.db", map(row_of, written))
    read, _ = read_all(SqliteReader(), path, ReadRequest(wanted=IdSet([1])))
    assert [one.data for one in read] == [one.data * (one.can_id == 1) for one in written]
    read, _ = read_all(SqliteReader(), path, ReadRequest(wanted=IdSet([1]), headers=False))
    assert read == [one for one in written if one.can_id == 1]


def test_rows_that_are_no_frames_are_counted(tmp_path: Path) -> None:
    good = (1.5, 0x10, 0, 0, 0, 1, b"\x01")
    bad = [
        ("text", 0x10, 0, 0, 0, 1, b"\x01"),
        (None, 0x10, 0, 0, 0, 1, b"\x01"),
        (float("inf"), 0x10, 0, 0, 0, 1, b"\x01"),
        (1.5, 0x800, 0, 0, 0, 1, b"\x01"),
        (1.5, -1, 1, 0, 0, 1, b"\x01"),
        (1.5, 0x10, 0, 0, 0, 9, b"\x01" * 9),
        (1.5, 0x10, 0, 0, 0, 2, b"\x01"),
        (1.5, 0x10, 0, 0, 0, 1, None),
        (1.5, 0x10, "x", 0, 0, 1, b"\x01"),
    ]
    read, report = read_all(SqliteReader(), _write(tmp_path / "ride.db", [good, *bad, good]))
    assert len(read) == 2
    assert report.skipped == len(bad)
    assert report.epoch == "file"


def test_a_damaged_page_loses_its_own_rows_only(tmp_path: Path) -> None:
    written = [Sample(START_NS + n * 1000, "CAN", n % 0x7FF, 0, 8, bytes(8)) for n in range(4000)]
    whole = bytearray(_write(tmp_path / "ride.db", map(row_of, written)).read_bytes())
    page = len(whole) // 4096 // 2 * 4096
    whole[page : page + 4096] = random.Random(3).randbytes(4096)  # noqa: S311 - not a secret
    read, report = read_all(SqliteReader(), bytes(whole))
    assert 3700 < len(read) < 4000
    assert set(read) < set(written)
    assert read[0] == written[0]
    assert read[-1] == written[-1]
    assert "damaged" in report.problems[0].what
    assert report.skipped == 1


def test_a_cut_keeps_what_lies_before_it_or_says_that_nothing_can_be_read(tmp_path: Path) -> None:
    written = [Sample(START_NS + n * 1000, "CAN", n % 0x7FF, 0, 8, bytes(8)) for n in range(4000)]
    whole = _write(tmp_path / "ride.db", map(row_of, written)).read_bytes()
    chance = random.Random(9)  # noqa: S311 - not a secret
    for _ in range(20):
        cut = chance.randrange(4096 * 3, len(whole))
        read, report = read_all(SqliteReader(), whole[:cut])
        assert set(read) <= set(written)
        assert read == sorted(read)
        assert len(read) > len(written) * (cut - 4096 * 3) // len(whole) - 200
        assert report.problems
    with pytest.raises(InputError):
        read_all(SqliteReader(), whole[:1000])


@pytest.mark.parametrize(
    "statement",
    [
        "CREATE TABLE notes (text TEXT)",
        "CREATE VIEW messages AS WITH RECURSIVE n(ts) AS (SELECT 1 UNION ALL SELECT ts + 1 FROM n)"
        " SELECT ts, 1 AS arbitration_id, 0 AS extended, 0 AS remote, 0 AS error, 0 AS dlc,"
        " x'' AS data FROM n",
    ],
)
def test_another_database_or_a_trap_is_refused(tmp_path: Path, statement: str) -> None:
    path = tmp_path / "other.db"
    with contextlib.closing(sqlite3.connect(path)) as database, database:
        database.execute(statement)
    with pytest.raises(NoFramesError, match="arbitration_id"):
        read_all(SqliteReader(), path)


def test_a_column_that_computes_itself_is_not_executed(tmp_path: Path) -> None:
    path = tmp_path / "trap.db"
    with contextlib.closing(sqlite3.connect(path)) as database, database:
        database.execute(
            "CREATE TABLE messages (ts REAL, arbitration_id INT, extended INT, remote INT, "
            "error INT, dlc INT, data BLOB AS (zeroblob(1000000000)))"
        )
        database.execute("INSERT INTO messages VALUES (1, 1, 0, 0, 0, 0)")
    with contextlib.suppress(InputError):
        read, report = read_all(SqliteReader(), path)
        assert not read
        assert report.problems


def test_huge_values_do_not_fill_the_memory(tmp_path: Path) -> None:
    rows = [(1.5, 0x10, 0, 0, 0, 1, b"\x01" * size) for size in (1, 30_000_000, 1)]
    read, report = read_all(SqliteReader(), _write(tmp_path / "ride.db", rows))
    assert len(read) == 2
    assert report.problems


def test_the_file_is_not_written_to(tmp_path: Path) -> None:
    path = _write(tmp_path / "ride.db", [(1.5, 0x10, 0, 0, 0, 1, b"\x01")])
    before = path.read_bytes()
    read_all(SqliteReader(), path)
    assert path.read_bytes() == before
    assert [entry.name for entry in tmp_path.iterdir()] == ["ride.db"]


def test_an_unclosed_database_is_told_of(tmp_path: Path) -> None:
    path = tmp_path / "ride.db"
    with contextlib.closing(sqlite3.connect(path)) as database, database:
        database.execute("PRAGMA journal_mode = WAL")
        database.execute(TABLE)
        database.execute("INSERT INTO messages VALUES (1.5, 16, 0, 0, 0, 0, x'')")
    read, report = read_all(SqliteReader(), path)
    assert len(read) == 1
    assert "-wal" in report.problems[0].what


def test_it_is_a_reader() -> None:
    assert isinstance(SqliteReader(), LogReader)
    assert not SqliteReader().matches(b"SQLite")


@pytest.mark.slow
@settings(
    max_examples=600, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    data=st.data(), written=st.lists(frames(), max_size=40), noise=st.lists(st.binary(), min_size=1)
)
def test_nothing_makes_it_fail(
    tmp_path: Path, data: st.DataObject, written: list[Sample], noise: list[bytes]
) -> None:
    log = bytearray(_write(tmp_path / "ride.db", map(row_of, written)).read_bytes())
    for piece in noise:
        at = data.draw(st.integers(16, len(log)))
        log[at : at + len(piece)] = piece
    with contextlib.suppress(InputError):
        read_all(SqliteReader(), io.BytesIO(bytes(log)))

"""SQLite logs as python-can writes them: one table with a row a frame.

The table has the columns ts (seconds since 1970), arbitration_id, extended, remote, error, dlc
and data; there is no bus, no direction and no CAN FD mark.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import sqlite3
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO, Final, cast

import numpy as np

from canassist.errors import InputError, NoFramesError
from canassist.frames.frame_rows import (
    CLASSIC_BYTES,
    EARLIEST_UTC_NS,
    FD_BYTES,
    FD_LENGTHS,
    HIGHEST_ID,
    HIGHEST_STANDARD_ID,
    UNNAMED_BUS,
    block_of,
    rows_to_keep,
)
from canassist.frames.text.digits import LARGEST_NS, NS_PER_S
from canassist.model import FrameFlag

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from canassist.frames.base import ReadRequest
    from canassist.model import ByteArray, FloatArray, FrameBlock, IntArray, ReadReport

_MAGIC: Final = b"SQLite format 3\0"
_COLUMNS: Final = ("ts", "arbitration_id", "extended", "remote", "error", "dlc", "data")
_ROWS: Final = 20_000  # a block: about one MiB of rows
_LONGEST_VALUE: Final = 1 << 16  # bytes; a frame's data is at most 64
_MOST_STEPS: Final = 20_000_000  # of the database engine for one block, and for all in vain
_STEPS_A_CHECK: Final = 1_000_000
_MOST_GAPS: Final = 64  # damaged places that are gone round
_WAL_VERSION: Final = 2
_PAGE_SIZE_AT: Final = slice(16, 18)
_LARGEST_PAGE: Final = 1 << 16  # written as 1
_VERSION_AT: Final = slice(18, 20)
_LARGEST_ROW_ID: Final = (1 << 63) - 1
_LATEST_S: Final = LARGEST_NS // NS_PER_S - 1
_LENGTHS: Final = frozenset(FD_LENGTHS.tolist())

_FAILURES: Final = (sqlite3.Error, OverflowError, UnicodeError, MemoryError)
"""What reading a damaged database can raise; its messages may not even be text."""

_Row = tuple[Any, ...]  # Any: what a hostile database holds is not known


class SqliteReader:
    """Reads python-can's SQLite logs.

    The file is opened read-only and nothing stored in it but plain rows is executed.
    """

    name = "sqlite"
    endings = (".db", ".sqlite", ".sqlite3")
    needs_seek = True

    def matches(self, head: bytes) -> bool:
        """Tell by the file's signature."""
        return head.startswith(_MAGIC)

    def read(
        self, source: BinaryIO, *, request: ReadRequest, report: ReadReport
    ) -> Iterator[FrameBlock]:
        """Yield the frames in file order, in blocks.

        Raises
        ------
        NoFramesError
            If no table has the columns of a CAN log.
        InputError
            If the database cannot be opened at all.
        """
        with contextlib.ExitStack() as stack:
            path = _path_of(source, stack, report)
            _note_journal(source, report)
            database = stack.enter_context(contextlib.closing(_opened(path)))
            bus = report.bus_index(UNNAMED_BUS)
            for table in _tables(database, report):
                for rows in _Walk(database, table, report).blocks():
                    block = _block(rows, bus, request, report)
                    if len(block):
                        report.epoch = "utc" if block.time_ns[0] >= EARLIEST_UTC_NS else "file"
                        yield block


def _path_of(source: BinaryIO, stack: contextlib.ExitStack, report: ReadReport) -> Path:
    """Return where the database lies on disk.

    One that does not is copied there; so is one whose last page is cut, without that page: the
    engine would take zeros for what is missing.
    """
    size = source.seek(0, os.SEEK_END)
    source.seek(0)
    head = source.read(_VERSION_AT.stop)
    page = int.from_bytes(head[_PAGE_SIZE_AT], "big")
    page = _LARGEST_PAGE if page == 1 else max(page, 1)
    cut = size % page
    if cut:
        report.add_problem(
            "database", f"ends within a page; {cut} bytes are lost", skipped=1, cut=True
        )
    name = getattr(source, "name", None)
    if not cut and isinstance(name, (str, os.PathLike)) and Path(name).is_file():
        return Path(name)
    folder = stack.enter_context(tempfile.TemporaryDirectory(prefix="canassist-"))
    path = Path(folder) / "log.db"
    source.seek(0)
    with path.open("wb") as copy:
        shutil.copyfileobj(source, copy, 1 << 20)
        copy.truncate(size - cut)
    return path


def _note_journal(source: BinaryIO, report: ReadReport) -> None:
    source.seek(0)
    version = source.read(_VERSION_AT.stop)[_VERSION_AT]
    if version and max(version) == _WAL_VERSION:
        what = "was not closed; frames in its -wal file beside it, if any, are not read"
        report.add_problem("database", what)


def _opened(path: Path) -> sqlite3.Connection:
    uri = f"{path.resolve().as_uri()}?mode=ro&immutable=1"
    database = sqlite3.connect(uri, uri=True, isolation_level=None)
    database.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, _LONGEST_VALUE)
    database.setlimit(sqlite3.SQLITE_LIMIT_ATTACHED, 0)
    database.text_factory = bytes
    database.execute("PRAGMA trusted_schema = OFF")
    database.execute("PRAGMA cell_size_check = ON")
    database.execute("PRAGMA mmap_size = 0")
    database.set_authorizer(_only_reading)
    return database


def _only_reading(action: int, name: str | None, *_: str | None) -> int:
    """Allow plain reading: no functions, no attached files, no settings."""
    allowed = {sqlite3.SQLITE_SELECT, sqlite3.SQLITE_READ}
    return sqlite3.SQLITE_OK if action in allowed else sqlite3.SQLITE_DENY


def _tables(database: sqlite3.Connection, report: ReadReport) -> list[str]:
    """List the ordinary tables that have the columns of a log."""
    listed = _listed(database, report)
    found = []
    for kind, name, sql in listed:
        text = sql.decode("utf-8", errors="replace").upper() if isinstance(sql, bytes) else ""
        plain = kind == b"table" and text.startswith("CREATE TABLE")
        if plain and _has_columns(database, _quoted(name)):
            found.append(_quoted(name))
    if not found:
        raise NoFramesError(
            f"{report.name or 'the database'}: has no table with the columns of a CAN log "
            f"({', '.join(_COLUMNS)}).",
            "Give a log that python-can's logger wrote, not another database.",
        )
    return sorted(found)


def _listed(database: sqlite3.Connection, report: ReadReport) -> list[_Row]:
    sql = "SELECT type, name, sql FROM sqlite_master"
    with contextlib.suppress(*_FAILURES):
        return database.execute(sql).fetchall()
    # A file shorter than its header says is refused, except in this mode. Nothing can be
    # written to the schema all the same: the file is open for reading only.
    database.set_authorizer(None)
    database.execute("PRAGMA writable_schema = ON")
    database.set_authorizer(_only_reading)
    try:
        listed = database.execute(sql).fetchall()
    except _FAILURES as error:
        raise InputError(
            f"{report.name or 'the database'}: its list of tables is damaged.",
            "Copy the file from the recorder again.",
        ) from error
    report.add_problem(
        "database", "the file is shorter than it says; the end of it is lost", skipped=1
    )
    return listed


def _quoted(name: object) -> str:
    text = name.decode("utf-8", errors="replace") if isinstance(name, bytes) else str(name)
    return '"' + text.replace('"', '""') + '"'


def _has_columns(database: sqlite3.Connection, table: str) -> bool:
    with contextlib.suppress(*_FAILURES):
        cursor = database.execute(f"SELECT * FROM {table} LIMIT 0")  # noqa: S608 - quoted above
        names = {str(column[0]).lower() for column in cursor.description}
        return names.issuperset(_COLUMNS)
    return False


class _Walk:
    """Goes through a table by row number, and round damaged places.

    Parameters
    ----------
    database : sqlite3.Connection
    table : str
        Quoted name.
    report : ReadReport
    """

    def __init__(self, database: sqlite3.Connection, table: str, report: ReadReport) -> None:
        self._database = database
        self._report = report
        columns = ", ".join(_COLUMNS)
        self._select = f"SELECT rowid, {columns} FROM {table} WHERE rowid"  # noqa: S608 - quoted
        self._steps = self._wasted = 0
        self.broken = False
        database.set_progress_handler(self._step, _STEPS_A_CHECK)

    def _step(self) -> int:
        self._steps += _STEPS_A_CHECK
        return int(self._steps + self._wasted > _MOST_STEPS)

    def blocks(self) -> Iterator[list[_Row]]:
        """Yield rows in order, with their number first."""
        start = -_LARGEST_ROW_ID - 1
        for _ in range(_MOST_GAPS):
            while rows := self._some(start):
                yield rows
                start = rows[-1][0] + 1
                if start > _LARGEST_ROW_ID:
                    return
            if not self.broken:
                return
            after = self._next_readable(start)
            where = "the first row" if start < -_LARGEST_ROW_ID else f"row {start}"
            until = "all rows from it on" if after is None else f"rows up to {after - 1}"
            self._report.add_problem(where, f"the database is damaged; {until} are lost", skipped=1)
            if after is None:
                return
            start = after
        self._report.add_problem(
            "database", "is damaged in too many places; the rest is lost", grave=True
        )

    def _some(self, start: int) -> list[_Row]:
        """Read the next rows; what stands before damage is kept.

        A row whose number does not rise comes from pages that link each other in a circle.
        """
        self._steps, self.broken = 0, False
        rows: list[_Row] = []
        try:
            for row in self._rows(start, _ROWS):
                if row[0] < start:
                    self.broken = True
                    return rows
                rows.append(row)
                start = row[0] + 1
        except _FAILURES:
            self.broken = True
            self._wasted += self._steps
            with contextlib.suppress(*_FAILURES):  # one row more: the engine looks ahead
                rows.extend(row for row in self._rows(start, 1) if row[0] >= start)
        return rows

    def _rows(self, start: int, many: int) -> Iterator[_Row]:
        sql = f"{self._select} >= ? ORDER BY rowid LIMIT {many}"
        return iter(self._database.execute(sql, (start,)))

    def _next_readable(self, start: int) -> int | None:
        """Find the first row from `start` on that can be read: leap, then close in."""
        bad = max(start, 0)
        good, step = self._first_from(bad + 1), 1
        while good is None and bad + 2 * step <= _LARGEST_ROW_ID:
            bad, step = bad + step, 2 * step
            good = self._first_from(bad + step)
        if good is None:
            return None
        while good - bad > 1:
            middle = (bad + good) // 2
            found = self._first_from(middle)
            bad, good = (middle, good) if found is None else (bad, middle)
        return good

    def _first_from(self, row_id: int) -> int | None:
        """Return the number of the first row from `row_id` on, None where that fails."""
        self._steps = 0
        with contextlib.suppress(*_FAILURES):
            row = next(self._rows(row_id, 1), None)
            return None if row is None or row[0] < row_id else int(row[0])
        self._wasted += self._steps
        return None


def _block(rows: list[_Row], bus: int, request: ReadRequest, report: ReadReport) -> FrameBlock:
    good = [row for row in rows if _is_frame(row)]
    if len(good) < len(rows):
        lost = len(rows) - len(good)
        where = f"rows {rows[0][0]} to {rows[-1][0]}"
        report.add_problem(where, f"{lost} rows hold no frame; skipped", skipped=lost)
    columns = list(zip(*good, strict=True)) or [()] * (len(_COLUMNS) + 1)
    _, stamps, ids, extended, remote, error, lengths, data = columns
    can_id = np.array(ids, dtype=np.uint32)
    flags = _flags(extended, remote, error, lengths)
    kept, payload_row = rows_to_keep(can_id, flags, request)
    length = np.array(lengths, dtype=np.uint8)
    wanted = kept[payload_row].tolist()
    return block_of(
        time_ns=_nanoseconds(np.array(stamps, dtype=np.float64)[kept]),
        bus=np.full(len(kept), bus, dtype=np.uint8),
        can_id=can_id[kept],
        flags=flags[kept],
        length=length[kept],
        payload=_payload([data[row][: lengths[row]] for row in wanted]),
        payload_row=payload_row,
    )


def _is_frame(row: _Row) -> bool:
    _, stamp, can_id, extended, remote, error, length, data = row
    if not isinstance(stamp, (float, int)) or not abs(stamp) < _LATEST_S:
        return False
    whole = (can_id, extended, remote, error, length)
    if not all(isinstance(value, int) for value in whole):
        return False
    highest = HIGHEST_ID if extended or error else HIGHEST_STANDARD_ID
    if not 0 <= cast("int", can_id) <= highest or length not in _LENGTHS:
        return False
    return bool(remote) or (isinstance(data, bytes) and len(data) >= cast("int", length))


def _flags(
    extended: Sequence[int], remote: Sequence[int], error: Sequence[int], lengths: Sequence[int]
) -> ByteArray:
    flags = np.where(np.array(extended, dtype=np.bool_), FrameFlag.EXTENDED, 0)
    flags |= np.where(np.array(remote, dtype=np.bool_), FrameFlag.REMOTE, 0)
    flags |= np.where(np.array(lengths, dtype=np.int64) > CLASSIC_BYTES, FrameFlag.FD, 0)
    flags = np.where(np.array(error, dtype=np.bool_), FrameFlag.ERROR, flags)
    return flags.astype(np.uint8)


def _payload(data: list[bytes]) -> ByteArray:
    width = FD_BYTES if any(len(one) > CLASSIC_BYTES for one in data) else CLASSIC_BYTES
    raw = b"".join(one.ljust(width, b"\0") for one in data)
    return np.frombuffer(raw, dtype=np.uint8).reshape(len(data), width)


def _nanoseconds(seconds: FloatArray) -> IntArray:
    """Turn seconds since 1970 into nanoseconds: the shortest decimal that gives the number.

    A 64-bit float keeps 0.24 us at today's date; digits beyond that are none of the recorder's.
    """
    whole = np.floor(seconds)
    part = seconds - whole
    part_ns = np.rint(part * 1e9)
    for places in (8, 7, 6):
        short = np.rint(part * 10**places)
        same = whole + short / 10**places == seconds
        part_ns = np.where(same, short * 10 ** (9 - places), part_ns)
    return whole.astype(np.int64) * NS_PER_S + part_ns.astype(np.int64)

"""Rides, vehicles, jobs and changes as files too: no index is ever the only place of them.

Each is one JSON file with its row and all that hangs on it: notes, vehicle, answers, the
hashes of its files. It is written inside the transaction that changes the row, before that
is kept: after a crash the file is as new as the index or newer, never older.
"""

from __future__ import annotations

import json
import os
import re
import sqlite3
import tempfile
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from collections.abc import Iterator

RECORD_SCHEMA: Final = "canassist-kept/1"
KINDS: Final[Mapping[str, Mapping[str, str]]] = {
    "vehicles": {"vehicle_files": "vehicle", "settled": "vehicle"},
    "repair_jobs": {"repair_checks": "job"},
    "rides": {"ride_files": "ride", "earlier_reports": "ride"},
    "shop": {},
    "changes": {},
}
"""Tables whose rows are kept as files, each with the tables that hang on it and by what column.

A table that refers to another stands after it.
"""

KEYS: Final[Mapping[str, str]] = {kind: "place" if kind == "changes" else "id" for kind in KINDS}
"""The column that names a row of each, and with it the row's file."""

_NAME: Final = re.compile(r"[0-9a-f]{1,64}")
Record = dict[str, Any]  # Any: plain JSON values


class KeptRecords:
    """The files of rides and vehicles.

    Parameters
    ----------
    folder : path
        The data folder.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder / "records"
        self._bin = folder / "bin"

    def keep(self, kind: str, name: str, record: Record) -> None:
        """Write one; it is whole on the disk when this returns."""
        home = self._folder / kind
        home.mkdir(mode=0o700, parents=True, exist_ok=True)
        handle, part = tempfile.mkstemp(prefix="part-", dir=home)
        try:
            with os.fdopen(handle, "w", encoding="utf-8") as file:
                json.dump(record, file, sort_keys=True, ensure_ascii=False)
                file.flush()
                os.fsync(handle)
            Path(part).replace(home / f"{_checked(name)}.json")
        except BaseException:
            Path(part).unlink(missing_ok=True)
            raise

    def drop(self, kind: str, name: str) -> None:
        """Put one into the bin."""
        source = self._folder / kind / f"{_checked(name)}.json"
        self._bin.mkdir(mode=0o700, exist_ok=True)
        with suppress(FileNotFoundError):
            source.replace(self._bin / f"{kind}-{name}.json")
            os.utime(self._bin / f"{kind}-{name}.json")

    def all(self) -> Iterator[tuple[str, str, Record]]:
        """Yield kind, name and content of each; one that is damaged is passed over."""
        for kind in KINDS:
            for path in sorted((self._folder / kind).glob("*.json")):
                with suppress(ValueError, KeyError, TypeError, RecursionError):
                    record = json.loads(path.read_text("utf-8"))
                    named = str(record["row"][KEYS[kind]])
                    if record["schema"] == RECORD_SCHEMA and named == path.stem:
                        yield kind, path.stem, record

    def is_empty(self) -> bool:
        """Tell whether none is kept."""
        return not any(self._folder.glob("*/*.json"))


def watch(index: sqlite3.Connection) -> None:
    """Let a connection note which rides and vehicles it changes."""
    index.execute("CREATE TEMP TABLE touched(kind TEXT, id TEXT, PRIMARY KEY(kind, id))")
    for kind, parts in KINDS.items():
        for table, column in {kind: KEYS[kind], **parts}.items():
            for change, row in (("INSERT", "NEW"), ("UPDATE", "NEW"), ("DELETE", "OLD")):
                head = f"CREATE TEMP TRIGGER {table}_{change} AFTER {change} ON main.{table} BEGIN"
                note = f"INSERT OR IGNORE INTO touched VALUES ('{kind}', {row}.{column})"  # noqa: S608 - our own names
                index.execute(f"{head} {note}; END")


def keep_touched(index: sqlite3.Connection, records: KeptRecords) -> None:
    """Bring to the disk what the transaction in hand has changed."""
    for kind, name in index.execute("SELECT kind, id FROM touched").fetchall():
        record = whole(index, kind, name)
        if record is None:
            records.drop(kind, name)
        else:
            records.keep(kind, name, record)
    index.execute("DELETE FROM touched")


def names(index: sqlite3.Connection, kind: str) -> list[str]:
    """Return the names of all rows of a kind."""
    rows = index.execute(f"SELECT {KEYS[kind]} FROM {kind}").fetchall()  # noqa: S608 - our own table names
    return [str(row[0]) for row in rows]


def whole(index: sqlite3.Connection, kind: str, name: str) -> Record | None:
    """Return a row with all that hangs on it; None where it is not there."""
    row = index.execute(f"SELECT * FROM {kind} WHERE {KEYS[kind]} = ?", (name,)).fetchone()  # noqa: S608 - our own table names
    if row is None:
        return None
    record: Record = {"schema": RECORD_SCHEMA, "row": dict(row)}
    for table, column in KINDS[kind].items():
        text = f"SELECT * FROM {table} WHERE {column} = ? ORDER BY rowid"  # noqa: S608 - the same
        record[table] = [dict(one) for one in index.execute(text, (name,))]
    return record


def put(index: sqlite3.Connection, kind: str, record: Record) -> None:
    """Bring a record into the index, in place of what is there; foreign keys must be off.

    Columns that this version does not know are left out, those that it lacks take defaults.

    Raises
    ------
    sqlite3.Error
        If it holds what no record of ours does.
    """
    name = record["row"][KEYS[kind]]
    _insert(index, kind, record["row"])
    for table, column in KINDS[kind].items():
        index.execute(f"DELETE FROM {table} WHERE {column} = ?", (name,))  # noqa: S608 - our own table names
        for row in record.get(table, ()):
            _insert(index, table, row)


def _insert(index: sqlite3.Connection, table: str, row: Record) -> None:
    known = {one["name"] for one in index.execute(f"PRAGMA table_info({table})")}
    values = {name: value for name, value in row.items() if name in known}
    index.execute(
        f"REPLACE INTO {table}({', '.join(values)}) VALUES ({', '.join('?' * len(values))})",  # noqa: S608 - names of our own columns
        tuple(values.values()),
    )


def _checked(name: str) -> str:
    if not _NAME.fullmatch(name):
        message = "not a name of a record"
        raise ValueError(message)
    return name

"""The index: one SQLite file, one connection a thread."""

from __future__ import annotations

import sqlite3
import threading
from contextlib import contextmanager
from importlib import resources
from typing import TYPE_CHECKING, Final

from canassist.atomic_write import OWNER_ONLY
from canassist.errors import InputError
from canassist.web.store.kept_records import KeptRecords, keep_touched, watch
from canassist.web.store.migrations import VERSION

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

_BUSY_S: Final = 20.0


class Database:
    """Opens the index and hands out connections.

    Parameters
    ----------
    path : path
        The SQLite file; made where missing.

    Raises
    ------
    InputError
        If the file is damaged or of another version; `open_index` says more of both.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._records = KeptRecords(path.parent)
        self._own = threading.local()
        self._open: dict[threading.Thread, sqlite3.Connection] = {}
        self._opening = threading.Lock()
        self._writing = threading.Lock()
        try:
            self._prepare()
        except sqlite3.DatabaseError as error:
            self.close()
            problem = f"{path.name}: the index of rides cannot be used ({error})."
            fix = "Nothing was deleted; start with --rebuild to make the index again."
            raise InputError(problem, fix) from error

    def _prepare(self) -> None:
        index = self._connect()
        version = index.execute("PRAGMA user_version").fetchone()[0]
        if version not in {0, VERSION}:
            message = "of another version"
            raise sqlite3.DatabaseError(message)
        script = resources.files("canassist.web.store").joinpath("schema.sql").read_text("utf-8")
        index.executescript(script)
        index.execute(f"PRAGMA user_version = {VERSION}")
        watch(index)

    def reading(self) -> sqlite3.Connection:
        """Return this thread's connection."""
        found: sqlite3.Connection | None = getattr(self._own, "connection", None)
        if found is None:
            found = self._connect()
            watch(found)
        return found

    def _connect(self) -> sqlite3.Connection:
        if not self._path.exists():  # its side files get the access bits of the index itself
            self._path.touch(mode=OWNER_ONLY)
        made = sqlite3.connect(
            self._path, timeout=_BUSY_S, isolation_level=None, check_same_thread=False
        )
        with self._opening:
            self._close_idle()
            self._open[threading.current_thread()] = made
        made.row_factory = sqlite3.Row
        made.execute("PRAGMA journal_mode = WAL")
        made.execute("PRAGMA synchronous = FULL")
        made.execute("PRAGMA foreign_keys = ON")
        self._own.connection = made
        return made

    @contextmanager
    def writing(self) -> Iterator[sqlite3.Connection]:
        """Give a connection inside one transaction: all of it is kept, or nothing.

        What it changes of rides and vehicles is written to their records first.
        """
        connection = self.reading()
        with self._writing:
            connection.execute("BEGIN IMMEDIATE")
            try:
                yield connection
                keep_touched(connection, self._records)
            except BaseException:
                connection.rollback()
                raise
            connection.commit()

    @contextmanager
    def repairing(self) -> Iterator[sqlite3.Connection]:
        """Give the same with foreign keys off: records come in one by one."""
        self.reading().execute("PRAGMA foreign_keys = OFF")
        try:
            with self.writing() as connection:
                yield connection
        finally:
            self.reading().execute("PRAGMA foreign_keys = ON")

    def _close_idle(self) -> None:
        """Close the connections of threads that have ended: a server has many in its time."""
        for thread in [one for one in self._open if not one.is_alive()]:
            self._open.pop(thread).close()

    @property
    def connections(self) -> int:
        """How many connections are open."""
        return len(self._open)

    def close(self) -> None:
        """Close every thread's connection."""
        with self._opening:
            for connection in self._open.values():
                connection.close()
            self._open.clear()

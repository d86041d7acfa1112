"""The index: one SQLite file, one connection a thread."""

from __future__ import annotations

import sqlite3
import threading
from contextlib import contextmanager
from importlib import resources
from typing import TYPE_CHECKING, Final

from canassist.errors import OutputError

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

VERSION: Final = 1
_BUSY_S: Final = 20.0


class Database:
    """Opens the index and hands out connections.

    Parameters
    ----------
    path : path
        The SQLite file; made where missing.

    Raises
    ------
    OutputError
        If the file is damaged or was written by a later version.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._own = threading.local()
        self._open: dict[threading.Thread, sqlite3.Connection] = {}
        self._opening = threading.Lock()
        self._writing = threading.Lock()
        try:
            self._prepare()
        except sqlite3.DatabaseError as error:
            self.close()
            problem = f"{path.name}: the index of rides cannot be used ({error})."
            fix = "Put back a copy of the data folder, or start with an empty one by --data."
            raise OutputError(problem, fix) from error

    def _prepare(self) -> None:
        version = self.reading().execute("PRAGMA user_version").fetchone()[0]
        if version > VERSION:
            message = "written by a later version"
            raise sqlite3.DatabaseError(message)
        script = resources.files("canassist.web.store").joinpath("schema.sql").read_text("utf-8")
        self.reading().executescript(script)
        self.reading().execute(f"PRAGMA user_version = {VERSION}")

    def reading(self) -> sqlite3.Connection:
        """Return this thread's connection."""
        found: sqlite3.Connection | None = getattr(self._own, "connection", None)
        if found is None:
            found = sqlite3.connect(
                self._path, timeout=_BUSY_S, isolation_level=None, check_same_thread=False
            )
            with self._opening:
                self._close_idle()
                self._open[threading.current_thread()] = found
            found.row_factory = sqlite3.Row
            found.execute("PRAGMA journal_mode = WAL")
            found.execute("PRAGMA synchronous = FULL")
            found.execute("PRAGMA foreign_keys = ON")
            self._own.connection = found
        return found

    @contextmanager
    def writing(self) -> Iterator[sqlite3.Connection]:
        """Give a connection inside one transaction: all of it is kept, or nothing."""
        connection = self.reading()
        with self._writing:
            connection.execute("BEGIN IMMEDIATE")
            try:
                yield connection
            except BaseException:
                connection.rollback()
                raise
            connection.commit()

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

"""What the screening folder remembers: which file has which content, and what is done.

A small database on disk, so that a million logs take no memory here. It is kept for speed
alone: without it, contents are read again and found among the result files.
"""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Iterable, Iterator
from contextlib import closing, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from canassist.errors import OutputError
from canassist.screen.find_logs import FoundLog, clean_text
from canassist.screen.result_files import part_names, part_path, read_part, sweep

if TYPE_CHECKING:
    from types import TracebackType
    from typing import Self

    from canassist.screen.messages import ScreenedOutcome

_NAME: Final = "ledger.sqlite"
_VERSION: Final = 1
_COMMIT_S: Final = 0.5
"""What was noted later than this before a crash is found among the result files."""
_TABLES: Final = """
CREATE TABLE run (number INTEGER);
INSERT INTO run VALUES (0);
CREATE TABLE log (
    log BLOB PRIMARY KEY, size INTEGER, changed TEXT, inside BLOB,
    sha256 BLOB, run INTEGER, reason TEXT) WITHOUT ROWID;
CREATE INDEX log_by_content ON log (sha256);
CREATE TABLE part (id INTEGER PRIMARY KEY, settings TEXT, name TEXT, UNIQUE (settings, name));
CREATE TABLE done (
    settings TEXT, sha256 BLOB, part INTEGER, PRIMARY KEY (settings, sha256)) WITHOUT ROWID;
CREATE INDEX done_by_part ON done (part);
"""
_GATHER: Final = """
INSERT INTO log VALUES (?, ?, ?, ?, NULL, ?, ?)
ON CONFLICT (log) DO UPDATE SET
    sha256 = CASE WHEN size = excluded.size AND changed = excluded.changed AND changed <> ''
        THEN sha256 END,
    size = excluded.size, changed = excluded.changed, inside = excluded.inside,
    run = excluded.run, reason = excluded.reason
WHERE log.run <> excluded.run
"""
_PLAN: Final = """
CREATE TEMP TABLE todo AS SELECT log, size, changed, inside FROM log
WHERE run = :run AND reason = '' AND (
    :again OR sha256 IS NULL
    OR sha256 NOT IN (SELECT sha256 FROM done WHERE settings = :settings))
ORDER BY size DESC, log
"""
_OF_PART: Final = """
SELECT log.sha256, log.log, size, changed, inside, log.log <> (
    SELECT min(log) FROM log AS other WHERE other.sha256 = log.sha256 AND other.run = log.run)
FROM done JOIN log ON log.sha256 = done.sha256 AND log.run = :run AND log.reason = ''
WHERE done.part = :part ORDER BY log.log
"""


_USELESS: Final = (sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_CORRUPT)


class _OtherVersionError(sqlite3.DatabaseError):
    """A ledger of another version of canassist."""

    sqlite_errorcode = sqlite3.SQLITE_NOTADB


def _primary(error: sqlite3.Error) -> int:
    """Return an error's kind without its details; -1 where the library tells none."""
    code = getattr(error, "sqlite_errorcode", -1)
    return code & 0xFF if code >= 0 else -1


class Ledger:
    """Contents by address, and result files by content; one run at a time may hold it.

    Parameters
    ----------
    folder : path
        Where it lies.

    Attributes
    ----------
    run : int
        Number of this run in this folder.

    Raises
    ------
    OutputError
        On entering, where another run holds it or it cannot be written.
    """

    def __init__(self, folder: Path) -> None:
        self._path = folder / _NAME
        self.run = 0
        self._settings = ""
        self._committed_s = 0.0

    def __enter__(self) -> Self:
        try:
            try:
                self._open()
            except sqlite3.DatabaseError as error:
                if _primary(error) not in _USELESS:
                    raise
                for suffix in ("", "-journal"):
                    self._path.with_name(_NAME + suffix).unlink(missing_ok=True)
                self._open()
        except sqlite3.DatabaseError as error:
            raise self._cannot(error) from error
        return self

    def _open(self) -> None:
        self._base = sqlite3.connect(self._path, isolation_level=None, timeout=0)
        try:
            self._base.execute("PRAGMA locking_mode = EXCLUSIVE")
            self._base.execute("PRAGMA synchronous = OFF")
            self._base.execute("BEGIN EXCLUSIVE")
            version = self._base.execute("PRAGMA user_version").fetchone()[0]
            if version == 0:
                for statement in _TABLES.split(";"):
                    self._base.execute(statement)
                self._base.execute(f"PRAGMA user_version = {_VERSION}")
            elif version != _VERSION:
                raise _OtherVersionError("of another version")
            self._base.execute("UPDATE run SET number = number + 1")
            self.run = self._base.execute("SELECT number FROM run").fetchone()[0]
        except sqlite3.DatabaseError:
            self._base.close()
            raise

    def _cannot(self, error: sqlite3.Error) -> OutputError:
        folder = self._path.parent.parent
        if _primary(error) == sqlite3.SQLITE_BUSY:
            problem = f"{folder}: another screening is at work there."
            return OutputError(problem, "Wait for it to end, or choose another folder.")
        problem = f"{self._path}: cannot be written ({error})."
        return OutputError(problem, "Choose a folder that is yours and has room.")

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        try:
            if self._base.in_transaction:
                self._base.execute("COMMIT")
        except sqlite3.Error as worse:
            raise self._cannot(worse) from error
        finally:
            self._base.close()
        if isinstance(error, sqlite3.Error):
            raise self._cannot(error) from error

    def gather(self, found: Iterable[FoundLog]) -> int:
        """Take note of the logs of this run, each once; return how many there are."""
        rows = (
            (
                _raw(item.log),
                item.size,
                item.changed,
                _raw(item.inside),
                self.run,
                clean_text(item.reason),
            )
            for item in found
        )
        self._base.executemany(_GATHER, rows)
        return self._count("SELECT count(*) FROM log WHERE run = ?", self.run)

    def strangers(self) -> int:
        """Return how many logs of this run have a content that is not known."""
        query = "SELECT count(*) FROM log WHERE run = ? AND reason = '' AND sha256 IS NULL"
        return self._count(query, self.run)

    def learn(self, settings: str, folder: Path) -> None:
        """Make what is done agree with the result files that lie in a folder."""
        self._settings = settings
        sweep(folder)
        query = "SELECT name, id FROM part WHERE settings = ?"
        listed = dict(self._base.execute(query, (settings,)))
        for name in part_names(folder):
            if listed.pop(name, None) is None:
                rows = read_part(folder, name) or ()
                self._take(name, (bytes.fromhex(row["sha256"]) for row in rows))
        for part in listed.values():
            self._forget(part)

    def _take(self, name: str, hashes: Iterable[bytes]) -> None:
        known = (self._settings, name)
        self._base.execute("INSERT OR IGNORE INTO part (settings, name) VALUES (?, ?)", known)
        part = self._count("SELECT id FROM part WHERE settings = ? AND name = ?", *known)
        rows = ((self._settings, sha256, part) for sha256 in hashes)
        self._base.executemany("INSERT OR REPLACE INTO done VALUES (?, ?, ?)", rows)

    def _forget(self, part: int) -> None:
        self._base.execute("DELETE FROM done WHERE part = ?", (part,))
        self._base.execute("DELETE FROM part WHERE id = ?", (part,))

    def plan(self, *, again: bool) -> tuple[int, int]:
        """Choose what is to be done; return how many logs, and their bytes."""
        self._base.execute("DROP TABLE IF EXISTS temp.todo")
        asked = {"run": self.run, "settings": self._settings, "again": again}
        self._base.execute(_PLAN, asked)
        query = "SELECT count(*), coalesce(sum(size), 0) FROM temp.todo"
        count, size = self._base.execute(query).fetchone()
        return int(count), int(size)

    def done_otherwise(self) -> int:
        """Return how many contents of this run were done by other settings, and not by these."""
        query = """
        SELECT count(DISTINCT sha256) FROM done WHERE settings <> :settings
        AND sha256 IN (SELECT sha256 FROM log WHERE run = :run)
        AND sha256 NOT IN (SELECT sha256 FROM done WHERE settings = :settings)"""
        asked = {"settings": self._settings, "run": self.run}
        with closing(self._base.execute(query, asked)) as answer:
            return int(answer.fetchone()[0])

    def todo(self) -> Iterator[FoundLog]:
        """Give the logs that are to be done, the largest first."""
        query = "SELECT log, size, changed, inside FROM temp.todo ORDER BY rowid"
        for row in self._base.execute(query):
            yield _found(*row)

    def done_hashes(self) -> Iterator[bytes]:
        """Give the contents that are done, in rising order."""
        query = "SELECT sha256 FROM done WHERE settings = ? ORDER BY sha256"
        return (sha256 for (sha256,) in self._base.execute(query, (self._settings,)))

    def note(self, done: ScreenedOutcome) -> None:
        """Remember what became of a log."""
        sha256 = bytes.fromhex(done.sha256) or None
        facts = (sha256, clean_text(done.reason), _raw(done.log))
        self._base.execute("UPDATE log SET sha256 = ?, reason = ? WHERE log = ?", facts)
        if done.part and sha256:
            self._take(done.part, [sha256])
        if time.monotonic() - self._committed_s > _COMMIT_S:
            self._base.execute("COMMIT")
            self._base.execute("BEGIN")
            self._committed_s = time.monotonic()

    def parts(self) -> Iterator[tuple[int, str]]:
        """Give the result files that are in use: number and name."""
        query = (
            "SELECT id, name FROM part WHERE settings = ? "
            "AND EXISTS (SELECT 1 FROM done WHERE done.part = part.id) ORDER BY name"
        )
        return iter(self._base.execute(query, (self._settings,)))

    def of_part(self, part: int) -> Iterator[tuple[str, FoundLog, bool]]:
        """Give the logs of this run whose result lies there.

        Yields
        ------
        sha256 : str
        found : FoundLog
        duplicate : bool
            Whether the same content has an earlier address.
        """
        asked = {"run": self.run, "part": part}
        for sha256, *facts, duplicate in self._base.execute(_OF_PART, asked):
            yield sha256.hex(), _found(*facts), bool(duplicate)

    def address(self, sha256: str) -> str:
        """Return the first address of a content in this run."""
        query = "SELECT min(log) FROM log WHERE sha256 = ? AND run = ?"
        row = self._base.execute(query, (bytes.fromhex(sha256), self.run)).fetchone()
        return bytes(row[0]).decode("utf-8", "surrogatepass")

    def failed(self) -> Iterator[tuple[FoundLog, str]]:
        """Give the logs of this run that have no result, with the reason."""
        query = (
            "SELECT log, size, changed, inside, reason FROM log "
            "WHERE run = ? AND reason <> '' ORDER BY log"
        )
        for *facts, reason in self._base.execute(query, (self.run,)):
            yield _found(*facts), reason

    def drop_part(self, part: int, name: str, folder: Path) -> None:
        """Remove a result file and forget it, so that its logs are done again."""
        with suppress(OSError):  # what stays there is found damaged, or replaced, again
            part_path(folder, name).unlink()
        self._forget(part)

    def drop_unused(self, folder: Path) -> None:
        """Remove the result files that others have replaced."""
        query = (
            "SELECT id, name FROM part WHERE settings = ? "
            "AND NOT EXISTS (SELECT 1 FROM done WHERE done.part = part.id)"
        )
        for part, name in self._base.execute(query, (self._settings,)).fetchall():
            self.drop_part(part, name, folder)

    def _count(self, query: str, *values: object) -> int:
        with closing(self._base.execute(query, values)) as answer:
            return int(answer.fetchone()[0])


def _raw(text: str) -> bytes:
    """Return a name as bytes: one that is no valid Unicode is a name all the same."""
    return text.encode("utf-8", "surrogatepass")


def _found(log: bytes, size: int, changed: str, inside: bytes, *_: Any) -> FoundLog:  # noqa: ANN401 - a row's rest
    return FoundLog(
        log.decode("utf-8", "surrogatepass"),
        size,
        changed,
        inside.decode("utf-8", "surrogatepass"),
    )

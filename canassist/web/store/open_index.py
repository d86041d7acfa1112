"""Opens a data folder's index, or says why not: a damaged index never costs a file.

An older index is copied and brought to this version. A missing, empty, damaged or newer one
beside kept files is refused with the way out. Where the index and the records beside it
differ, the records win: they are written first.
"""

from __future__ import annotations

import logging
import sqlite3
import time
from contextlib import closing
from typing import TYPE_CHECKING, Final

from canassist.errors import InputError
from canassist.web.store import kept_records
from canassist.web.store.content_files import make_private
from canassist.web.store.index_database import Database
from canassist.web.store.kept_records import KeptRecords
from canassist.web.store.migrations import VERSION, migrate

if TYPE_CHECKING:
    from pathlib import Path

log = logging.getLogger("canassist.web")

INDEX: Final = "index.sqlite"
_SIDE_FILES: Final = ("", "-wal", "-shm")
_WAY_OUT: Final = (
    "Nothing was deleted. Start `canassist serve --rebuild` on this folder to make the index "
    "again from what is kept, or `canassist restore` a backup into another folder."
)


def open_index(folder: Path) -> Database:
    """Return a data folder's index, made where the folder is new.

    Raises
    ------
    InputError
        If it cannot be used, or is not there though files are kept.
    """
    path = folder / INDEX
    make_private(folder)
    version = _version(folder, path)
    if version and version < VERSION:
        _bring_forward(path, version)
    database = Database(path)
    try:
        _agree(database, KeptRecords(folder))
    except (sqlite3.DatabaseError, UnicodeDecodeError) as error:
        database.close()
        raise _refused(folder, f"the index of rides is damaged ({error})") from error
    return database


def holds_files(folder: Path) -> bool:
    """Tell whether anything is kept in a data folder."""
    kept = any(folder.glob("files/??/*")) or any(folder.glob("bin/*"))
    return kept or not KeptRecords(folder).is_empty()


def put_aside(folder: Path) -> None:
    """Put an index that is not to be used into the bin."""
    stamp = time.strftime("%Y%m%d-%H%M%S")
    (folder / "bin").mkdir(mode=0o700, exist_ok=True)
    for end in _SIDE_FILES:
        if (folder / f"{INDEX}{end}").exists():
            (folder / f"{INDEX}{end}").replace(folder / "bin" / f"index-{stamp}.sqlite{end}")


def _version(folder: Path, path: Path) -> int:
    """Return an index's version once it proved sound; 0 where a new one may be made."""
    if not path.exists() or path.stat().st_size == 0:
        if holds_files(folder):
            what = "is empty" if path.exists() else "is missing"
            raise _refused(folder, f"the index of rides {what}, and files are kept beside it")
        return 0
    try:
        with closing(sqlite3.connect(path)) as index:
            found = index.execute("PRAGMA integrity_check(1)").fetchone()[0]
            version = int(index.execute("PRAGMA user_version").fetchone()[0])
            tables = index.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]
            index.execute("SELECT count(*) FROM rides").fetchone()
    except (sqlite3.DatabaseError, UnicodeDecodeError) as error:
        raise _refused(folder, f"the index of rides is damaged ({error})") from error
    if found != "ok" or version < 1 or not tables:
        raise _refused(folder, f"the index of rides is damaged ({found})")
    if version > VERSION:
        problem = f"{folder}: its index was written by a newer canassist (version {version})."
        raise InputError(problem, f"Use that one, or else: {_WAY_OUT}")
    return version


def _refused(folder: Path, what: str) -> InputError:
    return InputError(f"{folder}: {what}.", _WAY_OUT)


def _bring_forward(path: Path, version: int) -> None:
    """Copy an older index and bring it to this version, with its rides as files too."""
    copy = path.with_name(f"index.version-{version}.sqlite")
    copy.touch(mode=0o600)
    try:
        with closing(sqlite3.connect(path)) as index, closing(sqlite3.connect(copy)) as other:
            index.backup(other)
            migrate(index, version)
    except sqlite3.DatabaseError as error:
        raise _refused(path.parent, f"its index cannot be brought to this version ({error})") from (
            error
        )


def _agree(database: Database, records: KeptRecords) -> None:
    """Let index and records say the same; what only one of them has comes to the other."""
    seen: set[tuple[str, str]] = set()
    with database.repairing() as index:
        for kind, name, record in records.all():
            seen.add((kind, name))
            if kept_records.whole(index, kind, name) != record:
                log.warning("%s %s: taken from its record", kind, name)
                _put(index, kind, record)
        for kind in kept_records.KINDS:
            for name in kept_records.names(index, kind):
                found = kept_records.whole(index, kind, name)
                if (kind, name) not in seen and found is not None:
                    records.keep(kind, name, found)


def _put(index: sqlite3.Connection, kind: str, record: kept_records.Record) -> None:
    try:
        kept_records.put(index, kind, record)
    except (sqlite3.Error, KeyError, TypeError, AttributeError):
        log.exception("a record of %s was passed over", kind)

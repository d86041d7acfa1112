"""A data folder as one file and back, also while a page serves it.

Kept files never change, so only the index needs a moment's copy; what it names is then packed
file by file. What is swept away meanwhile still lies in the bin.
"""

from __future__ import annotations

import hashlib
import io
import json
import os
import re
import shutil
import sqlite3
import tempfile
import zipfile
from contextlib import closing, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Final

from canassist.errors import InputError, OutputError
from canassist.version import VERSION
from canassist.web.store import kept_records
from canassist.web.store.content_files import make_private
from canassist.web.store.migrations import VERSION as INDEX_VERSION
from canassist.web.store.open_index import INDEX
from canassist.web.store.products import WANTED

if TYPE_CHECKING:
    from collections.abc import Iterator

BACKUP_SCHEMA: Final = "canassist-backup/1"
_LIST: Final = "backup.json"
_KEPT: Final = re.compile(r"files/([0-9a-f]{2})/(\1[0-9a-f]{62})")
_RECORD: Final = re.compile(rf"records/(?:{'|'.join(kept_records.KINDS)})/[0-9a-f]{{1,64}}\.json")
_PIECE: Final = 1 << 20


def backup(folder: Path, target: Path) -> int:
    """Pack all that a data folder keeps into one file; return how many rides are in it.

    Secrets (the key of sessions) and logs of the page are left out.

    Raises
    ------
    InputError
        If it is no data folder of this version, or a file that its index names is gone.
    OutputError
        If the backup cannot be written.
    """
    index = _snapshot(folder)
    with closing(index):
        count = int(index.execute("SELECT count(*) FROM rides").fetchone()[0])
        try:
            handle, part = tempfile.mkstemp(prefix=f".{target.name[:40]}.", dir=target.parent)
        except OSError as error:
            raise _cannot_write(target, error) from error
        try:
            with os.fdopen(handle, "wb") as file:
                with zipfile.ZipFile(file, "w", zipfile.ZIP_STORED) as packed:
                    _pack(index, folder, packed, count)
                file.flush()
                os.fsync(handle)
            Path(part).replace(target)
        except OSError as error:
            raise _cannot_write(target, error) from error
        finally:
            Path(part).unlink(missing_ok=True)
    return count


def _snapshot(folder: Path) -> sqlite3.Connection:
    """Return a copy of the index, in memory."""
    path = folder / INDEX
    if not path.is_file():
        problem = f"{folder}: no data folder of canassist (it has no {INDEX})."
        raise InputError(problem, "Name the folder that `canassist serve` tells at its start.")
    copy = sqlite3.connect(":memory:")
    copy.row_factory = sqlite3.Row
    try:
        with closing(sqlite3.connect(path, timeout=20)) as index:
            index.backup(copy)
        version = copy.execute("PRAGMA user_version").fetchone()[0]
        sound = copy.execute("PRAGMA quick_check(1)").fetchone()[0]
    except sqlite3.DatabaseError as error:
        version, sound = 0, str(error)
    if version != INDEX_VERSION or sound != "ok":
        copy.close()
        problem = f"{folder}: its index is of another version, or damaged."
        raise InputError(problem, "Start `canassist serve` on it once; it says what to do.")
    return copy


def _pack(index: sqlite3.Connection, folder: Path, packed: zipfile.ZipFile, count: int) -> None:
    packed.writestr(INDEX, index.serialize())
    for kind in kept_records.KINDS:
        for name in kept_records.names(index, kind):
            record = kept_records.whole(index, kind, name)
            text = json.dumps(record, sort_keys=True, ensure_ascii=False)
            packed.writestr(f"records/{kind}/{name}.json", text.encode())
    names = sorted(_wanted(index))
    for sha256 in names:
        _pack_file(folder, packed, sha256)
    told = {"schema": BACKUP_SCHEMA, "version": VERSION, "rides": count, "files": len(names)}
    packed.writestr(_LIST, json.dumps(told))


def _wanted(index: sqlite3.Connection) -> set[str]:
    return {row[0] for text in WANTED for row in index.execute(text) if row[0]}


def _pack_file(folder: Path, packed: zipfile.ZipFile, sha256: str) -> None:
    """Pack one kept file; it may be on its way into the bin."""
    for path in (folder / "files" / sha256[:2] / sha256, folder / "bin" / sha256) * 2:
        with suppress(FileNotFoundError):
            packed.write(path, f"files/{sha256[:2]}/{sha256}")
            return
    # A product such as a PDF is made again when it is asked for; a ride's own files are not.
    problem = f"{folder}: a file that its index names is gone ({sha256})."
    raise InputError(problem, "Start `canassist serve --rebuild` on it, then try again.")


def restore(source: Path, folder: Path) -> int:
    """Unpack a backup into a new data folder; return how many rides came with it.

    Raises
    ------
    InputError
        If it is no backup, or damaged: every file is held to its hash.
    OutputError
        If the folder holds something, or cannot be written.
    """
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        problem = f"{folder}: holds something already, and nothing is overwritten."
        raise OutputError(problem, "Name a folder that is new or empty.")
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        part = Path(tempfile.mkdtemp(prefix=f".{folder.name[:40]}.", dir=folder.parent))
    except OSError as error:
        raise _cannot_write(folder, error) from error
    try:
        count = _unpack(source, part)
        make_private(part)
        if folder.exists():
            folder.rmdir()
        part.replace(folder)
    except zipfile.BadZipFile as error:
        raise _no_backup(source, str(error)) from error
    except OSError as error:
        if error.filename == str(source):
            raise _no_backup(source, str(error.strerror)) from error
        raise _cannot_write(folder, error) from error
    finally:
        shutil.rmtree(part, ignore_errors=True)
    return count


def _unpack(source: Path, folder: Path) -> int:
    with zipfile.ZipFile(source) as packed:
        try:
            told = json.load(io.TextIOWrapper(packed.open(_LIST), "utf-8"))
            count, files = int(told["rides"]), int(told["files"])
            if told["schema"] != BACKUP_SCHEMA:
                raise _no_backup(source, "of another kind")
        except (KeyError, ValueError, TypeError) as error:
            raise _no_backup(source, "it has no list of its own") from error
        kept = 0
        for name in _names(source, packed):
            digest = _unpack_one(packed, name, folder / name)
            if found := _KEPT.fullmatch(name):
                kept += 1
                if digest != found[2]:
                    raise _no_backup(source, f"{name} is damaged")
        if kept != files:
            raise _no_backup(source, f"{kept} of {files} files are in it")
    return count


def _names(source: Path, packed: zipfile.ZipFile) -> Iterator[str]:
    """Yield names of files; any that is none of ours ends it all."""
    for item in packed.infolist():
        ours = item.filename in {INDEX, _LIST}
        ours = ours or bool(_KEPT.fullmatch(item.filename) or _RECORD.fullmatch(item.filename))
        if not ours or item.compress_type != zipfile.ZIP_STORED:
            raise _no_backup(source, "it holds what no backup does")
        if item.filename != _LIST:
            yield item.filename


def _unpack_one(packed: zipfile.ZipFile, name: str, target: Path) -> str:
    target.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    digest = hashlib.sha256()
    with packed.open(name) as content, target.open("xb") as file:
        while data := content.read(_PIECE):
            digest.update(data)
            file.write(data)
    target.chmod(0o600)
    return digest.hexdigest()


def _no_backup(source: Path, why: str) -> InputError:
    problem = f"{source.name}: no backup of canassist, or a damaged one ({why})."
    return InputError(problem, "Give a file that `canassist backup` wrote.")


def _cannot_write(path: Path, error: OSError) -> OutputError:
    problem = f"{path}: cannot be written ({error.strerror or error})."
    return OutputError(problem, "Choose a place that exists, is yours and has room.")

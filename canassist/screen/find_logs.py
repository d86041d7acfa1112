"""Which logs there are."""

from __future__ import annotations

import csv
import glob
import os
import re
import stat
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from importlib import util
from pathlib import Path, PurePosixPath
from typing import Any, Final

from canassist.errors import InputError, MissingExtraError
from canassist.frames import readers

_PACKED: Final = (".gz", ".xz", ".zst", ".bz2", ".zip")
_LIST_MARK: Final = "@"
_WILD: Final = frozenset("*?[")


@dataclass(frozen=True, slots=True)
class FoundLog:
    """A log as it was found.

    Attributes
    ----------
    log : str
        Its address.
    size : int
        Bytes; 0 where unknown.
    changed : str
        What differs once the file is written again; empty where its store tells nothing
        of the kind, and then it is read anew each time.
    inside : str
        Path below the folder that was given: what names the vehicle may stand in it.
    reason : str
        Why it cannot be used; empty where nothing is known against it.
    """

    log: str
    size: int = 0
    changed: str = ""
    inside: str = ""
    reason: str = ""


def find_logs(places: Sequence[str], *, leave_out: Iterable[Path] = ()) -> Iterator[FoundLog]:
    """Find every log under folders, file names, patterns, lists and storage addresses.

    Parameters
    ----------
    places : sequence of str
        A folder (searched to the bottom), a file, a pattern with ``*``, ``@FILE`` (a
        list, one place a line, or a CSV with a column ``log``) or an address such as
        ``s3://bucket/rides``.
    leave_out : iterable of path
        Folders and files in which no log is looked for.

    Yields
    ------
    FoundLog
        In any order; one that lies under two places comes twice. A folder that cannot be
        opened comes as a log that cannot be used.

    Raises
    ------
    InputError
        If a place does not exist.
    """
    hidden = frozenset(path.resolve() for path in leave_out)
    endings = _endings()
    for place in _listed(places):
        yield from _at(place, endings, hidden)


def _endings() -> frozenset[str]:
    return frozenset(ending.lower() for reader in readers() for ending in reader.endings)


def _looks_like_log(name: str, endings: frozenset[str]) -> bool:
    path = PurePosixPath(name.lower())
    if path.name.startswith("."):
        return False
    if path.suffix in _PACKED:
        inner = PurePosixPath(path.stem).suffix
        return inner in endings or path.suffix == ".zip"
    return path.suffix in endings


def _listed(places: Sequence[str]) -> Iterator[str]:
    for place in places:
        if not place.startswith(_LIST_MARK):
            yield place
            continue
        path = Path(place[1:])
        try:
            lines = path.read_text("utf-8").splitlines()
        except (OSError, UnicodeDecodeError) as error:
            problem = f"{path.name}: this list of logs cannot be read."
            raise InputError(problem, "Give a text file with one place a line.") from error
        if path.suffix.lower() == ".csv":
            rows = csv.DictReader(lines)
            if "log" not in (rows.fieldnames or ()):
                problem = f"{path.name}: line 1 does not name the column log."
                raise InputError(problem, "Name it there, or give one place a line in a text file.")
            yield from (row["log"] for row in rows if row["log"])
            continue
        yield from (line.strip() for line in lines if line.strip() and line[0] != "#")


def _at(place: str, endings: frozenset[str], hidden: frozenset[Path]) -> Iterator[FoundLog]:
    if is_remote(place):
        yield from _stored(place, endings)
        return
    path = Path(place)
    if path.is_dir():
        real = path.resolve()
        if not any(item == real or item in real.parents for item in hidden):
            yield from _below(path, real, "", endings, hidden)
    elif path.is_file():
        yield _local(str(path), path.name)
    elif _WILD & set(place):
        yield from _matching(place, endings, hidden)
    else:
        raise InputError(f"{place}: no such file or folder.", "Check its name.")


def _matching(place: str, endings: frozenset[str], hidden: frozenset[Path]) -> Iterator[FoundLog]:
    """Find what a pattern names: folders to the bottom, files as they are."""
    for name in glob.iglob(place, recursive=True):  # noqa: PTH207 - a pattern may be absolute
        path = Path(name)
        if path.is_dir():
            yield from _at(name, endings, hidden)
        elif path.resolve() not in hidden:
            yield _local(name, path.name)


def _below(
    folder: Path, real: Path, inside: str, endings: frozenset[str], hidden: frozenset[Path]
) -> Iterator[FoundLog]:
    """Search a folder entry by entry: a million files are never held at once.

    `real` is the folder without links. Links to folders are not followed.
    """
    try:
        with os.scandir(folder) as entries:
            for entry in entries:
                if entry.name.startswith(".") or real / entry.name in hidden:
                    continue
                below = f"{inside}{entry.name}"
                if entry.is_dir(follow_symlinks=False):
                    yield from _below(
                        Path(entry.path), real / entry.name, f"{below}/", endings, hidden
                    )
                elif _looks_like_log(entry.name, endings) and not entry.is_dir():
                    yield _local(entry.path, below)
    except OSError as error:
        reason = f"{folder.name}: this folder cannot be opened ({error.strerror})."
        yield FoundLog(str(folder), inside=inside, reason=reason)


def _local(path: str, inside: str) -> FoundLog:
    try:
        facts = Path(path).stat()
    except OSError as error:
        reason = f"{Path(path).name}: cannot be read ({error.strerror})."
        return FoundLog(path, inside=inside, reason=reason)
    if not stat.S_ISREG(facts.st_mode):
        return FoundLog(path, inside=inside, reason=f"{Path(path).name}: is no file.")
    return FoundLog(path, facts.st_size, str(facts.st_mtime_ns), inside)


def is_remote(place: str) -> bool:
    """Tell whether a place is an address in some store, not a path on this machine."""
    return re.match(r"[a-z][a-z0-9+.-]+://", place) is not None


def clean_text(text: str) -> str:
    """Return a name as valid Unicode: bytes that are none are spelled out."""
    return text.encode("utf-8", "backslashreplace").decode("utf-8")


def without_login(address: str) -> str:
    """Return an address without name and password, which tables and pages shall not carry."""
    return re.sub(r"://[^/@\s]*@", "://", address)


def require_store() -> None:
    """Refuse addresses in a store where the library for them is not installed.

    Raises
    ------
    MissingExtraError
        Naming the extra.
    """
    if util.find_spec("fsspec") is None:
        problem = "Logs in a store need fsspec, which is not installed."
        raise MissingExtraError(problem, 'Install it with `pip install "canassist[cluster]"`.')


def _stored(place: str, endings: frozenset[str]) -> Iterator[FoundLog]:
    require_store()
    import fsspec  # noqa: PLC0415 - an extra

    chain = "".join(place.partition("::")[1:])  # the store within which this one lies
    nothing = True
    try:
        store, root = fsspec.core.url_to_fs(place)
        for name, fact in _facts(store, root):
            nothing = False
            alone = name == root  # a file that was named is taken whatever its ending
            if fact.get("type") == "file" and (alone or _looks_like_log(name, endings)):
                inside = name.removeprefix(root.rstrip("/")).lstrip("/")
                yield FoundLog(
                    store.unstrip_protocol(name) + chain,
                    int(fact.get("size") or 0),
                    _changed(fact),
                    inside or PurePosixPath(name).name,
                )
    except Exception as error:  # each store has its own kinds of error
        why = f"{type(error).__name__}: {error}".rstrip(": ")
        problem = f"{without_login(place)}: cannot be listed ({why})."
        raise InputError(problem, "Check the address and that this store is reachable.") from error
    if nothing:
        raise InputError(f"{without_login(place)}: nothing lies there.", "Check the address.")


def _facts(
    store: Any,  # noqa: ANN401 - the library is not typed
    root: str,
) -> Iterator[tuple[str, Mapping[str, Any]]]:  # Any: untyped library
    """Give name and facts of what lies in a store, a folder at a time."""
    if _WILD & set(root) and not store.exists(root):
        yield from store.glob(root, detail=True).items()
        return
    nothing = True
    for _, _, files in store.walk(root, detail=True, on_error="raise"):
        for fact in files.values():
            nothing = False
            yield fact["name"], fact
    if nothing:
        yield root, store.info(root)


def _changed(fact: Mapping[str, Any]) -> str:  # Any: each store has its own facts
    """Return what a store says that differs once a file is written again."""
    known = (fact.get(name) for name in ("ETag", "etag", "LastModified", "mtime", "created"))
    return next((str(value) for value in known if value), "")

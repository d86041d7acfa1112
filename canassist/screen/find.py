"""Which logs there are, and which vehicle each belongs to."""

from __future__ import annotations

import csv
import glob
import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from fnmatch import fnmatchcase
from importlib import util
from pathlib import Path, PurePosixPath
from typing import Final

from canassist.errors import InputError, MissingExtraError, UsageError
from canassist.readers.registry import readers

_PACKED: Final = (".gz", ".xz", ".zst", ".bz2", ".zip")
_LIST_MARK: Final = "@"
_WILD: Final = frozenset("*?[")


@dataclass(frozen=True, slots=True)
class FoundLog:
    """A log's address, its size in bytes and when it was changed (0 where unknown)."""

    log: str
    size: int
    changed_ns: int
    inside: str
    """Path below the folder that was given: what names the vehicle may stand in it."""


@dataclass(frozen=True, slots=True)
class Vehicle:
    """What is known of the vehicle that a log belongs to."""

    name: str
    batch: str = ""
    model_year: str = ""


def find_logs(places: Sequence[str], *, leave_out: Iterable[Path] = ()) -> list[FoundLog]:
    """Find every log under folders, file names, patterns, lists and storage addresses.

    Parameters
    ----------
    places : sequence of str
        A folder (searched to the bottom), a file, a pattern with ``*``, ``@FILE`` (a
        list, one place a line) or an address such as ``s3://bucket/rides``.
    leave_out : iterable of path
        Folders and files in which no log is looked for.

    Returns
    -------
    list of FoundLog
        Sorted by address, each once.

    Raises
    ------
    InputError
        If a place does not exist or no log is found at all.
    """
    hidden = [path.resolve() for path in leave_out]
    endings = _endings()
    found: dict[str, FoundLog] = {}
    for place in _listed(places):
        for item in _at(place, endings, hidden):
            found.setdefault(item.log, item)
    if not found:
        problem = f"No log was found in {', '.join(places)}."
        raise InputError(problem, "Check the folder; logs are known by their ending.")
    return [found[log] for log in sorted(found)]


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
        yield from (line.strip() for line in lines if line.strip() and line[0] != "#")


def _at(place: str, endings: frozenset[str], hidden: list[Path]) -> Iterator[FoundLog]:
    if is_remote(place):
        yield from _stored(place, endings)
        return
    path = Path(place)
    if path.is_dir():
        yield from _below(path, endings, hidden)
    elif path.is_file():
        yield _local(path, path.name)
    elif _WILD & set(place):
        for name in sorted(glob.glob(place, recursive=True)):  # noqa: PTH207 - a pattern may be absolute
            yield from _at(name, endings, hidden) if not _WILD & set(name) else ()
    else:
        raise InputError(f"{place}: no such file or folder.", "Check its name.")


def _below(folder: Path, endings: frozenset[str], hidden: list[Path]) -> Iterator[FoundLog]:
    for path in sorted(folder.rglob("*")):
        inside = path.relative_to(folder)
        if any(part.startswith(".") for part in inside.parts) or not path.is_file():
            continue
        real = path.resolve()
        if any(real == item or item in real.parents for item in hidden):
            continue
        if _looks_like_log(path.name, endings):
            yield _local(path, inside.as_posix())


def _local(path: Path, inside: str) -> FoundLog:
    facts = path.stat()
    return FoundLog(str(path), facts.st_size, facts.st_mtime_ns, inside)


def is_remote(place: str) -> bool:
    """Tell whether a place is an address in some store, not a path on this machine."""
    return re.match(r"[a-z][a-z0-9+.-]+://", place) is not None


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

    try:
        store, root = fsspec.core.url_to_fs(place)
        if _WILD & set(place):
            facts = store.glob(root, detail=True)
        else:
            facts = store.find(root, detail=True)
    except (OSError, ValueError, ImportError) as error:
        problem = f"{place}: cannot be listed ({error})."
        raise InputError(problem, "Check the address and that this store is reachable.") from error
    base = root.rstrip("/")
    for name, fact in sorted(facts.items()):
        if fact.get("type") == "file" and _looks_like_log(name, endings):
            inside = name.removeprefix(base).lstrip("/") or PurePosixPath(name).name
            yield FoundLog(store.unstrip_protocol(name), int(fact.get("size") or 0), 0, inside)


def vehicle_finder(table: Path | None, pattern: str) -> Callable[[FoundLog], Vehicle | None]:
    """Return what tells a log's vehicle: a table, a pattern, or the folder it lies in.

    Parameters
    ----------
    table : path, optional
        CSV with the columns ``log`` (a name, path or pattern) and ``vehicle``, and
        optionally ``batch`` and ``model_year``; the first row that fits counts.
    pattern : str
        End of a path with ``{vehicle}`` and optionally ``{batch}`` and
        ``{model_year}``; ``*`` stands for anything within one folder's name.

    Raises
    ------
    InputError, UsageError
        If the table or the pattern cannot be used.
    """
    if table is not None and pattern:
        raise UsageError("Vehicles are told twice.", "Give a table or a pattern, not both.")
    if table is not None:
        return _by_table(_rows(table))
    return _by_pattern(pattern) if pattern else _by_folder


def _by_folder(found: FoundLog) -> Vehicle | None:
    parts = PurePosixPath(found.inside).parts
    return Vehicle(parts[0]) if len(parts) > 1 else None


def _rows(table: Path) -> list[tuple[str, Vehicle]]:
    try:
        with table.open(encoding="utf-8-sig", newline="") as source:
            reader = csv.DictReader(source)
            rows = list(reader)
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        problem = f"{table.name}: this table of vehicles cannot be read."
        raise InputError(problem, "Give a CSV file in UTF-8.") from error
    if not {"log", "vehicle"} <= set(reader.fieldnames or ()):
        problem = f"{table.name}: line 1 does not name the columns log and vehicle."
        raise InputError(problem, "Name them there; batch and model_year are optional.")
    return [(row["log"] or "", _vehicle(row)) for row in rows]


def _vehicle(row: dict[str, str]) -> Vehicle:
    return Vehicle(
        (row["vehicle"] or "").strip(),
        (row.get("batch") or "").strip(),
        (row.get("model_year") or "").strip(),
    )


def _by_table(rows: list[tuple[str, Vehicle]]) -> Callable[[FoundLog], Vehicle | None]:
    exact = {name: vehicle for name, vehicle in reversed(rows) if not _WILD & set(name)}
    wild = [(name, vehicle) for name, vehicle in rows if _WILD & set(name)]

    def find(found: FoundLog) -> Vehicle | None:
        names = (found.inside, PurePosixPath(found.inside).name, found.log)
        for name in names:
            if name in exact:
                return exact[name]
        fits = (item for mask, item in wild if any(fnmatchcase(name, mask) for name in names))
        return next(fits, None)

    return find


def _by_pattern(pattern: str) -> Callable[[FoundLog], Vehicle | None]:
    known = {"vehicle", "batch", "model_year"}
    pieces = re.split(r"(\{\w+\}|\*)", pattern)
    names = [piece[1:-1] for piece in pieces if piece.startswith("{")]
    if "vehicle" not in names or set(names) - known or len(names) != len(set(names)):
        problem = f"{pattern}: this pattern does not name {{vehicle}} once."
        raise UsageError(problem, "Use {vehicle}, {batch}, {model_year}, each once, and *.")
    text = "".join(_piece(piece) for piece in pieces)
    shape = re.compile(rf"(?:^|.*/){text}$")

    def find(found: FoundLog) -> Vehicle | None:
        fits = shape.match(found.log.replace("\\", "/"))
        return Vehicle(**_named(fits.groupdict())) if fits else None

    return find


def _named(groups: dict[str, str]) -> dict[str, str]:
    return {"name" if key == "vehicle" else key: value for key, value in groups.items()}


def _piece(piece: str) -> str:
    if piece == "*":
        return "[^/]*"
    return f"(?P<{piece[1:-1]}>[^/]+?)" if piece.startswith("{") else re.escape(piece)

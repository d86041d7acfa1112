"""Result files: a batch of logs each, written by workers, named by content alone."""

from __future__ import annotations

import hashlib
import mmap
from bisect import bisect_left
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from canassist.errors import OutputError
from canassist.output import write_whole
from canassist.screen.tables import CLIENT_COLUMNS, EVENT_COLUMNS, LOG_COLUMNS, column_types

if TYPE_CHECKING:
    import pyarrow as pa  # type: ignore[import-untyped]  # ships no types

ENDING: Final = ".parquet"
_HASH_BYTES: Final = 32

Row = dict[str, Any]  # Any: one row's values have different types


@cache
def part_schema() -> pa.Schema:
    """Return a result file's columns: a log's own ones, and its events within it."""
    import pyarrow as pa  # noqa: PLC0415 - an extra

    def own(columns: Iterable[tuple[str, Any]]) -> list[tuple[str, Any]]:  # Any: untyped
        return [(name, kind) for name, kind in columns if name not in CLIENT_COLUMNS]

    logs = [("sha256", pa.string()), *own(column_types(LOG_COLUMNS))]
    events = pa.list_(pa.struct(own(column_types(EVENT_COLUMNS))))
    return pa.schema([*logs, ("events", events)])


def write_part(folder: Path, rows: Sequence[Row]) -> str:
    """Write the results of a batch and return the file's name.

    The same logs give the same name, so that doing them twice leaves one file.

    Raises
    ------
    OutputError
        If it cannot be written.
    """
    import pyarrow as pa  # noqa: PLC0415 - an extra
    from pyarrow import parquet  # noqa: PLC0415 - the same

    each = {row["sha256"]: row for row in rows}
    mark = hashlib.sha256("\n".join(sorted(each)).encode()).hexdigest()[:32]
    table = pa.Table.from_pylist([each[sha256] for sha256 in sorted(each)], schema=part_schema())
    content = pa.BufferOutputStream()
    parquet.write_table(table, content, compression="zstd")
    path = part_path(folder, mark)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        problem = f"{path.parent}: cannot be made ({error.strerror})."
        raise OutputError(problem, "Every worker must be able to write there.") from error
    write_whole({path: content.getvalue().to_pybytes()})
    return mark


def part_path(folder: Path, name: str) -> Path:
    """Return where a result file lies."""
    return folder / name[:2] / f"{name}{ENDING}"


def part_names(folder: Path) -> Iterator[str]:
    """Give the names of all result files that lie there."""
    for path in folder.glob(f"??/*{ENDING}"):
        if not path.name.startswith("."):
            yield path.stem


def hashes_of(folder: Path, name: str) -> list[str]:
    """Return the contents that a result file stands for; none where it is damaged.

    Raises
    ------
    OutputError
        If it cannot be read.
    """
    rows = _read(part_path(folder, name), ["sha256"]) or []
    return [row["sha256"] for row in rows]


def read_part(folder: Path, name: str) -> list[Row] | None:
    """Return the results of a batch; None where the file is damaged.

    Raises
    ------
    OutputError
        If it cannot be read.
    """
    return _read(part_path(folder, name), None)


def _read(path: Path, columns: list[str] | None) -> list[Row] | None:
    import pyarrow as pa  # noqa: PLC0415 - an extra
    from pyarrow import parquet  # noqa: PLC0415 - the same

    try:
        content = path.read_bytes()
    except OSError as error:
        problem = f"{path}: cannot be read ({error.strerror})."
        raise OutputError(problem, "Check the folder, and run it again.") from error
    try:
        table = parquet.ParquetFile(pa.BufferReader(content)).read(columns=columns)
    except (OSError, pa.ArrowException):
        return None
    rows: list[Row] = table.to_pylist()
    return rows


def write_index(path: Path, hashes: Iterable[bytes]) -> str:
    """Write the contents that are done, sorted, for workers to look them up.

    Parameters
    ----------
    path : path
        Where to.
    hashes : iterable of bytes
        SHA-256 each, in rising order.

    Returns
    -------
    str
        The file's name; empty where nothing is done.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    fresh = path.with_name(f".{path.name}.new")
    with fresh.open("wb") as target:
        target.writelines(hashes)
        empty = not target.tell()
    fresh.replace(path)
    return "" if empty else str(path)


class DoneIndex:
    """A sorted file of contents, searched where it lies."""

    def __init__(self, content: mmap.mmap) -> None:
        self._content = content

    def __contains__(self, sha256: str) -> bool:
        wanted = bytes.fromhex(sha256)
        count = len(self._content) // _HASH_BYTES
        place = bisect_left(range(count), wanted, key=self._at)
        return place < count and self._at(place) == wanted

    def _at(self, place: int) -> bytes:
        return self._content[place * _HASH_BYTES : (place + 1) * _HASH_BYTES]


@contextmanager
def done_index(name: str) -> Iterator[DoneIndex | frozenset[str]]:
    """Open the index of what is done; without a name nothing is."""
    if not name:
        yield frozenset()
        return
    with (
        Path(name).open("rb") as source,
        mmap.mmap(source.fileno(), 0, access=mmap.ACCESS_READ) as content,
    ):
        yield DoneIndex(content)

"""Result files: a batch of logs each, written by workers, named by content alone.

Packed JSON, a log a line: workers then need no table library, whose import would cost a
small screening a tenth of its time.
"""

from __future__ import annotations

import gzip
import hashlib
import json
import mmap
import time
import zlib
from bisect import bisect_left
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any, Final

from canassist.atomic_write import write_whole
from canassist.errors import OutputError

ENDING: Final = ".jsonl.gz"
_HASH_BYTES: Final = 32
_NAME_LETTERS: Final = 32
_AT_IT_S: Final = 24 * 3600.0
_PACKING: Final = 1
"""Compression level: results are small, time is dear."""

Row = dict[str, Any]  # Any: one row's values have different types


def write_part(folder: Path, lines: Mapping[str, bytes]) -> str:
    """Write the results of a batch and return the file's name.

    The same logs give the same name and bytes, so that doing them twice leaves one file.

    Parameters
    ----------
    folder : path
        Of the result files.
    lines : mapping of str to bytes
        What is known of each log, by `json_line`; by the SHA-256 of its content.

    Raises
    ------
    OutputError
        If it cannot be written.
    """
    contents = sorted(lines)
    name = hashlib.sha256("\n".join(contents).encode()).hexdigest()[:_NAME_LETTERS]
    path = part_path(folder, name)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        problem = f"{path.parent}: cannot be made ({error.strerror})."
        raise OutputError(problem, "Every worker must be able to write there.") from error
    content = b"".join(lines[sha256] for sha256 in contents)
    write_whole({path: gzip.compress(content, _PACKING, mtime=0)})
    return name


def json_line(row: Mapping[str, Any]) -> bytes:  # Any: one row's values have different types
    """Return a row as a line of JSON; what is no valid Unicode becomes a question mark.

    Raises
    ------
    ValueError
        If a number is not finite: unknown is null.
    """
    line = json.dumps(row, ensure_ascii=False, allow_nan=False)
    return f"{line}\n".encode("utf-8", "replace")


def part_path(folder: Path, name: str) -> Path:
    """Return where a result file lies."""
    return folder / name[:2] / f"{name}{ENDING}"


def part_names(folder: Path) -> Iterator[str]:
    """Give the names of all result files that lie there."""
    for path in folder.glob(f"??/*{ENDING}"):
        if not path.name.startswith("."):
            yield path.name.removesuffix(ENDING)


def sweep(folder: Path) -> None:
    """Remove what workers that were killed left half-written, once no one can be at it still."""
    before_s = time.time() - _AT_IT_S
    for path in folder.glob("??/.*"):
        with suppress(OSError):
            if path.stat().st_mtime < before_s:
                path.unlink()


def read_part(folder: Path, name: str) -> list[Row] | None:
    """Return the results of a batch; None where the file is damaged.

    Raises
    ------
    OutputError
        If it cannot be read.
    """
    path = part_path(folder, name)
    try:
        content = path.read_bytes()
    except OSError as error:
        problem = f"{path}: cannot be read ({error.strerror})."
        raise OutputError(problem, "Check the folder, and run it again.") from error
    try:
        rows: list[Row] = [json.loads(line) for line in gzip.decompress(content).splitlines()]
    except (OSError, EOFError, ValueError, zlib.error):
        return None
    return rows or None  # none is ever written without a log


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

    Raises
    ------
    OutputError
        If it cannot be written.
    """
    for old in path.parent.glob(f"*{path.suffix}"):
        with suppress(OSError):  # a worker of an earlier run may still look into it
            old.unlink()
    try:
        with path.open("wb") as target:
            target.writelines(hashes)
            return str(path) if target.tell() else ""
    except OSError as error:
        problem = f"{path}: cannot be written ({error.strerror})."
        raise OutputError(problem, "Choose a folder that is yours and has room.") from error


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

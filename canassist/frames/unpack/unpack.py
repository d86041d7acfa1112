"""From a path to the plain logs in it: compressed files and archives are opened on the way."""

from __future__ import annotations

import contextlib
import io
import tempfile
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO, Final, cast

from canassist.errors import InputError, NoFramesError, OutputError
from canassist.frames.unpack.inflate import PIECE_BYTES, Inflated, InflationLimits, Report
from canassist.frames.unpack.inflate_engines import BZIP2, MAGIC, is_bzip2
from canassist.frames.unpack.zip_members import ZIP_MAGIC, Member, members, open_member

if TYPE_CHECKING:
    from collections.abc import Iterator

HEAD_PEEK: Final = 1 << 16
_BUFFER_BYTES: Final = 1 << 18
_DEEPEST: Final = 3
"""Wrappings in each other that are undone, ``ride.log.gz`` in a zip being two of them."""

PACKED_ENDINGS: Final = (".gz", ".xz", ".zst", ".bz2", ".zip", ".lzma")


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One log: a file, or a member of an archive.

    Attributes
    ----------
    path : Path
        File on the disk.
    member : Member or None
        Which member of the archive it is.
    name : str
        Name for messages, without folder.
    limits : InflationLimits
    """

    path: Path
    name: str
    member: Member | None = None
    limits: InflationLimits = field(default_factory=InflationLimits)

    @property
    def ending(self) -> str:
        """File ending in small letters, endings of packing left out."""
        name = Path(self.name.lower())
        while name.suffix in PACKED_ENDINGS:
            name = name.with_suffix("")
        return name.suffix


@dataclass(slots=True, kw_only=True)
class Opened:
    """An open log: its plain bytes, and how far the file on disk is read."""

    stream: io.BufferedReader
    disk: BinaryIO
    size: int
    packed: bool

    def position(self) -> int:
        """Return how many bytes of the file on disk have been read."""
        return self.disk.tell()


def find_parts(path: Path, *, limits: InflationLimits, report: Report) -> list[Part]:
    """List the logs that a file holds: itself, or the members of an archive.

    Raises
    ------
    InputError
        If the file is missing, a folder, empty or not readable.
    """
    with open_file(path) as source:
        head = _first_bytes(source, path.name)
        if not head:
            raise NoFramesError(f"{path.name}: is empty.", "Choose the recorder's log file.")
        if head != ZIP_MAGIC:
            return [Part(path=path, name=path.name, limits=limits)]
        found = members(source, report)
    if not found:
        problem = f"{path.name}: no file is found in the archive; it is empty or damaged."
        raise NoFramesError(problem, "Copy it from the recorder again, or choose another one.")
    each = replace(limits, free_bytes=max(limits.free_bytes // len(found), PIECE_BYTES))
    return [
        Part(path=path, member=one, name=one.name.rpartition("/")[2] or path.name, limits=each)
        for one in sorted(found)
    ]


def _first_bytes(source: BinaryIO, name: str) -> bytes:
    try:
        return source.read(len(ZIP_MAGIC))
    except OSError as error:
        problem = f"{name}: cannot be read ({error.strerror or error})."
        raise InputError(problem, "Copy it from the recorder again.") from error


def open_file(path: Path) -> BinaryIO:
    """Open a file for reading, or say clearly why that fails.

    Raises
    ------
    InputError
        If the file is missing, a folder, or not readable.
    """
    if path.is_dir():
        raise InputError(f"{path.name}: is a folder, not a log.", "Give the log files in it.")
    try:
        return path.open("rb")
    except FileNotFoundError as error:
        problem = f"{path.name}: no such file."
        raise InputError(problem, "Check its name and folder.") from error
    except OSError as error:
        problem = f"{path.name}: cannot be read ({error.strerror or error})."
        raise InputError(problem, "Check that the file is open to you.") from error


@contextlib.contextmanager
def open_part(part: Part, report: Report, *, to_disk: bool = False) -> Iterator[Opened]:
    """Open the plain bytes of a log; closed again at the end of the block.

    Parameters
    ----------
    part : Part
    report : callable
        Called with where and what for damage in the compressed data.
    to_disk : bool
        Whether the bytes must be able to seek; compressed ones are then inflated into
        a temporary file first, which has a name and vanishes at the end.
    """
    with contextlib.ExitStack() as stack:
        disk = stack.enter_context(open_file(part.path))
        size = part.path.stat().st_size
        stream = _plain(disk, part, report, stack)
        packed = stream is not disk
        if packed and to_disk:
            stream = _spooled(stream, stack)
        yield Opened(stream=cast("io.BufferedReader", stream), disk=disk, size=size, packed=packed)


def _plain(disk: BinaryIO, part: Part, report: Report, stack: contextlib.ExitStack) -> BinaryIO:
    stream = disk
    if part.member is not None:
        inner = open_member(disk, part.member, name=part.name, limits=part.limits, report=report)
        stream = io.BufferedReader(inner, _BUFFER_BYTES)
    for _ in range(_DEEPEST):
        kind = _packing(cast("io.BufferedReader", stream).peek(HEAD_PEEK)[:16])
        if kind is None:
            break
        if not stream.seekable():  # it must step back where its data is damaged
            stream = _spooled(stream, stack)
        plain = Inflated(stream, kind, name=part.name, limits=part.limits, report=report)
        stream = io.BufferedReader(plain, _BUFFER_BYTES)
    return stream


def _spooled(stream: BinaryIO, stack: contextlib.ExitStack) -> BinaryIO:
    try:
        folder = stack.enter_context(tempfile.TemporaryDirectory(prefix="canassist-"))
        copy = stack.enter_context((Path(folder) / "log").open("w+b"))
        while piece := stream.read(1 << 20):
            copy.write(piece)
        copy.seek(0)
    except OSError as error:
        problem = f"the temporary folder cannot be written ({error.strerror or error})."
        raise OutputError(problem, "Make room there, or name another one in TMPDIR.") from error
    return copy


def _packing(head: bytes) -> str | None:
    for kind, magic in MAGIC.items():
        if head.startswith(magic):
            if kind == BZIP2 and not is_bzip2(head):
                continue
            return kind
    return None

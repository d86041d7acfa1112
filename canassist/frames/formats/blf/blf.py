"""BLF binary logs: CAN and CAN FD frames of all object types, in containers or not."""

from __future__ import annotations

import struct
from contextlib import closing
from typing import TYPE_CHECKING, BinaryIO, Final, NamedTuple

import numpy as np

from canassist.frames.base import BLOCK_BYTES
from canassist.frames.formats.blf.blf_chain import SPARE_WORDS, find_objects
from canassist.frames.formats.blf.blf_containers import (
    FILE_MARK,
    OBJECT_BASE,
    OBJECT_MARK,
    Containers,
)
from canassist.frames.formats.blf.blf_objects import read_objects
from canassist.frames.prefetch import ahead
from canassist.model import ReadReport

if TYPE_CHECKING:
    from collections.abc import Generator, Iterator

    from canassist.frames.base import ReadRequest
    from canassist.model import FrameBlock

_HEADER_SIZES: Final = (16, 32, 40)
_VERSIONS: Final = (1, 2, 3)
_WORD: Final = 4
_PADDING: Final = 8  # fewer bytes before an object are padding


class BlfReader:
    """Reads BLF logs.

    Times count from the start of the measurement, which the file gives as a date on the
    recorder's wall clock without zone; it only tells how several files lie to each other.
    A bus is named by its channel number.
    """

    name = "blf"
    endings = (".blf",)
    needs_seek = False

    def matches(self, head: bytes) -> bool:
        """Tell by the file's mark, or by the header of an object."""
        if head.startswith(FILE_MARK):
            return True
        at = head.find(OBJECT_MARK)
        if at < 0:
            return False
        try:
            _, header_size, version, size, _ = OBJECT_BASE.unpack_from(head, at)
        except struct.error:
            return False
        return header_size in _HEADER_SIZES and version in _VERSIONS and size >= header_size

    def read(
        self, source: BinaryIO, *, request: ReadRequest, report: ReadReport
    ) -> Iterator[FrameBlock]:
        """Yield the frames in file order, in blocks."""
        stream = _Stream(request, report)
        batches = _object_batches(source, report.name)
        # A compressed file tells of its own damage as it is read: then all stays in turn.
        with closing(ahead(batches) if source.seekable() else batches) as coming:
            for batch in coming:
                report.take_over(batch.said)
                for piece in batch.pieces:
                    stream.add(piece)
                block = stream.block(batch.place, final=batch.breaks_off)
                if len(block):
                    yield block


class _ObjectBatch(NamedTuple):
    """About a block's worth of the object stream.

    `place` is where in the file it ends, `breaks_off` tells that what follows is lost or
    that nothing follows, and `said` holds what was to report of its containers.
    """

    pieces: list[bytes]
    place: int
    breaks_off: bool
    said: ReadReport


def _object_batches(source: BinaryIO, name: str) -> Generator[_ObjectBatch, None, None]:
    containers = Containers(source, ReadReport(name=name))
    pieces: list[bytes] = []
    size, broken = 0, False
    for piece in containers:
        if piece is None and broken and not pieces:
            continue  # nothing has come since the last break
        broken = piece is None
        if piece is not None:
            pieces.append(piece)
            size += len(piece)
            if size < BLOCK_BYTES:
                continue
        yield _ObjectBatch(pieces, containers.place, piece is None, containers.new_report())
        pieces, size = [], 0
    yield _ObjectBatch(pieces, containers.place, breaks_off=True, said=containers.new_report())


class _Stream:
    """Pieces of the object stream on their way to become blocks, in a buffer used again."""

    def __init__(self, request: ReadRequest, report: ReadReport) -> None:
        self._request = request
        self._report = report
        self._words = np.zeros(0, dtype=np.uint32)
        self._size = 0

    def add(self, piece: bytes) -> None:
        """Take a piece."""
        end = self._size + len(piece)
        if end > self._room():
            larger = np.zeros((end + BLOCK_BYTES) // _WORD + SPARE_WORDS, dtype=np.uint32)
            larger[: len(self._words)] = self._words
            self._words = larger
        self._words.view(np.uint8)[self._size : end] = np.frombuffer(piece, dtype=np.uint8)
        self._size = end

    def _room(self) -> int:
        return max(len(self._words) - SPARE_WORDS, 0) * _WORD

    def block(self, place: int, *, final: bool) -> FrameBlock:
        """Read the objects that wait; what is not whole waits on, or is lost at the end."""
        where = f"before byte {place}"
        lead = self._to_first_object()
        objects = find_objects(self._words, self._size, where, final=final)
        block = read_objects(objects, self._request, self._report)
        self._drop(self._size if final else objects.used)
        lost = objects.lost + (lead if lead >= _PADDING else 0)
        if lost:
            self._report.add_problem(where, f"{lost} bytes hold no whole object", skipped=1)
        return block

    def _to_first_object(self) -> int:
        """Drop what stands before the first object; return how many bytes that were."""
        raw = self._words.view(np.uint8)
        if raw[: len(OBJECT_MARK)].tobytes() == OBJECT_MARK:
            return 0
        lead = max(raw[: self._size].tobytes().find(OBJECT_MARK), 0)
        self._drop(lead)
        return lead

    def _drop(self, count: int) -> None:
        raw = self._words.view(np.uint8)
        rest = self._size - count
        raw[:rest] = raw[count : self._size].copy()
        self._size = rest

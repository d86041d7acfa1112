"""BLF binary logs: CAN and CAN FD frames of all object types, in containers or not."""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING, BinaryIO, Final

from canassist.readers.base import BLOCK_BYTES
from canassist.readers.blf_chain import find_objects
from canassist.readers.blf_containers import (
    FILE_MARK,
    OBJECT_BASE,
    OBJECT_MARK,
    Containers,
)
from canassist.readers.blf_objects import read_objects

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canassist.model import FrameBlock, Tally
    from canassist.readers.base import Wish

_HEADER_SIZES: Final = (16, 32, 40)
_VERSIONS: Final = (1, 2, 3)


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

    def read(self, source: BinaryIO, *, wish: Wish, tally: Tally) -> Iterator[FrameBlock]:
        """Yield the frames in file order, in blocks."""
        containers = Containers(source, tally)
        stream = _Stream(wish, tally)
        for piece in containers:
            if piece is None:
                block = stream.block(containers.place, final=True)
            elif stream.add(piece) < BLOCK_BYTES:
                continue
            else:
                block = stream.block(containers.place, final=False)
            if len(block):
                yield block
        block = stream.block(containers.place, final=True)
        if len(block):
            yield block


class _Stream:
    """Pieces of the object stream on their way to become blocks."""

    def __init__(self, wish: Wish, tally: Tally) -> None:
        self._wish = wish
        self._tally = tally
        self._pieces: list[bytes] = []
        self._size = 0

    def add(self, piece: bytes) -> int:
        """Take a piece; return how many bytes wait."""
        self._pieces.append(piece)
        self._size += len(piece)
        return self._size

    def block(self, place: int, *, final: bool) -> FrameBlock:
        """Read the objects that wait; what is not whole waits on, or is lost at the end."""
        data = b"".join(self._pieces)
        lead = max(data.find(OBJECT_MARK), 0)
        objects = find_objects(data[lead:] if lead else data, f"before byte {place}", final=final)
        rest = b"" if final else data[lead + objects.used :]
        self._pieces, self._size = [rest], len(rest)
        lost = objects.lost + (lead if lead >= len(OBJECT_MARK) * 2 else 0)
        if lost:
            self._tally.report(
                f"before byte {place}", f"{lost} bytes hold no whole object", skipped=1
            )
        return read_objects(objects, self._wish, self._tally)

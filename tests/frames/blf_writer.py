"""A packer of BLF files that shares nothing with the reader."""

from __future__ import annotations

import struct
import zlib
from dataclasses import dataclass
from itertools import accumulate
from typing import TYPE_CHECKING

from canassist.model import FrameFlag
from tests.frames.text_writers import LENGTHS

if TYPE_CHECKING:
    from collections.abc import Iterable

    from tests.frames.frame_samples import Sample

HEADER_BYTES = 144


def file_header() -> bytes:
    """Begin a file; its start is 24 November 2026, 10:20:30.250."""
    start = struct.pack("<8H", 2026, 11, 2, 24, 10, 20, 30, 250)
    head = struct.pack(
        "<4sLBBBBBBBBQQLL", b"LOGG", HEADER_BYTES, 5, 0, 0, 0, 2, 6, 8, 1, 0, 0, 0, 0
    )
    return (head + start + start).ljust(HEADER_BYTES, b"\0")


def an_object(kind: int, time_ns: int, body: bytes, *, version: int = 1, unit: int = 2) -> bytes:
    """Give a body its header; `unit` 1 counts ten microseconds, 2 nanoseconds."""
    ticks = time_ns // 10_000 if unit == 1 else time_ns
    header = struct.pack("<LHHQ", unit, 0, 0, ticks)
    if version == 2:
        header = struct.pack("<LBxHQQ", unit, 0, 0, ticks, ticks)
    size = 16 + len(header)
    base = struct.pack("<4sHHLL", b"LOBJ", size, version, size + len(body), kind)
    return base + header + body


def object_of(one: Sample, *, kind: int | None = None, version: int = 1, unit: int = 2) -> bytes:
    """Pack one frame; `kind` chooses between object types that can hold it."""
    can_id = one.can_id | (0x8000_0000 if one.has(FrameFlag.EXTENDED) else 0)
    bus, sent, remote = int(one.bus), one.has(FrameFlag.SENT), one.has(FrameFlag.REMOTE)
    way = sent | remote << 7
    fd, brs, esi = (
        one.has(flag) for flag in (FrameFlag.FD, FrameFlag.BIT_RATE_SWITCH, FrameFlag.ERROR_STATE)
    )
    code = LENGTHS.index(one.length)
    if kind is None:
        kind = 100 if fd else 1
    if kind in {1, 86}:
        body = struct.pack("<HBBL8s", bus, way, one.length, can_id, one.data)
        body += struct.pack("<LBBH", 0, 0, 0, 0) if kind == 86 else b""
    elif kind == 100:
        valid = len(one.data)
        marks = fd | brs << 1 | esi << 2
        body = struct.pack("<HBBLLBBB5x64s", bus, way, code, can_id, 0, 0, marks, valid, one.data)
    elif kind == 101:
        marks = remote << 4 | fd << 12 | brs << 13 | esi << 14
        body = struct.pack(
            "<BBBBLLLLLLLHBBL",
            *(bus, code, len(one.data), 0, can_id, 0, marks, 0, 0, 0, 0, 0, sent, 0, 0),
        )
        body += one.data
    else:
        raise ValueError(kind)
    return an_object(kind, one.time_ns, body, version=version, unit=unit)


def padded(packed: bytes) -> bytes:
    """Fill up to a multiple of four."""
    return packed + b"\0" * (-len(packed) % 4)


@dataclass(frozen=True)
class Packing:
    """How objects are packed: container size (0: none), and whether it is compressed."""

    size: int = 1 << 17
    compress: bool = True

    def container(self, plain: bytes) -> bytes:
        """Pack a stretch of the object stream."""
        packed = zlib.compress(plain) if self.compress else plain
        body = struct.pack("<H6xL4x", 2 if self.compress else 0, len(plain)) + packed
        return padded(struct.pack("<4sHHLL", b"LOBJ", 16, 1, 16 + len(body), 10) + body)

    def file(self, objects: Iterable[bytes]) -> bytes:
        """Pack a whole file; objects may cross from one container into the next."""
        stream = b"".join(padded(one) for one in objects)
        if not self.size:
            return file_header() + stream
        pieces = (stream[at : at + self.size] for at in range(0, len(stream), self.size))
        return file_header() + b"".join(self.container(piece) for piece in pieces)

    def whole(self, objects: list[bytes], size: int) -> int:
        """Count the objects that lie whole in the first bytes of the file."""
        stream = b"".join(padded(one) for one in objects)
        have = self._inflated(stream, size)
        ends = accumulate(len(padded(one)) for one in objects)
        return sum(
            end - len(padded(one)) + len(one) <= have
            for end, one in zip(ends, objects, strict=True)
        )

    def _inflated(self, stream: bytes, size: int) -> int:
        """How much of the object stream can be had from the first bytes of the file."""
        if not self.size:
            return max(size - HEADER_BYTES, 0)
        left, have = size - HEADER_BYTES, 0
        for at in range(0, len(stream), self.size):
            plain = stream[at : at + self.size]
            packed = self.container(plain)
            if left < len(packed):
                head = packed[32 : max(left, 32)]
                return have + (
                    len(zlib.decompressobj().decompress(head)) if self.compress else len(head)
                )
            left -= len(packed)
            have += len(plain)
        return have

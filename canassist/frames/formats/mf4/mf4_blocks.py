"""Blocks of an ASAM MDF 4 file: their heads, links and data.

The layout of the blocks is that of the published MDF 4 descriptions (versions 4.00 to 4.20);
details of the data lists are from memory, checked against files that asammdf writes.
"""

from __future__ import annotations

import importlib
import os
import struct
import zlib
from typing import TYPE_CHECKING, Any, BinaryIO, Final, NamedTuple

import numpy as np

from canassist.frames.base import BLOCK_BYTES

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canassist.model import ByteArray, ReadReport

HEADER_AT: Final = 64
_HEAD: Final = struct.Struct("<4s4xQQ")  # identifier, length, number of links
_LARGEST_SETTING: Final = 1 << 22  # bytes of a block that holds no frames
_MOST_SETTINGS: Final = 500_000  # read in all: lists can lead to the same blocks again and again
_MOST_LINKS: Final = 1 << 18

_PACKED: Final = struct.Struct("<2sBxIQQ")  # kind, method, width, size inflated, size packed
_DEFLATED: Final = 0
_TURNED: Final = 1  # deflated, and rows and columns exchanged before
_LARGEST_INFLATED: Final = 1 << 27
_LARGEST_RATIO: Final = 1100  # deflate cannot pack more tightly than 1032 to 1 (RFC 1951)
_PLAIN: Final = (b"##DT", b"##SD", b"##RD")
_UNKNOWN: Final = (b"##DV", b"##DI", b"##LD")


class DamageError(ValueError):
    """A block is not what a link says it is."""


class UnknownLayoutError(Exception):
    """The file is sound, but laid out in a way that this reader does not read itself."""


class Block(NamedTuple):
    """One block of settings."""

    kind: bytes
    links: tuple[int, ...]
    data: bytes


class Piece(NamedTuple):
    """Bytes of a stream of records.

    Attributes
    ----------
    data : bytes
    width : int
        Not 0 where `data` is a table of rows this wide whose rows and columns are
        exchanged, with what is left over behind it.
    lost : int
        Bytes that stood before `data` and could not be read.
    """

    data: bytes
    width: int = 0
    lost: int = 0

    def plain(self) -> bytes:
        """Return the bytes in the order in which they were recorded."""
        if not self.width:
            return self.data
        rows = len(self.data) // self.width
        table = np.frombuffer(self.data, np.uint8, rows * self.width).reshape(self.width, rows)
        return table.T.tobytes() + self.data[rows * self.width :]

    def table(self) -> tuple[ByteArray, bytes]:
        """Return the rows as a view, shape (n, width), and what is left over behind them."""
        rows = len(self.data) // self.width
        table = np.frombuffer(self.data, np.uint8, rows * self.width).reshape(self.width, rows)
        return table.T, self.data[rows * self.width :]


class Blocks:
    """Reads blocks by their address, and trusts nothing in them.

    Parameters
    ----------
    source : BinaryIO
    report : ReadReport or None
        Gets what is damaged.
    """

    def __init__(self, source: BinaryIO, report: ReadReport | None) -> None:
        self._source = source
        self._report = report
        self.size = source.seek(0, os.SEEK_END)
        self._settings_left = _MOST_SETTINGS
        self._parts_read: set[int] = set()

    def _at(self, address: int, count: int) -> bytes:
        self._source.seek(address)
        return self._source.read(count)

    def _head(self, address: int) -> tuple[bytes, int, int]:
        if not HEADER_AT <= address <= self.size - _HEAD.size:
            raise DamageError(f"no block at byte {address}")
        kind, length, links = _HEAD.unpack(self._at(address, _HEAD.size))
        if kind[:2] != b"##" or links > _MOST_LINKS:
            raise DamageError(f"no block at byte {address}")
        return kind, length, links

    def setting(self, address: int, kind: bytes) -> Block:
        """Read a block of settings.

        Raises
        ------
        DamageError
            If there is no whole block of that kind.
        """
        self._settings_left -= 1
        if self._settings_left < 0:
            raise DamageError("the lists of blocks lead on and on")
        found, length, count = self._head(address)
        if found != kind or not _HEAD.size + 8 * count <= length <= _LARGEST_SETTING:
            raise DamageError(f"no {kind[2:].decode()} block at byte {address}")
        body = self._at(address + _HEAD.size, length - _HEAD.size)
        if len(body) < length - _HEAD.size:
            raise DamageError(f"the block at byte {address} is cut")
        links = struct.unpack_from(f"<{count}Q", body)
        return Block(found, links, body[8 * count :])

    def chain(self, address: int, kind: bytes, most: int) -> Iterator[tuple[int, Block]]:
        """Follow the first link of blocks of one kind, each once; damage ends the chain."""
        seen: set[int] = set()
        while address:
            if address in seen or len(seen) >= most:
                raise DamageError(f"the list of blocks at byte {address} has no end")
            seen.add(address)
            block = self.setting(address, kind)
            yield address, block
            address = block.links[0] if block.links else 0

    def text(self, address: int) -> str:
        """Read a text block; empty where there is none."""
        if not address:
            return ""
        try:
            data = self.setting(address, b"##TX").data
        except DamageError:
            return ""
        return data.split(b"\0", 1)[0].decode("utf-8", errors="replace")

    def check_stream(self, address: int) -> None:
        """Make sure that a stream is stored in a way that is known here.

        Raises
        ------
        UnknownLayoutError
            If it is not.
        """
        for place in self._parts(address, quiet=True):
            try:
                kind, _, _ = self._head(place)
            except DamageError:
                continue
            head = self._at(place + _HEAD.size, _PACKED.size) if kind == b"##DZ" else b""
            if kind in _UNKNOWN or (head and head[2] not in {_DEFLATED, _TURNED}):
                raise UnknownLayoutError

    def stream(self, address: int, *, open_end: bool) -> Iterator[Piece]:
        """Read the bytes of a stream of records, however they are stored.

        Parameters
        ----------
        address : int
            Of the first block.
        open_end : bool
            Whether the recorder was stopped before it noted the size of the last block.

        Raises
        ------
        UnknownLayoutError
            If it is stored column by column.
        """
        lost = 0
        for place in self._parts(address):
            for piece in self._part(place, open_end=open_end):
                if piece.data:
                    yield piece._replace(lost=piece.lost + lost)
                    lost = 0
                else:
                    lost += piece.lost
        if lost:
            yield Piece(b"", lost=lost)

    def _parts(self, address: int, *, quiet: bool = False) -> Iterator[int]:
        """Yield the addresses of the data blocks of a stream, in order."""
        if not address:
            return
        try:
            kind, _, _ = self._head(address)
            if kind == b"##HL":
                links = self.setting(address, b"##HL").links
                address = links[0] if links else 0
                kind = self._head(address)[0] if address else kind
            if kind != b"##DL":
                yield address
                return
            for _, block in self.chain(address, b"##DL", _MOST_LINKS):
                yield from (link for link in block.links[1:] if link)
        except DamageError as error:
            if not quiet:
                self._damaged(str(error))

    def _note(self, where: str, what: str, *, cut: bool = False) -> None:
        if self._report is not None:
            self._report.add_problem(where, what, skipped=1, cut=cut)

    def _damaged(self, what: str) -> None:
        self._note("data", f"{what}; what it held is lost")

    def _part(self, address: int, *, open_end: bool) -> Iterator[Piece]:
        try:
            kind, length, _ = self._head(address)
        except DamageError as error:
            self._damaged(str(error))
            return
        if kind in _UNKNOWN:
            raise UnknownLayoutError
        if address in self._parts_read:
            self._damaged(f"the data block at byte {address} is named twice")
            return
        self._parts_read.add(address)
        if kind == b"##DZ":
            yield from self._packed(address, length)
        elif kind in _PLAIN:
            yield from self._plain(address, length, open_end=open_end)
        else:
            self._damaged(f"no data block at byte {address}")

    def _plain(self, address: int, length: int, *, open_end: bool) -> Iterator[Piece]:
        begin, end = address + _HEAD.size, address + length
        if open_end and length <= _HEAD.size:
            end = self.size
        if end > self.size:
            if not open_end:
                what = f"the file ends {end - self.size} bytes before its data does"
                self._note(f"byte {self.size}", what, cut=True)
            end = self.size
        while begin < end:
            data = self._at(begin, min(BLOCK_BYTES, end - begin))
            if not data:
                return
            yield Piece(data)
            begin += len(data)

    def _packed(self, address: int, length: int) -> Iterator[Piece]:
        head = self._at(address + _HEAD.size, _PACKED.size)
        if len(head) < _PACKED.size or length < _HEAD.size + _PACKED.size:
            self._damaged(f"the block at byte {address} is cut")
            return
        _, method, width, size, packed = _PACKED.unpack(head)
        if size > min(_LARGEST_INFLATED, _LARGEST_RATIO * max(packed, 1)):
            self._damaged(f"the packed block at byte {address} claims {size} bytes")
            yield Piece(b"", lost=min(size, 1 << 62))
            return
        if method not in {_DEFLATED, _TURNED}:
            raise UnknownLayoutError
        body = self._at(address + _HEAD.size + _PACKED.size, min(packed, self.size))
        data = _inflated(body, size, cut=len(body) < packed)
        if method == _DEFLATED:
            width = 0
        if len(data) == size:
            yield Piece(data, width)
            return
        kept = b"" if width else data  # of an exchanged table a part is of no use
        what = f"the packed block at byte {address} is broken; {size - len(kept)} bytes are lost"
        self._note(f"byte {address}", what)
        yield Piece(kept)
        yield Piece(b"", lost=size - len(kept))


def _library() -> Any:  # noqa: ANN401 - two modules of one shape, one of them without types
    try:
        return importlib.import_module("isal.isal_zlib")
    except ImportError:
        return zlib


def _inflated(body: bytes, size: int, *, cut: bool) -> bytes:
    """Inflate a block; a cut one as far as it goes, nothing of one with a wrong byte in it.

    A wrong byte shows only later, by the checksum at the latest: what came before cannot be
    told from what it spoiled.
    """
    library = _library()
    engine = library.decompressobj()
    try:
        data: bytes = engine.decompress(body, size + 1)  # one more, so that the checksum is read
    except (zlib.error, library.error):
        return b""
    whole = engine.eof and len(data) == size
    return data if whole or (cut and not engine.eof) else b""

"""Streams of MDF 4 records: of one kind, or of several mixed; and bytes that stand apart."""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.frames.block_tools import in_time_order, joined, rows_of
from canassist.frames.formats.mf4.mf4_blocks import UnknownLayoutError
from canassist.frames.formats.mf4.mf4_records import VARIABLE, RecordReader
from canassist.frames.frame_rows import empty_block, merged
from canassist.frames.text.digits import FRONT, padded, windows, words

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from canassist.frames.base import ReadRequest
    from canassist.frames.formats.mf4.mf4_blocks import Blocks, Piece
    from canassist.frames.formats.mf4.mf4_layout import ChannelGroup, DataGroup
    from canassist.model import BoolArray, ByteArray, FrameBlock, IntArray, ReadReport

_LENGTH_BYTES: Final = 4
_LARGEST_VARIABLE: Final = 1 << 20
_MOST_AT_ONCE: Final = 1 << 16  # records
_MOST_HELD: Final = 100_000  # records that wait for their data bytes
_KEPT_BEHIND: Final = 1 << 22  # bytes of a side stream that may be asked for again


class SideStream:
    """Bytes of a channel that stand in a stream of their own: each a length and its bytes.

    Parameters
    ----------
    pieces : iterator of Piece
        The stream; read as far as it is asked for, and dropped behind.
    """

    def __init__(self, pieces: Iterator[Piece]) -> None:
        self._pieces = pieces
        self._buffer = bytearray()
        self._begin = 0
        self._done = False

    def get(self, place: IntArray, length: ByteArray, width: int) -> tuple[ByteArray, BoolArray]:
        """Return the bytes at each place, shape (n, width), and whether each was there."""
        if not len(place):
            return np.zeros((0, width), dtype=np.uint8), np.zeros(0, dtype=np.bool_)
        self._read_until(int(place.max()) + _LENGTH_BYTES + width)
        payload, fine = _variable_bytes(bytes(self._buffer), place - self._begin, length, width)
        self._drop(int(place.max()) - _KEPT_BEHIND)
        return payload, fine

    def _read_until(self, end: int) -> None:
        while not self._done and self._begin + len(self._buffer) < end:
            piece = next(self._pieces, None)
            if piece is None:
                self._done = True
                return
            self._buffer += bytes(min(piece.lost, _KEPT_BEHIND)) + piece.plain()
            self._drop(end - 2 * _KEPT_BEHIND)

    def _drop(self, before: int) -> None:
        count = min(before - self._begin, len(self._buffer))
        if count > _KEPT_BEHIND:
            del self._buffer[:count]
            self._begin += count


class Collected:
    """Bytes of a channel that come between the records, each as a record of its own."""

    def __init__(self) -> None:
        self.buffer = bytearray()
        self.begin = 0

    @property
    def end(self) -> int:
        """Return how far the bytes have come."""
        return self.begin + len(self.buffer)

    def get(self, place: IntArray, length: ByteArray, width: int) -> tuple[ByteArray, BoolArray]:
        """Return the bytes at each place, shape (n, width), and whether each was there."""
        payload, fine = _variable_bytes(bytes(self.buffer), place - self.begin, length, width)
        count = len(self.buffer) - _KEPT_BEHIND
        if count > _KEPT_BEHIND:
            del self.buffer[:count]
            self.begin += count
        return payload, fine


def _variable_bytes(
    data: bytes, place: IntArray, length: ByteArray, width: int
) -> tuple[ByteArray, BoolArray]:
    buffer = padded(data)
    many = length.astype(np.int64)
    fine = (place >= 0) & (place + _LENGTH_BYTES + many <= len(data))
    at = np.where(fine, place, 0) + FRONT
    size = (words(buffer, at) & np.uint64(0xFFFF_FFFF)).astype(np.int64)
    fine &= size >= many
    payload = windows(buffer, at + _LENGTH_BYTES, width)
    payload[np.arange(width) >= many[:, np.newaxis]] = 0
    payload[~fine] = 0
    return payload, fine


class Counter:
    """Counts the records of a group against what its header says."""

    def __init__(self, group: ChannelGroup, report: ReadReport) -> None:
        self.group = group
        self.report = report
        self.seen = self.failed = 0

    def room(self, many: int) -> int:
        """Return how many of the next records belong to the group."""
        if not self.group.records:
            return many
        return min(many, max(0, self.group.records - self.seen))

    def close(self) -> None:
        """Report what is missing and what could not be read."""
        missing = self.group.records - self.seen
        if self.group.records and missing > 0:
            what = f"{missing} of {self.group.records} records of {self.group.event} are missing"
            self.report.add_problem("data", what, skipped=missing)
        if self.failed:
            what = f"{self.failed} records of {self.group.event} hold no frame; skipped"
            self.report.add_problem("data", what, skipped=self.failed)


class OneKind:
    """Reads a data group with one kind of record.

    Parameters
    ----------
    blocks : Blocks
    data_group : DataGroup
    request : ReadRequest
    report : ReadReport
    open_end : bool
        Whether the recorder was stopped before it noted the size of the last block.

    Raises
    ------
    UnknownLayoutError
        If a part of the records is stored in a way that is not known here.
    """

    def __init__(
        self,
        blocks: Blocks,
        data_group: DataGroup,
        request: ReadRequest,
        report: ReadReport,
        *,
        open_end: bool,
    ) -> None:
        self.group = data_group.groups[0]
        self.reader = RecordReader(self.group, request, report)
        self.counter = Counter(self.group, report)
        self.pieces = blocks.stream(data_group.data, open_end=open_end)
        self.side: SideStream | None = None
        data = self.group.fields.get("DataBytes")
        if data is not None and data.kind == VARIABLE:
            blocks.check_stream(data.signal)
            self.side = SideStream(blocks.stream(data.signal, open_end=open_end))
        self.rest = b""
        self.skip = 0  # bytes up to the next record, after a loss

    def frames(self) -> Iterator[FrameBlock]:
        """Yield the frames in the order of their records."""
        for piece in self.pieces:
            records = self._records(piece)
            records = records[: self.counter.room(len(records))]
            self.counter.seen += len(records)
            for begin in range(0, len(records), _MOST_AT_ONCE):
                done = self.reader.read(records[begin : begin + _MOST_AT_ONCE], self.side)
                self.counter.failed += len(done.failed)
                yield done.block
        self.counter.close()

    def _records(self, piece: Piece) -> ByteArray:
        """Return the whole records up to the end of a piece, shape (n, size)."""
        size = self.group.size
        if piece.lost:
            lost = piece.lost + len(self.rest)
            self.counter.seen += -(-lost // size)
            self.skip, self.rest = -lost % size, b""
        if piece.width == size and not self.rest and not self.skip:
            records, self.rest = piece.table()
            return records
        whole = self.rest + piece.plain()[self.skip :]
        self.skip = max(0, self.skip - len(piece.data))
        many = len(whole) // size
        self.rest = whole[many * size :]
        return np.frombuffer(whole, np.uint8, many * size).reshape(many, size)


class MixedRecords:
    """Reads a data group whose records are of several kinds, each with its number before it.

    Parameters
    ----------
    data_group : DataGroup
    request : ReadRequest
    report : ReadReport
    """

    def __init__(self, data_group: DataGroup, request: ReadRequest, report: ReadReport) -> None:
        self.report = report
        self.id_size = data_group.id_size
        self.sizes = {one.record_id: one.size for one in data_group.groups if not one.variable}
        self.variable = {one.record_id: Collected() for one in data_group.groups if one.variable}
        by_address = {one.address: one.record_id for one in data_group.groups}
        self.readers: dict[int, RecordReader] = {}
        self.counters: dict[int, Counter] = {}
        self.aside: dict[int, Collected | None] = {}
        self.held: dict[int, ByteArray] = {}
        self.lost = False
        for one in data_group.groups:
            if one.event:
                self.readers[one.record_id] = RecordReader(one, request, report)
                self.counters[one.record_id] = Counter(one, report)
                data = one.fields.get("DataBytes")
                place = by_address.get(data.signal) if data and data.kind == VARIABLE else None
                self.aside[one.record_id] = None if place is None else self.variable.get(place)
                if data and data.kind == VARIABLE and self.aside[one.record_id] is None:
                    raise UnknownLayoutError

    def frames(self, pieces: Iterator[Piece]) -> Iterator[FrameBlock]:
        """Yield the frames of all kinds, in the order of their records."""
        rest = b""
        for piece in pieces:
            if piece.lost:
                self._lose("a loss between records of several kinds")
                break
            data = rest + piece.plain()
            places, used = self._walk(data)
            rest = data[used:]
            yield self._block(data, places, last=False)
            if self.lost:
                break
        if rest and not self.lost:
            self.report.add_problem("data", "the last record is cut", skipped=1, cut=True)
        yield self._block(b"", {number: [] for number in self.readers}, last=True)
        for counter in self.counters.values():
            counter.close()

    def _walk(self, data: bytes) -> tuple[dict[int, list[int]], int]:
        """Find where the records of each kind begin, up to the last whole one."""
        places: dict[int, list[int]] = {number: [] for number in self.readers}
        at, end, size = 0, len(data), self.id_size
        while at + size <= end:
            number = int.from_bytes(data[at : at + size], "little")
            begin = at + size
            length = self.sizes.get(number)
            if length is None:
                length = self._take_variable(data, number, begin)
                if length is None:
                    break
            if begin + length > end:
                break
            if number in places:
                places[number].append(begin)
            at = begin + length
        return places, at

    def _take_variable(self, data: bytes, number: int, begin: int) -> int | None:
        collected = self.variable.get(number)
        if collected is None:
            self._lose(f"a record of unknown kind {number}")
            return None
        if begin + _LENGTH_BYTES > len(data):
            return None
        (length,) = struct.unpack_from("<I", data, begin)
        whole = _LENGTH_BYTES + int(length)
        if length > _LARGEST_VARIABLE:
            self._lose(f"a record of {length} bytes")
            return None
        if begin + whole > len(data):
            return None
        collected.buffer += data[begin : begin + whole]
        return whole

    def _lose(self, what: str) -> None:
        self.lost = True
        self.report.add_problem("data", f"{what}; all that follows it is lost", skipped=1)

    def _block(self, data: bytes, places: dict[int, list[int]], *, last: bool) -> FrameBlock:
        buffer = padded(data)
        block, line = empty_block(), np.empty(0, dtype=np.int64)
        for number, begins in places.items():
            if not begins and number not in self.held:
                continue
            at = np.array(begins, dtype=np.int64)
            records = windows(buffer, at + FRONT, self.sizes[number])
            records, at = self._ready(number, records, at, last=last)
            counter = self.counters[number]
            count = counter.room(len(at))
            counter.seen += count
            if not count:
                continue
            done = self.readers[number].read(records[:count], self.aside[number])
            counter.failed += len(done.failed)
            block = merged(block, line, done.block, at[done.line])
            line = np.sort(np.concatenate((line, at[done.line])))
        return block

    def _ready(
        self, number: int, records: ByteArray, at: IntArray, *, last: bool
    ) -> tuple[ByteArray, IntArray]:
        """Hold records back whose data bytes have not come yet; give those held before."""
        collected = self.aside[number]
        if collected is None:
            return records, at
        held = self.held.pop(number, None)
        if held is not None:
            records = np.concatenate((held, records))
            at = np.concatenate((np.full(len(held), -1), at))
        place = self.readers[number].data_places(records)
        late = np.flatnonzero(place + _LENGTH_BYTES > collected.end)
        if len(late) and not last and len(records) - late[0] <= _MOST_HELD:
            self.held[number] = records[late[0] :].copy()
            records, at = records[: late[0]], at[: late[0]]
        return records, at


def woven(streams: Sequence[Iterator[FrameBlock]]) -> Iterator[FrameBlock]:
    """Yield the frames of several groups in time order.

    The groups of a file (data, remote and error frames, one a bus) lie one behind the other.
    """
    if len(streams) == 1:
        yield from streams[0]
        return
    waiting: list[tuple[FrameBlock, Iterator[FrameBlock]]] = []
    for stream in streams:
        block = _next(stream)
        if block is not None:
            waiting.append((block, stream))
    while waiting:
        until = min(int(block.time_ns[-1]) for block, _ in waiting)
        taken, left = [], []
        for block, stream in waiting:
            count = int(np.searchsorted(block.time_ns, until, side="right"))
            taken.append(rows_of(block, 0, count))
            rest = rows_of(block, count, len(block)) if count < len(block) else _next(stream)
            if rest is not None:
                left.append((rest, stream))
        waiting = left
        yield in_time_order(joined(taken))


def _next(stream: Iterator[FrameBlock]) -> FrameBlock | None:
    block = next((block for block in stream if len(block)), None)
    return None if block is None else in_time_order(block)

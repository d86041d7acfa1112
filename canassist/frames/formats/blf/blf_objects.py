"""The objects of a BLF file, many at a time: CAN and CAN FD frames, error frames, losses.

Layouts as published in the format's description: every object begins with ``LOBJ``, the sizes
of header and object and its type; then flags and a 64-bit time stamp. What no file at hand
shows is from memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from canassist.frames.formats.blf.blf_rare_objects import ODD_KINDS, read_odd
from canassist.frames.frame_rows import (
    CLASSIC_BYTES,
    FD_BYTES,
    FD_LENGTHS,
    block_of,
    block_of_frames,
    merged,
    rows_to_keep,
)
from canassist.frames.text.batch_lines import pick
from canassist.frames.text.hex_words import FIRST
from canassist.model import BoolArray, ByteArray, FrameFlag

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from canassist.frames.base import ReadRequest
    from canassist.frames.formats.blf.blf_chain import Objects
    from canassist.model import FrameBlock, IdArray, IntArray, ReadReport

    Words = NDArray[np.uint32]

CAN_MESSAGE: Final = 1
CAN_MESSAGE2: Final = 86
CAN_FD_MESSAGE: Final = 100
CAN_FD_MESSAGE_64: Final = 101

_LEAST_HEADER: Final = 32
_LARGEST_HEADER: Final = 64
_TEN_MICROSECONDS: Final = 1  # object flag: the time stamp counts these, else nanoseconds
_LATEST_NS: Final = 1 << 62
_LATEST_TICKS: Final = _LATEST_NS // 10_000
_WORD: Final = 4

_HIGHEST_KIND: Final = 255
_ODD_TABLE: Final[BoolArray] = np.isin(np.arange(_HIGHEST_KIND + 1), ODD_KINDS)

_V = np.uint32
_EXTENDED: Final = np.uint8(FrameFlag.EXTENDED)
_ID_MASK: Final = _V(0x1FFF_FFFF)

# Flags of types 1, 86 and 100; of type 100's own FD byte; of types 101
_SENT: Final = 0x01
_REMOTE: Final = 0x80
_FD_EDL, _FD_BRS, _FD_ESI = 0x1, 0x2, 0x4
_64_REMOTE, _64_EDL, _64_BRS, _64_ESI = 0x10, 0x1000, 0x2000, 0x4000


@dataclass(frozen=True, slots=True)
class _Body:
    """How large the fixed part of a kind of object is, in bytes, and what lies behind it."""

    size: int
    data: int  # bytes that must follow


_BODIES: Final = {
    CAN_MESSAGE: _Body(8, 8),
    CAN_MESSAGE2: _Body(8, 8),
    CAN_FD_MESSAGE: _Body(20, 0),
    CAN_FD_MESSAGE_64: _Body(40, 0),
}


class _Frames(NamedTuple):
    """Frames of one or more kinds; arrays of shape (n,).

    Attributes
    ----------
    at : array of int64
        Word at which each object begins.
    data_at : array of int64
        Word at which its data begins.
    data_bytes : array of int64
        How many bytes of data the object holds.
    """

    at: IntArray
    channel: NDArray[np.uint16]
    can_id: IdArray
    flags: ByteArray
    length: ByteArray
    data_at: IntArray
    data_bytes: IntArray

    def take(self, rows: IntArray | BoolArray) -> _Frames:
        """Return some of the frames."""
        return _Frames(
            self.at[rows],
            self.channel[rows],
            self.can_id[rows],
            self.flags[rows],
            self.length[rows],
            self.data_at[rows],
            self.data_bytes[rows],
        )


def read_objects(objects: Objects, request: ReadRequest, report: ReadReport) -> FrameBlock:
    """Turn objects into a block of frames, in file order."""
    words, at = objects.words, objects.at
    header = (words[at + 1] & _V(0xFFFF)).astype(np.int64)
    sane = (header >= _LEAST_HEADER) & (header <= _LARGEST_HEADER) & (header % _WORD == 0)
    sane &= header <= objects.size
    kind = words[at + 3]
    parts: list[_Frames] = []
    damaged = int(np.count_nonzero(~sane))
    for number in _BODIES:
        mine = sane & (kind == number)
        if mine.any():
            part, small = _frames_of(number, objects, header, mine, request)
            parts.append(part)
            damaged += small
    block, place = _block(objects, _together(parts), request, report)
    odd = np.flatnonzero(_ODD_TABLE[np.minimum(kind, _HIGHEST_KIND)] & sane)
    if len(odd):
        frames, odd_at = read_odd(objects, odd, times_of(words, at[odd]), report)
        single, kept = block_of_frames(frames, request)
        block = merged(block, place, single, odd_at[kept])
    if damaged:
        report.add_problem(
            objects.where, f"{damaged} objects have impossible sizes", skipped=damaged
        )
    return block


def _frames_of(
    number: int, objects: Objects, header: IntArray, mine: BoolArray, request: ReadRequest
) -> tuple[_Frames, int]:
    """Read the frames of one kind of object; also tell how many objects are too small for it."""
    words, body = objects.words, _BODIES[number]
    rows = None if mine.all() else np.flatnonzero(mine)
    at, header = pick(objects.at, rows), pick(header, rows) // _WORD
    room = pick(objects.size, rows) - header * _WORD - body.size
    whole = room >= body.data
    small = len(whole) - int(np.count_nonzero(whole))
    if not request.headers and request.wanted is not None:
        can_id = words[at + header + 1]  # in the same place for every kind
        whole &= request.wanted.contains(can_id & _ID_MASK, (can_id >> _V(31)) != 0)
    if not whole.all():
        some = np.flatnonzero(whole)
        at, header, room = at[some], header[some], room[some]
    return _READERS[number](words, at, header, room), small


def _classic(words: Words, at: IntArray, header: IntArray, room: IntArray) -> _Frames:
    body = at + header
    first, can_id = words[body], words[body + 1]
    flags = _direction_and_remote(first >> _V(16)) | _extended(can_id)
    length = np.minimum(first >> _V(24), CLASSIC_BYTES).astype(np.uint8)
    channel = (first & _V(0xFFFF)).astype(np.uint16)
    return _Frames(at, channel, can_id & _ID_MASK, flags, length, body + 2, room)


def _extended(can_id: IdArray) -> ByteArray:
    extended: ByteArray = (can_id >> _V(31)).astype(np.uint8) * _EXTENDED
    return extended


def _direction_and_remote(marks: Words) -> ByteArray:
    flags: ByteArray = _DIRECTION_AND_REMOTE[marks & _V(0xFF)]
    return flags


def _by_byte() -> ByteArray:
    """List the frame flags by the flag byte of types 1, 86 and 100."""
    byte = np.arange(256, dtype=np.uint32)
    flags = _marked(byte, _SENT, FrameFlag.SENT)
    flags |= _marked(byte, _REMOTE, FrameFlag.REMOTE)
    return flags


def _marked(marks: Words, bit: int, flag: FrameFlag) -> ByteArray:
    marked: ByteArray = ((marks & _V(bit)) != 0).astype(np.uint8) * np.uint8(flag)
    return marked


_DIRECTION_AND_REMOTE: Final[ByteArray] = _by_byte()


def _fd(words: Words, at: IntArray, header: IntArray, room: IntArray) -> _Frames:
    body = at + header
    first, can_id, last = words[body], words[body + 1], words[body + 3]
    flags = _direction_and_remote(first >> _V(16)) | _extended(can_id)
    marks = last >> _V(8)
    flags |= _marked(marks, _FD_EDL, FrameFlag.FD)
    flags |= _marked(marks, _FD_BRS, FrameFlag.BIT_RATE_SWITCH)
    flags |= _marked(marks, _FD_ESI, FrameFlag.ERROR_STATE)
    valid = (last >> _V(16)) & _V(0xFF)
    length = _fd_length(valid, first >> _V(24), flags)
    channel = (first & _V(0xFFFF)).astype(np.uint16)
    return _Frames(at, channel, can_id & _ID_MASK, flags, length, body + 5, room)


def _fd_64(words: Words, at: IntArray, header: IntArray, room: IntArray) -> _Frames:
    body = at + header
    first, can_id, marks, last = words[body], words[body + 1], words[body + 3], words[body + 8]
    flags = _extended(can_id)
    flags |= _marked(marks, _64_REMOTE, FrameFlag.REMOTE)
    flags |= _marked(marks, _64_EDL, FrameFlag.FD)
    flags |= _marked(marks, _64_BRS, FrameFlag.BIT_RATE_SWITCH)
    flags |= _marked(marks, _64_ESI, FrameFlag.ERROR_STATE)
    flags |= _marked(last >> _V(16), 0xFF, FrameFlag.SENT)
    length = _fd_length((first >> _V(16)) & _V(0xFF), (first >> _V(8)) & _V(0xFF), flags)
    extra_at = (last >> _V(24)).astype(np.int64)  # where more than the frame begins; 0: nowhere
    own = extra_at - header * _WORD - _BODIES[CAN_FD_MESSAGE_64].size
    room = np.where(extra_at > 0, np.minimum(np.maximum(own, 0), room), room)
    channel = (first & _V(0xFF)).astype(np.uint16)
    return _Frames(at, channel, can_id & _ID_MASK, flags, length, body + 10, room)


def _fd_length(valid: Words, code: Words, flags: ByteArray) -> ByteArray:
    """Return data lengths: the bytes that are valid; for remote frames those asked for."""
    length = np.minimum(valid, FD_BYTES).astype(np.uint8)
    is_fd = (flags & np.uint8(FrameFlag.FD)) != 0
    length[~is_fd] = np.minimum(length[~is_fd], CLASSIC_BYTES)
    remote = (flags & np.uint8(FrameFlag.REMOTE)) != 0
    if remote.any():
        length[remote] = np.minimum(FD_LENGTHS[np.minimum(code[remote], 15)], CLASSIC_BYTES)
    return length


_READERS: Final = {
    CAN_MESSAGE: _classic,
    CAN_MESSAGE2: _classic,
    CAN_FD_MESSAGE: _fd,
    CAN_FD_MESSAGE_64: _fd_64,
}


def _together(parts: list[_Frames]) -> _Frames:
    """Return the frames of all kinds in file order."""
    if len(parts) == 1:
        return parts[0]
    if not parts:
        return _NO_FRAMES
    whole = _Frames(
        np.concatenate([part.at for part in parts]),
        np.concatenate([part.channel for part in parts]),
        np.concatenate([part.can_id for part in parts]),
        np.concatenate([part.flags for part in parts]),
        np.concatenate([part.length for part in parts]),
        np.concatenate([part.data_at for part in parts]),
        np.concatenate([part.data_bytes for part in parts]),
    )
    return whole.take(np.argsort(whole.at, kind="stable"))


_NO_INTS: Final = np.empty(0, dtype=np.int64)
_NO_BYTES: Final = np.empty(0, dtype=np.uint8)
_NO_FRAMES: Final = _Frames(
    _NO_INTS,
    np.empty(0, dtype=np.uint16),
    np.empty(0, dtype=np.uint32),
    _NO_BYTES,
    _NO_BYTES,
    _NO_INTS,
    _NO_INTS,
)


def _block(
    objects: Objects, frames: _Frames, request: ReadRequest, report: ReadReport
) -> tuple[FrameBlock, IntArray]:
    """Read times and wanted data; return the block and the word each frame begins at."""
    words = objects.words
    kept, payload_row = rows_to_keep(frames.can_id, frames.flags, request)
    if len(kept) < len(frames.at):
        frames = frames.take(kept)
    time_ns, fine = times_of(words, frames.at)
    if not fine.all():
        count = int((~fine).sum())
        what = f"{count} frames with time stamps beyond all bounds; skipped"
        report.add_problem(objects.where, what, skipped=count)
        place = np.cumsum(fine) - 1
        payload_row = place[payload_row[fine[payload_row]]]
        frames, time_ns = frames.take(fine), time_ns[fine]
    block = block_of(
        time_ns=time_ns,
        bus=_buses(frames.channel, report),
        can_id=frames.can_id,
        flags=frames.flags,
        length=frames.length,
        payload=_payload(words, frames, payload_row),
        payload_row=payload_row,
    )
    return block, frames.at


def times_of(words: Words, at: IntArray) -> tuple[IntArray, BoolArray]:
    """Return the time stamps of objects in ns, and which of them are possible."""
    ticks = words[at + 6].astype(np.uint64) | (words[at + 7].astype(np.uint64) << np.uint64(32))
    coarse = words[at + 4] == _TEN_MICROSECONDS
    fine = ticks < np.where(coarse, np.uint64(_LATEST_TICKS), np.uint64(_LATEST_NS))
    time_ns = np.where(fine, ticks, np.uint64(0)).view(np.int64)
    if coarse.any():
        time_ns = np.where(coarse, time_ns * 10_000, time_ns)
    return time_ns, fine


def _buses(channel: NDArray[np.uint16], report: ReadReport) -> ByteArray:
    """Turn channel numbers into bus numbers."""
    if not len(channel):
        return _NO_BYTES
    if (channel == channel[0]).all():
        return np.full(len(channel), report.bus_index(str(channel[0])), dtype=np.uint8)
    _, first, inverse = np.unique(channel, return_index=True, return_inverse=True)
    bus = np.empty(len(first), dtype=np.uint8)
    for one in np.argsort(first).tolist():  # named in order of appearance
        bus[one] = report.bus_index(str(channel[first[one]]))
    return bus[inverse]


def _payload(words: Words, frames: _Frames, rows: IntArray) -> ByteArray:
    """Read the data of some frames, zero beyond their length and beyond their object."""
    at, length = frames.data_at[rows], frames.length[rows]
    have = np.minimum(length, frames.data_bytes[rows])
    if not len(rows) or int(length.max()) <= CLASSIC_BYTES:
        data = words[at].astype(np.uint64) | (words[at + 1].astype(np.uint64) << np.uint64(32))
        short: ByteArray = (data & FIRST[have]).view(np.uint8).reshape(len(rows), CLASSIC_BYTES)
        return short
    wide: ByteArray = words[at[:, np.newaxis] + np.arange(FD_BYTES // _WORD)].view(np.uint8)
    wide[np.arange(FD_BYTES) >= have[:, np.newaxis]] = 0
    return wide

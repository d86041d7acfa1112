"""Frames in the packets of a capture: SocketCAN, bare or behind a "cooked" header."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.frames.frame_rows import (
    CLASSIC_BYTES,
    FD_BYTES,
    FD_LENGTHS,
    HIGHEST_ID,
    HIGHEST_STANDARD_ID,
    Assembled,
    Candidates,
    assembled,
)
from canassist.frames.text.digits import windows
from canassist.model import FrameFlag

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canassist.frames.base import ReadRequest
    from canassist.model import BoolArray, ByteArray, IntArray

CAN_LINK: Final = 227
COOKED_LINK: Final = 113
COOKED2_LINK: Final = 276
LINKS: Final = (CAN_LINK, COOKED_LINK, COOKED2_LINK)

_COOKED_BYTES: Final = {CAN_LINK: 0, COOKED_LINK: 16, COOKED2_LINK: 20}
_PROTOCOL_AT: Final = {COOKED_LINK: 14, COOKED2_LINK: 0}
_PROTOCOL_CAN: Final = 0x000C
_PROTOCOL_FD: Final = 0x000D
_SENT_BY_US: Final = 4
_HEADER_BYTES: Final = 8
_FD_FRAME_BYTES: Final = 72  # with header and padding
_FD_MARK: Final = 0x04
_XL_MARK: Final = 0x80

_FIRST_WINDOW: Final = 1024  # bytes

_EXTENDED: Final = 0x8000_0000
_REMOTE: Final = 0x4000_0000
_ERROR: Final = 0x2000_0000


@dataclass(slots=True)
class Packets:
    """Packets of one interface, as columns of shape (n,).

    Attributes
    ----------
    start : array of int64
        Where each packet's bytes begin in the padded buffer.
    size : array of int64
        How many bytes of it were captured.
    time_ns : array of int64
    flags : array of uint8
        Frame flags that the capture itself gives (direction).
    bus : array of uint8
    """

    start: IntArray
    size: IntArray
    time_ns: IntArray
    flags: ByteArray
    bus: ByteArray

    def take(self, rows: IntArray) -> Packets:
        """Return some of the packets."""
        return Packets(
            self.start[rows], self.size[rows], self.time_ns[rows], self.flags[rows], self.bus[rows]
        )


def growing_windows(begin: int, end: int) -> Iterator[tuple[int, int]]:
    """Part a search: most finds are near, and many searches must not each cost the whole."""
    width = _FIRST_WINDOW
    while begin < end:
        yield begin, min(begin + width, end)
        begin += width
        width *= 4


def frames_of(
    buffer: ByteArray, packets: Packets, *, link: int, big: bool, request: ReadRequest
) -> Assembled:
    """Read the frames in packets; `failed` are those without one.

    Parameters
    ----------
    buffer : array of uint8
        Padded bytes.
    link : int
        One of `LINKS`.
    big : bool
        Whether numbers in the file have their highest byte first.
    """
    start = packets.start + _COOKED_BYTES[link]
    size = packets.size - _COOKED_BYTES[link]
    flags = packets.flags.copy()
    fine = size >= _HEADER_BYTES
    fd_protocol = np.zeros(len(start), dtype=np.bool_)
    if link != CAN_LINK:
        protocol, sent = _cooked(buffer, packets.start, link)
        flags |= sent
        fd_protocol = protocol == _PROTOCOL_FD
        fine &= (protocol == _PROTOCOL_CAN) | fd_protocol
    head = windows(buffer, start, _HEADER_BYTES)
    order = ">u4" if big or link == CAN_LINK else "<u4"
    word = head[:, :4].copy().view(order)[:, 0].astype(np.int64)
    length, mark = head[:, 4], head[:, 5]
    is_fd = fd_protocol | _looks_fd(length, mark, size)
    flags |= _flags(word, mark, is_fd)
    extended_or_error = (word & (_EXTENDED | _ERROR)) != 0
    can_id = word & np.where(extended_or_error, HIGHEST_ID, HIGHEST_STANDARD_ID)
    remote = (flags & FrameFlag.REMOTE) != 0
    fine &= (length & _XL_MARK) == 0
    fine &= np.where(is_fd, np.isin(length, FD_LENGTHS), length <= CLASSIC_BYTES)
    fine &= remote | (size - _HEADER_BYTES >= length)
    rows = np.flatnonzero(fine)
    frames = Candidates(
        rows, packets.bus[rows], can_id[rows].astype(np.uint32), flags[rows], length[rows]
    )

    def times(chosen: IntArray) -> tuple[IntArray, BoolArray]:
        return packets.time_ns[rows[chosen]], np.ones(len(chosen), dtype=np.bool_)

    def payloads(chosen: IntArray) -> tuple[ByteArray, BoolArray]:
        many = frames.length[chosen]
        width = CLASSIC_BYTES if int(many.max(initial=0)) <= CLASSIC_BYTES else FD_BYTES
        payload = windows(buffer, start[rows[chosen]] + _HEADER_BYTES, width)
        payload[np.arange(width) >= many[:, np.newaxis]] = 0
        return payload, np.ones(len(chosen), dtype=np.bool_)

    done = assembled(frames, request, times, payloads)
    return done._replace(failed=np.flatnonzero(~fine))


def _looks_fd(length: ByteArray, mark: ByteArray, size: IntArray) -> BoolArray:
    """Tell CAN FD by its mark, which not every capture sets, or by its size."""
    marked: BoolArray = ((mark & _FD_MARK) != 0) | (size == _FD_FRAME_BYTES)
    return marked | ((length > CLASSIC_BYTES) & (size > _HEADER_BYTES + CLASSIC_BYTES))


def _flags(word: IntArray, mark: ByteArray, is_fd: BoolArray) -> ByteArray:
    error = (word & _ERROR) != 0
    flags = np.where(error, FrameFlag.ERROR, 0)
    flags |= np.where(~error & ((word & _EXTENDED) != 0), FrameFlag.EXTENDED, 0)
    flags |= np.where(~error & ~is_fd & ((word & _REMOTE) != 0), FrameFlag.REMOTE, 0)
    flags |= np.where(is_fd & ~error, FrameFlag.FD, 0)
    flags |= np.where(is_fd & ((mark & 1) != 0), FrameFlag.BIT_RATE_SWITCH, 0)
    flags |= np.where(is_fd & ((mark & 2) != 0), FrameFlag.ERROR_STATE, 0)
    return flags.astype(np.uint8)


def _cooked(buffer: ByteArray, start: IntArray, link: int) -> tuple[IntArray, ByteArray]:
    """Read the protocol and the direction from a cooked header."""
    head = windows(buffer, start, _COOKED_BYTES[link]).astype(np.int64)
    at = _PROTOCOL_AT[link]
    protocol = head[:, at] << 8 | head[:, at + 1]
    kind = head[:, 0] << 8 | head[:, 1] if link == COOKED_LINK else head[:, 10]
    sent = np.where(kind == _SENT_BY_US, FrameFlag.SENT, 0).astype(np.uint8)
    return protocol, sent


def interface_numbers(buffer: ByteArray, start: IntArray) -> IntArray:
    """Read which interface each packet of a `COOKED2_LINK` capture is from."""
    head = windows(buffer, start + 4, 4)
    numbers: IntArray = head.copy().view(">u4")[:, 0].astype(np.int64)
    return numbers

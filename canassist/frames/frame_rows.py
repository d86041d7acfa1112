"""Frames on their way from a reader's rows or columns into blocks."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from canassist.frames.text.digits import hex_bytes, windows
from canassist.model import FrameBlock, FrameFlag, ReadReport

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from canassist.frames.base import ReadRequest
    from canassist.model import BoolArray, ByteArray, IdArray, IntArray

UNNAMED_BUS: Final = "CAN"
"""Bus name where a format gives none."""

EARLIEST_UTC_NS: Final = 946_684_800_000_000_000
"""Start of the year 2000: a time stamp before it counts from the recorder's start, not 1970."""

EARLIEST_YEAR: Final = 1990
"""A wall clock before the first CAN recorders was never set; it tells nothing."""

CLASSIC_BYTES: Final = 8
FD_BYTES: Final = 64
FD_LENGTHS: Final[ByteArray] = np.array(
    [0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64], dtype=np.uint8
)
"""Data length in bytes by length code (ISO 11898-1)."""

# as single bytes, or numpy would widen whole columns to 64 bits
_EXTENDED: Final = np.uint8(FrameFlag.EXTENDED)
_REMOTE: Final = np.uint8(FrameFlag.REMOTE)
_ERROR: Final = np.uint8(FrameFlag.ERROR)

HIGHEST_ID: Final = 0x1FFF_FFFF
HIGHEST_STANDARD_ID: Final = 0x7FF


MOST_BUSES: Final = ReadReport.MAX_BUSES


def bus_index(report: ReadReport, name: str) -> int:
    """Return the index of a bus, adding it when new.

    Raises
    ------
    ValueError
        If the log names more buses than a recorder has; then the names are garbage.
    """
    if len(report.buses) >= MOST_BUSES and name not in report.buses:
        msg = "too many buses"
        raise ValueError(msg)
    return report.bus_index(name)


class Frame(NamedTuple):
    """One frame, for the readers' slow and plain paths.

    `length` is the data length in bytes; for a remote frame the length asked for.
    """

    time_ns: int
    bus: int
    can_id: int
    flags: int
    length: int
    data: bytes = b""


def payload_wanted(can_id: IdArray, flags: ByteArray, request: ReadRequest) -> BoolArray:
    """Tell which frames' payload is wanted, shape (n,); remote frames have none."""
    has_data: BoolArray = (flags & _REMOTE) == 0
    if request.wanted is None:
        return has_data
    is_error = (flags & _ERROR) != 0
    chosen: BoolArray = request.wanted.contains(can_id, (flags & _EXTENDED) != 0) & ~is_error
    if request.wanted.error_frames:
        chosen |= is_error
    return chosen & has_data


def rows_to_keep(
    can_id: IdArray, flags: ByteArray, request: ReadRequest
) -> tuple[IntArray, IntArray]:
    """Choose the frames that a block holds.

    Returns
    -------
    kept : array of int64
        Which frames go into the block.
    payload_row : array of int64
        Which of those carry their payload.
    """
    wanted = payload_wanted(can_id, flags, request)
    if request.headers or request.wanted is None:
        return np.arange(len(can_id)), np.flatnonzero(wanted)
    kept = np.flatnonzero(wanted)
    return kept, np.arange(len(kept))


def block_of(  # noqa: PLR0913 - the columns of a block
    *,
    time_ns: IntArray,
    bus: ByteArray,
    can_id: IdArray,
    flags: ByteArray,
    length: ByteArray,
    payload: ByteArray,
    payload_row: IntArray,
) -> FrameBlock:
    """Make a block with the column types that the model asks for."""
    return FrameBlock(
        time_ns=np.ascontiguousarray(time_ns, dtype=np.int64),
        bus=np.ascontiguousarray(bus, dtype=np.uint8),
        can_id=np.ascontiguousarray(can_id, dtype=np.uint32),
        flags=np.ascontiguousarray(flags, dtype=np.uint8),
        length=np.ascontiguousarray(length, dtype=np.uint8),
        payload=np.ascontiguousarray(payload, dtype=np.uint8),
        payload_row=np.ascontiguousarray(payload_row, dtype=np.int64),
    )


class Candidates(NamedTuple):
    """Frames of a run of lines, before the costly columns are read; all shape (n,).

    Attributes
    ----------
    line : array of int64
        Which line of the run each frame is on.
    bus, flags, length : array of uint8
    can_id : array of uint32
    """

    line: IntArray
    bus: ByteArray
    can_id: IdArray
    flags: ByteArray
    length: ByteArray

    def take(self, rows: IntArray) -> Candidates:
        """Return some of the frames."""
        return Candidates(
            self.line[rows], self.bus[rows], self.can_id[rows], self.flags[rows], self.length[rows]
        )


class Assembled(NamedTuple):
    """A block, the line of each of its frames, and lines that could not be read."""

    block: FrameBlock
    line: IntArray
    failed: IntArray


def assembled(
    frames: Candidates,
    request: ReadRequest,
    times: Callable[[IntArray], tuple[IntArray, BoolArray]],
    payloads: Callable[[IntArray], tuple[ByteArray, BoolArray]],
) -> Assembled:
    """Read times and payloads of the frames that are wanted, and of no others.

    Parameters
    ----------
    frames : Candidates
    request : ReadRequest
    times : function
        Takes which candidates; gives their times in ns and whether each is fine.
    payloads : function
        Takes which candidates; gives their data bytes, shape (k, 8) or (k, 64), zero
        beyond the length, and whether each is fine.
    """
    kept, payload_row = rows_to_keep(frames.can_id, frames.flags, request)
    time_ns, fine = times(kept)
    payload, fine_payload = payloads(kept[payload_row])
    fine[payload_row[~fine_payload]] = False
    if not fine.all():
        place = np.cumsum(fine) - 1
        stays = fine[payload_row]
        payload, payload_row = payload[stays], place[payload_row[stays]]
    good = frames.take(kept[fine])
    block = block_of(
        time_ns=time_ns[fine],
        bus=good.bus,
        can_id=good.can_id,
        flags=good.flags,
        length=good.length,
        payload=payload,
        payload_row=payload_row,
    )
    return Assembled(block, good.line, frames.line[kept[~fine]])


def hex_payload(
    buffer: ByteArray, start: IntArray, length: ByteArray, *, stride: int
) -> tuple[ByteArray, BoolArray]:
    """Read data bytes written as pairs of hexadecimal digits, `stride` characters apart.

    Returns
    -------
    payload : array of uint8, shape (n, 8) or (n, 64)
        Zero beyond the length.
    fine : array of bool, shape (n,)
        Whether all pairs within the length are hexadecimal.
    """
    longest = int(length.max(initial=0))
    width = CLASSIC_BYTES if longest <= CLASSIC_BYTES else FD_BYTES
    text = windows(buffer, start, stride * width).reshape(len(start), width, stride)
    value, fine = hex_bytes(text[:, :, :2])
    beyond = np.arange(width) >= length[:, np.newaxis]
    value[beyond] = 0
    whole: BoolArray = np.all(fine | beyond, axis=1)
    return value, whole


def block_of_frames(frames: Sequence[Frame], request: ReadRequest) -> tuple[FrameBlock, IntArray]:
    """Make a block of single frames.

    Returns
    -------
    block : FrameBlock
    kept : array of int64
        Which of `frames` are in it.
    """
    can_id = np.array([frame.can_id for frame in frames], dtype=np.uint32)
    flags = np.array([frame.flags for frame in frames], dtype=np.uint8)
    kept, payload_row = rows_to_keep(can_id, flags, request)
    chosen = [frames[row] for row in kept.tolist()]
    data = [chosen[row].data for row in payload_row.tolist()]
    width = FD_BYTES if any(len(one) > CLASSIC_BYTES for one in data) else CLASSIC_BYTES
    raw = b"".join(one[:width].ljust(width, b"\0") for one in data)
    block = block_of(
        time_ns=np.array([frame.time_ns for frame in chosen], dtype=np.int64),
        bus=np.array([frame.bus for frame in chosen], dtype=np.uint8),
        can_id=can_id[kept],
        flags=flags[kept],
        length=np.array([frame.length for frame in chosen], dtype=np.uint8),
        payload=np.frombuffer(raw, dtype=np.uint8).reshape(len(data), width),
        payload_row=payload_row,
    )
    return block, kept


def empty_block() -> FrameBlock:
    """Return a block without a frame."""
    nothing = np.empty(0, dtype=np.int64)
    return block_of(
        time_ns=nothing,
        bus=np.empty(0, dtype=np.uint8),
        can_id=np.empty(0, dtype=np.uint32),
        flags=np.empty(0, dtype=np.uint8),
        length=np.empty(0, dtype=np.uint8),
        payload=np.empty((0, CLASSIC_BYTES), dtype=np.uint8),
        payload_row=nothing,
    )


def merged(first: FrameBlock, at: IntArray, second: FrameBlock, at_second: IntArray) -> FrameBlock:
    """Weave two blocks into one in file order.

    Parameters
    ----------
    first, second : FrameBlock
    at, at_second : array of int64
        Place in the file (line number, say) of each frame of `first` and of `second`.
    """
    if not len(second):
        return first
    if not len(first):
        return second
    order = np.argsort(np.concatenate((at, at_second)), kind="stable")
    moved = np.empty(len(order), dtype=np.int64)
    moved[order] = np.arange(len(order))
    rows = moved[np.concatenate((first.payload_row, second.payload_row + len(first)))]
    by_row = np.argsort(rows)
    width = max(first.payload.shape[1], second.payload.shape[1])
    payload = np.concatenate((_widened(first.payload, width), _widened(second.payload, width)))
    return block_of(
        time_ns=np.concatenate((first.time_ns, second.time_ns))[order],
        bus=np.concatenate((first.bus, second.bus))[order],
        can_id=np.concatenate((first.can_id, second.can_id))[order],
        flags=np.concatenate((first.flags, second.flags))[order],
        length=np.concatenate((first.length, second.length))[order],
        payload=payload[by_row],
        payload_row=rows[by_row],
    )


def _widened(payload: ByteArray, width: int) -> ByteArray:
    return np.pad(payload, ((0, 0), (0, width - payload.shape[1])))

"""Parting, joining and moving blocks of frames."""

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.frames.frame_rows import merged

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from canassist.model import ByteArray, FrameBlock, IntArray

_WORD: Final = 8


@contextmanager
def closed_at_end(blocks: Iterator[FrameBlock]) -> Iterator[Iterator[FrameBlock]]:
    """Close a generator, and the files it holds, whatever happens."""
    try:
        yield blocks
    finally:
        close = getattr(blocks, "close", None)
        if close is not None:
            close()


def rows_of(block: FrameBlock, begin: int, end: int) -> FrameBlock:
    """Return the frames from `begin` up to, not including, `end`; views, not copies."""
    first, last = np.searchsorted(block.payload_row, (begin, end))
    return replace(
        block,
        time_ns=block.time_ns[begin:end],
        bus=block.bus[begin:end],
        can_id=block.can_id[begin:end],
        flags=block.flags[begin:end],
        length=block.length[begin:end],
        payload=block.payload[first:last],
        payload_row=block.payload_row[first:last] - begin,
    )


def picked(block: FrameBlock, order: IntArray) -> FrameBlock:
    """Return frames in another order, or some of them; payloads follow."""
    place = np.full(len(block), -1, dtype=np.int64)
    place[order] = np.arange(len(order))
    row = place[block.payload_row]
    stays = np.flatnonzero(row >= 0)
    stays = stays[np.argsort(row[stays], kind="stable")]
    return replace(
        block,
        time_ns=block.time_ns[order],
        bus=block.bus[order],
        can_id=block.can_id[order],
        flags=block.flags[order],
        length=block.length[order],
        payload=block.payload[stays],
        payload_row=row[stays],
    )


def in_time_order(block: FrameBlock) -> FrameBlock:
    """Return the frames by time; those of one time stay in file order."""
    time_ns = block.time_ns
    if bool((time_ns[1:] >= time_ns[:-1]).all()):
        return block
    return picked(block, np.argsort(time_ns, kind="stable"))


def joined(blocks: Sequence[FrameBlock]) -> FrameBlock:
    """Return several blocks, one behind the other, as one."""
    whole = blocks[0]
    for block in blocks[1:]:
        at = np.zeros(len(whole), dtype=np.int64)
        whole = merged(whole, at, block, np.ones(len(block), dtype=np.int64))
    return whole


def moved(block: FrameBlock, by_ns: int) -> FrameBlock:
    """Return the frames with another time base."""
    return replace(block, time_ns=block.time_ns + by_ns) if by_ns else block


def with_buses(block: FrameBlock, table: ByteArray | None) -> FrameBlock:
    """Return the frames with their bus numbers looked up in `table`; None leaves them."""
    return block if table is None else replace(block, bus=table[block.bus])


def marks_of(block: FrameBlock) -> IntArray:
    """Return a number for each frame that tells it from others of the same time."""
    marks = block.key.astype(np.uint64) << np.uint64(8) | block.length
    data = np.ascontiguousarray(block.payload[:, :_WORD]).view(np.uint64)[:, 0]
    marks[block.payload_row] ^= data * np.uint64(0x9E37_79B9_7F4A_7C15)
    return marks.view(np.int64)

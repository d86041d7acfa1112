"""How many stuff bits the frames of a bus carry, from a sample of those whose data was read."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.frames.bus_stats.frame_bits import SHAPE_BITS, shapes_of, stuff_bits
from canassist.frames.frame_rows import CLASSIC_BYTES
from canassist.model import FrameFlag

if TYPE_CHECKING:
    from canassist.model import ByteArray, FrameBlock, IdArray

_OF_A_BLOCK: Final = 8
_IN_ALL: Final = 128
_NOT_PLAIN: Final = np.uint8(FrameFlag.REMOTE | FrameFlag.ERROR | FrameFlag.FD)


class StuffSample:
    """A few frames of each bus, with their data."""

    def __init__(self) -> None:
        self._rows: dict[int, list[tuple[IdArray, ByteArray, ByteArray, ByteArray]]] = {}
        self._count: dict[int, int] = {}

    def add(self, block: FrameBlock) -> None:
        """Take some classic data frames, if more are needed."""
        rows = block.payload_row[:_OF_A_BLOCK]
        rows = rows[(block.flags[rows] & _NOT_PLAIN) == 0]
        for bus in set(block.bus[rows].tolist()):
            if self._count.get(bus, 0) >= _IN_ALL:
                continue
            own = rows[block.bus[rows] == bus]
            data = block.payload[np.searchsorted(block.payload_row, own), :CLASSIC_BYTES].copy()
            found = (block.can_id[own], block.flags[own], block.length[own], data)
            self._rows.setdefault(bus, []).append(found)
            self._count[bus] = self._count.get(bus, 0) + len(own)

    def share(self, bus: int) -> float:
        """Return stuff bits per other bit; 0 where no data was read."""
        rows = self._rows.get(bus)
        if not rows:
            return 0.0
        can_id, flags, length, data = (np.concatenate(column) for column in zip(*rows, strict=True))
        extended = (flags & np.uint8(FrameFlag.EXTENDED)) != 0
        stuffed = int(stuff_bits(can_id, extended, length, data).sum())
        return stuffed / int(SHAPE_BITS[shapes_of(flags, length)].sum())

"""Blocks of frames, as they come from a reader, sorted into one column set an identifier."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from canassist.model import (
    ByteArray,
    FloatArray,
    FrameFlag,
    FrameSource,
    IntArray,
    MessageFrames,
)

if TYPE_CHECKING:
    from canassist.model import FrameBlock

CLASSIC_BYTES: Final = 8
_NO_DATA: Final = FrameFlag.ERROR | FrameFlag.REMOTE
_NS: Final = 1e9
_KEY_BITS: Final = 32


class FrameCollector:
    """Keeps the frames with payload of a whole log, and sorts them by identifier.

    Feed it every block, then call `finish` once. Error and remote frames carry no data
    and are left out. Frames of up to 8 bytes take 8 bytes each, whatever the block's width.
    """

    def __init__(self) -> None:
        self._narrow = _Store()
        self._wide = _Store()

    def feed(self, block: FrameBlock) -> None:
        """Keep the block's frames whose payload it holds."""
        rows = block.payload_row
        carries_data = (block.flags[rows] & _NO_DATA) == 0
        payload = block.payload
        if not carries_data.all():
            rows, payload = rows[carries_data], payload[carries_data]
        if not len(rows):
            return
        source = block.bus[rows].astype(np.int64) << _KEY_BITS | block.key[rows]
        time_ns, length = block.time_ns[rows], block.length[rows]
        if payload.shape[1] == CLASSIC_BYTES:
            self._narrow.add(time_ns, source, length, payload)
            return
        wide = length > CLASSIC_BYTES
        narrow = ~wide
        self._wide.add(time_ns[wide], source[wide], length[wide], payload[wide])
        self._narrow.add(
            time_ns[narrow], source[narrow], length[narrow], payload[narrow, :CLASSIC_BYTES]
        )

    def finish(self, zero_ns: int) -> dict[FrameSource, MessageFrames]:
        """Return the frames of each identifier on each bus, in time order.

        Parameters
        ----------
        zero_ns : int
            Time stamp of the log's earliest frame.
        """
        narrow = self._narrow.by_source(zero_ns)
        wide = self._wide.by_source(zero_ns)
        for source, frames in wide.items():
            narrow[source] = _joined(narrow[source], frames) if source in narrow else frames
        return dict(sorted(narrow.items()))


class _Store:
    """Columns of frames, gathered piece by piece."""

    def __init__(self) -> None:
        self.time_ns: list[IntArray] = []
        self.source: list[IntArray] = []
        self.length: list[ByteArray] = []
        self.payload: list[ByteArray] = []

    def add(
        self, time_ns: IntArray, source: IntArray, length: ByteArray, payload: ByteArray
    ) -> None:
        if len(time_ns):
            self.time_ns.append(time_ns)
            self.source.append(source)
            self.length.append(length)
            self.payload.append(payload)

    def by_source(self, zero_ns: int) -> dict[FrameSource, MessageFrames]:
        if not self.time_ns:
            return {}
        source = np.concatenate(self.source)
        order, starts = _grouped(source)
        time_s: FloatArray = (np.concatenate(self.time_ns)[order] - zero_ns) / _NS
        length = np.concatenate(self.length)[order]
        payload = np.concatenate(self.payload)[order]
        ends = [*starts[1:], len(order)]
        found = {}
        for start, end in zip(starts, ends, strict=True):
            code = int(source[order[start]])
            name = FrameSource(code >> _KEY_BITS, code & (1 << _KEY_BITS) - 1)
            part = slice(start, end)
            found[name] = _in_time_order(name, time_s[part], payload[part], length[part])
        return found


def _grouped(source: IntArray) -> tuple[IntArray, list[int]]:
    """Return an order that puts each source's frames together, and where each starts.

    Few sources, many frames: sorting small codes is a radix sort, so stable and fast.
    """
    names, code = np.unique(source, return_inverse=True)
    small: NDArray[np.unsignedinteger] = code.astype(
        np.uint16 if len(names) <= np.iinfo(np.uint16).max else np.uint32
    )
    order = np.argsort(small, kind="stable")
    counts = np.bincount(code, minlength=len(names))
    return order, [0, *np.cumsum(counts)[:-1].tolist()]


def _in_time_order(
    source: FrameSource, time_s: FloatArray, payload: ByteArray, length: ByteArray
) -> MessageFrames:
    if np.any(np.diff(time_s) < 0):
        order = np.argsort(time_s, kind="stable")
        time_s, payload, length = time_s[order], payload[order], length[order]
    return MessageFrames(source=source, time_s=time_s, payload=payload, length=length)


def _joined(narrow: MessageFrames, wide: MessageFrames) -> MessageFrames:
    padded = np.zeros((len(narrow.time_s), wide.payload.shape[1]), dtype=np.uint8)
    padded[:, :CLASSIC_BYTES] = narrow.payload
    return _in_time_order(
        narrow.source,
        np.concatenate([narrow.time_s, wide.time_s]),
        np.concatenate([padded, wide.payload]),
        np.concatenate([narrow.length, wide.length]),
    )

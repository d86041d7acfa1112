"""Frames on the bus and the candump text that a recorder makes of them."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from tests.simulator.foreign.vehicle.riding import BoolArray, FloatArray

_HEX = np.frombuffer(b"0123456789ABCDEF", dtype=np.uint8)


@dataclass(slots=True)
class FrameSeries:
    """All frames of one id, in time order."""

    time_s: FloatArray
    head: bytes  # id and '#'
    data: NDArray[np.uint8]

    def kept(self, keep: BoolArray) -> FrameSeries:
        """Return those frames."""
        return FrameSeries(self.time_s[keep], self.head, self.data[keep])


@dataclass(slots=True)
class BusTraffic:
    """Everything on the bus before the recorder."""

    series: list[FrameSeries] = field(default_factory=list)

    def add(
        self, time_s: FloatArray, frame_id: int, data: NDArray[np.uint8], *, extended: bool
    ) -> None:
        """Add the frames of one id."""
        head = f"{frame_id:08X}#" if extended else f"{frame_id:03X}#"
        self.series.append(FrameSeries(time_s, head.encode(), data))

    @property
    def start_s(self) -> float:
        """Return the time of the first frame, in seconds of the ride."""
        return min(float(item.time_s[0]) for item in self.series if item.time_s.size)

    def add_one(self, at_s: float, frame_id: int, data: bytes, *, extended: bool = False) -> None:
        """Add a single frame."""
        rows = np.frombuffer(data, dtype=np.uint8).reshape(1, -1)
        self.add(np.array([at_s]), frame_id, rows, extended=extended)


def _lines(series: FrameSeries, epoch_us: int) -> list[bytes]:
    """Return one text line a frame; all lines of an id have the same width."""
    count = series.time_s.size
    micros = np.rint(series.time_s * 1e6).astype(np.int64) + epoch_us
    powers = 10 ** np.arange(15, -1, -1, dtype=np.int64)
    digits = (micros[:, None] // powers % 10).astype(np.uint8) + 48
    text = np.empty((count, series.data.shape[1] * 2), dtype=np.uint8)
    text[:, 0::2] = _HEX[series.data >> 4]
    text[:, 1::2] = _HEX[series.data & 15]

    def fixed(piece: bytes) -> NDArray[np.uint8]:
        return np.broadcast_to(np.frombuffer(piece, dtype=np.uint8), (count, len(piece)))

    rows = np.concatenate(
        [fixed(b"("), digits[:, :10], fixed(b"."), digits[:, 10:], fixed(b") can0 " + series.head),
         text, fixed(b"\n")], axis=1,
    )  # fmt: skip
    return np.ascontiguousarray(rows).view(f"S{rows.shape[1]}").ravel().tolist()


def candump_text(traffic: BusTraffic, *, epoch_s: int) -> bytes:
    """Return the log, all frames in time order."""
    series = [item for item in traffic.series if item.time_s.size]
    times = np.concatenate([item.time_s for item in series])
    lines: list[bytes] = []
    for item in series:
        lines += _lines(item, epoch_s * 1_000_000)
    order = np.argsort(times, kind="stable").tolist()
    return b"".join([lines[place] for place in order])

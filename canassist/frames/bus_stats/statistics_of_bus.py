"""The bus as it was: traffic, silences, error frames and load, gathered while a log streams by."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.frames.bus_stats.bus_activity import BusActivity
from canassist.frames.bus_stats.frame_bits import shapes_of
from canassist.frames.bus_stats.id_numbers import Sources
from canassist.frames.bus_stats.id_traffic import IdTraffic, seconds
from canassist.frames.bus_stats.silent_times import GAP_NS, HOLE_NS
from canassist.frames.bus_stats.stuffing import StuffSample
from canassist.model import BusStats, FrameFlag

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canassist.model import ByteArray, FrameBlock, IdArray, IntArray

_NS: Final = 1_000_000_000
_BATCH_FRAMES: Final = 1 << 16
_STANDS_OUT: Final = 20
"""A hole stands out where it is this many times the mean time between frames; own choice."""


@dataclass(slots=True)
class _Batch:
    """Headers that wait to be counted."""

    time_ns: list[IntArray] = field(default_factory=list)
    bus: list[ByteArray] = field(default_factory=list)
    can_id: list[IdArray] = field(default_factory=list)
    flags: list[ByteArray] = field(default_factory=list)
    length: list[ByteArray] = field(default_factory=list)
    size: int = 0

    def add(self, block: FrameBlock) -> None:
        self.time_ns.append(block.time_ns)
        self.bus.append(block.bus)
        self.can_id.append(block.can_id)
        self.flags.append(block.flags)
        self.length.append(block.length)
        self.size += len(block)


class BusStatsCollector:
    """Counts what passes by, in time order.

    Parameters
    ----------
    bit_rate : int, optional
        Nominal bit rate of every bus in bit/s; inferred where not given.
    """

    def __init__(self, bit_rate: int | None = None) -> None:
        self._given_rate = bit_rate
        self._batch = _Batch()
        self._slots = Sources()
        self._traffic = IdTraffic()
        self._buses = BusActivity()
        self._stuffing = StuffSample()
        self.frames = 0
        self._errors: list[tuple[IntArray, IdArray]] = []

    def feed(self, block: FrameBlock) -> None:
        """Take the next block; its times must not be before those of earlier blocks."""
        self._batch.add(block)
        self._stuffing.add(block)
        if self._batch.size >= _BATCH_FRAMES:
            self._digest()

    def _digest(self) -> None:
        batch, self._batch = self._batch, _Batch()
        if not batch.size:
            return
        time_ns, bus = np.concatenate(batch.time_ns), np.concatenate(batch.bus)
        can_id, flags = np.concatenate(batch.can_id), np.concatenate(batch.flags)
        length = np.concatenate(batch.length)
        self.frames += len(time_ns)
        self._buses.add(time_ns, bus, shapes_of(flags, length))
        is_error = (flags & np.uint8(FrameFlag.ERROR)) != 0
        if is_error.any():
            self._errors.append((time_ns[is_error], can_id[is_error]))
            keep = ~is_error
            time_ns, bus, can_id, flags = time_ns[keep], bus[keep], can_id[keep], flags[keep]
        key = can_id | ((flags & np.uint8(FrameFlag.EXTENDED)).astype(np.uint32) << np.uint32(31))
        self._traffic.add(time_ns, self._slots.of(key, bus), len(self._slots))

    def short_holes(self) -> list[tuple[int, int]]:
        """Return begin and end of times without any frame, too short for a gap.

        On a bus that is this sparse anyway nothing stands out, and none are given.
        """
        self._digest()
        if not self.frames or self._buses.mean_step_ns(self.frames) * _STANDS_OUT > HOLE_NS:
            return []
        holes = self._buses.holes()
        return [(a, b) for a, b in holes.tolist() if b - a < GAP_NS]

    def finish(
        self,
        *,
        zero_ns: int,
        buses: Sequence[str],
        losses_ns: Sequence[int] = (),
        seams: Sequence[tuple[int, int, int]] = (),
    ) -> BusStats:
        """Return the counts over the whole log.

        Parameters
        ----------
        zero_ns : int
            Time of the earliest frame; all times in the result count from it.
        buses : sequence of str
        losses_ns : sequence of int
            When the recorder says that it lost frames.
        seams : sequence of (bus, begin, end)
            Where a bus goes on in another file: no silence of anything.
        """
        self._digest()
        holes = self._buses.holes()
        times = [time_ns for time_ns, _ in self._errors]
        error_ns = np.concatenate(times) if times else np.empty(0, dtype=np.int64)
        classes = [can_id for _, can_id in self._errors]
        rates, plain = self._buses.loads(len(buses), self._given_rate)
        loads = tuple(
            None if load is None else load * (1.0 + self._stuffing.share(bus))
            for bus, load in enumerate(plain)
        )
        gaps = [(a, b) for a, b in holes.tolist() if b - a >= GAP_NS]
        return BusStats(
            buses=tuple(buses),
            frames=self.frames,
            error_frames=len(error_ns),
            duration_s=(self._buses.last_ns - zero_ns) / _NS if self.frames else 0.0,
            ids=self._traffic.id_stats(self._slots, holes, zero_ns, seams),
            error_time_s=(error_ns - zero_ns) / _NS,
            error_class=np.concatenate(classes) if classes else np.empty(0, dtype=np.uint32),
            recording_gaps=tuple((seconds(a, zero_ns), seconds(b, zero_ns)) for a, b in gaps),
            bus_gaps=tuple(
                (bus, seconds(a, zero_ns), seconds(b, zero_ns))
                for bus, a, b in self._buses.silent(holes)
                if not any(bus == one and a <= begin and end <= b for one, begin, end in seams)
            ),
            seams=tuple((bus, seconds(a, zero_ns), seconds(b, zero_ns)) for bus, a, b in seams),
            recorder_losses_s=tuple(seconds(at, zero_ns) for at in sorted(losses_ns)),
            load=loads,
            bit_rate=rates,
            bit_rate_given=self._given_rate is not None,
            thinning=self._traffic.thinning(self._slots, holes, self._buses.last_ns - zero_ns),
        )

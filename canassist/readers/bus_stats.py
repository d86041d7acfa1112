"""The bus as it was: traffic, silences, error frames and load, gathered while a log streams by."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from canassist.model import BusStats, FrameFlag, FrameSource, IdStats
from canassist.readers.bit_rate import BitRateGauge
from canassist.readers.frame_bits import SHAPE_BITS, SHAPES, SWITCHES_RATE, shapes_of
from canassist.readers.stuffing import StuffSample

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from canassist.model import ByteArray, FrameBlock, IdArray, IntArray

_NS: Final = 1_000_000_000
_BATCH_FRAMES: Final = 1 << 16
_GAP_NS: Final = _NS  # a recording gap or a silent bus: 1 s or more
_HOLE_NS: Final = _NS // 10
"""No frame on any bus for this long is a hole of the recording or of the whole bus, which no
single identifier is blamed for; own choice, half of the shortest silence."""
_STANDS_OUT: Final = 20
"""A hole stands out where it is this many times the mean time between frames; own choice."""
_SILENCE_NS: Final = _NS // 5
_SILENCE_PERIODS: Final = 5
_PRUNE_PERIODS: Final = 2.5  # a candidate shorter than this many periods is dropped early
_MOST_INTERVALS: Final = 1 << 13
"""Times between frames kept of one identifier; beyond it every second, then every fourth ..."""
_BYTE: Final = 256
_TWO_BYTES: Final = 1 << 16
_KEY_BITS: Final = 0xFFFF_FFFF
_JITTER_SHARES: Final = (5.0, 95.0)


class _Intervals:
    """A bounded, even sample of the times between frames of one identifier."""

    __slots__ = ("_kept", "_phase", "_size", "_step")

    def __init__(self) -> None:
        self._kept: list[IntArray] = []
        self._size = 0
        self._step = 1
        self._phase = 0

    def add(self, interval: IntArray) -> None:
        """Take more times between frames, in order."""
        chosen = interval[self._phase :: self._step].copy()  # a view would keep the whole batch
        self._phase = (self._phase - len(interval)) % self._step
        self._kept.append(chosen)
        self._size += len(chosen)
        if self._size > _MOST_INTERVALS:
            thinned = self.values()[::2].copy()
            self._kept, self._size = [thinned], len(thinned)
            self._step *= 2

    def values(self) -> IntArray:
        """Return the sample."""
        return np.concatenate(self._kept) if self._kept else np.empty(0, dtype=np.int64)


class _Slots:
    """A small number for each identifier on each bus, found for whole columns at once."""

    def __init__(self) -> None:
        self.key = np.empty(0, dtype=np.uint32)
        self.bus = np.empty(0, dtype=np.uint8)
        self._table = np.zeros(1 << 16, dtype=np.int64)
        self._taken = np.zeros(1 << 16, dtype=np.bool_)
        self._all: dict[int, int] = {}

    def __len__(self) -> int:
        return len(self.key)

    def of(self, key: IdArray, bus: ByteArray) -> IntArray:
        """Return the number of every frame's source, new ones added."""
        if not len(self.key):
            return self._add(key, bus)
        slot = self._table.take(_cells(key, bus))  # of an empty cell: some other source's
        known = self.key.take(slot) == key
        known &= self.bus.take(slot) == bus
        if not known.all():
            missing = np.flatnonzero(~known)
            slot[missing] = self._add(key[missing], bus[missing])
        return slot

    def _add(self, key: IdArray, bus: ByteArray) -> IntArray:
        pair = (bus.astype(np.int64) << 32) | key.astype(np.int64)
        distinct, back = np.unique(pair, return_inverse=True)
        new = [one for one in distinct.tolist() if one not in self._all]
        if new:
            self._register(np.array(new, dtype=np.int64))
        numbers = np.array([self._all[one] for one in distinct.tolist()], dtype=np.int64)
        return numbers[back]

    def _register(self, pairs: IntArray) -> None:
        first = len(self.key)
        self._all.update(zip(pairs.tolist(), range(first, first + len(pairs)), strict=True))
        keys, buses = (pairs & _KEY_BITS).astype(np.uint32), (pairs >> 32).astype(np.uint8)
        self.key = np.append(self.key, keys)
        self.bus = np.append(self.bus, buses)
        for number, cell in enumerate(_cells(keys, buses).tolist(), start=first):
            if not self._taken[cell]:
                self._table[cell], self._taken[cell] = number, True


def _smallest(slot: IntArray, slots: int) -> NDArray[np.integer[Any]]:  # Any: one of three widths
    if slots <= _BYTE:
        return slot.astype(np.uint8)
    return slot.astype(np.uint16) if slots <= _TWO_BYTES else slot


def _cells(key: IdArray, bus: ByteArray) -> NDArray[np.uint32]:
    """Spread sources over 65,536 cells (multiplication by the golden ratio's odd integer)."""
    mixed = key + bus.astype(np.uint32) * np.uint32(0x85EB_CA6B)
    mixed *= np.uint32(0x9E37_79B1)
    cell: NDArray[np.uint32] = mixed >> np.uint32(16)
    return cell


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
        self._slots = _Slots()
        self._traffic = _Traffic()
        self._buses = _Buses()
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
        if not self.frames or self._buses.mean_step_ns(self.frames) * _STANDS_OUT > _HOLE_NS:
            return []
        holes = self._buses.holes()
        return [(a, b) for a, b in holes.tolist() if b - a < _GAP_NS]

    def finish(
        self, *, zero_ns: int, buses: Sequence[str], losses_ns: Sequence[int] = ()
    ) -> BusStats:
        """Return the counts over the whole log.

        Parameters
        ----------
        zero_ns : int
            Time of the earliest frame; all times in the result count from it.
        buses : sequence of str
        losses_ns : sequence of int
            When the recorder says that it lost frames.
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
        gaps = [(a, b) for a, b in holes.tolist() if b - a >= _GAP_NS]
        return BusStats(
            buses=tuple(buses),
            frames=self.frames,
            error_frames=len(error_ns),
            duration_s=(self._buses.last_ns - zero_ns) / _NS if self.frames else 0.0,
            ids=self._traffic.id_stats(self._slots, holes, zero_ns),
            error_time_s=(error_ns - zero_ns) / _NS,
            error_class=np.concatenate(classes) if classes else np.empty(0, dtype=np.uint32),
            recording_gaps=tuple((_s(a, zero_ns), _s(b, zero_ns)) for a, b in gaps),
            bus_gaps=tuple(
                (bus, _s(a, zero_ns), _s(b, zero_ns)) for bus, a, b in self._buses.silent(holes)
            ),
            recorder_losses_s=tuple(_s(at, zero_ns) for at in sorted(losses_ns)),
            load=loads,
            bit_rate=rates,
            bit_rate_given=self._given_rate is not None,
        )


def _s(time_ns: int, zero_ns: int) -> float:
    return (int(time_ns) - zero_ns) / _NS


class _Traffic:
    """Counts and times between frames, for every source."""

    def __init__(self) -> None:
        self._count = np.zeros(0, dtype=np.int64)
        self._first = np.zeros(0, dtype=np.int64)
        self._last = np.zeros(0, dtype=np.int64)
        self._longest = np.zeros(0, dtype=np.int64)  # of those not kept below
        self._intervals: list[_Intervals] = []
        self._silent_slot: list[IntArray] = []
        self._silent_from: list[IntArray] = []
        self._silent_to: list[IntArray] = []
        self._floor = np.zeros(0, dtype=np.int64)  # shorter silences need not be kept
        self._floor_count = np.zeros(0, dtype=np.int64)  # frames it was learned from

    def _grow(self, slots: int) -> None:
        more = slots - len(self._count)
        if more <= 0:
            return
        zeros = np.zeros(more, dtype=np.int64)
        self._count = np.append(self._count, zeros)
        self._first = np.append(self._first, zeros)
        self._last = np.append(self._last, zeros)
        self._longest = np.append(self._longest, zeros)
        self._floor = np.append(self._floor, np.full(more, _SILENCE_NS))
        self._floor_count = np.append(self._floor_count, zeros)
        self._intervals += [_Intervals() for _ in range(more)]

    def add(self, time_ns: IntArray, slot: IntArray, slots: int) -> None:
        """Take frames in time order."""
        self._grow(slots)
        small = _smallest(slot, slots)  # small integers are sorted by radix
        order = np.argsort(small, kind="stable")
        count = np.bincount(slot, minlength=slots)
        present = np.flatnonzero(count)
        end = np.cumsum(count[present])
        begin = end - count[present]
        sorted_ns = time_ns[order]
        before = np.empty_like(sorted_ns)
        before[1:] = sorted_ns[:-1]
        new = self._count[present] == 0
        before[begin] = np.where(new, sorted_ns[begin], self._last[present])
        interval = sorted_ns - before
        self._first[present[new]] = sorted_ns[begin[new]]
        self._last[present] = sorted_ns[end - 1]
        self._count += count
        kept = self._keep_silences(slot[order], before, sorted_ns, interval)
        rest = interval
        if len(kept):
            rest = interval.copy()
            rest[kept] = 0
        self._longest[present] = np.maximum(
            self._longest[present], np.maximum.reduceat(rest, begin)
        )
        for one, a, b, is_new in zip(
            present.tolist(), begin.tolist(), end.tolist(), new.tolist(), strict=True
        ):
            self._intervals[one].add(interval[a + is_new : b])

    def _keep_silences(
        self, slot: IntArray, before: IntArray, after: IntArray, interval: IntArray
    ) -> IntArray:
        """Keep the times between frames that may be silences; give their places."""
        long = np.flatnonzero(interval >= _SILENCE_NS)
        if not len(long):
            return long
        long = long[interval[long] >= self._floor[slot[long]]]
        self._learn_floors(np.unique(slot[long]))
        long = long[interval[long] >= self._floor[slot[long]]]
        self._silent_slot.append(slot[long])
        self._silent_from.append(before[long])
        self._silent_to.append(after[long])
        return long

    def _learn_floors(self, slots: IntArray) -> None:
        """Find out which of these sources are slow, not silent."""
        for one in slots[self._count[slots] >= 2 * self._floor_count[slots]].tolist():
            period = _median(self._intervals[one].values())
            if not math.isnan(period):
                self._floor[one] = max(_SILENCE_NS, int(_PRUNE_PERIODS * period))
                self._floor_count[one] = self._count[one]

    def id_stats(
        self, slots: _Slots, holes: NDArray[np.int64], zero_ns: int
    ) -> tuple[IdStats, ...]:
        """Return one entry a source, by bus and identifier."""
        silences = self._silences(holes)
        order = np.lexsort((slots.key, slots.bus))
        return tuple(
            self._one(
                number,
                FrameSource(int(slots.bus[number]), int(slots.key[number])),
                silences.get(number, []),
                zero_ns,
            )
            for number in order.tolist()
        )

    def _one(
        self, number: int, source: FrameSource, silences: list[tuple[int, int, int]], zero_ns: int
    ) -> IdStats:
        interval = self._intervals[number].values()
        period = _median(interval)
        shortest = float(_SILENCE_NS)
        if not math.isnan(period):
            shortest = max(shortest, _SILENCE_PERIODS * period)
        longest = max([int(self._longest[number]), *(net for _, _, net in silences)])
        return IdStats(
            source=source,
            count=int(self._count[number]),
            first_s=_s(int(self._first[number]), zero_ns),
            last_s=_s(int(self._last[number]), zero_ns),
            period_s=period / _NS,
            jitter_s=_jitter(interval) / _NS,
            longest_silence_s=longest / _NS,
            silences=tuple(
                (_s(a, zero_ns), _s(b, zero_ns)) for a, b, net in silences if net >= shortest
            ),
        )

    def _silences(self, holes: NDArray[np.int64]) -> dict[int, list[tuple[int, int, int]]]:
        """Return begin, end and length without holes of the long silences of each source."""
        found: dict[int, list[tuple[int, int, int]]] = {}
        if not self._silent_slot:
            return found
        slot = np.concatenate(self._silent_slot)
        begin, end = np.concatenate(self._silent_from), np.concatenate(self._silent_to)
        net = end - begin - _covered(holes, begin, end)
        for one, a, b, length in zip(
            slot.tolist(), begin.tolist(), end.tolist(), net.tolist(), strict=True
        ):
            found.setdefault(one, []).append((a, b, length))
        return found


def _covered(holes: NDArray[np.int64], begin: IntArray, end: IntArray) -> IntArray:
    """How much of each span is holes; a hole lies wholly in a span or wholly outside."""
    if not len(holes):
        return np.zeros(len(begin), dtype=np.int64)
    total = np.concatenate(([0], np.cumsum(holes[:, 1] - holes[:, 0])))
    first = np.searchsorted(holes[:, 0], begin, side="left")
    last = np.searchsorted(holes[:, 1], end, side="right")
    covered: IntArray = total[np.maximum(last, first)] - total[first]
    return covered


def _median(interval: IntArray) -> float:
    return float(np.median(interval)) if len(interval) else float("nan")


def _jitter(interval: IntArray) -> float:
    """Half the width that holds nine of ten times between frames."""
    if not len(interval):
        return float("nan")
    low, high = np.percentile(interval, _JITTER_SHARES)
    return float(high - low) / 2.0


class _Buses:
    """Holes, silent buses, and how much of each bus was in use."""

    def __init__(self) -> None:
        self.last_ns = 0
        self._first_ns: int | None = None
        self._holes: list[NDArray[np.int64]] = []
        self._last_of: dict[int, int] = {}
        self._silent: list[tuple[int, int, int]] = []
        self._shapes: dict[int, IntArray] = {}
        self._gauges: dict[int, BitRateGauge] = {}

    def add(self, time_ns: IntArray, bus: ByteArray, shape: NDArray[np.uint16]) -> None:
        """Take frames in time order."""
        if self._first_ns is None:
            self._first_ns = int(time_ns[0])
            self.last_ns = self._first_ns
        self._holes.append(_long_steps(time_ns, self.last_ns, _HOLE_NS))
        self.last_ns = max(self.last_ns, int(time_ns.max()))
        low, high = int(bus.min()), int(bus.max())
        if low == high:
            self._add_bus(low, time_ns, shape)
            return
        for one in np.flatnonzero(np.bincount(bus)).tolist():
            rows = bus == one
            self._add_bus(one, time_ns[rows], shape[rows])

    def _add_bus(self, bus: int, time_ns: IntArray, shape: NDArray[np.uint16]) -> None:
        last = self._last_of.get(bus, int(time_ns[0]))
        self._silent += [(bus, a, b) for a, b in _long_steps(time_ns, last, _GAP_NS).tolist()]
        self._last_of[bus] = int(time_ns[-1])
        count = np.bincount(shape, minlength=SHAPES)
        if bus in self._shapes:
            self._shapes[bus] += count
        else:
            self._shapes[bus] = count
        self._gauges.setdefault(bus, BitRateGauge()).add(time_ns, shape)

    def mean_step_ns(self, frames: int) -> float:
        """Return the mean time between frames of all buses together."""
        return (self.last_ns - (self._first_ns or 0)) / frames

    def holes(self) -> NDArray[np.int64]:
        """Return begin and end of the times without any frame, shape (n, 2)."""
        if not self._holes:
            return np.empty((0, 2), dtype=np.int64)
        return np.concatenate(self._holes)

    def silent(self, holes: NDArray[np.int64]) -> list[tuple[int, int, int]]:
        """Return bus, begin and end of the times when one bus of several was silent."""
        if len(self._last_of) == 1:
            return []
        begin = np.array([a for _, a, _ in self._silent], dtype=np.int64)
        end = np.array([b for _, _, b in self._silent], dtype=np.int64)
        net = end - begin - _covered(holes, begin, end)
        return [one for one, length in zip(self._silent, net, strict=True) if length >= _GAP_NS]

    def loads(
        self, buses: int, given: int | None
    ) -> tuple[tuple[int | None, ...], tuple[float | None, ...]]:
        """Return bit rate and share of it in use without stuff bits, for every bus."""
        rates = tuple(given or self._rate(bus) for bus in range(buses))
        duration_s = (self.last_ns - (self._first_ns or 0)) / _NS
        loads = tuple(
            self._load(bus, rate, duration_s) if rate else None for bus, rate in enumerate(rates)
        )
        return rates, loads

    def _rate(self, bus: int) -> int | None:
        gauge = self._gauges.get(bus)
        return gauge.rate() if gauge else None

    def _load(self, bus: int, rate: int, duration_s: float) -> float | None:
        shapes = self._shapes.get(bus)
        if shapes is None or duration_s <= 0.0 or shapes[SWITCHES_RATE].any():
            return None
        return float(shapes @ SHAPE_BITS) / rate / duration_s


def _long_steps(time_ns: IntArray, last_ns: int, least_ns: int) -> NDArray[np.int64]:
    """Return begin and end of every step of at least `least_ns`, shape (n, 2)."""
    whole = np.concatenate(([last_ns], time_ns))
    at = np.flatnonzero(np.diff(whole) >= least_ns)
    return np.stack((whole[at], whole[at + 1]), axis=1)

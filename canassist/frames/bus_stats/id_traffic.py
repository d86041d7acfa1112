"""Counts, periods and silences of every identifier, gathered while a log streams by."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from canassist.frames.bus_stats.silent_times import covered
from canassist.frames.bus_stats.thinning import find_thinning, missed_share, period_of
from canassist.model import FrameSource, IdStats

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from canassist.frames.bus_stats.id_numbers import Sources
    from canassist.model import IntArray, Thinning

_NS: Final = 1_000_000_000
_SILENCE_NS: Final = _NS // 5
_SILENCE_PERIODS: Final = 5
_PRUNE_PERIODS: Final = 2.5  # a candidate shorter than this many periods is dropped early
_MOST_INTERVALS: Final = 1 << 13
"""Times between frames kept of one identifier; beyond it every second, then every fourth ..."""
_BYTE: Final = 256
_TWO_BYTES: Final = 1 << 16
_JITTER_SHARES: Final = (5.0, 95.0)


class Intervals:
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


def _smallest(slot: IntArray, slots: int) -> NDArray[np.integer[Any]]:  # Any: one of three widths
    if slots <= _BYTE:
        return slot.astype(np.uint8)
    return slot.astype(np.uint16) if slots <= _TWO_BYTES else slot


class IdTraffic:
    """Counts and times between frames, for every source."""

    def __init__(self) -> None:
        self._count = np.zeros(0, dtype=np.int64)
        self._first = np.zeros(0, dtype=np.int64)
        self._last = np.zeros(0, dtype=np.int64)
        self._longest = np.zeros(0, dtype=np.int64)  # of those not kept below
        self._intervals: list[Intervals] = []
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
        self._intervals += [Intervals() for _ in range(more)]

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
        self,
        slots: Sources,
        holes: NDArray[np.int64],
        zero_ns: int,
        seams: Sequence[tuple[int, int, int]] = (),
    ) -> tuple[IdStats, ...]:
        """Return one entry a source, by bus and identifier; a seam is no silence."""
        silences = {
            number: [one for one in found if not _over_a_seam(int(slots.bus[number]), one, seams)]
            for number, found in self._silences(holes).items()
        }
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

    def thinning(
        self, slots: Sources, holes: NDArray[np.int64], span_ns: int
    ) -> dict[int, Thinning]:
        """Return, by bus, how its recorder drops frames where it does."""
        silences = self._silences(holes)
        found = {}
        for bus in np.unique(slots.bus).tolist():
            own = np.flatnonzero(slots.bus == bus).tolist()
            intervals = [self._intervals[number].values() for number in own]
            long = [
                (place, a, b)
                for place, number in enumerate(own)
                for a, b, _ in silences.get(number, [])
            ]
            thinning = find_thinning(intervals, long, holes, span_ns, int(self._count[own].sum()))
            if thinning is not None:
                periods, missed = {}, {}
                for number, one in zip(own, intervals, strict=True):
                    period = period_of(one)
                    if not math.isnan(period):
                        key = int(slots.key[number])
                        periods[key] = period / _NS
                        missed[key] = missed_share(one, period)
                found[bus] = replace(thinning, period_s=periods, missed=missed)
        return found

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
            first_s=seconds(int(self._first[number]), zero_ns),
            last_s=seconds(int(self._last[number]), zero_ns),
            period_s=period / _NS,
            jitter_s=_jitter(interval) / _NS,
            longest_silence_s=longest / _NS,
            silences=tuple(
                (seconds(a, zero_ns), seconds(b, zero_ns))
                for a, b, net in silences
                if net >= shortest
            ),
        )

    def _silences(self, holes: NDArray[np.int64]) -> dict[int, list[tuple[int, int, int]]]:
        """Return begin, end and length without holes of the long silences of each source."""
        found: dict[int, list[tuple[int, int, int]]] = {}
        if not self._silent_slot:
            return found
        slot = np.concatenate(self._silent_slot)
        begin, end = np.concatenate(self._silent_from), np.concatenate(self._silent_to)
        net = end - begin - covered(holes, begin, end)
        for one, a, b, length in zip(
            slot.tolist(), begin.tolist(), end.tolist(), net.tolist(), strict=True
        ):
            found.setdefault(one, []).append((a, b, length))
        return found


def _over_a_seam(
    bus: int, silence: tuple[int, int, int], seams: Sequence[tuple[int, int, int]]
) -> bool:
    """Tell whether most of a silence is where its bus goes on in another file."""
    begin, end, _ = silence
    inside = sum(b - a for one, a, b in seams if one == bus and begin <= a and b <= end)
    return 2 * inside > end - begin


def _median(interval: IntArray) -> float:
    return float(np.median(interval)) if len(interval) else float("nan")


def _jitter(interval: IntArray) -> float:
    """Half the width that holds nine of ten times between frames."""
    if not len(interval):
        return float("nan")
    low, high = np.percentile(interval, _JITTER_SHARES)
    return float(high - low) / 2.0


def seconds(time_ns: int, zero_ns: int) -> float:
    """Return a time in seconds since the earliest frame."""
    return (int(time_ns) - zero_ns) / _NS

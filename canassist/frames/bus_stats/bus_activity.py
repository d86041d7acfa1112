"""Holes, silent buses, and how much of each bus was in use."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.frames.bus_stats.bit_rate import BitRateGauge
from canassist.frames.bus_stats.frame_bits import SHAPE_BITS, SHAPES, SWITCHES_RATE
from canassist.frames.bus_stats.silent_times import GAP_NS, HOLE_NS, covered, long_steps

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from canassist.model import ByteArray, IntArray

_NS: Final = 1_000_000_000


class BusActivity:
    """Holes, silent buses, and how much of each bus was in use."""

    def __init__(self) -> None:
        self.last_ns = 0
        self._first_ns: int | None = None
        self._holes: list[NDArray[np.int64]] = []
        self._first_of: dict[int, int] = {}
        self._last_of: dict[int, int] = {}
        self._in_order = True
        self._silent: list[tuple[int, int, int]] = []
        self._shapes: dict[int, IntArray] = {}
        self._gauges: dict[int, BitRateGauge] = {}

    def add(self, time_ns: IntArray, bus: ByteArray, shape: NDArray[np.uint16]) -> None:
        """Take frames in time order, or where buses come one behind the other, in each one's."""
        if self._first_ns is None:
            self._first_ns = int(time_ns[0])
            self.last_ns = self._first_ns
        if time_ns[0] < self.last_ns or (time_ns[1:] < time_ns[:-1]).any():
            self._in_order = False
            self._first_ns = min(self._first_ns, int(time_ns.min()))
        self._holes.append(long_steps(time_ns, self.last_ns, HOLE_NS))
        self.last_ns = max(self.last_ns, int(time_ns.max()))
        low, high = int(bus.min()), int(bus.max())
        if low == high:
            self._add_bus(low, time_ns, shape)
            return
        for one in np.flatnonzero(np.bincount(bus)).tolist():
            rows = bus == one
            self._add_bus(one, time_ns[rows], shape[rows])

    def _add_bus(self, bus: int, time_ns: IntArray, shape: NDArray[np.uint16]) -> None:
        self._first_of.setdefault(bus, int(time_ns[0]))
        last = self._last_of.get(bus, int(time_ns[0]))
        self._silent += [(bus, a, b) for a, b in long_steps(time_ns, last, GAP_NS).tolist()]
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
        """Return begin and end of the times without any frame, shape (n, 2).

        Where the buses came one behind the other, only those of `GAP_NS` or more.
        """
        if not self._holes:
            return np.empty((0, 2), dtype=np.int64)
        return np.concatenate(self._holes) if self._in_order else self._common_silences()

    def _common_silences(self) -> NDArray[np.int64]:
        """Return the times in which every bus was silent."""
        turns = [(at, sign) for _, a, b in self._silent for at, sign in ((a, 1), (b, -1))]
        for bus, first in self._first_of.items():  # nothing is heard before and behind its frames
            turns += [(self._first_ns or 0, 1), (first, -1)]
            turns += [(self._last_of[bus], 1), (self.last_ns, -1)]
        found, quiet, since = [], 0, 0
        for at, sign in sorted(turns):
            if quiet == len(self._first_of) and at - since >= GAP_NS:
                found.append((since, at))
            quiet, since = quiet + sign, at
        return np.array(found, dtype=np.int64).reshape(len(found), 2)

    def silent(self, holes: NDArray[np.int64]) -> list[tuple[int, int, int]]:
        """Return bus, begin and end of the times when one bus of several was silent."""
        if len(self._last_of) == 1:
            return []
        begin = np.array([a for _, a, _ in self._silent], dtype=np.int64)
        end = np.array([b for _, _, b in self._silent], dtype=np.int64)
        net = end - begin - covered(holes, begin, end)
        return [one for one, length in zip(self._silent, net, strict=True) if length >= GAP_NS]

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

"""Pauses that would stretch a ride over weeks, cut short, so that work follows the input's size.

A log of 20 kB may claim frames years apart; whatever looks at a ride second by second would
then never end. The pauses of an ordinary ride, and of a recorder left on over a day and a
night, are left alone.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from canassist.model import FrameBlock, IntArray

_NS: Final = 1_000_000_000
_LONG_NS: Final = 60 * _NS
_MOST_NS: Final = 48 * 3600 * _NS
"""So much of long pauses is left alone. Own choice."""
_LEFT_NS: Final = _NS
"""What is left of a pause beyond that: still a gap."""


class LongPauses:
    """Moves frames earlier by what was cut from the pauses before them."""

    def __init__(self) -> None:
        self._latest_ns: int | None = None
        self._spent_ns = 0
        self._at: list[int] = []
        self._by: list[int] = []

    @property
    def count(self) -> int:
        """How many pauses were cut."""
        return len(self._at)

    @property
    def cut_ns(self) -> int:
        """How much was cut in all."""
        return self._by[-1] if self._by else 0

    def feed(self, block: FrameBlock) -> FrameBlock:
        """Take the next block; give it with its times moved."""
        highest = np.maximum.accumulate(block.time_ns)
        before = highest[:1] if self._latest_ns is None else np.array([self._latest_ns])
        steps = np.diff(np.concatenate((before, np.maximum(highest, before[0]))))
        self._latest_ns = max(int(before[0]), int(highest[-1]))
        limit_ns = _LONG_NS if self._spent_ns < _MOST_NS else _LEFT_NS
        if int(steps.max()) > limit_ns:
            for row in np.flatnonzero(steps > limit_ns).tolist():
                self._take(int(steps[row]), int(highest[row]))
        return replace(block, time_ns=self.moved(block.time_ns)) if self._at else block

    def _take(self, step_ns: int, at_ns: int) -> None:
        if self._spent_ns + step_ns <= _MOST_NS:
            self._spent_ns += step_ns
            return
        self._spent_ns = _MOST_NS
        self._at.append(at_ns)
        self._by.append(self.cut_ns + step_ns - _LEFT_NS)

    def moved(self, time_ns: IntArray) -> IntArray:
        """Return times as they are after what was cut before them."""
        if not self._at:
            return time_ns
        place = np.searchsorted(np.array(self._at, dtype=np.int64), time_ns, side="right")
        moved: IntArray = time_ns - np.array([0, *self._by], dtype=np.int64)[place]
        return moved

    def one(self, time_ns: int) -> int:
        """Return one time as it is after what was cut before it."""
        return int(self.moved(np.array([time_ns], dtype=np.int64))[0])

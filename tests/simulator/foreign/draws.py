"""Parameters drawn by seed, from two sets that share no value and no random stream."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TypeVar
from zlib import crc32

import numpy as np

CELLS = 16
_STREAM = 7_340_613

Item = TypeVar("Item")


class SeededDraws:
    """Draws of one ride and one purpose.

    Every range is cut into cells. The tuning set draws from the even ones, the held-out set
    from the odd ones, so no figure of one set is ever met in the other.

    Attributes
    ----------
    taken : list of (low, high, value)
        What was drawn, so that a test can see that the sets lie apart.
    """

    def __init__(self, purpose: str, seed: int, *, held_out: bool) -> None:
        self.held_out = held_out
        self.rng = np.random.default_rng([_STREAM, int(held_out), crc32(purpose.encode()), seed])
        self.taken: list[tuple[float, float, float]] = []

    def _place(self) -> float:
        cell = 2 * int(self.rng.integers(CELLS // 2)) + int(self.held_out)
        return (cell + self.rng.uniform(0.001, 0.999)) / CELLS

    def between(self, low: float, high: float) -> float:
        """Draw evenly from a range."""
        value = low + (high - low) * self._place()
        self.taken.append((low, high, value))
        return value

    def spread(self, low: float, high: float) -> float:
        """Draw evenly by ratio: as often between 1 and 2 as between 2 and 4."""
        return math.exp(self.between(math.log(low), math.log(high)))

    def count(self, low: int, high: int) -> int:
        """Draw a whole number, both ends included."""
        return int(self.rng.integers(low, high + 1))

    def one_of(self, items: Sequence[Item]) -> Item:
        """Draw one of several things."""
        return items[int(self.rng.integers(len(items)))]

    def chance(self, share: float) -> bool:
        """Be true in this share of the draws."""
        return bool(self.rng.random() < share)

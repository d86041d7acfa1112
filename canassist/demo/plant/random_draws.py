"""Random numbers that stay the same: drawn from the raw bits of a fixed generator."""

from __future__ import annotations

import zlib
from collections.abc import Sequence
from typing import TypeVar

import numpy as np

from canassist.model import FloatArray

Item = TypeVar("Item")
_TO_UNIT = 2.0**-53
"""Turns the upper 53 bits of a raw 64-bit draw into a number in [0, 1)."""


class RandomDraws:
    """Random draws for one purpose, repeatable from a seed and the purpose's name.

    Only the generator's raw bits are used, because numpy keeps those the same over its
    versions and the shapes of its distributions not.

    Parameters
    ----------
    seed : int
        0 or more.
    purpose : str
        Draws for one purpose do not depend on how many were made for another.
    """

    __slots__ = ("_bits",)

    def __init__(self, seed: int, purpose: str) -> None:
        self._bits = np.random.PCG64([seed, zlib.crc32(purpose.encode())])

    def units(self, count: int) -> FloatArray:
        """Return `count` numbers evenly spread over [0, 1)."""
        raw = self._bits.random_raw(count)
        return (raw >> np.uint64(11)).astype(np.float64) * _TO_UNIT

    def normals(self, count: int) -> FloatArray:
        """Return `count` numbers of mean 0 and standard deviation 1 (Box and Muller)."""
        radius = np.sqrt(-2.0 * np.log1p(-self.units(count)))
        return np.asarray(radius * np.cos(2.0 * np.pi * self.units(count)), dtype=np.float64)

    def between(self, low: float, high: float) -> float:
        """Return one number in [low, high)."""
        return low + (high - low) * float(self.units(1)[0])

    def pick(self, items: Sequence[Item]) -> Item:
        """Return one of `items`."""
        return items[int(self.between(0, len(items)))]

    def bytes(self, count: int) -> bytes:
        """Return `count` bytes."""
        return (self.units(count) * 256).astype(np.uint8).tobytes()


def wander(time_s: FloatArray, draws: RandomDraws, *, slow_hz: float, fast_hz: float) -> FloatArray:
    """Return a smooth random curve of about unit size: six sines of random pitch and phase.

    Parameters
    ----------
    time_s : array of float64, shape (n,)
        Seconds.
    draws : RandomDraws
        Where pitch and phase come from.
    slow_hz, fast_hz : float
        Range of the pitch.

    Returns
    -------
    array of float64, shape (n,)
        Standard deviation 1 in the long run.
    """
    sines = 6
    pitch = slow_hz * (fast_hz / slow_hz) ** draws.units(sines)
    phase = 2.0 * np.pi * draws.units(sines)
    turns = 2.0 * np.pi * pitch[:, None] * time_s + phase[:, None]
    return np.asarray(np.sin(turns).sum(axis=0) * np.sqrt(2.0 / sines), dtype=np.float64)

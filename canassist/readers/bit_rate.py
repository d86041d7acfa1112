"""The bit rate of a bus, told from how close its frames can come."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.readers.frame_bits import SHAPE_BITS

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from canassist.model import IntArray

BIT_RATES: Final = (1_000_000, 800_000, 500_000, 250_000, 125_000, 100_000, 83_333, 50_000, 33_333)
"""Nominal rates in use, fastest first; common practice, no source."""

_BIN_NS: Final = 20
_BINS: Final = 2000  # up to 40 µs a bit
_EARLY: Final = 0.97  # a time stamp may be this much early
_LATE: Final = 1.25  # stuff bits make a frame up to 22 % longer than its nominal length
_TOO_CLOSE: Final = 0.002  # share of frames that may come closer than the bit rate lets them
_BACK_TO_BACK: Final = 0.01  # share of frames that must follow the one before without a pause
_LEAST_FRAMES: Final = 200
_ALWAYS: Final = 4
_EVERY: Final = 8


class BitRateGauge:
    """Gathers how long frames took, as time since the frame before over nominal bits."""

    def __init__(self) -> None:
        self._count = np.zeros(_BINS + 1, dtype=np.int64)
        self._calls = 0

    def add(self, time_ns: IntArray, shape: NDArray[np.uint16]) -> None:
        """Take frames of one bus in time order; of later calls only every eighth is used."""
        self._calls += 1
        if self._calls > _ALWAYS and self._calls % _EVERY:
            return
        bits = SHAPE_BITS[shape[1:]]
        step = np.minimum(np.diff(time_ns), _BIN_NS * _BINS * 1000)
        per_bin = step // (np.maximum(bits, 1) * _BIN_NS)
        self._count += np.bincount(np.minimum(per_bin[bits > 0], _BINS), minlength=_BINS + 1)

    def rate(self) -> int | None:
        """Return the bit rate, or None where the time stamps do not tell."""
        total = int(self._count.sum())
        if total < _LEAST_FRAMES:
            return None
        below = np.concatenate(([0], np.cumsum(self._count)))
        for rate in BIT_RATES:
            bit_ns = 1e9 / rate
            early = below[int(_EARLY * bit_ns / _BIN_NS)]
            close = below[int(_LATE * bit_ns / _BIN_NS) + 1] - early
            if early <= _TOO_CLOSE * total and close >= _BACK_TO_BACK * total:
                return rate
        return None

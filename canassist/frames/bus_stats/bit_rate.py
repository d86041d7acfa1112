"""The bit rate of a bus, told from how close its frames can come."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.frames.bus_stats.frame_bits import SHAPE_BITS

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from canassist.model import IntArray

BIT_RATES: Final = (1_000_000, 800_000, 500_000, 250_000, 125_000, 100_000, 83_333, 50_000, 33_333)
"""Nominal rates in use, fastest first; common practice, no source."""

_BIN_NS: Final = 20
_BINS: Final = 3000  # up to 60 µs a bit

# Shares of the times between frames, in units of the time that the later frame takes without
# stuff bits. Frames that follow each other without a pause lie from 1 to 1.22; adapters that
# hand over several frames at once give far smaller ones. The bounds are our own choice; on
# public recordings of known bit rate they gave the right rate or none.
_TOGETHER: Final = 0.4
_JUST_TOO_CLOSE: Final = 0.93
_FIRST: Final = 0.95
_LAST: Final = 1.25
_BEHIND: Final = 1.55
_MOST_TOGETHER: Final = 0.3
_MOST_TOO_CLOSE: Final = 0.15
_LEAST_BACK_TO_BACK: Final = 0.15
_LEAST_FRAMES: Final = 1000
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
        step = np.clip(np.diff(time_ns), 0, _BIN_NS * _BINS * 1000)
        per_bin = step // (np.maximum(bits, 1) * _BIN_NS)
        self._count += np.bincount(np.minimum(per_bin[bits > 0], _BINS), minlength=_BINS + 1)

    def rate(self) -> int | None:
        """Return the bit rate, or None where the time stamps do not tell."""
        total = int(self._count.sum())
        if total < _LEAST_FRAMES:
            return None
        below = np.concatenate(([0], np.cumsum(self._count))) / total

        def share(rate: int, low: float, high: float) -> float:
            bit = 1e9 / rate / _BIN_NS
            return float(below[round(high * bit)] - below[round(low * bit)])

        for rate in BIT_RATES:
            back_to_back = share(rate, _FIRST, _LAST)
            too_close = share(rate, _TOGETHER, _JUST_TOO_CLOSE)
            if (
                back_to_back >= _LEAST_BACK_TO_BACK
                and too_close <= min(_MOST_TOO_CLOSE, back_to_back / 3)
                and share(rate, _LAST, _BEHIND) <= back_to_back / 2
                and share(rate, 0.0, _TOGETHER) <= _MOST_TOGETHER
            ):
                return rate
        return None

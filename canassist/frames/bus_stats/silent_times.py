"""Times without any frame: gaps of a recording, and shorter holes."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from canassist.model import IntArray

GAP_NS: Final = 1_000_000_000
"""A recording gap, or a bus that is silent while another goes on: 1 s or more."""
HOLE_NS: Final = GAP_NS // 10
"""No frame on any bus for this long is a hole of the recording or of the whole bus, which no
single identifier is blamed for; own choice, half of the shortest silence."""


def covered(holes: NDArray[np.int64], begin: IntArray, end: IntArray) -> IntArray:
    """How much of each span is holes; a hole lies wholly in a span or wholly outside."""
    if not len(holes):
        return np.zeros(len(begin), dtype=np.int64)
    total = np.concatenate(([0], np.cumsum(holes[:, 1] - holes[:, 0])))
    first = np.searchsorted(holes[:, 0], begin, side="left")
    last = np.searchsorted(holes[:, 1], end, side="right")
    covered: IntArray = total[np.maximum(last, first)] - total[first]
    return covered


def long_steps(time_ns: IntArray, last_ns: int, least_ns: int) -> NDArray[np.int64]:
    """Return begin and end of every step of at least `least_ns`, shape (n, 2)."""
    whole = np.concatenate(([last_ns], time_ns))
    at = np.flatnonzero(np.diff(whole) >= least_ns)
    return np.stack((whole[at], whole[at + 1]), axis=1)

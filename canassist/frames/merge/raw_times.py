"""Where a file's raw time stamps went when its clock was put right."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from canassist.model import IntArray

_NEAR_NS: Final = 10_000_000_000
"""A time stamp this close to a piece's frames is taken to belong to it; own choice."""


class RawTimes:
    """Pieces of a file, each of which was moved as a whole.

    Where a clock that was set back shows a time twice, the first of the two is meant.
    """

    def __init__(self) -> None:
        self._pieces: list[tuple[int, int, int]] = []

    def add(self, time_ns: IntArray, before_ns: int, after_ns: int) -> None:
        """Note the raw times of a block, and what is added to them from then on.

        Parameters
        ----------
        time_ns : array of int64, shape (n,)
            In file order.
        before_ns, after_ns : int
            Shift at the block's begin and end; a fault lies at its largest step.
        """
        row = 0
        if before_ns != after_ns and len(time_ns) > 1:
            row = int(np.argmax(np.abs(np.diff(time_ns)))) + 1
            self._add(time_ns[:row], before_ns)
        self._add(time_ns[row:], after_ns)

    def _add(self, time_ns: IntArray, shift_ns: int) -> None:
        first, last = int(time_ns.min()), int(time_ns.max())
        if self._pieces and self._pieces[-1][2] == shift_ns:
            known = self._pieces[-1]
            first, last = min(first, known[0]), max(last, known[1])
            self._pieces[-1] = (first, last, shift_ns)
        else:
            self._pieces.append((first, last, shift_ns))

    def repaired(self, raw_ns: int) -> int | None:
        """Return a raw time as it was put right; None far from any frame."""
        distance, _, shift_ns = min(
            (
                (max(first - raw_ns, raw_ns - last, 0), place, shift_ns)
                for place, (first, last, shift_ns) in enumerate(self._pieces)
            ),
            default=(_NEAR_NS + 1, 0, 0),
        )
        return raw_ns + shift_ns if distance <= _NEAR_NS else None

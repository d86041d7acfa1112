"""Time stamps that step back, jump or wrap, put right while a log streams by."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canassist.readers.block_tools import in_time_order, joined, rows_of

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canassist.model import FrameBlock, Tally


class ClockRepair:
    """Gives the blocks of one file in time order.

    Parameters
    ----------
    tally : Tally
        Where repairs are reported.
    """

    def __init__(self, tally: Tally) -> None:
        self._tally = tally
        self._held: FrameBlock | None = None

    def feed(self, block: FrameBlock) -> Iterator[FrameBlock]:
        """Take the next block in file order; give what is certain of its place in time."""
        block = in_time_order(block)
        held = self._held
        if held is None:
            self._held = block
            return
        if block.time_ns[0] >= held.time_ns[-1]:
            yield held
            self._held = block
            return
        whole = in_time_order(joined((held, block)))
        yield rows_of(whole, 0, len(held))
        self._held = rows_of(whole, len(held), len(whole))

    def finish(self) -> Iterator[FrameBlock]:
        """Give what was held back."""
        if self._held is not None:
            yield self._held
            self._held = None

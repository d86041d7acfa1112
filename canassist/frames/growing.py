"""A candump log that is still being written: read piece by piece as a whole file would be."""

from __future__ import annotations

import io
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Final

from canassist.frames.base import ReadRequest
from canassist.frames.block_tools import in_time_order
from canassist.frames.bus_stats.statistics_of_bus import BusStatsCollector
from canassist.frames.formats.candump.candump import CandumpReader
from canassist.frames.merge.clock_repair import ClockRepair
from canassist.model import ReadReport

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from canassist.model import BusStats, FrameBlock

_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)


class GrowingRecording:
    """One log whose text comes in pieces of whole lines.

    What it gives is what `Recording` would give of the file so far, but for the newest
    frames, which wait until it is certain that none comes before them.

    Parameters
    ----------
    request : ReadRequest
        Which payloads are wanted.
    bit_rate : int, optional
        Nominal bit rate of the buses in bit/s.

    Attributes
    ----------
    zero_ns : int or None
        Time of the earliest frame; None before the first.
    fresh : list of FrameBlock
        What the last piece held, in order of time but with its clock as it was: for whoever
        cannot wait.
    first_fresh_ns : int or None
        Earliest time stamp as it was.
    """

    def __init__(self, request: ReadRequest, *, bit_rate: int | None = None) -> None:
        self.zero_ns: int | None = None
        self.first_fresh_ns: int | None = None
        self.fresh: list[FrameBlock] = []
        self._request = request
        self._report = ReadReport(name="growing log", format="candump")
        self._reader = CandumpReader()
        self._clock = ClockRepair(self._report)
        self._stats = BusStatsCollector(bit_rate)

    @property
    def buses(self) -> Sequence[str]:
        """Return the names of the buses so far."""
        return self._report.buses

    @property
    def start_utc(self) -> datetime | None:
        """Return when the earliest frame came."""
        if self.zero_ns is None:
            return None
        return _EPOCH + timedelta(microseconds=self.zero_ns // 1000)

    def feed(self, text: bytes) -> list[FrameBlock]:
        """Read whole lines; give the frames that are certain of their place in time."""
        found, self.fresh = [], []
        blocks = self._reader.read(io.BytesIO(text), request=self._request, report=self._report)
        for block in blocks:
            if len(block):
                self._keep_fresh(block)
                found += self._take(self._clock.feed(block))
        return found

    def _keep_fresh(self, block: FrameBlock) -> None:
        ordered = in_time_order(block)
        begin_ns = int(ordered.time_ns[0])
        first_ns = self.first_fresh_ns
        self.first_fresh_ns = begin_ns if first_ns is None else min(begin_ns, first_ns)
        self.fresh.append(ordered)

    def finish(self) -> list[FrameBlock]:
        """Give what was held back; no more text may come."""
        return self._take(self._clock.finish())

    def _take(self, blocks: Iterable[FrameBlock]) -> list[FrameBlock]:
        taken = list(blocks)
        for block in taken:
            begin_ns = int(block.time_ns.min())
            self.zero_ns = begin_ns if self.zero_ns is None else min(self.zero_ns, begin_ns)
            self._stats.feed(block)
        return taken

    def stats(self) -> BusStats:
        """Return the traffic so far.

        Raises
        ------
        ValueError
            Before the first frame.
        """
        if self.zero_ns is None:
            raise ValueError("there is no frame yet")
        return self._stats.finish(zero_ns=self.zero_ns, buses=self._report.buses)

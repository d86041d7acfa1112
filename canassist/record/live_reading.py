"""The log so far, read and decoded in steps by the same code as a report's."""

from __future__ import annotations

import io
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Final

from canassist import decode
from canassist.model import Tally, Timeline
from canassist.readers.base import Wish
from canassist.readers.bus_stats import BusStatsCollector
from canassist.readers.candump import CandumpReader
from canassist.readers.clock import ClockRepair

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from pathlib import Path

    from canassist.decode import DecodedRide
    from canassist.model import FrameBlock
    from canassist.profile import Profile

MOST_FRAMES: Final = 20_000_000
"""Frames with known signals that are kept for the live figures: hours of a busy bus."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SoFar:
    """What the log says so far."""

    decoded: DecodedRide
    timeline: Timeline


class LiveReading:
    """Takes a log's text piece by piece, and decodes what there is when asked.

    Parameters
    ----------
    databases : sequence of Path
    profile : Profile

    Raises
    ------
    CanassistError
        If a database or the profile cannot be used.
    """

    def __init__(self, databases: Sequence[Path], profile: Profile) -> None:
        self.profile = profile
        self.plan = decode.plan_reading(decode.load_databases(databases), profile)
        self._wish = Wish(wanted=self.plan.wanted)
        self._tally = Tally(name="ride", format="candump")
        self._reader = CandumpReader()
        self._clock = ClockRepair(self._tally)
        self._stats = BusStatsCollector(profile.bit_rate_bps)
        self._collector = decode.FrameCollector()
        self.zero_ns: int | None = None
        self.frames = self.kept = 0

    @property
    def is_full(self) -> bool:
        """Whether more frames came than are kept."""
        return self.kept > MOST_FRAMES

    @property
    def buses(self) -> Sequence[str]:
        """Return the names of the buses so far."""
        return self._tally.buses

    def feed(self, text: bytes) -> list[FrameBlock]:
        """Read whole lines; give the frames that are certain of their place in time."""
        found = []
        for block in self._reader.read(io.BytesIO(text), wish=self._wish, tally=self._tally):
            if len(block):
                found += self._take(self._clock.feed(block))
        return found

    def finish(self) -> None:
        """Take what was held back for its time; no more text may come."""
        self._take(self._clock.finish())

    def _take(self, blocks: Iterable[FrameBlock]) -> list[FrameBlock]:
        taken = list(blocks)
        for block in taken:
            begin_ns = int(block.time_ns.min())
            self.zero_ns = begin_ns if self.zero_ns is None else min(self.zero_ns, begin_ns)
            self._stats.feed(block)
            self.frames += len(block)
            self.kept += len(block.payload_row)
            if not self.is_full:
                self._collector.feed(block)
        return taken

    def so_far(self) -> SoFar | None:
        """Decode all that was read; None before the first frame."""
        if self.zero_ns is None:
            return None
        stats = self._stats.finish(zero_ns=self.zero_ns, buses=self._tally.buses)
        decoded = decode.decode_ride(
            self._collector.finish(self.zero_ns), self.plan, self.profile, stats
        )
        timeline = Timeline(
            channels=decoded.channels,
            duration_s=stats.duration_s,
            start_utc=datetime.fromtimestamp(self.zero_ns / 1e9, UTC),
            bus=stats,
            senders=decoded.senders,
            integrity=decoded.integrity,
            trouble_codes=decoded.trouble_codes,
            identity=decoded.identity,
        )
        return SoFar(decoded=decoded, timeline=timeline)

"""The log so far, read and decoded in steps by the same code as a report's."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from canassist import decode
from canassist.frames import GrowingRecording, ReadRequest
from canassist.model import Timeline

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from canassist.decode import DecodedRide
    from canassist.model import FrameBlock, Profile

MOST_FRAMES: Final = 20_000_000
"""Frames with known signals that are kept for the live figures: hours of a busy bus."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DecodedSoFar:
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
        request = ReadRequest(wanted=self.plan.wanted)
        self._recording = GrowingRecording(request, bit_rate=profile.bit_rate_bps)
        self._collector = decode.FrameCollector()
        self._kept = 0

    @property
    def is_full(self) -> bool:
        """Whether more frames came than are kept."""
        return self._kept > MOST_FRAMES

    @property
    def zero_ns(self) -> int | None:
        """Return the time of the earliest frame; None before it."""
        return self._recording.zero_ns

    @property
    def fresh(self) -> list[FrameBlock]:
        """Return what the last piece of text held, nothing held back."""
        return self._recording.fresh

    @property
    def first_fresh_ns(self) -> int | None:
        """Return the earliest time stamp as it stands in the log; None before it."""
        return self._recording.first_fresh_ns

    @property
    def buses(self) -> Sequence[str]:
        """Return the names of the buses so far."""
        return self._recording.buses

    def feed(self, text: bytes) -> None:
        """Read whole lines."""
        self._collect(self._recording.feed(text))

    def finish(self) -> None:
        """Take what was held back for its time; no more text may come."""
        self._collect(self._recording.finish())

    def _collect(self, blocks: list[FrameBlock]) -> None:
        for block in blocks:
            self._kept += len(block.payload_row)
            if not self.is_full:
                self._collector.feed(block)

    def so_far(self) -> DecodedSoFar | None:
        """Decode all that was read; None before the first frame."""
        zero_ns = self._recording.zero_ns
        if zero_ns is None:
            return None
        stats = self._recording.stats()
        sorted_frames = self._collector.finish(zero_ns)
        decoded = decode.decode_ride(sorted_frames, self.plan, self.profile, stats)
        timeline = Timeline(
            channels=decoded.channels,
            duration_s=stats.duration_s,
            start_utc=self._recording.start_utc,
            bus=stats,
            senders=decoded.senders,
            integrity=decoded.integrity,
            trouble_codes=decoded.trouble_codes,
            identity=decoded.identity,
        )
        return DecodedSoFar(decoded=decoded, timeline=timeline)

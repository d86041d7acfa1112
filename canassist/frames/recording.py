"""One ride as it was recorded: one file, or several joined by their time stamps."""

from __future__ import annotations

import math
import time
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Final

from canassist.errors import NoFramesError
from canassist.frames.base import ReadRequest
from canassist.frames.block_tools import closed_at_end
from canassist.frames.bus_stats.statistics_of_bus import BusStatsCollector
from canassist.frames.frame_rows import EARLIEST_YEAR
from canassist.frames.merge.join_parts import Joiner, Seam
from canassist.frames.merge.long_pauses import LongPauses
from canassist.frames.merge.part_stream import PartStream, choose_reader
from canassist.frames.merge.place_parts import place_parts
from canassist.frames.unpack.inflate import InflationLimits
from canassist.frames.unpack.unpack import find_parts
from canassist.model import Problem, ReadReport, Step, silent

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from canassist.frames.merge.place_parts import JoinPlan
    from canassist.frames.unpack.unpack import Part
    from canassist.model import BusStats, FrameBlock, Progress

_NS: Final = 1_000_000_000
_PROGRESS_S: Final = 0.2
_NAMES_TOLD: Final = 3
_YEAR_9999_NS: Final = 253_370_764_800 * 10**9
_IMPOSSIBLE: Final = 1e-6
"""Chance below which a silence is none of the recorder's own (definitions, module_restart)."""
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_EARLIEST_DAY: Final = datetime(EARLIEST_YEAR, 1, 1, tzinfo=UTC)
"""An earlier wall clock shows a time of day only."""


def open_log(
    paths: Sequence[Path],
    *,
    limits: InflationLimits | None = None,
    bit_rate: int | None = None,
    one_ride: bool = False,
    used_otherwise: frozenset[str] = frozenset(),
) -> Recording:
    """Find out what the files of one ride are; nothing but their beginnings is read yet.

    Parameters
    ----------
    paths : sequence of Path
        One or more files; a zip archive counts as the logs in it.
    limits : InflationLimits, optional
        How far compressed logs may grow.
    bit_rate : int, optional
        Nominal bit rate of the buses in bit/s, for their load; inferred where not given.
    one_ride : bool
        Take files for one ride though they overlap with other values or lie far apart.
    used_otherwise : frozenset of str
        Members of archives that are no logs and are used all the same: not told as left out.

    Raises
    ------
    InputError
        If a file is missing, a folder, unreadable, empty or no log of a known format.
    """
    opening = _Opening(limits or InflationLimits(), used_otherwise)
    for path in paths:
        opening.add(path)
    if opening.empty and not opening.found:
        raise opening.empty[0]
    return Recording(opening.found, opening.problems(), bit_rate=bit_rate, one_ride=one_ride)


class _Opening:
    """The logs found so far, and what is left out of a ride of several."""

    def __init__(self, limits: InflationLimits, used_otherwise: frozenset[str]) -> None:
        self._used_otherwise = used_otherwise
        self.found: list[PartStream] = []
        self.empty: list[NoFramesError] = []
        self._limits = limits
        self._report = ReadReport()
        self._left_out: list[Problem] = []

    def add(self, path: Path) -> None:
        """Take a file; one that is empty costs the others nothing."""
        self._report.name = path.name
        try:
            parts = find_parts(path, limits=self._limits, report=self._report.add_problem)
        except NoFramesError as error:
            self._leave_out(path.name, error)
            return
        known = len(self.found) + len(self.empty)
        for part in parts:
            if part.member is None or part.name not in self._used_otherwise:
                self._add_part(part)
        if len(self.found) + len(self.empty) == known:
            raise _no_log(path, parts[0].name if len(parts) == 1 else path.name)

    def _add_part(self, part: Part) -> None:
        try:
            reader = choose_reader(part)
        except NoFramesError as error:
            self._leave_out(part.name, error)
            return
        if reader is None:
            what = "is no log of a known format; left out"
            self._left_out.append(Problem(part.name, what, grave=True))
        else:
            self.found.append(PartStream(part, reader))

    def _leave_out(self, name: str, error: NoFramesError) -> None:
        self.empty.append(error)
        self._left_out.append(Problem(name, "nothing can be read of it; left out", grave=True))

    def problems(self) -> list[Problem]:
        """Return what was left out and why."""
        return [*self._report.problems, *self._left_out]


def _no_log(path: Path, name: str) -> NoFramesError:
    return NoFramesError(
        f"{path.name}: no CAN frame in it"
        + ("." if name == path.name else f" ({name}).")
        + " Its beginning looks like no known log format.",
        "Choose the recorder's log file, not its settings, notes or database.",
    )


class Recording:
    """One ride, read once from its beginning to its end.

    Parameters
    ----------
    streams : sequence of PartStream
    problems : sequence of Problem
        Found while the files were opened.
    bit_rate : int, optional
        Nominal bit rate of the buses in bit/s.
    one_ride : bool
        Whether the files are one ride whatever speaks against it.

    Attributes
    ----------
    name : str
        Names of the files, without folder; of many the first ones.
    formats : str
        Their formats, each once, joined by ``+``.
    zero_ns : int
        Time of the earliest frame; known after the last block.
    start_utc : datetime or None
        The same as a date, where the files tell it with its zone.
    start_local : datetime or None
        The same on the recorder's wall clock, without a zone, where the files tell its day.
    """

    def __init__(
        self,
        streams: Sequence[PartStream],
        problems: Sequence[Problem] = (),
        *,
        bit_rate: int | None = None,
        one_ride: bool = False,
    ) -> None:
        self._one_ride = one_ride
        self._streams = list(streams)
        self._opening = list(problems)
        self._joining: list[Problem] = []
        self._holes: list[Problem] = []
        self._thinned: list[Problem] = []
        self._pauses = LongPauses()
        self._bit_rate = bit_rate
        self._stats: BusStats | None = None
        self.buses: list[str] = []
        self.name = _named([stream.part.name for stream in streams])
        self.formats = "+".join(dict.fromkeys(stream.reader.name for stream in streams))
        self.zero_ns = 0
        self.start_utc: datetime | None = None
        self.start_local: datetime | None = None

    def blocks(
        self, *, request: ReadRequest | None = None, progress: Progress = silent
    ) -> Iterator[FrameBlock]:
        """Yield all frames in time order, in nanoseconds on one time base.

        Where a file holds one bus behind the other, each bus is in order by itself.

        Parameters
        ----------
        request : ReadRequest, optional
            Which payloads are wanted; all where not given. Without `headers` there are
            no statistics afterwards.
        progress : callable
            Called with the bytes and frames read so far a few times a second; what it
            raises stops the reading cleanly.

        Raises
        ------
        NoFramesError
            If no file holds a frame.
        UsageError
            If the files are different rides.
        """
        request = request or ReadRequest()
        collector = BusStatsCollector(self._bit_rate) if request.headers else None
        self._joining = []
        self.buses = []
        plan = place_parts(self._streams, self._joining)
        first = True
        reporter = _Reporter(self._streams, progress, counts=request.headers)
        joiner = Joiner(plan, request, self.buses, self._joining, one_ride=self._one_ride)
        self._pauses = LongPauses()
        with closed_at_end(joiner.blocks()) as blocks:
            for whole in blocks:
                block = self._pauses.feed(whole)
                begin_ns = int(block.time_ns.min())
                self.zero_ns = begin_ns if first else min(self.zero_ns, begin_ns)
                first = False
                if collector is not None:
                    collector.feed(block)
                reporter.now_and_then(len(block))
                yield block
        if first and request.headers:
            raise self._no_frames()
        reporter.finish()
        self._finish(collector, plan, joiner.seams)

    def _finish(
        self, collector: BusStatsCollector | None, plan: JoinPlan, seams: Sequence[Seam]
    ) -> None:
        first = plan.streams[0] if plan.streams else None
        self.start_utc = _moment(first.utc_ns(self.zero_ns)) if first else None
        local = _moment(first.local_ns(self.zero_ns)) if first else None
        if local is not None and local >= _EARLIEST_DAY:
            self.start_local = local.replace(tzinfo=None)
        if collector is not None:
            self._holes = _short_holes(collector, self.zero_ns)
            one = self._pauses.one
            losses = [one(at) for stream in self._streams for at in stream.losses_ns]
            seams = [Seam(bus, one(begin), one(end)) for bus, begin, end in seams]
            stats = collector.finish(
                zero_ns=self.zero_ns, buses=self.buses, losses_ns=losses, seams=seams
            )
            doubtful = any(stream.report.doubtful for stream in self._streams)
            cut = any(stream.report.cut for stream in self._streams)
            self._stats = replace(stats, doubtful=doubtful, cut=cut)
            self._thinned = _thinned(self._stats)

    def stats(self) -> BusStats:
        """Return the traffic of the whole ride.

        Raises
        ------
        ValueError
            Before the last block was read, or where it was read without headers.
        """
        if self._stats is None:
            raise ValueError("statistics need a whole reading with headers")
        return self._stats

    def seconds_of(self, log_s: float) -> float | None:
        """Turn a raw time stamp of a log into seconds since the earliest frame.

        It passes through the same repair of clocks as the frames; None where it is far from
        every file, or before the last block was read.
        """
        for stream in self._streams:
            time_ns = stream.ride_time_ns(log_s)
            if time_ns is not None:
                return (self._pauses.one(time_ns) - self.zero_ns) / _NS
        return None

    @property
    def sources_by_file(self) -> dict[str, frozenset[tuple[int, int]]]:
        """Bus and key of every identifier of each file, where there are several files."""
        return {
            stream.part.name: frozenset(stream.sources)
            for stream in self._streams
            if stream.sources
        }

    @property
    def problems(self) -> tuple[Problem, ...]:
        """What was lost, skipped or repaired: the grave first, else in the order of the files."""
        several = len(self._streams) > 1
        found = [*self._thinned, *self._cut_pauses(), *self._opening, *self._joining]
        for stream in self._streams:
            prefix = f"{stream.part.name}: " if several else ""
            found += [one._replace(where=prefix + one.where) for one in stream.report.problems]
            if stream.report.unlisted:
                what = (
                    f"{stream.report.unlisted} more places like these;"
                    f" {stream.report.skipped} lines or objects skipped in all"
                )
                found.append(Problem(f"{prefix}further on", what))
        return tuple(sorted(found + self._holes, key=lambda one: not one.grave))

    def _cut_pauses(self) -> list[Problem]:
        if not self._pauses.count:
            return []
        what = (
            f"{self._pauses.count} pauses, {self._pauses.cut_ns / 3600 / _NS:.0f} h in all, are cut"
            " to 1 s each: no ride lasts so long; times behind them are not the log's"
        )
        return [Problem("the time stamps", what, grave=True)]

    def _no_frames(self) -> NoFramesError:
        skipped = sum(stream.report.skipped for stream in self._streams)
        first_line = next((one for stream in self._streams if (one := stream.first_line())), "")
        if skipped and first_line:
            return NoFramesError(
                f"{self.name}: a text of an unknown layout; its first line is {first_line!r}.",
                "If these are notes or settings, choose its log file; else have the recorder write "
                "candump, ASC or CSV with a column for each of time,"
                " identifier and data.",
            )
        lost = [one for stream in self._streams for one in stream.report.problems if one.grave]
        why = f" ({skipped} lines or objects could not be read)" if skipped else ""
        if lost:
            return NoFramesError(
                f"{self.name}: no CAN frame in it{why}; {lost[0].where}: {lost[0].what}.",
                "Copy it from the recorder again, or choose another file.",
            )
        return NoFramesError(
            f"{self.name}: no CAN frame in it{why}.",
            "Check that the recorder was connected to a live bus, and choose its log file.",
        )


def _named(names: Sequence[str]) -> str:
    """Return names as a message tells them: an archive may hold thousands."""
    told = ", ".join(names[:_NAMES_TOLD])
    more = len(names) - _NAMES_TOLD
    return f"{told} and {more} more" if more > 0 else told


def _short_holes(collector: BusStatsCollector, zero_ns: int) -> list[Problem]:
    """Say where every identifier fell silent at once, though too short for a gap."""
    holes = collector.short_holes()
    if not holes:
        return []
    at_s = (holes[0][0] - zero_ns) / _NS
    longest_s = max(end - begin for begin, end in holes) / _NS
    times = f"{len(holes)} times" if len(holes) > 1 else "once"
    what = (
        f"no frame at all for up to {longest_s:.3f} s, {times}: recorder or whole bus;"
        " no unit is blamed for it"
    )
    return [Problem(f"from {at_s:.3f} s on", what)]


def _thinned(stats: BusStats) -> list[Problem]:
    """Say which bus the recorder did not keep up with."""
    found = []
    for bus, thinning in sorted(stats.thinning.items()):
        where = "the recorder" + (f", bus {stats.buses[bus]}" if len(stats.buses) > 1 else "")
        fast_s = min(thinning.period_s.values(), default=0.0)
        missing = math.ceil(math.log(_IMPOSSIBLE) / math.log(min(thinning.lost_again, 0.999))) + 1
        what = (
            f"dropped about {100.0 * thinning.lost:.2g} % of all frames, of every identifier by"
            f" turns; no silence below {missing} periods ({missing * fast_s:.1f} s of the fastest"
            " message) is held against a part"
        )
        found.append(Problem(where, what, grave=True))
    return found


def _moment(utc_ns: int | None) -> datetime | None:
    if utc_ns is None or not 0 <= utc_ns < _YEAR_9999_NS:
        return None
    return _EPOCH + timedelta(microseconds=utc_ns // 1000)


class _Reporter:
    """Tells the progress by bytes a few times a second, and the frames so far."""

    def __init__(self, streams: Sequence[PartStream], progress: Progress, *, counts: bool) -> None:
        self._streams = streams
        self._progress = progress
        self._next = time.monotonic() + _PROGRESS_S
        self._total = sum(stream.part.path.stat().st_size for stream in streams)
        self._frames = 0 if counts else None  # blocks without headers hold but some of them

    def now_and_then(self, frames: int) -> None:
        if self._frames is not None:
            self._frames += frames
        if self._progress is silent or time.monotonic() < self._next:
            return
        self._next = time.monotonic() + _PROGRESS_S
        done = sum(stream.report.bytes_read for stream in self._streams)
        self._progress(Step("reading", min(done, self._total), self._total, self._frames))

    def finish(self) -> None:
        self._progress(Step("reading", self._total, self._total, self._frames))

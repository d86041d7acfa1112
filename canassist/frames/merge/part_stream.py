"""One log of a ride: opened, read, put in time order."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.errors import InputError, NoFramesError
from canassist.frames.base import ReadRequest
from canassist.frames.block_tools import (
    closed_at_end,
    in_time_order,
    joined,
    moved,
    picked,
    rows_of,
    with_buses,
)
from canassist.frames.merge.clock_repair import ClockRepair
from canassist.frames.merge.raw_times import RawTimes
from canassist.frames.registry import find_reader
from canassist.frames.unpack.unpack import HEAD_PEEK, Opened, Part, open_part
from canassist.model import IdSet, ReadReport

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping
    from datetime import datetime

    from canassist.frames.base import LogReader
    from canassist.model import ByteArray, FrameBlock

_SAMPLE_FRAMES: Final = 20_000
_LINE_PEEK: Final = 1 << 12
_LONGEST_LINE: Final = 80
_HEADERS_ONLY: Final = ReadRequest(wanted=IdSet(), headers=True)


def choose_reader(part: Part) -> LogReader | None:
    """Find out which reader reads a log, or None where it is no log that is known.

    Raises
    ------
    NoFramesError
        If nothing can be had of it, because it is empty or broken from its first byte.
    """
    scratch = ReadReport()
    try:
        with open_part(part, scratch.add_problem) as opened:
            head = opened.stream.read(HEAD_PEEK)
    except OSError as error:
        raise _unreadable(part.name, error.strerror or str(error)) from error
    if not head:
        broken = f" ({scratch.problems[0].what})" if scratch.problems else ""
        raise NoFramesError(
            f"{part.name}: nothing can be read of it{broken}.",
            "Copy it from the recorder again, or choose another file.",
        )
    return find_reader(head, part.ending)


@dataclass(frozen=True, slots=True, kw_only=True)
class Start:
    """When the first frame of a log came, on the clocks that its file knows.

    `ids` are the identifiers of its first frames by bus.
    """

    first_ns: int
    utc_ns: int | None
    local_ns: int | None
    ids: Mapping[str, frozenset[int]] = field(default_factory=dict)

    @property
    def buses(self) -> frozenset[str]:
        """Names of the buses of its first frames."""
        return frozenset(self.ids)

    @property
    def all_ids(self) -> frozenset[int]:
        """Identifiers of its first frames on any bus."""
        return frozenset[int]().union(*self.ids.values())


@dataclass(slots=True)
class PartStream:
    """One log of a ride.

    Attributes
    ----------
    part : Part
    reader : LogReader
    report : ReadReport
        Filled while `blocks` runs.
    offset_ns : int
        Added to the file's own times to place it on the ride's time base.
    first_ns : int
        Time of the first frame, by the file; known after `peek`.
    sample : FrameBlock or None
        The first frames with their payloads; known after `peek`.
    ids : mapping of str to frozenset of int
        Their identifiers by bus.
    sources : set of (bus, key)
        What it holds, by the ride's numbers; only where it is read with others.
    losses_ns : list of int
        When the recorder says that it lost frames, on the ride's time base.
    raw_times : RawTimes
        Where the file's own time stamps went; filled while `blocks` runs.
    """

    part: Part
    reader: LogReader
    report: ReadReport = field(init=False)
    offset_ns: int = 0
    first_ns: int = 0
    sample: FrameBlock | None = None
    ids: Mapping[str, frozenset[int]] = field(default_factory=dict)
    sources: set[tuple[int, int]] = field(default_factory=set)
    losses_ns: list[int] = field(default_factory=list)
    raw_times: RawTimes = field(default_factory=RawTimes)
    _table: list[int] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.report = self._new_report()

    def _new_report(self) -> ReadReport:
        return ReadReport(name=self.part.name, format=self.reader.name)

    def peek(self) -> Start | None:
        """Read the first frames, enough to know its buses by; None where there are none."""
        report = self._new_report()
        with (
            open_part(self.part, report.add_problem, to_disk=self.reader.needs_seek) as opened,
            closed_at_end(_iterator(self.reader, opened, ReadRequest(), report)) as blocks,
        ):
            begun = _first_frames(blocks)
        if not begun:
            return None
        first_ns = self.first_ns = int(begun[0].time_ns.min())
        first = in_time_order(joined(begun))
        self.sample = rows_of(first, 0, _SAMPLE_FRAMES)
        self.ids = {
            report.buses[bus]: frozenset(np.unique(first.key[first.bus == bus]).tolist())
            for bus in np.unique(first.bus).tolist()
        }
        start_ns = _ns_of(report.start_utc)
        utc_ns = None if start_ns is None else start_ns + first_ns
        local_ns = _ns_of(report.start_local)
        return Start(
            first_ns=first_ns,
            utc_ns=first_ns if report.epoch == "utc" else utc_ns,
            local_ns=None if local_ns is None else local_ns + first_ns,
            ids=self.ids,
        )

    def first_line(self) -> str:
        """Return its first line where it is text, at most 80 letters of it; else nothing."""
        with open_part(self.part, ReadReport().add_problem) as opened:
            head = opened.stream.read(_LINE_PEEK)
        line = next((one for one in head.splitlines() if one.strip()), b"")[:_LONGEST_LINE]
        text = line.decode("utf-8", errors="replace").strip()
        return text if text.isprintable() and "\ufffd" not in text[:-1] else ""

    def length_ns(self) -> int:
        """Return the time from its first frame to its last; reads all of it."""
        last = self.first_ns
        for block in self._again(_HEADERS_ONLY):
            last = max(last, int(block.time_ns.max()))
        return last - self.first_ns

    def between(self, begin_ns: int, end_ns: int) -> Iterator[FrameBlock]:
        """Read the frames of a time on the ride's time base once more, with payloads."""
        for block in self._again(ReadRequest()):
            time_ns = block.time_ns + self.offset_ns
            if int(time_ns.min()) > end_ns:
                return
            rows = np.flatnonzero((time_ns >= begin_ns) & (time_ns <= end_ns))
            if len(rows):
                yield picked(moved(block, self.offset_ns), rows)

    def _again(self, request: ReadRequest) -> Iterator[FrameBlock]:
        """Read it apart from the ride, in time order on its own clock."""
        report = self._new_report()
        clock = ClockRepair(report)
        with (
            open_part(self.part, report.add_problem, to_disk=self.reader.needs_seek) as opened,
            closed_at_end(_iterator(self.reader, opened, request, report)) as blocks,
        ):
            for block in blocks:
                if len(block):
                    yield from clock.feed(block)
            yield from clock.finish()

    @property
    def ride_buses(self) -> tuple[int, ...]:
        """The ride's numbers of its buses, as far as they were seen."""
        return tuple(self._table)

    def utc_ns(self, time_ns: int) -> int | None:
        """Turn a time on the ride's time base into UTC, where the file knows it."""
        own_ns = time_ns - self.offset_ns
        if self.report.epoch == "utc":
            return own_ns
        start_ns = _ns_of(self.report.start_utc)
        return None if start_ns is None else start_ns + own_ns

    def local_ns(self, time_ns: int) -> int | None:
        """Turn a time on the ride's time base into the recorder's wall clock, where known."""
        start_ns = _ns_of(self.report.start_local)
        return None if start_ns is None else start_ns + time_ns - self.offset_ns

    def ride_time_ns(self, log_s: float) -> int | None:
        """Turn a raw time stamp of the log into the ride's time base, once it has been read.

        A log that counts from a zero of its own must know its date where the stamp is one.
        """
        raw_ns = round(log_s * 1e9)
        start_ns = _ns_of(self.report.start_utc)
        if self.report.epoch != "utc" and start_ns is not None:
            raw_ns -= start_ns
        own_ns = self.raw_times.repaired(raw_ns)
        return None if own_ns is None else own_ns + self.offset_ns

    def blocks(self, request: ReadRequest, bus_index: Callable[[str], int]) -> Iterator[FrameBlock]:
        """Yield the frames in time order, on the ride's time base and with its bus numbers.

        Parameters
        ----------
        request : ReadRequest
        bus_index : callable
            Gives the ride's number of a bus by its name in this file.
        """
        self.report = self._new_report()
        self._table = []
        self.losses_ns = []
        self.sources = set()
        self.raw_times = RawTimes()
        clock = ClockRepair(self.report)
        with (
            open_part(self.part, self.report.add_problem, to_disk=self.reader.needs_seek) as opened,
            closed_at_end(_iterator(self.reader, opened, request, self.report)) as blocks,
        ):
            self.report.bytes_total = opened.size
            for block in blocks:
                self.report.bytes_read = opened.position()
                self._place_losses(clock)
                if len(block):
                    before_ns = clock.offset_ns
                    for ready in clock.feed(block):
                        yield self._placed(ready, bus_index)
                    self.raw_times.add(block.time_ns, before_ns, clock.offset_ns)
            for ready in clock.finish():
                yield self._placed(ready, bus_index)
            self._place_losses(clock)  # those noted behind the last frame
            self.report.bytes_read = opened.size

    def _place_losses(self, clock: ClockRepair) -> None:
        new = self.report.recorder_losses_ns[len(self.losses_ns) :]
        self.losses_ns += [at + clock.offset_ns + self.offset_ns for at in new]

    def _placed(self, block: FrameBlock, bus_index: Callable[[str], int]) -> FrameBlock:
        names = self.report.buses
        for name in names[len(self._table) :]:
            self._table.append(bus_index(name))
        table: ByteArray | None = None
        if self._table != list(range(len(self._table))):
            table = np.array(self._table, dtype=np.uint8)
        return moved(with_buses(block, table), self.offset_ns)


def _first_frames(blocks: Iterator[FrameBlock]) -> list[FrameBlock]:
    """Take blocks until there are frames enough: a first one may be a few lines."""
    found: list[FrameBlock] = []
    for block in blocks:
        if len(block):
            found.append(block)
        if sum(map(len, found)) >= _SAMPLE_FRAMES:
            break
    return found


def _iterator(
    reader: LogReader, opened: Opened, request: ReadRequest, report: ReadReport
) -> Iterator[FrameBlock]:
    """Read the blocks; where the file cannot be read any further, what came before is kept."""
    given = False
    try:
        for block in reader.read(opened.stream, request=request, report=report):
            given |= len(block) > 0
            yield block
    except OSError as error:
        why = error.strerror or str(error)
        if not given:
            raise _unreadable(report.name, why) from error
        what = f"cannot be read any further ({why}); the rest is missing"
        report.add_problem(f"byte {opened.position()}", what, skipped=1)


def _unreadable(name: str, why: str) -> InputError:
    return InputError(
        f"{name}: cannot be read ({why}).",
        "Copy it from the recorder again, or choose another file.",
    )


def _ns_of(moment: datetime | None) -> int | None:
    """Nanoseconds since 1970; a moment without zone is taken as it stands."""
    if moment is None:
        return None
    day = moment.date().toordinal() - 719_163  # 1 January 1970
    of_day = moment.hour * 3600 + moment.minute * 60 + moment.second
    offset = moment.utcoffset()
    shift = 0 if offset is None else int(offset.total_seconds())
    return ((day * 86_400 + of_day - shift) * 1_000_000 + moment.microsecond) * 1000

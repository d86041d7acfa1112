"""ASC text logs: hexadecimal or decimal, absolute or relative times, classic and FD frames."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import timedelta
from itertools import pairwise
from typing import TYPE_CHECKING, BinaryIO, Final, NamedTuple

import numpy as np

from canassist.frames.base import ReadRequest
from canassist.frames.block_tools import moved, picked
from canassist.frames.formats.asc.asc_batch import AscGrammar
from canassist.frames.formats.asc.asc_dates import read_date
from canassist.frames.formats.asc.asc_lines import DECIMAL, HEX, AscEvent, is_header, read_event
from canassist.frames.frame_rows import (
    EARLIEST_UTC_NS,
    EARLIEST_YEAR,
    block_of_frames,
    merged,
)
from canassist.frames.text.batch_lines import BatchDone, FastLines
from canassist.frames.text.line_buffer import read_tables
from canassist.frames.text.text_lines import BadLines, Table, head_lines
from canassist.model import ReadReport

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import datetime

    from canassist.frames.text.line_buffer import NumberedTable
    from canassist.model import FrameBlock, IntArray

_BASE: Final = re.compile(
    r"\s*base\s+(hex|dec)\b(?:\s+timestamps\s+(absolute|relative)\b)?", re.IGNORECASE
)
_DATE: Final = re.compile(r"\s*date\s+(\S.*)", re.IGNORECASE)
_TRIGGER: Final = re.compile(r"\s*begin\s+trigger\s?block\b\s*(.*)", re.IGNORECASE)
_CONTROL: Final = re.compile(r"(?:date|base|begin)\s", re.IGNORECASE)
_STAMP_INSIDE: Final = re.compile(r"(?<!\d)\d{1,10}\.\d{3,9}\s+(?:CANFD|\d)")
_LONGEST_LINE: Final = 1024
_MATCHES: Final = 2
_MOST_PARTS: Final = (
    256  # of one block; a stretch between headers has more than four thousand bytes
)
_FARTHEST_RESTART: Final = timedelta(days=366)
"""Stretches of one file lie nearer than this, or their dates are wrong; own choice."""
_RESTART_NS: Final = 1_000_000  # a stretch that begins this much before the last time restarted


class AscReader:
    """Reads ASC logs.

    Times are seconds since the start of the measurement, or since the line before. The
    start is a date on the recorder's wall clock without zone, so it only tells how several
    files lie to each other. A bus is named by its channel number.
    """

    name = "asc"
    endings = (".asc",)
    needs_seek = False

    def matches(self, head: bytes) -> bool:
        """Tell by the header, or by the shape of frame lines."""
        lines = [line for line in head_lines(head) if len(line) < _LONGEST_LINE]
        if any(_BASE.match(line) or _TRIGGER.match(line) for line in lines):
            return True
        events = [read_event(line, HEX, ReadReport()) for line in lines]
        hits = sum(1 for event in events if event is not None and event.frame is not None)
        return hits >= _MATCHES

    def read(
        self, source: BinaryIO, *, request: ReadRequest, report: ReadReport
    ) -> Iterator[FrameBlock]:
        """Yield the frames in file order, in blocks."""
        log = _Log(request, report)
        for lines in read_tables(source, report):
            for part in _split_at_controls(lines, report):
                block = log.block(part)
                if len(block):
                    yield block
        log.bad.close()


def _if_set(date: datetime | None) -> datetime | None:
    """Return a date of a clock that somebody has set."""
    return date if date is not None and date.year >= EARLIEST_YEAR else None


class _Part(NamedTuple):
    """Lines of which only the first may be a header line that changes how to read on."""

    table: Table
    number: int
    control: str
    cut_row: int | None

    def text(self, row: int) -> str:
        """Return one line."""
        begin, end = self.table.line_start[row], self.table.line_end[row]
        return self.table.buffer[begin:end].tobytes().decode("latin-1")


def _split_at_controls(lines: NumberedTable, report: ReadReport) -> Iterator[_Part]:
    """Part a block before each header line that matters; such lines begin with a letter."""
    table = lines.table
    whole = _Part(table, lines.number, "", lines.cut_row)
    lettered = np.flatnonzero(table.buffer[table.line_start] > ord("9"))
    places = [row for row in lettered.tolist() if _CONTROL.match(whole.text(row)[:_LONGEST_LINE])]
    if len(places) > _MOST_PARTS:
        where = f"line {lines.number + places[_MOST_PARTS]}"
        report.add_problem(where, "more header lines than a log has; not followed for a while")
        places = places[:_MOST_PARTS]
    rows = len(table.line_start)
    for begin, end in pairwise(sorted({0, *places, rows})):
        cut = None if lines.cut_row is None or lines.cut_row >= end else lines.cut_row - begin
        part = Table(table.buffer, table.line_start[begin:end], table.line_end[begin:end])
        control = whole.text(begin) if begin in places else ""
        yield _Part(part, lines.number + begin, control, cut)


class _Log:
    """Where the reading of a log stands."""

    def __init__(self, request: ReadRequest, report: ReadReport) -> None:
        self.request = request
        self.report = report
        self.bad = BadLines(report, "not a whole frame line")
        self.base = HEX
        self.relative = False
        self._reading = request
        self._fast = FastLines(AscGrammar(), request, report)
        self._now_ns = 0  # the last time, as the file counts
        self._triggers = 0
        self._begun: datetime | None = None
        self._shift_ns = 0  # of a later stretch that counts from its own start
        self._restart_ns: int | None = None  # when the stretch began, if it counts anew

    def block(self, lines: _Part) -> FrameBlock:
        """Read a run of lines."""
        self._control(lines.control[:_LONGEST_LINE])
        table = lines.table
        if self.base == HEX:
            done = self._fast.read(table)
        else:
            nothing, _ = block_of_frames([], self._reading)
            rows = np.arange(len(table.line_start))
            done = BatchDone(nothing, rows[:0], rows)
        self.report.count_lines(len(table.line_start), len(done.left))
        events, at = self._one_by_one(lines, done.left)
        frames = [event.frame for event in events if event.frame is not None]
        frame_at = at[[event.frame is not None for event in events]]
        single, kept = block_of_frames(frames, self._reading)
        whole = merged(done.block, done.line, single, frame_at[kept])
        time_ns = np.array([event.time_ns for event in events], dtype=np.int64)
        if self.relative:
            rows = np.sort(np.concatenate((done.line, frame_at[kept])))
            whole, time_ns = self._accumulated(whole, rows, time_ns, at)
        whole = self._placed(whole)
        if len(whole) and self.report.epoch == "file" and whole.time_ns[0] >= EARLIEST_UTC_NS:
            self.report.epoch, self.report.start_local = "utc", None  # they are dates themselves
        lost = np.array([event.lost for event in events], dtype=np.bool_)
        self.report.recorder_losses_ns += (time_ns[lost] + self._shift_ns).tolist()
        return whole

    def _control(self, line: str) -> None:
        """Take note of a header line."""
        if found := _BASE.match(line):
            self.base = DECIMAL if found[1].lower() == "dec" else HEX
            self.relative = (found[2] or "").lower() == "relative"
            if self.relative and not self.request.headers:  # every line moves the time on
                self._reading = ReadRequest(wanted=self.request.wanted, headers=True)
                self._fast = FastLines(AscGrammar(), self._reading, self.report)
        elif found := _TRIGGER.match(line):
            self._trigger(read_date(found[1]))
        elif (found := _DATE.match(line)) and not self._triggers:
            self.report.start_local = _if_set(read_date(found[1]))

    def _trigger(self, date: datetime | None) -> None:
        self._triggers += 1
        if self._triggers == 1:
            self._begun = date
            if _if_set(date) is not None:
                self.report.start_local = date
        elif date is not None and self._begun is not None:
            later = date - self._begun
            if abs(later) <= _FARTHEST_RESTART:
                self._restart_ns = later // timedelta(microseconds=1) * 1000
            else:
                self.report.add_problem(
                    "a later begin of recording",
                    f"its date lies {abs(later).days} days from the first one's; not believed",
                )

    def _accumulated(
        self, block: FrameBlock, rows: IntArray, more_ns: IntArray, more_rows: IntArray
    ) -> tuple[FrameBlock, IntArray]:
        """Add up times that each count from the line before; all events count, frames or not.

        Parameters
        ----------
        block : FrameBlock
            With the times as written.
        rows : array of int64
            Line of each frame.
        more_ns, more_rows : arrays of int64
            Times and lines of what was read one by one; frames among them count once.

        Returns
        -------
        block : FrameBlock
        time_ns : array of int64
            Times of what was read one by one.
        """
        all_rows = np.concatenate((rows, more_rows))
        all_ns = np.concatenate((block.time_ns, more_ns))
        unique_rows, first = np.unique(all_rows, return_index=True)
        total = self._now_ns + np.cumsum(all_ns[first])
        if len(total):
            self._now_ns = int(total[-1])
        block = replace(block, time_ns=total[np.searchsorted(unique_rows, rows)])
        if not self.request.headers and self.request.wanted is not None:
            block = picked(block, block.payload_row)
        return block, total[np.searchsorted(unique_rows, more_rows)]

    def _placed(self, block: FrameBlock) -> FrameBlock:
        """Move a stretch that began to count anew to where its date puts it."""
        if not len(block):
            return block
        if self._restart_ns is not None:
            if int(block.time_ns[0]) + _RESTART_NS < self._now_ns:
                self._shift_ns = self._restart_ns
            self._restart_ns = None
        self._now_ns = max(self._now_ns, int(block.time_ns[-1]))
        return moved(block, self._shift_ns)

    def _one_by_one(self, lines: _Part, left: IntArray) -> tuple[list[AscEvent], IntArray]:
        """Read the lines that are no usual frame; give those with a time stamp."""
        events: list[AscEvent] = []
        at: list[int] = []
        for row in left.tolist():
            if row == lines.cut_row and self.base == DECIMAL:
                self.bad.add(lines.number + row)  # its last byte may lack a digit
                continue
            event = self._event(lines.text(row), lines.number + row)
            if event is not None:
                events.append(event)
                at.append(row)
        return events, np.array(at, dtype=np.int64)

    def _event(self, line: str, number: int) -> AscEvent | None:
        if len(line) > _LONGEST_LINE:
            self.bad.add(number)
            return None
        event = read_event(line, self.base, self.report)
        if event is None:
            if not is_header(line):
                self.bad.add(number)
                return self._rest_of(line)
            return None
        if event.lost:
            self.report.add_problem(
                f"line {number}", "the recorder says that it lost frames here", grave=True
            )
        if event.damaged:
            self.bad.add(number)
            return self._rest_of(line) or event
        return event

    def _rest_of(self, line: str) -> AscEvent | None:
        """Read the frame at the end of a line that swallowed the line end before it."""
        for found in reversed(list(_STAMP_INSIDE.finditer(line))):
            event = read_event(line[found.start() :], self.base, self.report)
            if event is not None and event.frame is not None:
                return event
        return None

"""TRC text traces, versions 1.0 to 2.1.

Columns as the format's published description gives them (edition of 2020-07-27).
"""

from __future__ import annotations

import re
from datetime import datetime, timedelta
from decimal import Decimal, InvalidOperation
from itertools import islice
from typing import TYPE_CHECKING, BinaryIO, Final

import numpy as np

from canassist.frames.formats.trc.trc_frames import LineReader, TrcLayout, read_lines_at_once
from canassist.frames.frame_rows import EARLIEST_YEAR, Frame, block_of_frames, merged
from canassist.frames.text.text_lines import BadLines, head_lines, read_lines, table_of, words_of

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canassist.frames.base import ReadRequest
    from canassist.frames.text.text_lines import Lines, Table
    from canassist.model import FrameBlock, IntArray, ReadReport

_NS_PER_DAY: Final = 86_400 * 1_000_000_000
_US_PER_DAY: Final = 86_400 * 1_000_000
_DAY_ZERO: Final = datetime(1899, 12, 30)  # without a zone: it is not known
_EARLIEST_DAY: Final = (datetime(EARLIEST_YEAR, 1, 1) - _DAY_ZERO).days
_FURTHEST_DAY: Final = 1_000_000  # the year 4637

_OLD_LINE: Final = re.compile(
    r"\s*\d+\)\s+\d+(\.\d+)?\s+((\d+\s+)?(Rx|Tx|Warng|Error)\s+)?[0-9A-F]{4,8}\s+(-\s+)?\d"
)
_NEW_LINE: Final = re.compile(
    r"\s*(\d+\s+)?\d+\.\d+\s+(DT|FD|FB|FE|BI|RR|ST|ER|EC|EV)\s+(\d+\s+)?[0-9A-F]{4,8}\s+[RT]x\s"
)
_OLD_KINDS: Final = {"Rx", "Tx", "Warng", "Error"}

_LAYOUTS: Final = {
    "1.0": TrcLayout(1, None, None, 2, None, 3, 4),
    "1.1": TrcLayout(1, 2, None, 3, 2, 4, 5),
    "1.2": TrcLayout(1, 3, 2, 4, 3, 5, 6),
    "1.3": TrcLayout(1, 3, 2, 4, 3, 6, 7),
}
_NEXT_TRACE: Final = re.compile(rb"\n;\$FILEVERSION")
_MOST_PARTS: Final = 64  # of one block; more are no traces but damage
_USUAL_COLUMNS: Final = "N,O,T,I,d,l,D"


def _layout_of_columns(columns: str) -> TrcLayout | None:
    place = {letter.strip(): at for at, letter in enumerate(columns.split(","))}
    length = place.get("L", place.get("l"))
    if length is None or not {"O", "T", "I", "D"} <= place.keys():
        return None
    return TrcLayout(
        time=place["O"],
        kind=place["T"],
        bus=place.get("B"),
        can_id=place["I"],
        direction=place.get("d"),
        length=length,
        data=place["D"],
        new=True,
        length_is_code="L" in place,
    )


def _layout_of_line(line: str) -> TrcLayout | None:
    """Guess the columns from a frame line, for a file whose beginning is lost."""
    word = line.split()
    if _OLD_LINE.match(line):
        if word[2] in _OLD_KINDS:
            return _LAYOUTS["1.1"]
        if word[3] in _OLD_KINDS:
            return _LAYOUTS["1.3" if word[5] == "-" else "1.2"]
        return _LAYOUTS["1.0"]
    if _NEW_LINE.match(line):
        numbered = "N," if "." not in word[0] else ""
        kind = 2 if numbered else 1
        bus = "B," if word[kind + 2] not in _OLD_KINDS else ""
        spare = "R," if "-" in word else ""
        return _layout_of_columns(f"{numbered}O,T,{bus}I,d,{spare}L,D")
    return None


class TrcReader:
    """Reads TRC text traces.

    Times are milliseconds since the file's own start. That start is a day count on the
    recorder's wall clock, without a zone, so no absolute time comes of it.
    """

    name = "trc"
    endings = (".trc",)
    needs_seek = False

    def matches(self, head: bytes) -> bool:
        """Tell by the version line, or by the shape of a frame line."""
        lines = head_lines(head)
        if any(line.startswith((";$FILEVERSION", ";$COLUMNS")) for line in lines):
            return True
        frames = [line for line in lines if not line.lstrip().startswith(";")]
        return any(_layout_of_line(line) for line in frames[:5])

    def read(
        self, source: BinaryIO, *, request: ReadRequest, report: ReadReport
    ) -> Iterator[FrameBlock]:
        """Yield the frames in file order, in blocks."""
        trace = _Trace(request, report)
        for lines in read_lines(source, report):
            for part in _split_at_headers(lines):
                block = trace.block(part)
                if len(block):
                    yield block
        trace.bad.close()


def _split_at_headers(lines: Lines) -> Iterator[Lines]:
    """Part a block where another trace was appended to the first."""
    number, text, begin = lines.number, lines.text, 0
    for found in islice(_NEXT_TRACE.finditer(text), _MOST_PARTS):
        part = text[begin : found.start() + 1]
        yield lines._replace(text=part, number=number)
        number += part.count(b"\n")
        begin = found.start() + 1
    yield lines._replace(text=text[begin:], number=number)


class _Trace:
    """Where the reading of a trace stands: its layout and its start."""

    def __init__(self, request: ReadRequest, report: ReadReport) -> None:
        self.request = request
        self.report = report
        self.layout: TrcLayout | None = None
        self.one = LineReader(report)
        self.bad = BadLines(report, "not a frame line")
        self.first_start: Decimal | None = None
        self.offset_ns = 0

    def block(self, lines: Lines) -> FrameBlock:
        table = table_of(lines.text)
        word = words_of(table)
        filled = np.flatnonzero(word.many)
        comment = table.buffer[word.start[word.first[filled]]] == ord(";")
        self._read_header(table, filled[comment])
        rows = filled[~comment]
        layout = self.layout or self._guess(table, rows)
        self.layout = layout
        done = read_lines_at_once(table, word, rows, layout, self.request, self.report)
        self.report.count_lines(len(rows), len(done.failed))
        losses = self.report.recorder_losses_ns
        known = len(losses)
        frames, at = self._one_by_one(lines.number, table, layout, done.failed)
        losses[known:] = [one + self.offset_ns for one in losses[known:]]
        single, kept = block_of_frames(frames, self.request)
        block = merged(done.block, done.line, single, at[kept])
        block.time_ns[:] += self.offset_ns
        return block

    def _one_by_one(
        self, number: int, table: Table, layout: TrcLayout, rows: IntArray
    ) -> tuple[list[Frame], IntArray]:
        frames: list[Frame] = []
        at: list[int] = []
        for row in rows.tolist():
            try:
                frame = self.one.read(table.line(row), layout)
            except (ValueError, IndexError, KeyError):
                self.bad.add(number + row)
                continue
            if frame is not None:
                frames.append(frame)
                at.append(row)
        return frames, np.array(at, dtype=np.int64)

    def _read_header(self, table: Table, rows: IntArray) -> None:
        for row in rows.tolist():
            key, _, value = table.line(row).strip().partition("=")
            if key == ";$FILEVERSION":
                self.layout = _LAYOUTS.get(value.strip())
            elif key == ";$COLUMNS":
                self.layout = _layout_of_columns(value) or self.layout
            elif key == ";$STARTTIME":
                self._take_start(value)

    def _take_start(self, value: str) -> None:
        try:
            days = Decimal(value.strip())
        except InvalidOperation:
            return
        if not days.is_finite() or not 0 <= days <= _FURTHEST_DAY:
            return
        if self.first_start is None:
            self.first_start = days
        if self.first_start >= _EARLIEST_DAY and self.report.start_local is None:
            self.report.start_local = _DAY_ZERO + timedelta(microseconds=int(days * _US_PER_DAY))
        self.offset_ns = int((days - self.first_start) * _NS_PER_DAY)

    def _guess(self, table: Table, rows: IntArray) -> TrcLayout:
        guesses = (_layout_of_line(table.line(row)) for row in rows[:5].tolist())
        usual = _layout_of_columns(_USUAL_COLUMNS)
        return next((layout for layout in guesses if layout), usual or _LAYOUTS["1.1"])

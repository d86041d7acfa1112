"""Compact candump lines: ``(1700000000.123456) can0 123#DEADBEEF``.

The grammar is the comment in can-utils' ``lib.h`` and the flags of ``linux/can.h``. An
identifier of 3 digits has 11 bits, one of 8 digits 29; error frames carry 0x20000000.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, BinaryIO, Final

import numpy as np

from canassist.frames.block_tools import rows_of
from canassist.frames.formats.candump.candump_batch import ERROR_BIT, CandumpGrammar
from canassist.frames.frame_rows import (
    CLASSIC_BYTES,
    EARLIEST_UTC_NS,
    FD_BYTES,
    HIGHEST_ID,
    HIGHEST_STANDARD_ID,
    Frame,
    block_of_frames,
    merged,
)
from canassist.frames.text.batch_lines import FastLines
from canassist.frames.text.line_buffer import read_tables
from canassist.frames.text.text_lines import BadLines, head_lines
from canassist.model import FrameFlag

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canassist.frames.base import ReadRequest
    from canassist.frames.text.line_buffer import NumberedTable
    from canassist.frames.text.text_lines import Table
    from canassist.model import FrameBlock, IntArray, ReadReport

_LINE: Final = re.compile(
    r"""\s*\((?P<seconds>\d{1,10})\.(?P<places>\d{1,9})\)
    \s+(?P<bus>[!-~]{1,32})
    \s+(?P<id>[0-9A-Fa-f]{8}|[0-9A-Fa-f]{3})\#
    (?: (?P<remote>[Rr])(?P<asked>[0-9A-Fa-f]?)
      | \#(?P<fd>[0-9A-Fa-f])(?P<fd_data>[0-9A-Fa-f.]*)
      | (?P<data>[0-9A-Fa-f.]*)
    )
    (?:_(?P<code>[0-9A-Fa-f]?))?          # the raw length code, from newer writers
    (?:\s+(?P<direction>[RT]))?\s*""",
    re.VERBOSE,
)
_MATCHES: Final = 2  # frame lines in the head that make it certain
_STANDARD_DIGITS: Final = 3
_LONGEST_LINE: Final = 512
_NS: Final = 10**9
_MOST_NS: Final = 9 * 10**18


class CandumpReader:
    """Reads compact candump logs.

    Times are seconds since 1970 in UTC; where they are too small for a real date, they
    count from the recorder's own start.
    """

    name = "candump"
    endings = (".log", ".candump", ".txt")
    needs_seek = False

    def matches(self, head: bytes) -> bool:
        """Tell by the shape of whole lines."""
        lines = head_lines(head)
        hits = sum(1 for line in lines if len(line) < _LONGEST_LINE and _LINE.fullmatch(line))
        return hits >= min(_MATCHES, max(len(lines), 1))

    def read(
        self, source: BinaryIO, *, request: ReadRequest, report: ReadReport
    ) -> Iterator[FrameBlock]:
        """Yield the frames in file order, in blocks."""
        log = _Log(request, report)
        for lines in read_tables(source, report):
            block = log.block(lines)
            if len(block):
                if not log.started:
                    log.start(int(block.time_ns[0]))
                yield block
        log.bad.close()


class _Log:
    """Where the reading of a log stands."""

    def __init__(self, request: ReadRequest, report: ReadReport) -> None:
        self.request = request
        self.report = report
        self.fast = FastLines(CandumpGrammar(), request, report)
        self.bad = BadLines(report, "not a frame line")
        self.started = False
        self._last: FrameBlock | None = None

    def start(self, first_ns: int) -> None:
        """Tell from the first time what times count from."""
        self.started = True
        self.report.epoch = "utc" if first_ns >= EARLIEST_UTC_NS else "file"

    def block(self, lines: NumberedTable) -> FrameBlock:
        """Read a run of lines."""
        done = self.fast.read(lines.table)
        self.report.count_lines(len(lines.table.line_start), len(done.left))
        whole = done.block
        if len(done.left):
            frames, at = self._one_by_one(lines, done.left)
            single, kept = block_of_frames(frames, self.request)
            whole = merged(done.block, done.line, single, at[kept])
        if lines.cut_row is not None:
            whole = self._without_cut(lines, whole)
        self._last = whole if len(whole) else self._last
        return whole

    def _without_cut(self, lines: NumberedTable, block: FrameBlock) -> FrameBlock:
        """Drop the last frame of a file that ends within a line, if it is shorter than usual.

        A line cut in its data still looks whole; earlier frames of the identifier tell.
        """
        last = parse_line(_text(lines.table, lines.cut_row or 0), self.report)
        if last is None or not len(block) or int(block.time_ns[-1]) != last.time_ns:
            return block  # not read, or not wanted
        rest = rows_of(block, 0, len(block) - 1)
        usual = [
            int(one.length[row])
            for one in (rest, self._last)
            if one is not None
            for row in np.flatnonzero(one.key == block.key[-1])[-1:]
        ]
        number = lines.number + (lines.cut_row or 0)
        if not usual and 0 < last.length < CLASSIC_BYTES:
            self.report.add_problem(
                f"line {number}",
                "the last line has no end; kept, it may be cut",
                grave=True,
                cut=True,
            )
        if not usual or last.length >= usual[0]:
            return block
        self.bad.add(number)
        return rest

    def _one_by_one(self, lines: NumberedTable, left: IntArray) -> tuple[list[Frame], IntArray]:
        """Read the lines that have no usual shape."""
        frames: list[Frame] = []
        at: list[int] = []
        for row in left.tolist():
            text = _text(lines.table, row)
            if not text.strip():
                continue
            frame = self._frame(text, lines.number + row)
            if frame is not None:
                frames.append(frame)
                at.append(row)
        return frames, np.array(at, dtype=np.int64)

    def _frame(self, line: str, number: int) -> Frame | None:
        found = parse_line(line, self.report)
        if found is None:
            self.bad.add(number)
            tail = line.rfind("(")
            if tail > 0:  # a line that lost its end; the next one stands whole behind it
                return parse_line(line[tail:], self.report)
        return found


def _text(table: Table, row: int) -> str:
    """Return one line."""
    return table.buffer[table.line_start[row] : table.line_end[row]].tobytes().decode("latin-1")


def parse_line(line: str, report: ReadReport) -> Frame | None:
    """Read one line by the whole grammar; None where it is not a frame."""
    found = _LINE.fullmatch(line) if len(line) < _LONGEST_LINE else None
    if found is None:
        return None
    identifier = _identifier(found["id"])
    body = _body(found)
    time_ns = int(found["seconds"]) * _NS + int(found["places"].ljust(9, "0"))
    if identifier is None or body is None or time_ns >= _MOST_NS:
        return None
    can_id, flags = identifier
    length, more, data = body
    if flags & FrameFlag.ERROR and more & (FrameFlag.REMOTE | FrameFlag.FD):
        return None  # an error frame is neither
    if found["direction"] == "T":
        more |= FrameFlag.SENT
    return Frame(time_ns, report.bus_index(found["bus"]), can_id, int(flags | more), length, data)


def _body(found: re.Match[str]) -> tuple[int, FrameFlag, bytes] | None:
    """Read what stands behind the identifier: length, flags and data."""
    if found["remote"]:
        asked = int(found["asked"] or "0", 16)
        return min(asked, CLASSIC_BYTES), FrameFlag.REMOTE, b""
    digits = (found["fd_data"] or found["data"] or "").replace(".", "")
    most = FD_BYTES if found["fd"] else CLASSIC_BYTES
    if len(digits) % 2 or len(digits) > 2 * most:
        return None
    flags = _fd_flags(int(found["fd"], 16)) if found["fd"] else FrameFlag(0)
    return len(digits) // 2, flags, bytes.fromhex(digits)


def _identifier(digits: str) -> tuple[int, FrameFlag] | None:
    value = int(digits, 16)
    if len(digits) == _STANDARD_DIGITS:
        return (value, FrameFlag(0)) if value <= HIGHEST_STANDARD_ID else None
    if value & ERROR_BIT and value & ~ERROR_BIT <= HIGHEST_ID:
        return value & ~ERROR_BIT, FrameFlag.ERROR
    return (value, FrameFlag.EXTENDED) if value <= HIGHEST_ID else None


def _fd_flags(digit: int) -> FrameFlag:
    flags = FrameFlag.FD
    if digit & 1:
        flags |= FrameFlag.BIT_RATE_SWITCH
    if digit & 2:
        flags |= FrameFlag.ERROR_STATE
    return flags

"""Listings that candump prints on the terminal, saved as text.

A line is ``(000.012345)  can0  123   [8]  11 22 33 44 55 66 77 88``; the time stamp may be
absolute, since the frame before, since the start, a date, or missing. The layout is that of
can-utils' ``candump.c`` and ``lib.c``.
"""

from __future__ import annotations

import re
from itertools import chain
from typing import TYPE_CHECKING, BinaryIO, Final

import numpy as np

from canassist.frames.formats.candump.console_lines import LINE, read_lines_at_once, read_one_line
from canassist.frames.formats.candump.console_times import ListingClock
from canassist.frames.frame_rows import Frame, block_of_frames, merged
from canassist.frames.text.text_lines import BadLines, head_lines, read_lines, table_of, words_of

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canassist.frames.base import ReadRequest
    from canassist.frames.text.text_lines import Lines
    from canassist.model import FrameBlock, ReadReport

_COLOURS: Final = re.compile(rb"\x1b\[[0-9;]*[A-Za-z]")
_DROPPED: Final = re.compile(r"DROPCOUNT: dropped (\d+) CAN frame")


class ConsoleReader:
    """Reads saved terminal listings."""

    name = "candump console"
    endings = (".txt",)
    needs_seek = False

    def matches(self, head: bytes) -> bool:
        """Tell by the shape of a frame line."""
        return any(LINE.fullmatch(line) for line in head_lines(_COLOURS.sub(b"", head)))

    def read(
        self, source: BinaryIO, *, request: ReadRequest, report: ReadReport
    ) -> Iterator[FrameBlock]:
        """Yield the frames in file order, in blocks."""
        pieces = read_lines(source, report)
        first = next(pieces, None)
        if first is None:
            return
        listing = _Listing(request, report)
        for lines in chain([first], pieces):
            block = listing.block(lines)
            if len(block):
                yield block
        listing.bad.close()


class _Listing:
    """Where the reading of a listing stands."""

    def __init__(self, request: ReadRequest, report: ReadReport) -> None:
        self.request = request
        self.report = report
        self.clock = ListingClock(report)
        self.bad = BadLines(report, "not a frame line")

    def block(self, lines: Lines) -> FrameBlock:
        text = lines.text
        if b"\x1b" in text:
            text = _COLOURS.sub(b"", text)
        table = table_of(text)
        word = words_of(table)
        time_ns, timed = self.clock.times(table, word)
        done = read_lines_at_once(table, word, time_ns, timed, self.request, self.report)
        self.report.count_lines(len(table.line_start), len(done.failed))
        frames: list[Frame] = []
        at: list[int] = []
        for row in done.failed.tolist():
            frame = self._one(lines.number + row, table.line(row), int(time_ns[row]), timed[row])
            if frame is not None:
                frames.append(frame)
                at.append(row)
        single, kept = block_of_frames(frames, self.request)
        return merged(done.block, done.line, single, np.array(at, dtype=np.int64)[kept])

    def _one(self, number: int, text: str, time_ns: int, timed: bool) -> Frame | None:
        if not text.strip() or text.startswith("\t"):  # an error frame in words
            return None
        dropped = _DROPPED.search(text)
        if dropped:
            self.report.recorder_losses_ns.append(time_ns)
            self.report.add_problem(
                f"line {number}", f"the recorder dropped {dropped[1]} frames", grave=True
            )
            return None
        frame = read_one_line(text, time_ns, self.report) if timed else None
        if frame is None:
            self.bad.add(number)
        return frame

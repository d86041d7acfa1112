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

from canassist.readers.console_lines import LINE, read_lines_at_once, read_one_line
from canassist.readers.console_times import Clock
from canassist.readers.frame_rows import Frame, block_of_frames, merged
from canassist.readers.text_lines import BadLines, head_lines, read_lines, table_of, words_of

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canassist.model import FrameBlock, Tally
    from canassist.readers.base import Wish
    from canassist.readers.text_lines import Lines

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

    def read(self, source: BinaryIO, *, wish: Wish, tally: Tally) -> Iterator[FrameBlock]:
        """Yield the frames in file order, in blocks."""
        pieces = read_lines(source, tally)
        first = next(pieces, None)
        if first is None:
            return
        listing = _Listing(wish, tally)
        for lines in chain([first], pieces):
            block = listing.block(lines)
            if len(block):
                yield block
        listing.bad.close()


class _Listing:
    """Where the reading of a listing stands."""

    def __init__(self, wish: Wish, tally: Tally) -> None:
        self.wish = wish
        self.tally = tally
        self.clock = Clock(tally)
        self.bad = BadLines(tally, "not a frame line")

    def block(self, lines: Lines) -> FrameBlock:
        text = lines.text
        if b"\x1b" in text:
            text = _COLOURS.sub(b"", text)
        table = table_of(text)
        word = words_of(table)
        time_ns, timed = self.clock.times(table, word)
        done = read_lines_at_once(table, word, time_ns, timed, self.wish, self.tally)
        frames: list[Frame] = []
        at: list[int] = []
        for row in done.failed.tolist():
            frame = self._one(lines.number + row, table.line(row), int(time_ns[row]), timed[row])
            if frame is not None:
                frames.append(frame)
                at.append(row)
        single, kept = block_of_frames(frames, self.wish)
        return merged(done.block, done.line, single, np.array(at, dtype=np.int64)[kept])

    def _one(self, number: int, text: str, time_ns: int, timed: bool) -> Frame | None:
        if not text.strip() or text.startswith("\t"):  # an error frame in words
            return None
        dropped = _DROPPED.search(text)
        if dropped:
            self.tally.recorder_losses_ns.append(time_ns)
            self.tally.report(f"line {number}", f"the recorder dropped {dropped[1]} frames")
            return None
        frame = read_one_line(text, time_ns, self.tally) if timed else None
        if frame is None:
            self.bad.add(number)
        return frame

"""Whole lines of a text log in pieces of flat size, whatever its encoding and line ends."""

from __future__ import annotations

import codecs
import re
from typing import TYPE_CHECKING, BinaryIO, Final, NamedTuple

import numpy as np

from canassist.frames.base import BLOCK_BYTES
from canassist.frames.text.digits import BACK, FRONT, padded
from canassist.model import Problem

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canassist.model import ByteArray, IntArray, ReadReport

_ZEROS: Final = re.compile(rb"\x00+")
LONGEST_LINE: Final = 1 << 16
"""A line longer than this is not one of a log; it is dropped so that memory stays flat."""

SPARE_WORDS: Final = 96

_UTF16_MARKS: Final = {b"\xff\xfe": "utf-16-le", b"\xfe\xff": "utf-16-be"}
UTF8_MARK: Final = b"\xef\xbb\xbf"
_SMALLEST_SAMPLE: Final = 32  # bytes; own choice
_SURELY_UTF16: Final = 0.9  # share of zero bytes at every other place; own choice


class Lines(NamedTuple):
    """A run of whole lines.

    Attributes
    ----------
    text : bytes
        The lines, each with its line feed.
    number : int
        Number of the first line in the file, from 1.
    cut : bool
        Whether this is the file's last line, and has no end.
    """

    text: bytes
    number: int
    cut: bool = False

    def split(self) -> list[str]:
        """Return the lines as text."""
        return self.text.decode("latin-1").split("\n")[:-1]


class Table(NamedTuple):
    """The lines of a text in an array, and the words in them.

    Attributes
    ----------
    buffer : array of uint8
        Padded text.
    line_start, line_end : array of int64, shape (n,)
        Where each line begins and ends (without its line end).
    """

    buffer: ByteArray
    line_start: IntArray
    line_end: IntArray

    def line(self, row: int) -> str:
        """Return one line as text."""
        part = self.buffer[self.line_start[row] : self.line_end[row]]
        return part.tobytes().decode("latin-1")


class BadLines:
    """Counts lines that are not of the format, and reports each run of them once."""

    def __init__(self, report: ReadReport, what: str) -> None:
        self._report = report
        self._what = what
        self._first = self._last = self._count = 0

    def add(self, number: int) -> None:
        """Take note of a bad line; numbers must not fall."""
        if self._count and number > self._last + 1:
            self.close()
        if not self._count:
            self._first = number
        self._last = number
        self._count += 1
        self._report.cut |= number == self._report.open_line

    def close(self) -> None:
        """Report the run that is open."""
        if not self._count:
            return
        several = self._count > 1
        where = f"lines {self._first} to {self._last}" if several else f"line {self._first}"
        what = f"{self._what}; skipped {self._count} line{'s' if several else ''}"
        self._report.add_problem(where, what, skipped=self._count)
        self._count = 0


def plain_head(head: bytes) -> str:
    """Return the beginning of a file as text, for recognising its format."""
    name = encoding_of(head)
    if name:
        return head.decode(name, errors="replace").lstrip("\ufeff")
    return head.removeprefix(UTF8_MARK).decode("latin-1")


class ZeroBytes:
    """Takes runs of zero bytes out of a text, blocks of a card that were never written.

    A line feed stands for each run, so that what is left of a torn line is no other frame.
    They are counted and told; those at the end of a file cost nothing.
    """

    def __init__(self, report: ReadReport) -> None:
        self._report = report
        self._seen = 0
        self._first = -1
        self._within = 0
        self._at_end = 0
        self._told: Problem | None = None

    def taken_out(self, piece: bytes) -> bytes:
        """Return the next bytes of the file without zero bytes."""
        if b"\0" not in piece:
            self.pass_over(len(piece))
            return piece
        if self._first < 0:
            self._first = self._seen + piece.index(0)
        self._seen += len(piece)
        text = len(piece.rstrip(b"\0 \r\n"))
        if text:
            self._tell(self._at_end + piece.count(0, 0, text))
        self._at_end += piece.count(0, text)
        return _ZEROS.sub(b"\n", piece)

    def pass_over(self, size: int) -> None:
        """Take note of bytes that hold no zero byte."""
        self._seen += size
        self._tell(self._at_end)

    def close(self) -> None:
        """Report those behind the text."""
        if self._at_end:
            self._report.add_problem("end of file", f"{self._at_end} zero bytes behind the text")

    def _tell(self, more: int) -> None:
        """Report zero bytes that stand before text; the place is told once, with their number."""
        self._at_end = 0
        if not more:
            return
        self._within += more
        what = f"{self._within} zero bytes stand in the text; what was there is lost"
        problem = Problem(f"from byte {self._first}", what, grave=True)
        if self._told in self._report.problems:
            self._report.problems[self._report.problems.index(self._told)] = problem
        else:
            self._report.add_problem(*problem[:2], grave=True)
        self._told = problem


def head_lines(head: bytes) -> list[str]:
    """Return the lines at the beginning of a file that are whole, blank ones left out."""
    text = plain_head(head).replace("\r\n", "\n").replace("\r", "\n").replace("\0", "\n")
    lines = text.split("\n")
    if len(lines) > 1:
        lines = lines[:-1]  # the last one may be cut
    return [line for line in lines if line.strip()]


def encoding_of(head: bytes) -> str:
    """Return the name of a two-byte encoding, or nothing where one byte is a character."""
    marked = _UTF16_MARKS.get(head[:2])
    if marked:
        return marked
    sample = head[: len(head) & ~1]
    if len(sample) < _SMALLEST_SAMPLE:
        return ""
    half = len(sample) // 2
    if sample[1::2].count(0) > _SURELY_UTF16 * half and sample[::2].count(0) == 0:
        return "utf-16-le"
    if sample[::2].count(0) > _SURELY_UTF16 * half and sample[1::2].count(0) == 0:
        return "utf-16-be"
    return ""


def read_lines(source: BinaryIO, report: ReadReport) -> Iterator[Lines]:
    """Yield the lines of a text file in blocks of about `BLOCK_BYTES`.

    Byte order marks and zero bytes are taken out, every kind of line end becomes a
    line feed, and the last line gets one.
    """
    rest, number = b"", 1
    zeros = ZeroBytes(report)
    for piece in _pieces(source, zeros):
        whole, feed, rest = (rest + piece).rpartition(b"\n")
        if feed:
            yield Lines(whole + feed, number)
            number += _line_feeds(whole) + 1
        if len(rest) > LONGEST_LINE:
            size = len(rest)
            report.add_problem(
                f"line {number}", f"dropped {size} bytes without a line end", skipped=1
            )
            rest = b""
    zeros.close()
    if rest.strip():
        report.open_line = number
        yield Lines(rest + b"\n", number, cut=True)


def _line_feeds(text: bytes) -> int:
    return int(np.count_nonzero(np.frombuffer(text, dtype=np.uint8) == ord("\n")))


def _pieces(source: BinaryIO, zeros: ZeroBytes) -> Iterator[bytes]:
    piece = source.read(BLOCK_BYTES)
    name = encoding_of(piece[:4096])
    decoder = codecs.getincrementaldecoder(name)(errors="replace") if name else None
    piece = piece if name else piece.removeprefix(UTF8_MARK)
    after_return = False
    while piece:
        if decoder is not None:
            piece = decoder.decode(piece).lstrip("\ufeff").encode("latin-1", errors="replace")
        piece = zeros.taken_out(piece)
        if after_return and piece.startswith(b"\n"):
            piece = piece[1:]  # the other half of a line end that the last piece began
        after_return = piece.endswith(b"\r")
        yield with_plain_ends(piece)
        piece = source.read(BLOCK_BYTES)


def with_plain_ends(piece: bytes) -> bytes:
    """Turn every kind of line end into a line feed."""
    if b"\r" in piece:
        piece = piece.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    return piece


def table_of(text: bytes) -> Table:
    """Lay whole lines out in an array."""
    buffer = padded(text)
    ends = np.flatnonzero(buffer[FRONT : FRONT + len(text)] == ord("\n")) + FRONT
    starts = np.empty_like(ends)
    if len(ends):
        starts[0] = FRONT
        starts[1:] = ends[:-1] + 1
    return Table(buffer, starts, ends)


class Words(NamedTuple):
    """Words of a text, separated by blanks.

    Attributes
    ----------
    start, end : array of int64, shape (m + SPARE_WORDS,)
        Where each word begins and ends. The last ones are empty, so that asking a short
        line for too many gives words of the next lines or empty ones.
    first : array of int64, shape (n,)
        The first word of each line.
    many : array of int64, shape (n,)
        How many words each line has.
    """

    start: IntArray
    end: IntArray
    first: IntArray
    many: IntArray


def words_of(table: Table) -> Words:
    """Find the words of every line."""
    dark = table.buffer > ord(" ")
    edge = np.flatnonzero(dark[1:] != dark[:-1]) + 1  # the padding is blank at both ends
    spare = np.full(SPARE_WORDS, len(table.buffer) - BACK, dtype=np.int64)
    start = np.concatenate((edge[::2], spare))
    end = np.concatenate((edge[1::2], spare))
    total = len(start) - SPARE_WORDS
    bounds = np.searchsorted(start[:total], table.line_start)
    many = np.diff(np.append(bounds, total))
    return Words(start, end, bounds, many)

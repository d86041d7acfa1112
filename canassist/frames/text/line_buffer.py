"""Whole lines of a text log, laid out in one array that is used again for every block."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING, BinaryIO, Final, NamedTuple, cast

import numpy as np

from canassist.frames.base import BLOCK_BYTES
from canassist.frames.text.digits import BACK, FRONT
from canassist.frames.text.text_lines import (
    LONGEST_LINE,
    UTF8_MARK,
    Table,
    ZeroBytes,
    encoding_of,
    read_lines,
    table_of,
    with_plain_ends,
)

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canassist.model import ReadReport

_LINE_FEED: Final = ord("\n")
_HEAD: Final = 4096


class NumberedTable(NamedTuple):
    """A run of whole lines; do not keep views of its buffer beyond the next one.

    Attributes
    ----------
    table : Table
    number : int
        Number of the first line in the file, from 1.
    cut_row : int or None
        Which line is the file's last and has no end: it may be cut short even where it
        looks like a whole frame.
    """

    table: Table
    number: int
    cut_row: int | None = None


def read_tables(source: BinaryIO, report: ReadReport) -> Iterator[NumberedTable]:
    """Yield the lines of a text file in blocks of about `BLOCK_BYTES`.

    Byte order marks and zero bytes are taken out, and every kind of line end becomes a
    line feed. A text of two-byte characters is read as well.
    """
    head = source.read(_HEAD)
    whole = cast("BinaryIO", _Continued(head, source))
    if not encoding_of(head):
        yield from _Buffered(whole, report).tables()
        return
    for lines in read_lines(whole, report):
        yield NumberedTable(table_of(lines.text), lines.number, 0 if lines.cut else None)


class _Continued(io.RawIOBase):
    """A file of which the beginning was read already."""

    def __init__(self, head: bytes, source: BinaryIO) -> None:
        super().__init__()
        self._head = head.removeprefix(UTF8_MARK)
        self._source = source
        self._into = getattr(source, "readinto", None)

    def readable(self) -> bool:
        return True

    def read(self, size: int = -1) -> bytes:
        if self._head:
            head, self._head = self._head, b""
            return head
        return self._source.read(size)

    def fill(self, view: memoryview) -> int:
        """Read into `view`; return how many bytes came."""
        if self._head or self._into is None:
            data = self.read(len(view))
            view[: len(data)] = data
            return len(data)
        return int(self._into(view) or 0)


class _Buffered:
    """Lines in a buffer that is filled again and again."""

    def __init__(self, source: BinaryIO, report: ReadReport) -> None:
        self._source = cast("_Continued", source)
        self._report = report
        self._zeros = ZeroBytes(report)
        self._raw = bytearray(b" ") * (FRONT + LONGEST_LINE + BLOCK_BYTES + BACK)
        self._array = np.frombuffer(self._raw, dtype=np.uint8)
        self._view = memoryview(self._raw)
        self._kept = 0
        self._number = 1

    def tables(self) -> Iterator[NumberedTable]:
        """Yield the lines block by block."""
        while True:
            begin = FRONT + self._kept
            got = self._source.fill(self._view[begin : begin + BLOCK_BYTES])
            if not got:
                break
            end = self._plain(begin, begin + got)
            table = self._table(end)
            if table is not None:
                yield NumberedTable(table, self._number)
                self._number += len(table.line_start)
            self._keep_rest(table, end)
        self._zeros.close()
        yield from self._last()

    def _plain(self, begin: int, end: int) -> int:
        """Make line ends plain and drop zero bytes; return the new end of the text."""
        raw = self._raw
        if raw.find(b"\0", begin, end) < 0:
            self._zeros.pass_over(end - begin)
        else:
            plain = self._zeros.taken_out(bytes(raw[begin:end]))
            end = begin + len(plain)
            raw[begin:end] = plain
        if raw.find(b"\r", FRONT, end) < 0:
            return end
        half = raw[end - 1 : end] == b"\r"  # its other half may come with the next bytes
        text = with_plain_ends(bytes(raw[FRONT : end - half])) + b"\r" * half
        raw[FRONT : FRONT + len(text)] = text
        return FRONT + len(text)

    def _table(self, end: int) -> Table | None:
        feeds = np.flatnonzero(self._array[FRONT:end] == _LINE_FEED)
        if not len(feeds):
            return None
        feeds += FRONT
        starts = np.empty_like(feeds)
        starts[0] = FRONT
        starts[1:] = feeds[:-1] + 1
        return Table(self._array, starts, feeds)

    def _keep_rest(self, table: Table | None, end: int) -> None:
        """Move the line that is not yet whole to the front."""
        last = FRONT if table is None else int(table.line_end[-1]) + 1
        self._kept = end - last
        if self._kept > LONGEST_LINE:
            what = f"dropped {self._kept} bytes without a line end"
            self._report.add_problem(f"line {self._number}", what, skipped=1)
            self._kept = 0
        elif last > FRONT:
            self._raw[FRONT : FRONT + self._kept] = self._raw[last:end]

    def _last(self) -> Iterator[NumberedTable]:
        """Yield the line at the end of the file that has no line end."""
        text = bytes(self._raw[FRONT : FRONT + self._kept])
        if not text.strip():
            return
        whole = text.endswith(b"\r")
        table = table_of(with_plain_ends(text.removesuffix(b"\r")) + b"\n")
        last = None if whole else len(table.line_start) - 1
        if last is not None:
            self._report.open_line = self._number + last
        yield NumberedTable(table, self._number, last)

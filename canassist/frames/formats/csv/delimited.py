"""CSV logs: python-can's with base64 data, and plain tables with a header line."""

from __future__ import annotations

from itertools import chain
from typing import TYPE_CHECKING, BinaryIO, Final, Protocol

import numpy as np

from canassist.frames.formats.csv.csv_base64 import Base64Lines, is_base64_table
from canassist.frames.formats.csv.csv_columns import (
    MOST_PREAMBLE_LINES,
    find_columns,
    missing_columns,
    split_cells,
)
from canassist.frames.formats.csv.csv_conventions import (
    SAMPLE_LINES,
    WALL_CLOCK_ZERO,
    learn_conventions,
)
from canassist.frames.formats.csv.csv_table import PlainLines
from canassist.frames.frame_rows import EARLIEST_UTC_NS, Frame, block_of_frames, merged
from canassist.frames.text.line_buffer import read_tables
from canassist.frames.text.text_lines import BadLines, Table, head_lines

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canassist.frames.base import ReadRequest
    from canassist.frames.frame_rows import Assembled
    from canassist.frames.text.line_buffer import NumberedTable
    from canassist.model import FrameBlock, ReadReport


_ENOUGH_TO_LEARN: Final = 1 << 16  # bytes


class _LineReader(Protocol):
    """Reads lines of one kind of table."""

    def read_at_once(self, table: Table) -> Assembled:
        """Read all lines of the usual shape; `failed` are the others."""

    def read_one(self, line: str) -> Frame:
        """Read one line; ValueError or IndexError where it is no frame."""

    def is_whole(self, line: str) -> bool:
        """Tell whether a line without an end can be told from one that is cut."""

    def is_header(self, line: str) -> bool:
        """Tell a repeated header, as in logs that were put together."""


class DelimitedReader:
    """Reads CSV logs of every kind."""

    name = "csv"
    endings = (".csv", ".tsv")
    needs_seek = False

    def matches(self, head: bytes) -> bool:
        """Tell by the header line."""
        lines = head_lines(head)
        return is_base64_table(lines[:5]) or find_columns(lines) is not None

    def read(
        self, source: BinaryIO, *, request: ReadRequest, report: ReadReport
    ) -> Iterator[FrameBlock]:
        """Yield the frames in file order, in blocks.

        Raises
        ------
        InputError
            If the header does not name the columns that are needed, or the unit of
            time cannot be told.
        """
        pieces = read_tables(source, report)
        begin = _beginning(pieces)
        if not begin:
            return
        bad = BadLines(report, "not a frame line")
        reader, headers = _reader_for(begin, request, report)
        for lines in chain(begin, pieces):
            block = _block(reader, lines, headers, bad, request, report)
            if len(block):
                report.epoch = _epoch(reader, block)
                yield block
        bad.close()


def _beginning(pieces: Iterator[NumberedTable]) -> list[NumberedTable]:
    """Take the first lines; a last one without its end comes on its own, and may matter."""
    first = next(pieces, None)
    if first is None:
        return []
    table = first.table
    if table.line_end[-1] >= _ENOUGH_TO_LEARN:
        return [first]
    kept = first._replace(table=table._replace(buffer=table.buffer.copy()))
    second = next(pieces, None)
    return [kept] if second is None else [kept, second]


def _lines(begin: list[NumberedTable], most: int) -> list[str]:
    return [
        one.table.line(row) for one in begin for row in range(min(len(one.table.line_start), most))
    ]


def _reader_for(
    begin: list[NumberedTable], request: ReadRequest, report: ReadReport
) -> tuple[_LineReader, int]:
    """Choose how to read a table; also give how many lines stand before its first frame."""
    top = _lines(begin, MOST_PREAMBLE_LINES)
    if is_base64_table([line for line in top if line.strip()][:5]):
        return Base64Lines(request, report), 0
    lines = _lines(begin, SAMPLE_LINES + MOST_PREAMBLE_LINES)
    found = find_columns(lines)
    if found is None:
        raise missing_columns(lines, report.name)
    columns, row = found
    cells = (split_cells(line, columns.separator) for line in lines[row + 1 : row + SAMPLE_LINES])
    rows = [cell for cell in cells if len(cell) > columns.last_needed and cell[columns.time]]
    conventions, assumed = learn_conventions(columns, rows, report.name)
    if not conventions.unit_ns and not conventions.zone_known:
        report.start_local = WALL_CLOCK_ZERO
    for text in assumed:
        report.add_problem("header", text)
    return PlainLines(columns, conventions, request, report), row + 1


def _epoch(reader: _LineReader, block: FrameBlock) -> str:
    """Numbers count from 1970 where they are that large; dates only with a zone."""
    if isinstance(reader, PlainLines) and not reader.conventions.unit_ns:
        return "utc" if reader.conventions.zone_known else "file"
    return "utc" if block.time_ns[0] >= EARLIEST_UTC_NS else "file"


def _block(  # noqa: PLR0913, PLR0917 - a reader's whole state
    reader: _LineReader,
    lines: NumberedTable,
    headers: int,
    bad: BadLines,
    request: ReadRequest,
    report: ReadReport,
) -> FrameBlock:
    table = lines.table
    if lines.cut_row is not None and not reader.is_whole(table.line(lines.cut_row)):
        bad.add(lines.number + lines.cut_row)
        table = Table(
            table.buffer, table.line_start[: lines.cut_row], table.line_end[: lines.cut_row]
        )
    done = reader.read_at_once(table)
    report.count_lines(len(table.line_start), len(done.failed))
    frames: list[Frame] = []
    at: list[int] = []
    for row in done.failed.tolist():
        text = table.line(row).strip(" \r")
        number = lines.number + row
        if not text or number <= headers or reader.is_header(text):
            continue
        try:
            frames.append(reader.read_one(text))
        except (ValueError, IndexError, OverflowError):
            bad.add(number)
        else:
            at.append(row)
    single, kept = block_of_frames(frames, request)
    return merged(done.block, done.line, single, np.array(at, dtype=np.int64)[kept])

"""Lines of a plain CSV log: many at a time, or one at a time for the odd ones."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from canassist.frames.formats.csv.csv_columns import find_columns, split_cells
from canassist.frames.formats.csv.csv_conventions import DECIMAL, WIDE_ID, byte_words
from canassist.frames.formats.csv.csv_single_line import OneLine
from canassist.frames.frame_rows import (
    CLASSIC_BYTES,
    FD_BYTES,
    FD_LENGTHS,
    HIGHEST_ID,
    HIGHEST_STANDARD_ID,
    Assembled,
    Candidates,
    assembled,
    hex_payload,
)
from canassist.frames.text.digits import (
    BACK,
    WORD,
    decimal_integers,
    decimal_ns,
    hex_integers,
    words,
)
from canassist.model import FrameFlag

if TYPE_CHECKING:
    from collections.abc import Callable

    from canassist.frames.base import ReadRequest
    from canassist.frames.formats.csv.csv_columns import Columns
    from canassist.frames.formats.csv.csv_conventions import CsvConventions
    from canassist.frames.text.digits import WordArray
    from canassist.frames.text.text_lines import Table
    from canassist.model import BoolArray, ByteArray, IntArray, ReadReport

_MOST_TRIMMED: Final = 12  # blanks or quotes before or behind a cell, for the fast way
_MOST_DISTINCT: Final = 64
_UNKNOWN: Final = -1
_QUOTE: Final = ord('"')
_QUOTES: Final = np.isin(np.arange(256), [ord(c) for c in " \t\"'"])


class _Cells(NamedTuple):
    """Cells of some lines: where the separators are."""

    buffer: ByteArray
    line_start: IntArray
    line_end: IntArray
    separator: IntArray
    first: IntArray

    def take(self, rows: IntArray) -> _Cells:
        return self._replace(
            line_start=self.line_start[rows], line_end=self.line_end[rows], first=self.first[rows]
        )

    def bounds(self, at: int) -> tuple[IntArray, IntArray]:
        """Return where cell `at` begins and ends, blanks and quotes left out."""
        start = self.line_start if at == 0 else self.separator[self.first + at - 1] + 1
        end = np.minimum(self.separator[self.first + at], self.line_end)
        return self._trimmed(start, end)

    def _trimmed(self, start: IntArray, end: IntArray) -> tuple[IntArray, IntArray]:
        for _ in range(_MOST_TRIMMED):
            blank = _QUOTES[self.buffer[start]] & (start < end)
            if not blank.any():
                break
            start = start + blank
        for _ in range(_MOST_TRIMMED):
            blank = _QUOTES[self.buffer[end - 1]] & (start < end)
            if not blank.any():
                break
            end = end - blank
        return start, end


class PlainLines:
    """Reads the lines of one file.

    Parameters
    ----------
    columns : Columns
    habits : CsvConventions
    request : ReadRequest
    report : ReadReport
    """

    def __init__(
        self,
        columns: Columns,
        conventions: CsvConventions,
        request: ReadRequest,
        report: ReadReport,
    ) -> None:
        self.columns = columns
        self.conventions = conventions
        self.request = request
        self.one = OneLine(columns, conventions, report)
        self.read_one = self.one.read
        self.stride = 0  # characters from one byte to the next, learned from the first line
        self.lead = 0  # characters before the digits of a byte

    def read_at_once(self, table: Table) -> Assembled:
        """Read all lines of the usual shape; `failed` are the others."""
        cells, rows = self._split(table)
        cells = cells.take(rows)
        can_id, extended, fine = self._identifiers(cells)
        flags, fine_flags = self._flags(cells)
        if "extended" not in self.columns.other:
            flags |= np.where(extended, np.uint8(FrameFlag.EXTENDED), np.uint8(0))
        fine &= fine_flags & (can_id <= _highest(flags))
        length, data_start, fine_data = self._lengths(cells, flags)
        fine &= fine_data
        good = np.flatnonzero(fine)
        bus, fine_bus = self._buses(cells.take(good))
        good, bus = good[fine_bus], bus[fine_bus]
        flags[length > CLASSIC_BYTES] |= np.uint8(FrameFlag.FD)
        flags[(flags & FrameFlag.ERROR) != 0] &= np.uint8(FrameFlag.ERROR | FrameFlag.SENT)
        frames = Candidates(
            rows[good], bus, can_id[good].astype(np.uint32), flags[good], length[good]
        )

        def times(chosen: IntArray) -> tuple[IntArray, BoolArray]:
            return self._times(cells.take(good[chosen]))

        def payloads(chosen: IntArray) -> tuple[ByteArray, BoolArray]:
            some = good[chosen]
            return self._payload(cells.take(some), data_start[some], length[some])

        done = assembled(frames, self.request, times, payloads)
        handled = np.zeros(len(table.line_start), dtype=np.bool_)
        handled[rows[good]] = True
        handled[done.failed] = False
        return done._replace(failed=np.flatnonzero(~handled))

    def is_whole(self, line: str) -> bool:
        """Tell whether a line without an end may be taken.

        One that is cut within its data may look whole where nothing says how long that is.
        """
        columns = self.columns
        cell = split_cells(line, columns.separator)
        try:
            length = self.one.read(line).length
        except (ValueError, IndexError):
            return True  # no frame anyhow
        used = columns.data[: max(length, 1)][-1]
        if used < len(cell) - 1 or not length:
            return True  # the separator behind it is there
        if len(columns.data) > 1 and (
            self.conventions.data_base == DECIMAL or len(cell[used]) % len("FF")
        ):
            return False  # it may lack a digit
        if self.conventions.short_bytes and len(byte_words(cell[used])[-1]) == 1:
            return False
        return "length" in columns.other or length == CLASSIC_BYTES

    def is_header(self, line: str) -> bool:
        """Tell a repeated header, as in logs that were put together."""
        found = find_columns([line])
        return found is not None and found[0] == self.columns

    def _split(self, table: Table) -> tuple[_Cells, IntArray]:
        """Find the separators, and the lines with enough of them."""
        sign = ord(self.columns.separator)
        found = np.flatnonzero(table.buffer == sign)
        first = np.searchsorted(found, table.line_start)
        many = np.searchsorted(found, table.line_end) - first
        spare = np.full(FD_BYTES + self.columns.last_needed + 2, len(table.buffer) - BACK)
        cells = _Cells(
            table.buffer, table.line_start, table.line_end, np.concatenate((found, spare)), first
        )
        usual = (many >= self.columns.last_needed) & (many <= max(self._all_cells()))
        usual &= ~_with_quoted(table, found, first, many)
        if self.conventions.unit_ns == 0:  # dates are read one at a time
            usual[:] = False
        return cells, np.flatnonzero(usual)

    def _all_cells(self) -> list[int]:
        columns = self.columns
        return [columns.last_needed + FD_BYTES, *columns.data]

    def _identifiers(self, cells: _Cells) -> tuple[IntArray, BoolArray, BoolArray]:
        start, end = cells.bounds(self.columns.can_id)
        prefixed = (cells.buffer[start] == ord("0")) & (
            (cells.buffer[start + 1] | 0x20) == ord("x")
        )
        start = start + 2 * prefixed
        if self.conventions.id_base == DECIMAL:
            can_id, fine = decimal_integers(cells.buffer, start, end)
            fine &= ~prefixed
            return can_id, can_id > HIGHEST_STANDARD_ID, fine
        can_id, fine = hex_integers(cells.buffer, start, end)
        extended = can_id > HIGHEST_STANDARD_ID
        if self.conventions.wide_is_extended:
            extended |= end - start == WIDE_ID
        return can_id, extended, fine

    def _flags(self, cells: _Cells) -> tuple[ByteArray, BoolArray]:
        flags = np.zeros(len(cells.first), dtype=np.uint8)
        fine = np.ones(len(cells.first), dtype=np.bool_)
        for at, read in self.one.flag_readers:
            value = _translated(cells, at, read)
            fine &= value >= 0
            flags |= np.where(value >= 0, value, 0).astype(np.uint8)
        return flags, fine

    def _buses(self, cells: _Cells) -> tuple[ByteArray, BoolArray]:
        at = self.columns.other.get("bus")
        if at is None:
            only = np.full(len(cells.first), self.one.bus(""), dtype=np.uint8)
            return only, np.ones(len(cells.first), dtype=np.bool_)
        value = _translated(cells, at, self._bus_or_none)
        return np.where(value >= 0, value, 0).astype(np.uint8), value >= 0

    def _bus_or_none(self, text: str) -> int | None:
        try:
            return self.one.bus(text)
        except ValueError:
            return None

    def _lengths(self, cells: _Cells, flags: ByteArray) -> tuple[ByteArray, IntArray, BoolArray]:
        """Find the data length, and where the data text begins."""
        given, fine = self._given_lengths(cells, flags)
        remote = (flags & FrameFlag.REMOTE) != 0
        if len(self.columns.data) > 1:
            length, start, fine_data = self._byte_cells(cells, given)
        else:
            length, start, fine_data = self._data_cell(cells, given)
        length = np.where(remote, np.maximum(given, 0), length)
        fine &= (fine_data | remote) & (length >= 0) & (length <= FD_BYTES)
        length = np.where(fine, length, 0)
        fine &= np.isin(length, FD_LENGTHS)
        return length.astype(np.uint8), start, fine

    def _given_lengths(self, cells: _Cells, flags: ByteArray) -> tuple[IntArray, BoolArray]:
        at = self.columns.other.get("length")
        if at is None:
            nothing = np.full(len(cells.first), _UNKNOWN, dtype=np.int64)
            return nothing, np.ones(len(cells.first), dtype=np.bool_)
        return decimal_integers(cells.buffer, *cells.bounds(at))

    def _byte_cells(self, cells: _Cells, given: IntArray) -> tuple[IntArray, IntArray, BoolArray]:
        """Count the filled cells, one a byte."""
        count = np.zeros(len(given), dtype=np.int64)
        going = np.ones(len(given), dtype=np.bool_)
        many = np.searchsorted(cells.separator, cells.line_end) - cells.first
        for at in self.columns.data:
            start, end = cells.bounds(at)
            going &= (at <= many) & (end > start)
            count += going
        length = np.where(given >= 0, given, count)
        return length, cells.line_start, count >= np.minimum(length, len(self.columns.data))

    def _data_cell(self, cells: _Cells, given: IntArray) -> tuple[IntArray, IntArray, BoolArray]:
        start, end = cells.bounds(self.columns.data[0])
        if not self.stride:
            self._learn_stride(cells.buffer, start, end)
        if not self.stride:
            return given, start, (end == start) & (given <= 0)
        text = end - start
        many, over = np.divmod(text + (self.stride - self.lead - 2), self.stride)
        many = np.where(text > 0, many, 0)
        fine = (over == 0) | (text == 0)
        length = np.where(given >= 0, given, many)
        return length, start, fine & (many >= length)

    def _learn_stride(self, buffer: ByteArray, start: IntArray, end: IntArray) -> None:
        longest = int(np.argmax(end - start)) if len(start) else 0
        text = buffer[start[longest] : end[longest]].tobytes() if len(start) else b""
        for lead, gap in ((0, 0), (0, 1), (2, 1), (2, 0)):
            pair = rb"(0[xX])" if lead else b""
            pattern = pair + rb"[0-9a-fA-F]{2}"
            between = rb"[ .:_-]" if gap else b""
            if text and re.fullmatch(pattern + b"(" + between + pattern + b")*", text):
                self.lead, self.stride = lead, lead + 2 + gap
                return

    def _times(self, cells: _Cells) -> tuple[IntArray, BoolArray]:
        start, end = cells.bounds(self.columns.time)
        points = np.flatnonzero(cells.buffer == ord(self.conventions.point))
        points = np.append(points, len(cells.buffer))
        point = np.minimum(points[np.searchsorted(points, start)], end)
        return decimal_ns(cells.buffer, start, point, end, unit_ns=self.conventions.unit_ns or 1)

    def _payload(
        self, cells: _Cells, start: IntArray, length: ByteArray
    ) -> tuple[ByteArray, BoolArray]:
        if len(self.columns.data) == 1:
            if not self.stride or self.stride > WORD:
                return np.zeros((len(start), CLASSIC_BYTES), dtype=np.uint8), length == 0
            return hex_payload(cells.buffer, start + self.lead, length, stride=self.stride)
        width = FD_BYTES if int(length.max(initial=0)) > CLASSIC_BYTES else CLASSIC_BYTES
        payload = np.zeros((len(start), width), dtype=np.uint8)
        fine = np.ones(len(start), dtype=np.bool_)
        for place, at in enumerate(self.columns.data[:width]):
            value, fine_value = self._byte(cells, at)
            within = place < length
            payload[:, place] = np.where(within & fine_value, value, 0)
            fine &= fine_value | ~within
        return payload, fine & (length <= len(self.columns.data))

    def _byte(self, cells: _Cells, at: int) -> tuple[IntArray, BoolArray]:
        start, end = cells.bounds(at)
        if self.conventions.data_base == DECIMAL:
            value, fine = decimal_integers(cells.buffer, start, end)
        else:
            prefixed = (cells.buffer[start + 1] | 0x20) == ord("x")
            value, fine = hex_integers(cells.buffer, start + 2 * prefixed, end)
        return value, fine & (value <= 0xFF)  # noqa: PLR2004 - one byte


def _with_quoted(table: Table, separator: IntArray, first: IntArray, many: IntArray) -> BoolArray:
    """Tell which lines hold a separator inside quotes, where it parts nothing."""
    quotes = np.flatnonzero(table.buffer == _QUOTE)
    if not len(quotes):
        return np.zeros(len(first), dtype=np.bool_)
    line = np.repeat(np.arange(len(first)), many)
    within = np.arange(len(line)) - np.repeat(np.cumsum(many) - many, many)
    at = separator[np.repeat(first, many) + within]
    before = np.searchsorted(quotes, at) - np.searchsorted(quotes, table.line_start)[line]
    inside: BoolArray = np.bincount(line[before % 2 == 1], minlength=len(first)) > 0
    return inside


def _highest(flags: ByteArray) -> IntArray:
    wide = (flags & (FrameFlag.EXTENDED | FrameFlag.ERROR)) != 0
    highest: IntArray = np.where(wide, HIGHEST_ID, HIGHEST_STANDARD_ID)
    return highest


def _translated(cells: _Cells, at: int, read: Callable[[str], int | None]) -> IntArray:
    """Read a cell that holds one of few words; `_UNKNOWN` where it is not understood."""
    start, end = cells.bounds(at)
    size = end - start
    head, tail = _key_words(cells.buffer, start, end)
    value = np.full(len(start), _UNKNOWN, dtype=np.int64)
    left = np.flatnonzero(size <= 2 * WORD)
    for _ in range(_MOST_DISTINCT):
        if not len(left):
            break
        one = left[0]
        same = (head[left] == head[one]) & (tail[left] == tail[one]) & (size[left] == size[one])
        text = cells.buffer[start[one] : end[one]].tobytes().decode("latin-1")
        meant = read(text)
        value[left[same]] = _UNKNOWN if meant is None else meant
        left = left[~same]
    return value


def _key_words(buffer: ByteArray, start: IntArray, end: IntArray) -> tuple[WordArray, WordArray]:
    """Return the first and the last eight characters of a cell, others blanked out."""
    size = np.minimum(end - start, WORD)
    shift = (8 * (WORD - size)).astype(np.uint64)
    empty = size == 0
    head = np.where(empty, np.uint64(0), words(buffer, start) << (shift & np.uint64(63)))
    tail = np.where(empty, np.uint64(0), words(buffer, end - WORD) >> (shift & np.uint64(63)))
    return head, tail

"""One line of a plain CSV log, the slow and plain way."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

from canassist.frames.formats.csv.csv_columns import split_cells
from canassist.frames.formats.csv.csv_conventions import WIDE_ID, byte_words, clock_ns
from canassist.frames.formats.csv.csv_flags import flag_readers
from canassist.frames.frame_rows import (
    CLASSIC_BYTES,
    FD_LENGTHS,
    HIGHEST_ID,
    HIGHEST_STANDARD_ID,
    UNNAMED_BUS,
    Frame,
    bus_index,
)
from canassist.frames.text.digits import time_text_ns
from canassist.model import FrameFlag

if TYPE_CHECKING:
    from canassist.frames.formats.csv.csv_columns import Columns
    from canassist.frames.formats.csv.csv_conventions import CsvConventions
    from canassist.model import ReadReport

_BYTE: Final = re.compile(r"0[xX]([0-9a-fA-F]{1,2})|([0-9a-fA-F]{2})")


class OneLine:
    """Reads single lines of one file.

    Parameters
    ----------
    columns : Columns
    habits : CsvConventions
    report : ReadReport
    """

    def __init__(self, columns: Columns, conventions: CsvConventions, report: ReadReport) -> None:
        self.columns = columns
        self.conventions = conventions
        self.report = report
        self.flag_readers = flag_readers(columns)

    def bus(self, text: str) -> int:
        """Return the index of a bus by the text of its cell.

        Raises
        ------
        ValueError
            If the log names too many.
        """
        return bus_index(self.report, text or UNNAMED_BUS)

    def read(self, line: str) -> Frame:
        """Read one line.

        Raises
        ------
        ValueError, IndexError
            If it is not a frame.
        """
        cell = split_cells(line, self.columns.separator)
        flags = self._flags(cell)
        can_id, extended = self._identifier(cell[self.columns.can_id])
        if "extended" not in self.columns.other and extended:
            flags |= FrameFlag.EXTENDED
        wide = flags & (FrameFlag.EXTENDED | FrameFlag.ERROR)
        if can_id > (HIGHEST_ID if wide else HIGHEST_STANDARD_ID):
            raise ValueError(can_id)
        length, data = self._data(cell, remote=bool(flags & FrameFlag.REMOTE))
        flags |= FrameFlag.FD if length > CLASSIC_BYTES else 0
        if flags & FrameFlag.ERROR:
            flags &= FrameFlag.ERROR | FrameFlag.SENT
        bus = self.bus(cell[self.columns.other["bus"]] if "bus" in self.columns.other else "")
        return Frame(self._time(cell), bus, can_id, flags, length, data)

    def _flags(self, cell: list[str]) -> int:
        flags = 0
        for at, read in self.flag_readers:
            value = read(cell[at])
            if value is None:
                raise ValueError(cell[at])
            flags |= value
        return flags

    def _data(self, cell: list[str], *, remote: bool) -> tuple[int, bytes]:
        data = self._payload(cell)
        given = self.columns.other.get("length")
        length = len(data) if given is None else int(cell[given])
        if length not in FD_LENGTHS or (len(data) < length and not remote):
            raise ValueError(length)
        return length, b"" if remote else data[:length]

    def _time(self, cell: list[str]) -> int:
        text = cell[self.columns.time]
        if self.conventions.unit_ns:
            time_ns = time_text_ns(text, unit_ns=self.conventions.unit_ns)
        else:
            day = self.columns.other.get("date")
            both = (cell[day] if day is not None else "", text)
            read = clock_ns(*both, month_first=self.conventions.month_first)
            time_ns = read[0] if read else None
        if time_ns is None:
            raise ValueError(text)
        return time_ns

    def _identifier(self, text: str) -> tuple[int, bool]:
        low = text.lower()
        marked = low.endswith("x")
        digits = low.removesuffix("x").removesuffix("h").removeprefix("0x")
        can_id = int(digits, self.conventions.id_base)
        if can_id < 0:
            raise ValueError(text)
        wide = self.conventions.wide_is_extended and len(digits) == WIDE_ID
        return can_id, marked or wide or can_id > HIGHEST_STANDARD_ID

    def _payload(self, cell: list[str]) -> bytes:
        columns = self.columns
        if len(columns.data) > 1:
            texts = [cell[at] for at in columns.data if at < len(cell) and cell[at]]
            return bytes(int(text, self.conventions.data_base) for text in texts)
        text = cell[columns.data[0]]
        if self.conventions.short_bytes and text:
            return bytes(int(word, 16) for word in byte_words(text))
        found = _BYTE.findall(text)
        if re.sub(r"[\s.,:;_\[\]{}-]", "", _BYTE.sub("", text)):
            raise ValueError(text)
        return bytes(int(prefixed or plain, 16) for prefixed, plain in found)

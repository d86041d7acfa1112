"""Frame lines of a TRC trace: many at a time, or one at a time for the odd ones."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.frames.frame_rows import (
    CLASSIC_BYTES,
    FD_LENGTHS,
    HIGHEST_ID,
    HIGHEST_STANDARD_ID,
    MOST_BUSES,
    Assembled,
    Candidates,
    Frame,
    assembled,
    bus_index,
    hex_payload,
)
from canassist.frames.text.digits import (
    decimal_integers,
    decimal_ns,
    hex_integers,
    time_text_ns,
    words,
)
from canassist.model import FrameFlag

if TYPE_CHECKING:
    from canassist.frames.base import ReadRequest
    from canassist.frames.text.text_lines import Table, Words
    from canassist.model import BoolArray, ByteArray, IntArray, ReadReport

_MS_NS: Final = 1_000_000
_BYTE_TEXT: Final = 3  # two digits and a blank
_STANDARD_DIGITS: Final = 4  # identifiers are written with 4 digits, 29-bit ones with 8
_UNKNOWN: Final = 0xFF
_ONLY_BUS: Final = 1

_FD: Final = FrameFlag.FD
_KINDS: Final = {
    "DT": FrameFlag(0),
    "RR": FrameFlag.REMOTE,
    "FD": _FD,
    "FB": _FD | FrameFlag.BIT_RATE_SWITCH,
    "FE": _FD | FrameFlag.BIT_RATE_SWITCH | FrameFlag.ERROR_STATE,
    "BI": _FD | FrameFlag.ERROR_STATE,
}
_DIRECTIONS: Final = {"Rx": FrameFlag(0), "Tx": FrameFlag.SENT}
_NO_FRAME: Final = {"EV", "EC"}  # a note of the user, a change of an error counter

# Status bits of a recorder's "hardware status" line, and what they mean in the terms of
# linux/can/error.h: class bits, and bits of the second detail byte. From memory.
_OVERRUN: Final = 0x02 | 0x40
_STATUS: Final = (
    (_OVERRUN, 0x004, 0x01),
    (0x04, 0x004, 0x0C),
    (0x08, 0x004, 0x30),
    (0x10, 0x040, 0x00),
)
_CONTROLLER: Final = 0x004
_BACK_TO_ACTIVE: Final = 0x40
_BUS_ERROR: Final = 0x080 | 0x008  # bus error, protocol violation
_COUNTERS: Final = 0x200
_NAMED_ERRORS: Final = 0x07  # bit, form, stuff: the same bits in both
_PLACE: Final = 0x1F  # of the error in the frame: low bits of the controller's code


@dataclass(frozen=True, slots=True)
class TrcLayout:
    """Which word of a line is what; None where the version has no such column."""

    time: int
    kind: int | None
    bus: int | None
    can_id: int
    direction: int | None
    length: int
    data: int
    new: bool = False
    """Version 2: two letters say what a line is."""
    length_is_code: bool = False


def _pairs(texts: dict[str, FrameFlag]) -> tuple[IntArray, ByteArray]:
    """Look-up by two letters: as numbers, ascending, and the flags."""
    number = {int.from_bytes(text.encode(), "little"): flags for text, flags in texts.items()}
    keys = sorted(number)
    return np.array(keys, dtype=np.int64), np.array([number[k] for k in keys], dtype=np.uint8)


_KIND_PAIRS: Final = _pairs(_KINDS)
_DIRECTION_PAIRS: Final = _pairs(_DIRECTIONS)
_RTR: Final = int.from_bytes(b"RTR", "little")


class _Cells:
    """The words of some lines by column."""

    def __init__(self, table: Table, word: Words, lines: IntArray) -> None:
        self.buffer = table.buffer
        self.word = word
        self.at = word.first[lines]
        self.many = word.many[lines]

    def start(self, column: int) -> IntArray:
        return self.word.start[self.at + column]

    def end(self, column: int) -> IntArray:
        return self.word.end[self.at + column]

    def flags(self, column: int, look_up: tuple[IntArray, ByteArray]) -> ByteArray:
        """Look up two-letter words; `_UNKNOWN` where a word is none of them."""
        start = self.start(column)
        pair = (words(self.buffer, start) & np.uint64(0xFFFF)).astype(np.int64)
        keys, flags = look_up
        place = np.minimum(np.searchsorted(keys, pair), len(keys) - 1)
        known = (keys[place] == pair) & (self.end(column) - start == 2)  # noqa: PLR2004 - letters
        return np.where(known, flags[place], _UNKNOWN).astype(np.uint8)


def read_lines_at_once(  # noqa: PLR0913, PLR0917 - a reader's whole state
    table: Table,
    word: Words,
    lines: IntArray,
    layout: TrcLayout,
    request: ReadRequest,
    report: ReadReport,
) -> Assembled:
    """Read all lines that are ordinary frames.

    Parameters
    ----------
    lines : array of int64
        Which lines to read.

    Returns
    -------
    Assembled
        Lines that it neither holds nor names as failed are not wanted; `failed` are to
        be read one at a time.
    """
    ordinary = word.many[lines] >= layout.data
    odd, lines = lines[~ordinary], lines[ordinary]
    cells = _Cells(table, word, lines)
    flags, fine = _flags(cells, layout)
    can_id, fine_id = hex_integers(
        cells.buffer, cells.start(layout.can_id), cells.end(layout.can_id)
    )
    extended = cells.end(layout.can_id) - cells.start(layout.can_id) > _STANDARD_DIGITS
    fine &= fine_id & (can_id <= np.where(extended, HIGHEST_ID, HIGHEST_STANDARD_ID))
    flags |= extended.astype(np.uint8) * np.uint8(FrameFlag.EXTENDED)
    length, fine_length = _lengths(cells, layout, flags)
    fine &= fine_length & _data_fits(cells, layout, flags, length)
    number, fine_bus = _bus_numbers(cells, layout)
    rows = np.flatnonzero(fine & fine_bus)
    bus = _bus_column(number[rows], report)
    frames = Candidates(lines[rows], bus, can_id[rows].astype(np.uint32), flags[rows], length[rows])
    dots = np.flatnonzero(cells.buffer == ord("."))

    def times(chosen: IntArray) -> tuple[IntArray, BoolArray]:
        start, end = cells.start(layout.time)[rows[chosen]], cells.end(layout.time)[rows[chosen]]
        dot = np.append(dots, len(cells.buffer))[np.searchsorted(dots, start)]
        return decimal_ns(cells.buffer, start, np.minimum(dot, end), end, unit_ns=_MS_NS)

    def payloads(chosen: IntArray) -> tuple[ByteArray, BoolArray]:
        start = cells.start(layout.data)[rows[chosen]]
        return hex_payload(cells.buffer, start, frames.length[chosen], stride=_BYTE_TEXT)

    done = assembled(frames, request, times, payloads)
    failed = np.concatenate((odd, lines[~(fine & fine_bus)], done.failed))
    return done._replace(failed=np.sort(failed))


def _flags(cells: _Cells, layout: TrcLayout) -> tuple[ByteArray, BoolArray]:
    flags = np.zeros(len(cells.at), dtype=np.uint8)
    fine = np.ones(len(cells.at), dtype=np.bool_)
    if layout.direction is not None:
        flags = cells.flags(layout.direction, _DIRECTION_PAIRS)
        fine &= flags != _UNKNOWN
    if layout.new and layout.kind is not None:
        kind = cells.flags(layout.kind, _KIND_PAIRS)
        fine &= kind != _UNKNOWN
        return flags | kind, fine
    mark = words(cells.buffer, cells.start(layout.data)) & np.uint64(0xFF_FFFF)
    remote = (mark == np.uint64(_RTR)) & (cells.many == layout.data + 1)
    return flags | (remote.astype(np.uint8) * np.uint8(FrameFlag.REMOTE)), fine


def _lengths(cells: _Cells, layout: TrcLayout, flags: ByteArray) -> tuple[ByteArray, BoolArray]:
    value, fine = decimal_integers(
        cells.buffer, cells.start(layout.length), cells.end(layout.length)
    )
    is_fd = (flags & FrameFlag.FD) != 0
    value = np.where(fine, value, 0)
    if layout.length_is_code or not layout.new:
        fine &= value < len(FD_LENGTHS)
        in_bytes = FD_LENGTHS[np.minimum(value, len(FD_LENGTHS) - 1)].astype(np.int64)
        value = np.where(is_fd, in_bytes, np.minimum(value, CLASSIC_BYTES))
    else:
        fine &= np.where(is_fd, np.isin(value, FD_LENGTHS), value <= CLASSIC_BYTES)
    return np.where(fine, value, 0).astype(np.uint8), fine


def _data_fits(cells: _Cells, layout: TrcLayout, flags: ByteArray, length: ByteArray) -> BoolArray:
    """Tell whether as many byte words follow as the length says, one blank apart."""
    is_remote = (flags & FrameFlag.REMOTE) != 0
    many = length.astype(np.int64)
    last = np.maximum(layout.data + many - 1, layout.data)
    start = cells.start(layout.data)
    fits: BoolArray = cells.word.end[cells.at + last] - start == _BYTE_TEXT * many - 1
    fits = (fits & (cells.many == layout.data + many)) | ((many == 0) & (cells.many == layout.data))
    fits |= is_remote
    return fits


def _bus_numbers(cells: _Cells, layout: TrcLayout) -> tuple[IntArray, BoolArray]:
    if layout.bus is None:
        many = len(cells.at)
        return np.full(many, _ONLY_BUS, dtype=np.int64), np.ones(many, dtype=np.bool_)
    number, fine = decimal_integers(cells.buffer, cells.start(layout.bus), cells.end(layout.bus))
    return number, fine & (number >= 0) & (number < MOST_BUSES)


def _bus_column(number: IntArray, report: ReadReport) -> ByteArray:
    """Turn bus numbers into indexes of the report's buses, in order of appearance."""
    index = np.zeros(MOST_BUSES, dtype=np.uint8)
    for one in dict.fromkeys(number.tolist()):
        index[one] = bus_index(report, str(one))
    return index[number]


class LineReader:
    """Reads one line at a time, the slow and plain way: errors, status, damage."""

    def __init__(self, report: ReadReport) -> None:
        self.report = report
        self.troubled = False

    def read(self, text: str, layout: TrcLayout) -> Frame | None:
        """Read one line.

        Returns
        -------
        Frame or None
            None for a line that is whole and holds no frame.

        Raises
        ------
        ValueError
            If the line is damaged.
        """
        word = text.split()
        kind = _kind(word, layout)
        if kind in _NO_FRAME:
            return None
        time_ns = time_text_ns(word[layout.time], unit_ns=_MS_NS)
        if time_ns is None:
            msg = "no time"
            raise ValueError(msg)
        number = _ONLY_BUS if layout.bus is None else int(word[layout.bus])
        bus = bus_index(self.report, str(number))
        if kind in {"ST", "Warng"}:
            return self._status(time_ns, bus, word, layout)
        if kind in {"ER", "Error"}:
            return _error(time_ns, bus, word, layout)
        return _frame(time_ns, bus, word, kind, layout)

    def _status(self, time_ns: int, bus: int, word: list[str], layout: TrcLayout) -> Frame | None:
        status = int("".join(_data_words(word, layout))[:8] or "0", 16)
        if status & _OVERRUN:
            self.report.recorder_losses_ns.append(time_ns)
        classes = detail = 0
        for bits, class_bit, detail_bit in _STATUS:
            if status & bits:
                classes, detail = classes | class_bit, detail | detail_bit
        if not classes:
            if not self.troubled:
                return None
            classes, detail = _CONTROLLER, _BACK_TO_ACTIVE
        self.troubled = bool(status)
        data = bytes([0, detail, 0, 0, 0, 0, 0, 0])
        return Frame(time_ns, bus, classes, FrameFlag.ERROR, CLASSIC_BYTES, data)


def _kind(word: list[str], layout: TrcLayout) -> str:
    if layout.kind is not None:
        return word[layout.kind]
    if word[layout.can_id] == "FFFFFFFF":
        return "Warng"
    return "Error" if word[layout.data : layout.data + 1] == ["ERROR"] else "Rx"


def _data_words(word: list[str], layout: TrcLayout) -> list[str]:
    """Return the words at the end of a line that are bytes."""
    first = layout.data - 3 if layout.new else layout.data  # status lines leave columns out
    tail = word[first:]
    while tail and not (len(tail[-1]) == 2 and _is_hex(tail[-1])):  # noqa: PLR2004 - digits
        tail.pop()
    bytes_at_end: list[str] = []
    while tail and len(tail[-1]) == 2 and _is_hex(tail[-1]):  # noqa: PLR2004 - digits
        bytes_at_end.insert(0, tail.pop())
    return bytes_at_end


def _is_hex(text: str) -> bool:
    return bool(text) and all(letter in "0123456789abcdefABCDEF" for letter in text)


def _error(time_ns: int, bus: int, word: list[str], layout: TrcLayout) -> Frame:
    """Bytes: direction, place in the frame, receive and transmit error counter.

    The kind of error stands where the identifier would; in version 2 it leads the bytes.
    """
    byte = [int(one, 16) for one in _data_words(word, layout)]
    what = word[layout.can_id]
    protocol = int(what, 16) & _NAMED_ERRORS if _is_hex(what) else 0
    if layout.new:
        protocol, byte = (byte[0] if byte else 0) & _NAMED_ERRORS, byte[1:]
    detail = bytearray(CLASSIC_BYTES)
    detail[2] = protocol
    classes = _BUS_ERROR
    if len(byte) >= 4:  # noqa: PLR2004 - as listed above
        detail[3] = byte[1] & _PLACE
        detail[7], detail[6] = byte[2], byte[3]
        classes |= _COUNTERS
    return Frame(time_ns, bus, classes, FrameFlag.ERROR, CLASSIC_BYTES, bytes(detail))


def _frame(time_ns: int, bus: int, word: list[str], kind: str, layout: TrcLayout) -> Frame:
    flags = _KINDS[kind] if layout.new else FrameFlag(0)
    if layout.direction is not None:
        flags |= _DIRECTIONS[word[layout.direction]]
    text = word[layout.can_id]
    can_id = int(text, 16)
    if len(text) > _STANDARD_DIGITS:
        flags |= FrameFlag.EXTENDED
    if can_id > (HIGHEST_ID if flags & FrameFlag.EXTENDED else HIGHEST_STANDARD_ID):
        msg = "identifier too large"
        raise ValueError(msg)
    length = _length(int(word[layout.length]), bool(flags & FrameFlag.FD), layout)
    rest = word[layout.data :]
    if rest[:1] == ["RTR"] or flags & FrameFlag.REMOTE:
        return Frame(time_ns, bus, can_id, flags | FrameFlag.REMOTE, length)
    pairs = rest[:length]
    data = bytes.fromhex("".join(pairs))
    if len(data) != length or any(len(pair) != len("00") for pair in pairs):
        msg = "data cut short"
        raise ValueError(msg)
    return Frame(time_ns, bus, can_id, flags, length, data)


def _length(value: int, is_fd: bool, layout: TrcLayout) -> int:
    if layout.length_is_code or not layout.new:
        if not 0 <= value < len(FD_LENGTHS):
            msg = "no such length code"
            raise ValueError(msg)
        return int(FD_LENGTHS[value]) if is_fd else min(value, CLASSIC_BYTES)
    if value not in (FD_LENGTHS if is_fd else range(CLASSIC_BYTES + 1)):
        msg = "no such length"
        raise ValueError(msg)
    return value

"""Frame lines of a terminal listing: many at a time, or one at a time for the odd ones."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from canassist.frames.formats.candump.candump_batch import ERROR_BIT
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
from canassist.frames.text.digits import WORD, decimal_integers, hex_integers, words
from canassist.frames.text.hex_words import FIRST
from canassist.model import FrameFlag

if TYPE_CHECKING:
    from canassist.frames.base import ReadRequest
    from canassist.frames.text.text_lines import Table, Words
    from canassist.model import BoolArray, ByteArray, IntArray, ReadReport

LINE: Final = re.compile(
    r"""\s*(?:\((?P<stamp>[0-9:. -]{5,32})\)\s+)?
    (?P<bus>[!-'*-~]{1,32})\s+
    (?:(?P<way>[RT]X)\s+(?P<brs>[B-])\s+(?P<esi>[E-])\s+)?
    (?P<id>[0-9A-Fa-f]{8}|[0-9A-Fa-f]{3})\s+
    (?:\[(?P<length>\d{1,2})\]|\{(?P<code>[0-9A-Fa-f])\})
    (?P<rest>\s.*|)""",
    re.VERBOSE,
)
"""One frame line; `length` has two digits for CAN FD, `code` is a raw length code."""

_ID_DIGITS: Final = (3, 8)
_BYTE_TEXT: Final = 3  # two digits and a blank
_FD_BRACKET: Final = len("[08]")
_CLASSIC_BRACKET: Final = len("[8]")
_EXTRA_WORDS: Final = 3  # direction, bit rate switch, error state
_MOST_NAMES: Final = 300  # of buses in one block; more are garbage
_BINARY_DIGITS: Final = 8


class _Shape(NamedTuple):
    """Where the parts of some lines are, as words; all shape (n,)."""

    line: IntArray
    bracket: IntArray
    stamp: IntArray
    extra: IntArray
    left: IntArray


def read_lines_at_once(  # noqa: PLR0913, PLR0917 - a reader's whole state
    table: Table,
    word: Words,
    time_ns: IntArray,
    timed: BoolArray,
    request: ReadRequest,
    report: ReadReport,
) -> Assembled:
    """Read all lines that are ordinary frames; `failed` are the others.

    Parameters
    ----------
    time_ns, timed : arrays, shape (n,)
        Time of every line, and whether it has one.
    """
    buffer = table.buffer
    shape = _shapes(table, word, timed)
    id_word = shape.bracket - 1
    start, end = word.start[id_word], word.end[id_word]
    can_id, fine = hex_integers(buffer, start, end)
    fine &= np.isin(end - start, _ID_DIGITS)
    flags, can_id = _kinds(can_id, end - start)
    fine &= can_id <= np.where(flags != 0, HIGHEST_ID, HIGHEST_STANDARD_ID)
    length, fd, fine_length = _lengths(buffer, word, shape.bracket)
    flags |= fd | _extra_flags(buffer, word, shape)
    fine &= fine_length & _data_fits(word, shape, length)
    rows = np.flatnonzero(fine)
    bus, fine_bus = _buses(buffer, word, (id_word - 1 - shape.extra)[rows], report)
    rows, bus = rows[fine_bus], bus[fine_bus]
    frames = Candidates(
        shape.line[rows], bus, can_id[rows].astype(np.uint32), flags[rows], length[rows]
    )

    def times(chosen: IntArray) -> tuple[IntArray, BoolArray]:
        return time_ns[frames.line[chosen]], np.ones(len(chosen), dtype=np.bool_)

    def payloads(chosen: IntArray) -> tuple[ByteArray, BoolArray]:
        first = word.start[shape.bracket[rows[chosen]] + 1]
        return hex_payload(buffer, first, frames.length[chosen], stride=_BYTE_TEXT)

    done = assembled(frames, request, times, payloads)
    handled = np.zeros(len(table.line_start), dtype=np.bool_)
    handled[frames.line] = True
    handled[done.failed] = False
    return done._replace(failed=np.flatnonzero(~handled))


def _shapes(table: Table, word: Words, timed: BoolArray) -> _Shape:
    """Find the bracket with the length on every line, and what stands before it."""
    buffer = table.buffer
    brackets = np.append(np.flatnonzero(buffer == ord("[")), len(buffer))
    place = brackets[np.searchsorted(brackets, table.line_start)]
    lines = np.flatnonzero((place < table.line_end) & timed & (word.many > 0))
    bracket = np.searchsorted(word.start, place[lines])
    first = word.first[lines]
    stamped = buffer[word.start[first]] == ord("(")
    date = stamped & (buffer[word.end[first] - 1] != ord(")"))
    stamp = stamped.astype(np.int64) + date
    extra = bracket - first - stamp - 2
    whole = (word.start[bracket] == place[lines]) & ((extra == 0) | (extra == _EXTRA_WORDS))
    left = first + word.many[lines] - bracket - 1
    found = _Shape(lines, bracket, stamp, extra, left)
    return _Shape(*(column[whole] for column in found))


def _kinds(can_id: IntArray, digits: IntArray) -> tuple[ByteArray, IntArray]:
    """Tell 11-bit, 29-bit and error frames apart by the identifier as it is written."""
    wide = digits == _ID_DIGITS[1]
    error = wide & (can_id >= ERROR_BIT)
    flags = np.where(error, FrameFlag.ERROR, np.where(wide, FrameFlag.EXTENDED, 0))
    return flags.astype(np.uint8), np.where(error, can_id - ERROR_BIT, can_id)


def _lengths(
    buffer: ByteArray, word: Words, bracket: IntArray
) -> tuple[ByteArray, ByteArray, BoolArray]:
    start, end = word.start[bracket], word.end[bracket]
    value, fine = decimal_integers(buffer, start + 1, end - 1)
    is_fd = end - start == _FD_BRACKET
    fine &= (buffer[end - 1] == ord("]")) & (is_fd | (end - start == _CLASSIC_BRACKET))
    fine &= np.where(is_fd, np.isin(value, FD_LENGTHS), value <= CLASSIC_BYTES)
    fd = is_fd.astype(np.uint8) * np.uint8(FrameFlag.FD)
    return np.where(fine, value, 0).astype(np.uint8), fd, fine


def _extra_flags(buffer: ByteArray, word: Words, shape: _Shape) -> ByteArray:
    """Read ``TX B E`` before the identifier, where it is given."""
    flags = np.zeros(len(shape.line), dtype=np.uint8)
    rows = np.flatnonzero(shape.extra)
    for back, letter, flag in (
        (4, "T", FrameFlag.SENT),
        (3, "B", FrameFlag.BIT_RATE_SWITCH),
        (2, "E", FrameFlag.ERROR_STATE),
    ):
        first = buffer[word.start[shape.bracket[rows] - back]]
        flags[rows[first == ord(letter)]] |= np.uint8(flag)
    return flags


def _data_fits(word: Words, shape: _Shape, length: ByteArray) -> BoolArray:
    """Tell whether enough byte words follow, one blank apart."""
    many = length.astype(np.int64)
    first, last = shape.bracket + 1, shape.bracket + np.maximum(many, 1)
    fits: BoolArray = word.end[last] - word.start[first] == _BYTE_TEXT * many - 1
    fits &= shape.left >= many
    fits |= (many == 0) & (shape.left == 0)
    return fits


def _buses(
    buffer: ByteArray, word: Words, at: IntArray, report: ReadReport
) -> tuple[ByteArray, BoolArray]:
    """Turn bus names into indexes of the report's buses, in order of appearance."""
    start, end = word.start[at], word.end[at]
    size = end - start
    head = words(buffer, start) & FIRST[np.clip(size, 0, WORD)]
    tail = words(buffer, end - WORD) * (size > WORD)
    index = np.zeros(len(at), dtype=np.uint8)
    fine = np.zeros(len(at), dtype=np.bool_)
    left = np.flatnonzero(size <= 2 * WORD)
    for _ in range(_MOST_NAMES):
        if not len(left):
            break
        one = left[0]
        same = (head[left] == head[one]) & (tail[left] == tail[one]) & (size[left] == size[one])
        name = buffer[start[one] : end[one]].tobytes().decode("latin-1")
        if len(report.buses) < MOST_BUSES or name in report.buses:
            index[left[same]] = bus_index(report, name)
            fine[left[same]] = True
        left = left[~same]
    return index, fine


def read_one_line(text: str, time_ns: int, report: ReadReport) -> Frame | None:
    """Read one line, the slow and plain way; None where it is no frame."""
    found = LINE.fullmatch(text)
    if found is None:
        return None
    can_id, flags = int(found["id"], 16), FrameFlag(0)
    if len(found["id"]) == _ID_DIGITS[1]:
        flags = FrameFlag.ERROR if can_id >= ERROR_BIT else FrameFlag.EXTENDED
        can_id &= ERROR_BIT - 1 if flags & FrameFlag.ERROR else 0xFFFF_FFFF
    elif can_id > HIGHEST_STANDARD_ID:
        return None
    length = CLASSIC_BYTES if found["code"] else int(found["length"])
    if found["length"] and len(found["length"]) > 1:
        flags |= FrameFlag.FD
    data = _payload(found["rest"], length)
    if "remote request" in found["rest"]:
        flags, data = flags | FrameFlag.REMOTE, b""
    flags |= FrameFlag.SENT if found["way"] == "TX" else FrameFlag(0)
    flags |= FrameFlag.BIT_RATE_SWITCH if found["brs"] == "B" else FrameFlag(0)
    flags |= FrameFlag.ERROR_STATE if found["esi"] == "E" else FrameFlag(0)
    lengths = FD_LENGTHS if flags & FrameFlag.FD else range(CLASSIC_BYTES + 1)
    if data is None or length not in lengths:
        return None
    try:
        bus = bus_index(report, found["bus"])
    except ValueError:  # more names than a recorder has buses: garbage
        return None
    return Frame(time_ns, bus, can_id, flags, length, data)


def _payload(text: str, length: int) -> bytes | None:
    """Read data bytes in any of candump's views; None where some are missing."""
    if not length:
        return b""
    parts = text.split()[:length]
    swapped = bool(parts) and "`" in parts[0]
    if swapped:  # highest byte first
        parts = parts[0].strip("`").split("`")[::-1]
    binary = bool(parts) and len(parts[0]) == _BINARY_DIGITS
    digits = _BINARY_DIGITS if binary else len("FF")
    if len(parts) != length or any(len(part) != digits for part in parts):
        return None
    try:
        return bytes(int(part, 2 if binary else 16) for part in parts)
    except ValueError:
        return None

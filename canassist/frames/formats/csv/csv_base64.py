"""CSV logs with base64 data, as python-can writes them.

One line a frame: ``timestamp,arbitration_id,extended,remote,error,dlc,data``. The format
has no bus, no direction and no CAN FD mark; a length above 8 tells CAN FD.
"""

from __future__ import annotations

import base64
import functools
import re
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from canassist.frames.frame_rows import (
    CLASSIC_BYTES,
    FD_BYTES,
    FD_LENGTHS,
    HIGHEST_ID,
    HIGHEST_STANDARD_ID,
    UNNAMED_BUS,
    Assembled,
    Candidates,
    Frame,
    assembled,
)
from canassist.frames.text.digits import (
    NS_PER_S,
    WordArray,
    decimal_ns,
    hex_values,
    time_text_ns,
    windows,
    words,
)
from canassist.model import FrameFlag

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canassist.frames.base import ReadRequest
    from canassist.frames.text.text_lines import Table
    from canassist.model import BoolArray, ByteArray, IntArray, ReadReport

HEADER: Final = "timestamp,arbitration_id,extended,remote,error,dlc,data"
_LINE: Final = re.compile(
    r"\s*([-+.\deE]{1,40}),0x([0-9a-fA-F]{1,8}),([01]),([01]),([01]),(\d{1,2}),"
    r"([A-Za-z0-9+/]*={0,2})\s*",
    re.ASCII,
)

_U = np.uint64
_COMMAS: Final = _U(0x00FF_00FF_00FF_00FF)
_WITH_COMMAS: Final = _U(0x002C_002C_002C_002C)
_SWITCHES: Final = _U(0x0000_FE00_FE00_FE00)  # each is 0 or 1
_WITH_SWITCHES: Final = _U(0x0000_3000_3000_3000)
_REMOTE_OR_ERROR: Final = _U(0x0000_0100_0100_0000)
_USUAL_PLACES: Final = (6, 5, 7, 4, 3, 2, 1, 8, 9, 0, *range(10, 20))
_PREFIX: Final = _U(int.from_bytes(b",0x", "little"))
_THREE: Final = _U(0xFF_FFFF)
_MOST_IN_WORD: Final = 5  # digits of an identifier that fit one word with their prefix
_USUAL_DIGITS: Final = (3, 2, 1, 8, 7, 6, 5, 4)
_TEN: Final = np.uint8(10)
_NO_MATCH: Final = -1

_NOT_BASE64: Final = 0xFFFF


@functools.cache
def _sextets() -> NDArray[np.uint16]:
    """Twelve bits by two characters of base64 (first one low); a pad counts as zero."""
    letters = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/"
    value = np.full(256, _NOT_BASE64, dtype=np.int64)
    value[[ord(letter) for letter in letters]] = np.arange(64)
    value[ord("=")] = 0
    pair = (value[np.newaxis, :] << 6) | value[:, np.newaxis]
    bad = (value == _NOT_BASE64)[np.newaxis, :] | (value == _NOT_BASE64)[:, np.newaxis]
    return np.where(bad, _NOT_BASE64, pair).reshape(-1).astype(np.uint16)


def _shapes() -> Iterator[tuple[int, int, BoolArray]]:
    """Give the shapes of a line's end, the usual ones first.

    For each length of the data text: how many digits the byte count before it has, and
    which byte counts it can stand for.
    """
    for size in (12, 8, 4, 0, 16, 24, 28, 32, 44, 64, 88):
        lengths = [n for n in FD_LENGTHS.tolist() if -(-n // 3) * 4 == size]
        digits = len(str(lengths[0]))
        fits = np.zeros(256, dtype=np.bool_)
        fits[lengths if size else range(CLASSIC_BYTES + 1)] = True
        yield size, digits, fits


_SHAPES: Final = tuple(_shapes())


class _RightPart(NamedTuple):
    """What stands at the end of each line; arrays of shape (n,).

    `size` is how many characters the data text has (`_NO_MATCH` where a line has another
    shape), `id_end` where the identifier ends.
    """

    size: IntArray
    id_end: IntArray
    flags: ByteArray
    length: ByteArray


def is_base64_table(lines: list[str]) -> bool:
    """Tell by the header line, or by the shape of the first lines."""
    stripped = [line.strip() for line in lines]
    return stripped[:1] == [HEADER] or any(_LINE.fullmatch(line) for line in stripped)


class Base64Lines:
    """Reads the lines of one file.

    Parameters
    ----------
    request : ReadRequest
    report : ReadReport
    """

    def __init__(self, request: ReadRequest, report: ReadReport) -> None:
        self.request = request
        self.bus = report.bus_index(UNNAMED_BUS)

    def read_at_once(self, table: Table) -> Assembled:
        """Read all lines of the usual shape; `failed` are the others."""
        buffer, end = table.buffer, table.line_end
        size, id_end, flags, length = _right_part(buffer, end)
        rows = np.flatnonzero(size != _NO_MATCH)
        can_id, digits, fine = _identifiers(buffer, id_end[rows])
        flags = flags[rows]
        extended = (flags & FrameFlag.EXTENDED) != 0
        is_error = (flags & FrameFlag.ERROR) != 0
        fine &= can_id <= np.where(extended | is_error, HIGHEST_ID, HIGHEST_STANDARD_ID)
        flags[is_error] = FrameFlag.ERROR  # its identifier holds classes
        rows = rows[fine]
        frames = Candidates(
            rows,
            np.full(len(rows), self.bus, dtype=np.uint8),
            can_id[fine].astype(np.uint32),
            flags[fine],
            length[rows],
        )
        time_end = id_end[rows] - digits[fine] - len(",0x")

        def times(chosen: IntArray) -> tuple[IntArray, BoolArray]:
            row, stop = rows[chosen], time_end[chosen]
            start = table.line_start[row]
            return decimal_ns(buffer, start, _points(buffer, start, stop), stop, unit_ns=NS_PER_S)

        def payloads(chosen: IntArray) -> tuple[ByteArray, BoolArray]:
            row = rows[chosen]
            return _payload(buffer, end[row] - size[row], size[row], length[row])

        done = assembled(frames, self.request, times, payloads)
        handled = np.zeros(len(end), dtype=np.bool_)
        handled[rows] = True
        handled[done.failed] = False
        return done._replace(failed=np.flatnonzero(~handled))

    def is_header(self, line: str) -> bool:
        """Tell a repeated header, as in logs that were put together."""
        return line == HEADER

    def is_whole(self, line: str) -> bool:
        """Tell whether a line without an end may be taken: its byte count tells a cut one."""
        return bool(line)

    def read_one(self, line: str) -> Frame:
        """Read one line, the slow and plain way.

        Raises
        ------
        ValueError
            If it is not a frame.
        """
        found = _LINE.fullmatch(line)
        time_ns = time_text_ns(found[1], unit_ns=NS_PER_S) if found else None
        if found is None or time_ns is None:
            raise ValueError(line)
        can_id, length = int(found[2], 16), int(found[6])
        data = base64.b64decode(found[7], validate=True)
        extended, remote, error = (found[at] == "1" for at in (3, 4, 5))
        whole = not data and length <= CLASSIC_BYTES if remote else len(data) == length
        highest = HIGHEST_ID if extended or error else HIGHEST_STANDARD_ID
        if not whole or length not in FD_LENGTHS or can_id > highest:
            raise ValueError(line)
        flags = FrameFlag.EXTENDED * extended | FrameFlag.REMOTE * remote
        flags |= FrameFlag.FD * (length > CLASSIC_BYTES)
        return Frame(time_ns, self.bus, can_id, FrameFlag.ERROR if error else flags, length, data)


def _payload(
    buffer: ByteArray, start: IntArray, size: IntArray, length: ByteArray
) -> tuple[ByteArray, BoolArray]:
    """Decode base64 texts of different sizes."""
    width = FD_BYTES if int(length.max(initial=0)) > CLASSIC_BYTES else CLASSIC_BYTES
    characters = -(-width // 3) * 4
    twelve = _sextets()[windows(buffer, start, characters).view("<u2")]
    twelve[np.arange(0, characters, 2) >= size[:, np.newaxis]] = 0
    fine: BoolArray = np.all(twelve != _NOT_BASE64, axis=1)
    fine &= _pads(buffer, start + size) == size // 4 * 3 - length
    word = (twelve[:, 0::2].astype(np.uint32) << np.uint32(12)) | twelve[:, 1::2]
    three = word.astype(">u4").view(np.uint8).reshape(len(start), characters // 4, 4)[:, :, 1:]
    payload = three.reshape(len(start), characters // 4 * 3)[:, :width]
    payload[np.arange(width) >= length[:, np.newaxis]] = 0
    return payload, fine


def _pads(buffer: ByteArray, end: IntArray) -> IntArray:
    last = buffer[end - 1] == ord("=")
    both = last & (buffer[end - 2] == ord("="))
    count: IntArray = last.astype(np.int64) + both
    return count


def _points(buffer: ByteArray, start: IntArray, end: IntArray) -> IntArray:
    """Find the decimal point of each number, from its end; `end` where it has none."""
    point = end.copy()
    left = np.arange(len(end))
    for places in _USUAL_PLACES:
        at = end[left] - places - 1
        hit = buffer[at] == ord(".")
        point[left[hit]] = at[hit]
        left = left[~hit]
        if not len(left):
            break
    return np.where(point >= start, point, end)


def _right_part(buffer: ByteArray, end: IntArray) -> _RightPart:
    """Read what stands at the end of each line: ``,1,0,0,8,AAAAAAAAAAA=``."""
    found = _one_shape(buffer, end, *_SHAPES[0])
    left = np.flatnonzero(found.size == _NO_MATCH)
    for shape in _SHAPES[1:]:
        if not len(left):
            break
        other = _one_shape(buffer, end[left], *shape)
        hit = np.flatnonzero(other.size != _NO_MATCH)
        rows = left[hit]
        found.size[rows] = other.size[hit]
        found.id_end[rows] = other.id_end[hit]
        found.flags[rows] = other.flags[hit]
        found.length[rows] = other.length[hit]
        left = np.delete(left, hit)
    return found


def _one_shape(
    buffer: ByteArray, end: IntArray, characters: int, digits: int, fits: BoolArray
) -> _RightPart:
    at = end - (characters + digits + 8)
    word = words(buffer, at)
    hit = ((word & _COMMAS) == _WITH_COMMAS) & ((word & _SWITCHES) == _WITH_SWITCHES)
    hit &= buffer[at + (7 + digits)] == ord(",")
    count = _count(buffer, word, at + 8, digits)
    flags = ((word >> _U(8)) & _U(FrameFlag.EXTENDED)).astype(np.uint8)
    special = (word & _REMOTE_OR_ERROR) != 0
    hit &= fits[count]
    if digits > 1:  # above 8 bytes
        flags |= np.uint8(FrameFlag.FD)
    if special.any():
        remote, error = (word >> _U(24)) & _U(1), (word >> _U(40)) & _U(1)
        flags |= (remote * _U(FrameFlag.REMOTE) | error * _U(FrameFlag.ERROR)).astype(np.uint8)
    if not characters:  # only a remote frame, or one without data, has no data text
        hit &= (count == 0) | ((flags & FrameFlag.REMOTE) != 0)
    elif special.any():
        hit &= (flags & FrameFlag.REMOTE) == 0
    size = np.where(hit, characters, _NO_MATCH)
    return _RightPart(size, at, flags, count)


def _count(buffer: ByteArray, word: WordArray, second: IntArray, digits: int) -> ByteArray:
    """Read the byte count whose first digit is the last of `word`; 255 where it is no number."""
    value = (word >> _U(56)).astype(np.uint8) - np.uint8(ord("0"))  # below "0" wraps round
    fine = value < _TEN
    if digits > 1:
        low = buffer[second] - np.uint8(ord("0"))
        fine &= low < _TEN
        value = _TEN * value + low
    return np.where(fine, value, np.uint8(255))


def _identifiers(buffer: ByteArray, end: IntArray) -> tuple[IntArray, IntArray, BoolArray]:
    """Read the identifiers, ``,0x`` and 1 to 8 digits, that end at the given places.

    Returns
    -------
    value, digits : array of int64
    fine : array of bool
    """
    word = words(buffer, end - 8)
    usual = _USUAL_DIGITS[0]
    hit = ((word >> _U(8 * (_MOST_IN_WORD - usual))) & _THREE) == _PREFIX
    digits = np.where(hit, usual, 0)
    left = np.flatnonzero(~hit)
    for many in _USUAL_DIGITS[1:]:
        if not len(left):
            break
        if many <= _MOST_IN_WORD:
            prefix = word[left] >> _U(8 * (_MOST_IN_WORD - many))
        else:
            prefix = words(buffer, end[left] - many - 3)
        hit = (prefix & _THREE) == _PREFIX
        digits[left[hit]] = many
        left = left[~hit]
    value, fine = hex_values(word, digits)
    return value, digits, fine & (digits > 0)

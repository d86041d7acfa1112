"""Compact candump lines, many at a time.

A line is ``(1700000000.123456) can0 123#DEADBEEF``. All lines of one recorder share what
stands before the identifier, digits aside; that prefix is learned from the first line of its
kind and then checked on all others at once.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, NamedTuple, TypeVar

import numpy as np
from numpy.typing import NDArray

from canassist.model import BoolArray, ByteArray, FrameFlag, IdArray, IntArray
from canassist.readers.digits import HEX_VALUE, WordArray, hex_integers, windows, words
from canassist.readers.frame_rows import (
    CLASSIC_BYTES,
    FD_BYTES,
    block_of,
    hex_payload,
    payload_wanted,
    rows_to_keep,
)
from canassist.readers.hex_words import hex_data, hex_nibbles, last_digits

if TYPE_CHECKING:
    from canassist.model import FrameBlock, Tally
    from canassist.readers.base import Wish
    from canassist.readers.text_lines import Table

ERROR_BIT: Final = 0x2000_0000
"""Marks an error frame's identifier (linux/can.h, CAN_ERR_FLAG)."""
HIGHEST_ID: Final = 0x1FFF_FFFF
HIGHEST_STANDARD_ID: Final = 0x7FF

_PREFIX: Final = re.compile(
    rb"\((\d{1,10})\.(\d{1,9})\)[ \t]+([!-~]{1,32})[ \t]+(?=[0-9A-Fa-f]{3}#|[0-9A-Fa-f]{8}#)"
)
_LONGEST_PREFIX: Final = 64
_MOST_LAYOUTS: Final = 48  # of one file
_MOST_TRIES: Final = 16  # lines of a block from which no prefix could be learned
_HASH: Final = ord("#")
_BLANK: Final = ord(" ")
_SENT: Final = ord("T")
_RECEIVED: Final = ord("R")

_U = np.uint64
_V = np.uint32
_THREE: Final = _U(0xFF_FFFF)
_REST_ZEROS: Final = _U(0x3030_3030_3000_0000)
_FOURTH: Final = _U(0xFF00_0000)
_HASH_FOURTH: Final = _U(_HASH << 24)
_NS: Final = 1_000_000_000
_MOST_SECONDS: Final = 9_000_000_000  # the year 2255; more does not fit into 64 bits of ns
_FD: Final = np.uint8(FrameFlag.FD)
_ERROR: Final = np.uint8(FrameFlag.ERROR)
_EXTENDED: Final = np.uint8(FrameFlag.EXTENDED)
_SENT_FLAG: Final = np.uint8(FrameFlag.SENT)
_IS_HEX: Final[BoolArray] = HEX_VALUE < 16  # noqa: PLR2004 - one digit


def _fd_flags() -> ByteArray:
    """List the flags by the digit behind ``##``: 1 bit-rate switch, 2 error state (linux/can.h)."""
    table = np.full(256, _FD, dtype=np.uint8)
    digit = np.where(_IS_HEX, HEX_VALUE, 0)
    table[(digit & 1) != 0] |= np.uint8(FrameFlag.BIT_RATE_SWITCH)
    table[(digit & 2) != 0] |= np.uint8(FrameFlag.ERROR_STATE)
    return table


_FD_FLAGS: Final[ByteArray] = _fd_flags()

T = TypeVar("T", bound=np.generic)


@dataclass(frozen=True, slots=True)
class Layout:
    """What stands before the identifier on lines of one kind.

    Attributes
    ----------
    seconds, places : int
        Digits before and after the decimal point of the time.
    bus_name : str
    size : int
        Characters before the identifier.
    mask, pattern : array of uint64, shape (w,)
        Which bits are the same on every such line, and which they are.
    digits : array of uint64, shape (w,)
        Six at every place that holds a decimal digit.
    """

    seconds: int
    places: int
    bus_name: str
    size: int
    mask: WordArray
    pattern: WordArray
    digits: WordArray

    @classmethod
    def learn(cls, line: bytes) -> Layout | None:
        """Take the prefix of a line as the shape of others; None where it has none."""
        found = _PREFIX.match(line)
        if found is None or found.end() > _LONGEST_PREFIX:
            return None
        size = found.end()
        width = -(-size // 8) * 8
        fixed = np.zeros(width, dtype=np.uint8)
        fixed[:size] = np.frombuffer(line[:size], dtype=np.uint8)
        mask = np.zeros(width, dtype=np.uint8)
        mask[:size] = 0xFF
        digits = np.zeros(width, dtype=np.uint8)
        for begin, end in (found.span(1), found.span(2)):
            mask[begin:end] = 0xF0
            digits[begin:end] = 6
        return cls(
            seconds=len(found[1]),
            places=len(found[2]),
            bus_name=found[3].decode("ascii"),
            size=size,
            mask=mask.view(np.uint64),
            pattern=(fixed & mask).view(np.uint64),
            digits=digits.view(np.uint64),
        )

    def match(self, buffer: ByteArray, start: IntArray) -> tuple[BoolArray, WordArray]:
        """Tell which lines begin with this prefix; also give their prefixes as words."""
        prefix = windows(buffer, start, 8 * len(self.mask)).view("<u8")
        fine = np.ones(len(start), dtype=np.bool_)
        for column, (mask, pattern, digits) in enumerate(
            zip(self.mask, self.pattern, self.digits, strict=True)
        ):
            word = prefix[:, column]
            fine &= (word & mask) == pattern
            if digits:
                fine &= ((word + digits) & mask) == _carried(pattern, digits)
        return fine, prefix

    def time_ns(self, prefix: WordArray) -> tuple[IntArray, BoolArray]:
        """Read the times of matching prefixes as nanoseconds; tell which fit into 64 bits."""
        whole = _number(prefix, 1, self.seconds)
        part = _number(prefix, 2 + self.seconds, self.places)
        return whole * _NS + part * 10 ** (9 - self.places), whole < _MOST_SECONDS


def _carried(pattern: np.uint64, digits: np.uint64) -> np.uint64:
    """Return what a masked prefix must be after six was added to each digit (a digit stays below 16)."""
    fixed = pattern.tobytes()
    six = digits.tobytes()
    return _U(
        int.from_bytes(
            bytes(a if b == 0 else 0x30 for a, b in zip(fixed, six, strict=True)), "little"
        )
    )


def _number(prefix: WordArray, at: int, digits: int) -> IntArray:
    """Read a decimal number of 1 to 11 digits at one place of every prefix."""
    low = min(digits, 8)
    value = last_digits(_word_ending(prefix, at + digits), low)
    if digits > low:
        high = last_digits(_word_ending(prefix, at + digits - low), digits - low)
        value = value + high * _U(10**low)
    return value.view(np.int64)


def _word_ending(prefix: WordArray, end: int) -> WordArray:
    """Return the 8 characters before place `end` of every prefix (blanks before its start)."""
    column, spare = divmod(end - 8, 8)
    if column < 0:
        return prefix[:, 0] << _U(8 * (8 - end))
    if not spare:
        return np.ascontiguousarray(prefix[:, column])
    joined: WordArray = (prefix[:, column] >> _U(8 * spare)) | (
        prefix[:, column + 1] << _U(64 - 8 * spare)
    )
    return joined


class Found(NamedTuple):
    """Frames by line, payload not yet read; arrays of shape (n,).

    `data_at` is where the data digits begin in the text.
    """

    line: IntArray
    time_ns: IntArray
    bus: ByteArray
    can_id: IdArray
    flags: ByteArray
    length: ByteArray
    data_at: IntArray

    def take(self, rows: IntArray | BoolArray) -> Found:
        """Return some of the frames."""
        return Found(
            self.line[rows],
            self.time_ns[rows],
            self.bus[rows],
            self.can_id[rows],
            self.flags[rows],
            self.length[rows],
            self.data_at[rows],
        )


class Done(NamedTuple):
    """A block, the line of each of its frames, and the lines that need a closer look."""

    block: FrameBlock
    line: IntArray
    left: IntArray


class _Lines(NamedTuple):
    """Lines that are still to be read."""

    row: IntArray
    start: IntArray
    end: IntArray

    def take(self, rows: IntArray | BoolArray | slice) -> _Lines:
        return _Lines(self.row[rows], self.start[rows], self.end[rows])


class FastLines:
    """Reads those lines of one file that have a usual shape.

    Parameters
    ----------
    wish : Wish
    tally : Tally
    """

    def __init__(self, wish: Wish, tally: Tally) -> None:
        self._wish = wish
        self._tally = tally
        self._layouts: list[Layout] = []

    def read(self, table: Table) -> Done:
        """Read a run of lines."""
        todo = _Lines(np.arange(len(table.line_start)), table.line_start, table.line_end)
        found: list[Found] = []
        left: list[IntArray] = []

        def use(layout: Layout, todo: _Lines) -> _Lines:
            hits, rest, odd = self._read_shape(table.buffer, todo, layout)
            found.append(hits)
            left.append(odd)
            return rest

        for layout in self._layouts:
            if len(todo.row):
                todo = use(layout, todo)
        spare = _MOST_TRIES
        while len(todo.row) and spare and len(self._layouts) < _MOST_LAYOUTS:
            first = todo.row[0]
            layout_or_none = Layout.learn(_text(table, todo))
            if layout_or_none is not None:
                self._layouts.append(layout_or_none)
                todo = use(layout_or_none, todo)
            if len(todo.row) and todo.row[0] == first:
                left.append(todo.row[:1])
                todo = todo.take(slice(1, None))
                spare -= 1
        left.append(todo.row)
        return self._assemble(table.buffer, _joined(found), np.concatenate(left))

    def _read_shape(
        self, buffer: ByteArray, lines: _Lines, layout: Layout
    ) -> tuple[Found, _Lines, IntArray]:
        """Read the lines of one shape.

        Returns
        -------
        hits : Found
        rest : _Lines
            Lines of another shape.
        odd : array of int64
            Lines of this shape up to the identifier, and of none after it.
        """
        at = lines.start + layout.size
        can_id, flags, data_at, hit = _identifiers(buffer, at)
        chosen = hit
        if not self._wish.headers:
            chosen = hit & payload_wanted(can_id, flags, self._wish)
        row = None if chosen.all() else np.flatnonzero(chosen)
        start, end = _pick(lines.start, row), _pick(lines.end, row)
        fine, prefix = layout.match(buffer, start)
        data_at, flags, length, shapely = _bodies(
            buffer, _pick(data_at, row), end, _pick(flags, row)
        )
        time_ns, fits = layout.time_ns(prefix)
        shapely &= fits
        good = fine & shapely
        all_good = bool(good.all())
        hits = Found(
            line=_pick(lines.row, row),
            time_ns=time_ns,
            bus=self._bus(layout, good),
            can_id=_pick(can_id, row),
            flags=flags,
            length=length,
            data_at=data_at,
        )
        odd = hits.line[:0] if all_good else hits.line[fine & ~shapely]
        other = ~hit
        if not all_good:
            other[np.arange(len(hit)) if row is None else row] |= ~fine
            hits = hits.take(good)
        rest = lines.take(other) if other.any() else lines.take(slice(0, 0))
        return hits, rest, odd

    def _bus(self, layout: Layout, good: BoolArray) -> ByteArray:
        index = self._tally.bus_index(layout.bus_name) if good.any() else 0
        return np.full(len(good), index, dtype=np.uint8)

    def _assemble(self, buffer: ByteArray, found: Found, left: IntArray) -> Done:
        kept, payload_row = rows_to_keep(found.can_id, found.flags, self._wish)
        if len(kept) < len(found.line):
            found = found.take(kept)
        payload, fine = _payloads(buffer, found)
        if not fine.all():
            left = np.concatenate((left, found.line[~fine]))
            place = np.cumsum(fine) - 1
            payload_row = place[payload_row[fine[payload_row]]]
            payload, found = payload[fine], found.take(fine)
        if len(payload_row) < len(payload):
            payload = payload[payload_row]
        block = block_of(
            time_ns=found.time_ns,
            bus=found.bus,
            can_id=found.can_id,
            flags=found.flags,
            length=found.length,
            payload=payload,
            payload_row=payload_row,
        )
        return Done(block, found.line, np.sort(left))


def _text(table: Table, lines: _Lines) -> bytes:
    return table.buffer[lines.start[0] : lines.end[0]].tobytes()


def _pick(column: NDArray[T], rows: IntArray | None) -> NDArray[T]:
    """Return some rows of a column, or the column itself where all are meant."""
    return column if rows is None else column[rows]


def _joined(found: list[Found]) -> Found:
    if len(found) == 1:
        return found[0]
    whole = Found(*(np.concatenate(column) for column in zip(*found, strict=True)))
    return whole.take(np.argsort(whole.line, kind="stable"))


def _identifiers(buffer: ByteArray, at: IntArray) -> tuple[IdArray, ByteArray, IntArray, BoolArray]:
    """Read ``123#`` or ``12345678#``: identifier, flags, place behind it, whether it is one."""
    word = words(buffer, at)
    three = word & _THREE
    nibble, hit = hex_nibbles(three | _REST_ZEROS)
    can_id = ((nibble << _U(8)) | (nibble >> _U(4)) | (nibble >> _U(16))).astype(np.uint32)
    can_id &= _V(0xFFF)
    short = (word & _FOURTH) == _HASH_FOURTH
    hit &= short & (can_id <= HIGHEST_STANDARD_ID)
    flags = np.zeros(len(at), dtype=np.uint8)
    data_at = at + 4
    long = np.flatnonzero(~short)
    if len(long):
        value, fine = hex_integers(buffer, at[long], at[long] + 8)
        is_error = (value & ERROR_BIT) != 0
        value &= ~ERROR_BIT
        hit[long] = fine & (buffer[at[long] + 8] == _HASH) & (value <= HIGHEST_ID)
        can_id[long] = value.astype(np.uint32)
        flags[long] = np.where(is_error, _ERROR, _EXTENDED)
        data_at[long] += 5
    return can_id, flags, data_at, hit


def _bodies(
    buffer: ByteArray, data_at: IntArray, end: IntArray, flags: ByteArray
) -> tuple[IntArray, ByteArray, ByteArray, BoolArray]:
    """Read what stands behind the identifier: place and length of the data, flags, fitness."""
    suffixed = np.flatnonzero(buffer[end - 2] == _BLANK)
    if len(suffixed):
        end, flags = end.copy(), flags.copy()
        letter = buffer[end[suffixed] - 1]
        flags[suffixed[letter == _SENT]] |= _SENT_FLAG
        end[suffixed[(letter == _SENT) | (letter == _RECEIVED)]] -= 2
    most: int | IntArray = 2 * CLASSIC_BYTES
    fd = np.flatnonzero(buffer[data_at] == _HASH)
    if len(fd):
        data_at, flags = data_at.copy(), flags.copy()
        flags[fd] |= _FD_FLAGS[buffer[data_at[fd] + 1]]
        data_at[fd] += 2
        most = np.full(len(end), most, dtype=np.int64)
        most[fd] = 2 * FD_BYTES
    digits = end - data_at
    fine = (digits >= 0) & (digits <= most) & ((digits & 1) == 0)
    if len(fd):
        fine[fd] &= _IS_HEX[buffer[data_at[fd] - 1]] & ((flags[fd] & _ERROR) == 0)
    length = (digits >> 1).astype(np.uint8)
    return data_at, flags, length, fine


def _payloads(buffer: ByteArray, found: Found) -> tuple[ByteArray, BoolArray]:
    """Read the data bytes of all frames, shape (n, 8) or (n, 64), and whether each is fine."""
    long = np.flatnonzero(found.length > CLASSIC_BYTES)
    short_length = np.minimum(found.length, CLASSIC_BYTES) if len(long) else found.length
    first, second = words(buffer, found.data_at), words(buffer, found.data_at + 8)
    payload, fine = hex_data(first, second, short_length)
    if len(long):
        wide = np.zeros((len(payload), FD_BYTES), dtype=np.uint8)
        wide[:, :CLASSIC_BYTES] = payload
        wide[long], fine[long] = hex_payload(
            buffer, found.data_at[long], found.length[long], stride=2
        )
        payload = wide
    return payload, fine

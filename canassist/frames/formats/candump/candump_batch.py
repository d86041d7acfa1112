"""Compact candump lines, many at a time.

A line is ``(1700000000.123456) can0 123#DEADBEEF``. All lines of one recorder share what
stands before the identifier, digits aside; that prefix is learned from the first line of its
kind and then checked on all others at once.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

import numpy as np

from canassist.frames.frame_rows import (
    CLASSIC_BYTES,
    FD_BYTES,
    HIGHEST_ID,
    HIGHEST_STANDARD_ID,
    hex_payload,
)
from canassist.frames.text.batch_lines import Bodies, Found, Heads, LineBatch
from canassist.frames.text.digits import HEX_VALUE, WordArray, hex_integers, words
from canassist.frames.text.hex_words import hex_data, hex_nibbles
from canassist.frames.text.line_prefix import LineShape, number
from canassist.model import BoolArray, ByteArray, FrameFlag, IntArray

ERROR_BIT: Final = 0x2000_0000
"""Marks an error frame's identifier (linux/can.h, CAN_ERR_FLAG)."""

_PREFIX: Final = re.compile(
    rb"\((\d{1,10})\.(\d{1,9})\)[ \t]+([!-~]{1,32})[ \t]* (?=[0-9A-Fa-f]{3}#|[0-9A-Fa-f]{8}#)"
)
_LONGEST_PREFIX: Final = 64
_HASH: Final = ord("#")
_BLANK: Final = ord(" ")
_SENT: Final = ord("T")
_RECEIVED: Final = ord("R")

_U = np.uint64
_V = np.uint32
_THREE: Final = _U(0xFF_FFFF)
_REST_ZEROS: Final = _U(0x3030_3030_3000_0000)
_AROUND_THREE: Final = _U(0xFF_0000_00FF)
_BLANK_AND_HASH: Final = _U(_HASH << 32 | _BLANK)
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


@dataclass(frozen=True, slots=True)
class CandumpLayout:
    """What stands before the identifier on lines of one kind.

    Attributes
    ----------
    shape : LineShape
    seconds, places : int
        Digits before and after the decimal point of the time.
    bus_name : str
    size : int
        Characters before the identifier.
    """

    shape: LineShape
    seconds: int
    places: int
    bus_name: str
    size: int

    @classmethod
    def learn(cls, line: bytes) -> CandumpLayout | None:
        """Take the prefix of a line as the shape of others; None where it has none."""
        found = _PREFIX.match(line)
        if found is None or found.end() > _LONGEST_PREFIX:
            return None
        return cls(
            shape=LineShape.of(line[: found.end()], (found.span(1), found.span(2))),
            seconds=len(found[1]),
            places=len(found[2]),
            bus_name=found[3].decode("ascii"),
            size=found.end(),
        )

    def time_ns(self, prefix: WordArray) -> tuple[IntArray, BoolArray]:
        """Read the times of matching prefixes as nanoseconds; tell which fit into 64 bits."""
        whole = number(prefix, 1, self.seconds)
        part = number(prefix, 2 + self.seconds, self.places)
        return whole * _NS + part * 10 ** (9 - self.places), whole < _MOST_SECONDS


class CandumpGrammar:
    """What compact candump lines look like."""

    def learn(self, line: bytes) -> CandumpLayout | None:
        """Take a line as the layout of others."""
        return CandumpLayout.learn(line)

    def bus_name(self, layout: CandumpLayout) -> str:
        """Return the interface's name."""
        return layout.bus_name

    def heads(self, buffer: ByteArray, lines: LineBatch, layout: CandumpLayout) -> Heads:
        """Read the identifiers."""
        return _identifiers(buffer, lines.start + layout.size)

    def bodies(
        self,
        buffer: ByteArray,
        lines: LineBatch,
        layout: CandumpLayout,
        data_at: IntArray,
        flags: ByteArray,
    ) -> Bodies:
        """Read times and lengths."""
        fine, prefix = layout.shape.match(buffer, lines.start)
        time_ns, fits = layout.time_ns(prefix)
        data_at, flags, length, shapely = _bodies(buffer, data_at, lines.end, flags)
        return Bodies(time_ns, flags, length, data_at, fine, shapely & fits)

    def payloads(self, buffer: ByteArray, found: Found) -> tuple[ByteArray, BoolArray]:
        """Read the data bytes."""
        long = np.flatnonzero(found.length > CLASSIC_BYTES)
        short = np.minimum(found.length, CLASSIC_BYTES) if len(long) else found.length
        first, second = words(buffer, found.data_at), words(buffer, found.data_at + 8)
        payload, fine = hex_data(first, second, short)
        if len(long):
            wide = np.zeros((len(payload), FD_BYTES), dtype=np.uint8)
            wide[:, :CLASSIC_BYTES] = payload
            wide[long], fine[long] = hex_payload(
                buffer, found.data_at[long], found.length[long], stride=2
            )
            payload = wide
        return payload, fine


def _identifiers(buffer: ByteArray, at: IntArray) -> Heads:
    """Read ``123#`` or ``12345678#``: identifier, flags, place behind it, whether it is one."""
    word = words(buffer, at - 1)  # with the blank before it, lest the end of a longer one will do
    three = (word >> _U(8)) & _THREE
    nibble, hit = hex_nibbles(three | _REST_ZEROS)
    can_id = ((nibble << _U(8)) | (nibble >> _U(4)) | (nibble >> _U(16))).astype(np.uint32)
    can_id &= _V(0xFFF)
    short = (word & _AROUND_THREE) == _BLANK_AND_HASH
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
    return Heads(can_id, flags, data_at, hit)


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

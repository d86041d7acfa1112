"""Classic data frames of an ASC log in hexadecimal base, many lines at a time.

A line is ``   3.098426 1  18EBFF00x       Rx   d 8 01 A0 0F A6 60 3B D1 40``, with or without
more words behind it. What stands where is learned from the first line of its kind.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

import numpy as np

from canassist.frames.frame_rows import CLASSIC_BYTES, HIGHEST_ID, HIGHEST_STANDARD_ID
from canassist.frames.text.batch_lines import Bodies, Found, Heads, LineBatch
from canassist.frames.text.digits import HEX_VALUE, WordArray, hex_bytes, windows, words
from canassist.frames.text.hex_words import first_blank, four_bytes, hex_nibbles
from canassist.frames.text.line_prefix import LineShape, number
from canassist.model import BoolArray, ByteArray, FrameFlag, IdArray, IntArray

_PREFIX: Final = re.compile(
    rb"( {0,12}\d{1,8})\.(\d{1,9}) +(\d{1,3}) +([0-9A-Fa-f]{1,8}[xX]? *)(?<= )(Rx|Tx) +d +"
    rb"([0-9A-Fa-f])(?![!-~])"
)
_LONGEST_PREFIX: Final = 96
_WORD: Final = 8
_BLANK: Final = ord(" ")
_NS: Final = 10**9

_U = np.uint64
_ZEROS: Final = _U(0x3030_3030_3030_3030)
_LOWER_CASE: Final = np.uint8(0x20)
_X: Final = ord("x")
_SHIFT: Final[WordArray] = _U(8) * np.arange(9, dtype=np.uint64)[::-1]
"""By how many bits a word moves so that so many of its first characters come to stand last."""
_LOWEST: Final[WordArray] = np.array([(1 << 8 * (8 - n)) - 1 for n in range(9)], dtype=np.uint64)
"""Mask of the characters that then stand before them."""
_EXTENDED: Final = np.uint8(FrameFlag.EXTENDED)
_SENT: Final = np.uint8(FrameFlag.SENT)
_NO_FLAGS: Final = np.uint8(0)
_ALL: Final = _U(0x0101_0101_0101_0101)  # eight times true
_BYTE_TEXT: Final = 3  # a blank and two digits
_NO_DIGIT: Final = np.uint8(0xFF)


@dataclass(frozen=True, slots=True)
class AscLayout:
    """What stands where on lines of one kind.

    Attributes
    ----------
    shape : LineShape
        Of everything before the data but the identifier and the length.
    dot, places : int
        Place of the decimal point, and digits behind it.
    id_at, code_at : int
        Place of the identifier and of the length code.
    bus_name : str
    sent : bool
    """

    shape: LineShape
    dot: int
    places: int
    id_at: int
    code_at: int
    bus_name: str
    sent: bool

    @classmethod
    def learn(cls, line: bytes) -> AscLayout | None:
        """Take a line as the layout of others; None where it has none."""
        found = _PREFIX.match(line)
        if found is None or found.end() > _LONGEST_PREFIX:
            return None
        dot = found.end(1)
        lead = max(dot - _WORD, 0)  # digits further left do not occur
        if line[:lead].strip():
            return None
        return cls(
            shape=LineShape.of(
                line[: found.end()],
                [found.span(2)],
                [found.span(4), found.span(6)],
                padded=(lead, dot),
            ),
            dot=dot,
            places=len(found[2]),
            id_at=found.start(4),
            code_at=found.start(6),
            bus_name=found[3].decode("ascii"),
            sent=found[5] == b"Tx",
        )

    def time_ns(self, prefix: WordArray) -> IntArray:
        """Read the times of matching prefixes as nanoseconds."""
        digits = min(self.dot, _WORD)
        whole = number(prefix, self.dot - digits, digits)
        part = number(prefix, self.dot + 1, self.places)
        time_ns: IntArray = whole * _NS + part * 10 ** (9 - self.places)
        return time_ns


class AscGrammar:
    """What the lines of an ASC log look like."""

    def learn(self, line: bytes) -> AscLayout | None:
        """Take a line as the layout of others."""
        return AscLayout.learn(line)

    def bus_name(self, layout: AscLayout) -> str:
        """Return the channel's number."""
        return layout.bus_name

    def heads(self, buffer: ByteArray, lines: LineBatch, layout: AscLayout) -> Heads:
        """Read the identifiers: hexadecimal digits, then an x where it has 29 bits."""
        at = lines.start + layout.id_at
        can_id, extended, hit = _identifiers(buffer, at)
        flags = np.full(len(at), _SENT if layout.sent else _NO_FLAGS)
        flags[extended] |= _EXTENDED
        return Heads(can_id, flags, lines.start + (layout.code_at + 1), hit)

    def bodies(
        self,
        buffer: ByteArray,
        lines: LineBatch,
        layout: AscLayout,
        data_at: IntArray,
        flags: ByteArray,
    ) -> Bodies:
        """Read times and lengths."""
        fine, prefix = layout.shape.match(buffer, lines.start)
        code = HEX_VALUE[buffer[lines.start + layout.code_at]]
        length = np.minimum(code, np.uint8(CLASSIC_BYTES))
        data_end = data_at + _BYTE_TEXT * length.astype(np.int64)
        # what follows the data is the line's end or a blank
        whole = (data_end <= lines.end) & (buffer[data_end] <= _BLANK) & (code != _NO_DIGIT)
        return Bodies(layout.time_ns(prefix), flags, length, data_at, fine, whole)

    def payloads(self, buffer: ByteArray, found: Found) -> tuple[ByteArray, BoolArray]:
        """Read the data bytes."""
        text = windows(buffer, found.data_at, _BYTE_TEXT * CLASSIC_BYTES)
        text = text.reshape(len(found.line), CLASSIC_BYTES, _BYTE_TEXT)
        value, fine = hex_bytes(text[:, :, 1:])
        fine &= text[:, :, 0] == _BLANK
        beyond = np.arange(CLASSIC_BYTES) >= found.length[:, np.newaxis]
        value[beyond] = 0
        fine |= beyond
        whole: BoolArray = fine.view(np.uint64)[:, 0] == _ALL
        return value, whole


def _identifiers(buffer: ByteArray, at: IntArray) -> tuple[IdArray, BoolArray, BoolArray]:
    """Return identifier, whether it has 29 bits, and whether there is one at all."""
    word = words(buffer, at)
    size = first_blank(word)
    last = buffer[at + size] if (size == _WORD).any() else None
    marked = buffer[at + size.astype(np.int64) - 1] | _LOWER_CASE
    extended = (marked == _X) & (size > 0)  # an x before a blank is the end of another word
    digits = size - extended
    if last is not None:  # eight digits, the mark stands behind the word
        full = size == _WORD
        extended |= full & ((last | _LOWER_CASE) == _X)
    nibble, hit = hex_nibbles((word << _SHIFT[digits]) | (_ZEROS & _LOWEST[digits]))
    can_id = four_bytes(nibble).astype(np.uint32).byteswap()
    hit &= (digits > 0) & (buffer[at - 1] == _BLANK)
    hit &= np.where(extended, can_id <= HIGHEST_ID, can_id <= HIGHEST_STANDARD_ID)
    return can_id, extended, hit

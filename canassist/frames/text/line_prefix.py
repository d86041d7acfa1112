"""The beginning that all lines of one recorder share, checked on many lines at once."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.frames.text.digits import WordArray, windows
from canassist.frames.text.hex_words import last_digits

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from canassist.model import BoolArray, ByteArray, IntArray

_U = np.uint64
_WORD: Final = 8
_ONES: Final = 0x0101_0101_0101_0101
_LOW: Final = 0x0F0F_0F0F_0F0F_0F0F

Span = tuple[int, int]


@dataclass(frozen=True, slots=True)
class LineShape:
    """Which characters at the start of a line are fixed, and which are decimal digits.

    Attributes
    ----------
    mask, pattern : tuple of uint64
        For each eight characters: which bits are the same on every such line, and which
        they are.
    digits : tuple of uint64
        Six at every place that holds a decimal digit.
    carried : tuple of uint64
        What the masked characters are after these sixes were added.
    padded : span
        Place (of at most 8 characters) of a number padded with blanks on its left.
    """

    mask: tuple[np.uint64, ...]
    pattern: tuple[np.uint64, ...]
    digits: tuple[np.uint64, ...]
    carried: tuple[np.uint64, ...]
    padded: Span = (0, 0)

    @classmethod
    def of(
        cls,
        text: bytes,
        digits: Iterable[Span],
        free: Sequence[Span] = (),
        *,
        padded: Span = (0, 0),
    ) -> LineShape:
        """Take the start of a line as the shape of others.

        Parameters
        ----------
        text : bytes
        digits : spans
            Places where decimal digits stand.
        free : spans
            Places that are not looked at.
        padded : span
            Place of a number padded with blanks on its left, at most 8 characters.
        """
        width = -(-len(text) // _WORD) * _WORD
        fixed = np.zeros(width, dtype=np.uint8)
        fixed[: len(text)] = np.frombuffer(text, dtype=np.uint8)
        mask = np.zeros(width, dtype=np.uint8)
        mask[: len(text)] = 0xFF
        sixes = np.zeros(width, dtype=np.uint8)
        for begin, end in digits:
            mask[begin:end] = 0xF0
            sixes[begin:end] = 6
        for begin, end in (*free, padded):
            mask[begin:end] = 0
        pattern = fixed & mask
        carried = np.where(sixes > 0, np.uint8(0x30), pattern)
        return cls(_words(mask), _words(pattern), _words(sixes), _words(carried), padded)

    def match(self, buffer: ByteArray, start: IntArray) -> tuple[BoolArray, WordArray]:
        """Tell which lines begin so.

        Returns
        -------
        fine : array of bool, shape (n,)
        prefix : array of uint64, shape (n, w)
            The beginnings of all lines, eight characters a word.
        """
        prefix = windows(buffer, start, _WORD * len(self.mask)).view("<u8")
        fine = np.ones(len(start), dtype=np.bool_)
        parts = zip(self.mask, self.pattern, self.digits, self.carried, strict=True)
        for column, (mask, pattern, digits, carried) in enumerate(parts):
            word = prefix[:, column]
            if mask:
                fine &= (word & mask) == pattern
            if digits:
                more = word + digits
                more &= mask
                fine &= more == carried
        begin, end = self.padded
        if end:
            word = word_ending(prefix, end) >> _U(8 * (_WORD - end + begin))
            fine &= _is_padded_number(word, end - begin)
        return fine, prefix


def _words(characters: ByteArray) -> tuple[np.uint64, ...]:
    return tuple(characters.view(np.uint64))


def _is_padded_number(word: WordArray, size: int) -> BoolArray:
    """Tell whether the first `size` characters are blanks and then at least one digit."""
    own = (1 << 8 * size) - 1
    digit = (word >> _U(4)) & _U(_ONES & own)  # 0x3. has this bit, 0x20 has not
    low = word & _U(_LOW & own)
    upper = (word & _U(0xE0E0_E0E0_E0E0_E0E0 & own)) == _U(0x2020_2020_2020_2020 & own)
    value_fits = ((low + _U(0x0606_0606_0606_0606 & own)) & _U(0x1010_1010_1010_1010)) == 0
    only_digits_count = (low & ~(digit * _U(0x0F))) == 0
    inside = digit & ~(digit >> _U(8)) & _U(own >> 8)  # a digit before a blank
    last = (digit >> _U(8 * (size - 1))) & _U(1)
    fine: BoolArray = upper & value_fits & only_digits_count & (inside == 0) & (last == 1)
    return fine


def number(prefix: WordArray, at: int, digits: int) -> IntArray:
    """Read a decimal number of 1 to 11 digits at one place of every prefix.

    Blanks before the number count as zeros.
    """
    low = min(digits, _WORD)
    value = last_digits(word_ending(prefix, at + digits), low)
    if digits > low:
        high = word_ending(prefix, at + digits - low)
        if (high == high[:1]).all():  # the first digits of a date hardly ever change
            high = high[:1]
        value = value + last_digits(high, digits - low) * _U(10**low)
    return value.view(np.int64)


def word_ending(prefix: WordArray, end: int) -> WordArray:
    """Return the 8 characters before place `end` of every prefix (zeros before its start)."""
    if end < _WORD:
        shifted: WordArray = prefix[:, 0] << _U(8 * (_WORD - end))
        return shifted
    column, spare = divmod(end - _WORD, _WORD)
    if not spare:
        return np.ascontiguousarray(prefix[:, column])
    joined: WordArray = (prefix[:, column] >> _U(8 * spare)) | (
        prefix[:, column + 1] << _U(64 - 8 * spare)
    )
    return joined

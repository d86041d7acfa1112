"""Hexadecimal and decimal digits in 64-bit words, eight characters a word, many words at a time.

The first character of the text stands in the lowest byte of its word.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from canassist.frames.text.digits import WordArray
from canassist.model import BoolArray, ByteArray

_U = np.uint64
_LOW: Final = _U(0x0F0F_0F0F_0F0F_0F0F)
_HIGH: Final = _U(0xF0F0_F0F0_F0F0_F0F0)
_ONES: Final = _U(0x0101_0101_0101_0101)
_SIXES: Final = _U(0x0606_0606_0606_0606)
_BLANKS: Final = _U(0x2020_2020_2020_2020)
_TOPS: Final = _U(0x8080_8080_8080_8080)
_ZEROS: Final = _U(0x3030_3030_3030_3030)
_PAIRS: Final = _U(0x00FF_00FF_00FF_00FF)
_QUADS: Final = _U(0x0000_FFFF_0000_FFFF)

FIRST: Final[WordArray] = np.array([(1 << 8 * n) - 1 for n in range(9)], dtype=np.uint64)
"""Mask of the first n characters of a word."""


def hex_nibbles(word: WordArray) -> tuple[WordArray, BoolArray]:
    """Turn hexadecimal digits into their values, one a byte.

    Returns
    -------
    nibble : array of uint64, shape (n,)
    fine : array of bool, shape (n,)
        Whether all eight characters are hexadecimal digits.
    """
    letter = word >> _U(6)  # letters have bit 6
    letter &= _ONES
    letter *= _U(9)
    nibble = word & _LOW
    nibble += letter
    big = nibble + _SIXES
    big >>= _U(4)
    big &= _ONES
    upper = big * _U(7)  # the digit as it would be written, in the end
    upper += nibble
    upper += _ZEROS
    upper ^= word
    big <<= _U(5)  # the bit of small letters
    np.invert(big, out=big)
    upper &= big
    np.bitwise_and(nibble, _HIGH, out=big)
    upper |= big
    return nibble, upper == 0


def four_bytes(nibble: WordArray) -> WordArray:
    """Join eight digit values to four bytes, the first in the lowest byte of 32 bits."""
    pair = nibble << _U(4)
    pair |= nibble >> _U(8)
    pair &= _PAIRS
    quad = pair >> _U(8)
    quad |= pair
    quad &= _QUADS
    joined = quad >> _U(16)
    joined |= quad
    joined &= _U(0xFFFF_FFFF)
    return joined


def hex_data(first: WordArray, second: WordArray, length: ByteArray) -> tuple[ByteArray, BoolArray]:
    """Read up to eight data bytes written as sixteen hexadecimal digits without blanks.

    Parameters
    ----------
    first, second : array of uint64, shape (n,)
        Characters 1 to 8 and 9 to 16.
    length : array of uint8, shape (n,)
        Bytes to read, 0 to 8; what stands behind them is ignored.

    Returns
    -------
    payload : array of uint8, shape (n, 8)
        Zero beyond the length.
    fine : array of bool, shape (n,)
    """
    digits = 2 * length
    low, fine = _masked(first, np.minimum(digits, 8))
    high, fine_high = _masked(second, np.maximum(digits, 8) - 8)
    joined = four_bytes(low) | (four_bytes(high) << _U(32))
    return joined.view(np.uint8).reshape(len(length), 8), fine & fine_high


def _masked(word: WordArray, digits: ByteArray) -> tuple[WordArray, BoolArray]:
    mask = FIRST[digits]
    return hex_nibbles((word & mask) | (_ZEROS & ~mask))


def last_digits(word: WordArray, count: int) -> WordArray:
    """Read the decimal number in the last `count` characters (1 to 8), known to be digits."""
    digit = word & (_LOW << _U(8 * (8 - count)))
    pair = digit * _U(10)
    digit >>= _U(8)
    pair += digit
    pair &= _PAIRS
    quad = pair * _U(100)
    pair >>= _U(16)
    quad += pair
    quad &= _QUADS
    value = quad * _U(10_000)
    quad >>= _U(32)
    value += quad
    value &= _U(0xFFFF_FFFF)
    return value


def first_blank(word: WordArray) -> NDArray[np.uint8]:
    """Return how many characters stand before the first blank of each word; 8 without one."""
    other = word ^ _BLANKS
    blank = (other - _ONES) & ~other & _TOPS  # the lowest marked byte is exact
    below: NDArray[np.uint8] = np.bitwise_count((blank & (~blank + _U(1))) - _U(1))
    return below >> np.uint8(3)

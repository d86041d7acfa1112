"""Numbers in text, many at a time: eight characters are one 64-bit word."""

from __future__ import annotations

from decimal import Decimal, InvalidOperation
from typing import Final

import numpy as np
from numpy.typing import NDArray

from canassist.model import BoolArray, ByteArray, IntArray

WordArray = NDArray[np.uint64]

FRONT: Final = 64
BACK: Final = 256
"""Blanks around a padded text, so that every window near its ends exists."""

WORD: Final = 8
"""Characters in a 64-bit word."""

NS_PER_S: Final = 1_000_000_000
LARGEST_NS: Final = (1 << 63) - 1
_LARGEST_DIGITS: Final = 19  # of that

_U = np.uint64
_ZEROS: Final = _U(0x3030_3030_3030_3030)
_HIGH_NIBBLES: Final = _U(0xF0F0_F0F0_F0F0_F0F0)
_SIXES: Final = _U(0x0606_0606_0606_0606)
_LOW_NIBBLES: Final = _U(0x0F0F_0F0F_0F0F_0F0F)
_ONES: Final = _U(0x0101_0101_0101_0101)
_TOP_BITS: Final = _U(0x8080_8080_8080_8080)
_EVERY_OTHER: Final = _U(0x00FF_00FF_00FF_00FF)
_PAIRS: Final = _U(0x0000_FFFF_0000_FFFF)

# For a number of n digits in an 8-character window: the characters that are not its own.
_LOW_MASK: Final[WordArray] = np.array(
    [(1 << 8 * (8 - n)) - 1 for n in range(9)], dtype=np.uint64
)  # the number ends with the window
_HIGH_MASK: Final[WordArray] = ~np.array([(1 << 8 * n) - 1 for n in range(9)], dtype=np.uint64)
# (the number begins with the window)

NOT_HEX: Final = 0xFF


def _hex_table() -> ByteArray:
    table = np.full(256, NOT_HEX, dtype=np.uint8)
    for letter in "0123456789abcdefABCDEF":
        table[ord(letter)] = int(letter, 16)
    return table


HEX_VALUE: Final[ByteArray] = _hex_table()
"""Value of a hexadecimal digit by its character code; `NOT_HEX` for any other character."""


def padded(text: bytes) -> ByteArray:
    """Return `text` as an array with blanks around it; positions count from `FRONT`."""
    whole = np.full(FRONT + len(text) + BACK, 0x20, dtype=np.uint8)
    whole[FRONT : FRONT + len(text)] = np.frombuffer(text, dtype=np.uint8)
    return whole


def words(buffer: ByteArray, position: IntArray) -> WordArray:
    """Return the 8 characters that begin at each position, first one in the lowest byte."""
    every = np.ndarray((len(buffer) - 7,), "<u8", buffer, strides=(1,))
    return every[position]


def windows(buffer: ByteArray, position: IntArray, width: int) -> ByteArray:
    """Return the `width` characters that begin at each position, shape (n, width)."""
    every = np.ndarray((len(buffer) - width + 1,), f"V{width}", buffer, strides=(1,))
    return every[position].view(np.uint8).reshape(len(position), width)


def _eight_digits(word: WordArray) -> tuple[WordArray, BoolArray]:
    """Value of 8 decimal digits, and whether they all are digits."""
    fine = ((word & _HIGH_NIBBLES) == _ZEROS) & (((word + _SIXES) & _HIGH_NIBBLES) == _ZEROS)
    pair = word - _ZEROS
    pair = pair * _U(10) + (pair >> _U(8))  # bytes 0, 2, 4, 6 hold two digits each
    keep = _U(0x0000_00FF_0000_00FF)
    high = (pair & keep) * _U(100 + (1_000_000 << 32))
    low = ((pair >> _U(16)) & keep) * _U(1 + (10_000 << 32))
    return (high + low) >> _U(32), fine


def decimal_integers(
    buffer: ByteArray, start: IntArray, end: IntArray
) -> tuple[IntArray, BoolArray]:
    """Read unsigned decimal integers of 1 to 16 digits.

    Parameters
    ----------
    buffer : array of uint8
        Padded text.
    start, end : array of int64, shape (n,)
        Where each number begins, and the position after its last digit.

    Returns
    -------
    value : array of int64, shape (n,)
    fine : array of bool, shape (n,)
        False where the text is not such a number; its value means nothing.
    """
    digits = end - start
    last = _LOW_MASK[np.clip(digits, 0, 8)]
    word = words(buffer, end - WORD)
    value, fine = _eight_digits((word & ~last) | (_ZEROS & last))
    total = value.view(np.int64)
    fine &= (digits > 0) & (digits <= 2 * WORD)
    if (digits > WORD).any():
        mask = _LOW_MASK[np.clip(digits - WORD, 0, WORD)]
        word = words(buffer, end - 2 * WORD)
        value, fine_high = _eight_digits((word & ~mask) | (_ZEROS & mask))
        total = total + value.view(np.int64) * 100_000_000
        fine &= fine_high
    return total, fine


def decimal_ns(
    buffer: ByteArray, start: IntArray, dot: IntArray, end: IntArray, *, unit_ns: int
) -> tuple[IntArray, BoolArray]:
    """Read unsigned decimal times as whole nanoseconds, rounded to the nearest.

    Parameters
    ----------
    buffer : array of uint8
        Padded text.
    start, dot, end : array of int64, shape (n,)
        Where each number begins, where its decimal point is (`end` where it has none),
        and the position after its last digit.
    unit_ns : int
        Length of the text's unit: 1, 1000, 10**6 or 10**9.

    Returns
    -------
    time_ns : array of int64, shape (n,)
    fine : array of bool, shape (n,)
        False where the text is not such a number, or too large for 64 bits.
    """
    whole, fine = decimal_integers(buffer, start, dot)
    fine &= whole < LARGEST_NS // unit_ns - 1
    time_ns = np.where(fine, whole, 0) * unit_ns
    places = end - dot - 1  # -1 where there is no point
    if (places > 0).any():
        part, fine_part = _fraction_ns(buffer, dot + 1, places, unit_ns)
        time_ns += part
        fine &= fine_part
    return time_ns, fine


def _fraction_ns(
    buffer: ByteArray, start: IntArray, places: IntArray, unit_ns: int
) -> tuple[IntArray, BoolArray]:
    mask = _HIGH_MASK[np.clip(places, 0, 8)]
    value, fine = _eight_digits((words(buffer, start) & ~mask) | (_ZEROS & mask))
    hundred_millionths = value.view(np.int64)
    if unit_ns < NS_PER_S:
        step = 100_000_000 // unit_ns
        return (hundred_millionths + step // 2) // step, fine
    part = hundred_millionths * 10
    long = np.flatnonzero(places > WORD)
    if len(long):
        tail, fine_tail = _tail_digits(buffer, start[long] + 8, places[long] - 8)
        part[long] += tail
        fine[long] &= fine_tail
    return part, fine


def _tail_digits(
    buffer: ByteArray, start: IntArray, places: IntArray
) -> tuple[IntArray, BoolArray]:
    """Ninth decimal, rounded by the tenth; further ones (at most 8 in all) must be digits."""
    mask = _HIGH_MASK[np.clip(places, 0, 8)]
    value, fine = _eight_digits((words(buffer, start) & ~mask) | (_ZEROS & mask))
    fine &= places <= WORD
    return (value.view(np.int64) + 5_000_000) // 10_000_000, fine


def hex_integers(buffer: ByteArray, start: IntArray, end: IntArray) -> tuple[IntArray, BoolArray]:
    """Read hexadecimal integers of 1 to 8 digits, without prefix.

    Returns
    -------
    value : array of int64, shape (n,)
    fine : array of bool, shape (n,)
        False where the text is not such a number; its value means nothing.
    """
    digits = end - start
    value, fine = hex_values(words(buffer, end - WORD), np.clip(digits, 0, WORD))
    return value, fine & (digits > 0) & (digits <= WORD)


def hex_values(word: WordArray, digits: IntArray) -> tuple[IntArray, BoolArray]:
    """Read the last `digits` (0 to 8) characters of each word as a hexadecimal number."""
    mask = _LOW_MASK[digits]
    nibbles, fine = _nibbles((word & ~mask) | (_ZEROS & mask))
    pair = ((nibbles << _U(4)) | (nibbles >> _U(8))) & _EVERY_OTHER
    quad = (pair | (pair >> _U(8))) & _PAIRS
    value = (quad | (quad >> _U(16))).astype(np.uint32).byteswap().astype(np.int64)
    return value, fine


def _nibbles(word: WordArray) -> tuple[WordArray, BoolArray]:
    letter = (word >> _U(6)) & _ONES
    nibble = (word & _LOW_NIBBLES) + letter * _U(9)
    wrong = (word & _TOP_BITS) >> _U(7)
    wrong |= ((word >> _U(4)) ^ letter ^ _ONES) & _ONES  # digits are 0x3., letters 0x4. or 0x6.
    wrong |= ~(word >> _U(5)) & ~letter & _ONES
    wrong |= ((nibble >> _U(4)) | (((nibble + _SIXES) >> _U(4)) ^ letter)) & _ONES
    return nibble, wrong == 0


def hex_bytes(characters: ByteArray) -> tuple[ByteArray, BoolArray]:
    """Turn pairs of hexadecimal digits into bytes.

    Parameters
    ----------
    characters : array of uint8, shape (n, w, 2)
        High digit first.

    Returns
    -------
    value : array of uint8, shape (n, w)
    fine : array of bool, shape (n, w)
    """
    digit = HEX_VALUE.take(characters)
    high, low = digit[..., 0], digit[..., 1]
    fine: BoolArray = (high | low) != NOT_HEX  # all bits set where one of the two is none
    return (high << np.uint8(4)) | (low & np.uint8(0x0F)), fine


def time_text_ns(text: str, *, unit_ns: int) -> int | None:
    """Read one decimal time as nanoseconds, or None where it is none.

    The slow and plain way: sign, exponent and decimal comma are allowed.
    """
    try:
        number = Decimal(text.strip().replace(",", "."))
    except InvalidOperation:
        return None
    if not number.is_finite() or number.adjusted() >= _LARGEST_DIGITS:
        return None
    if abs(number) * unit_ns >= LARGEST_NS:
        return None
    return int((number * unit_ns).to_integral_value())

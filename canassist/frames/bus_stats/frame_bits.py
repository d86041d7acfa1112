"""How many bits a frame takes on the bus.

Classic frames: ISO 11898-1 field lengths with the 3-bit gap to the next frame, as in the
Linux kernel's ``can/length.h`` (47 bits for an empty 11-bit frame, 67 for a 29-bit one).
Stuffed are all bits from the start of the frame to the end of its checksum.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from canassist.model import BoolArray, ByteArray, FrameFlag, IdArray, IntArray

_CRC15_POLYNOMIAL: Final = 0x4599
_CRC15_BITS: Final = 15
_STUFF_RUN: Final = 5

_STANDARD_EMPTY: Final = 47
_EXTENDED_EMPTY: Final = 67
_STANDARD_HEAD: Final = 19  # from the start of the frame to the end of its length code
_EXTENDED_HEAD: Final = 39
_FD_EMPTY: Final = 62  # 17-bit checksum and its 6 fixed stuff bits
_FD_LONG_CRC: Final = 5  # more for the 21-bit checksum, beyond 16 bytes
_FD_SHORT_BYTES: Final = 16
_FD_EXTENDED: Final = 19


def nominal_bits(length: int, *, extended: bool, remote: bool = False) -> int:
    """Bits of a classic frame without stuff bits, gap included."""
    data = 0 if remote else length
    return (_EXTENDED_EMPTY if extended else _STANDARD_EMPTY) + 8 * data


def fd_nominal_bits(length: int, *, extended: bool) -> int:
    """Bits of a CAN FD frame without dynamic stuff bits, gap included."""
    bits = _FD_EMPTY + 8 * length + (_FD_EXTENDED if extended else 0)
    return bits + (_FD_LONG_CRC if length > _FD_SHORT_BYTES else 0)


def stuff_bits(
    can_id: IdArray, extended: BoolArray, length: ByteArray, payload: ByteArray
) -> IntArray:
    """Count the stuff bits of classic data frames.

    After five bits alike, from the start of the frame to the end of its checksum, the sender
    puts one of the other kind, which counts for the next run.

    Parameters
    ----------
    can_id : array of uint32, shape (n,)
    extended : array of bool, shape (n,)
    length : array of uint8, shape (n,)
        0 to 8.
    payload : array of uint8, shape (n, 8)

    Returns
    -------
    array of int64, shape (n,)
    """
    bits, end = _plain_bits(can_id, extended, length, payload)
    _append_checksum(bits, end)
    end = end + _CRC15_BITS
    count = np.zeros(len(can_id), dtype=np.int64)
    run = np.zeros(len(can_id), dtype=np.int64)
    last = np.full(len(can_id), 2, dtype=np.uint8)  # neither of the two
    for place in range(bits.shape[1]):
        bit = bits[:, place]
        run = np.where(bit == last, run + 1, 1)
        full = (run == _STUFF_RUN) & (place < end)
        count += full
        last = np.where(full, 1 - bit, bit)
        run[full] = 1
    return count


def _plain_bits(
    can_id: IdArray, extended: BoolArray, length: ByteArray, payload: ByteArray
) -> tuple[ByteArray, IntArray]:
    """Return frames as bits from their start to the end of the data, and how many they are."""
    wide = can_id.astype(np.int64)
    short_head = (wide << 7) | length  # start, identifier, three zeros, length
    long_head = (wide >> 18 << 27) | (3 << 25) | ((wide & 0x3FFFF) << 7) | length
    head = np.where(extended, long_head, short_head)
    head_bits = np.where(extended, _EXTENDED_HEAD, _STANDARD_HEAD)
    bits = np.zeros((len(wide), _EXTENDED_HEAD + 64 + _CRC15_BITS), dtype=np.uint8)
    data = np.unpackbits(payload, axis=1)
    for size in (_STANDARD_HEAD, _EXTENDED_HEAD):
        rows = np.flatnonzero(head_bits == size)
        bits[rows, :size] = (head[rows, np.newaxis] >> np.arange(size)[::-1]) & 1
        bits[rows, size : size + 64] = data[rows]
    return bits, head_bits + 8 * length.astype(np.int64)


def _append_checksum(bits: ByteArray, end: IntArray) -> None:
    """Put each frame's checksum behind its bits (polynomial 0x4599, from zero)."""
    register = np.zeros(len(bits), dtype=np.int64)
    for place in range(int(end.max(initial=0))):
        top = (register >> (_CRC15_BITS - 1)) ^ bits[:, place]
        moved = (register << 1) & 0x7FFF
        moved ^= (top & 1) * _CRC15_POLYNOMIAL
        register = np.where(place < end, moved, register)
    rows = np.arange(len(bits))
    for place in range(_CRC15_BITS):
        bits[rows, end + place] = (register >> (_CRC15_BITS - 1 - place)) & 1


_LENGTHS: Final = 65
_SHAPE_FLAGS: Final = 0x1F  # extended, remote, error, FD, bit-rate switch
SHAPES: Final = (_SHAPE_FLAGS + 1) * _LENGTHS
"""Number of different frame shapes."""


def shapes_of(flags: ByteArray, length: ByteArray) -> NDArray[np.uint16]:
    """Return for each frame a number that stands for its flags and length, below `SHAPES`."""
    shape: NDArray[np.uint16] = (flags & np.uint8(_SHAPE_FLAGS)).astype(np.uint16)
    shape *= np.uint16(_LENGTHS)
    shape += np.minimum(length, np.uint8(_LENGTHS - 1))
    return shape


def _bits_of_shape(shape: int) -> int:
    flags, length = divmod(shape, _LENGTHS)
    if flags & FrameFlag.ERROR:
        return 0  # 17 to 23 bits in truth, and what it destroyed; too few to matter
    extended = bool(flags & FrameFlag.EXTENDED)
    if flags & FrameFlag.FD:
        return fd_nominal_bits(length, extended=extended)
    return nominal_bits(length, extended=extended, remote=bool(flags & FrameFlag.REMOTE))


SHAPE_BITS: Final[IntArray] = np.array([_bits_of_shape(n) for n in range(SHAPES)], dtype=np.int64)
"""Nominal bits of each shape; 0 for error frames."""

SWITCHES_RATE: Final[BoolArray] = np.array(
    [bool((n // _LENGTHS) & FrameFlag.BIT_RATE_SWITCH) for n in range(SHAPES)], dtype=np.bool_
)
"""Whether part of a frame of this shape is sent at another, unknown bit rate."""

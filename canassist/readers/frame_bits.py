"""How many bits a frame takes on the bus.

Classic frames: ISO 11898-1 field lengths with the 3-bit gap to the next frame, as in the
Linux kernel's ``can/length.h`` (47 bits for an empty 11-bit frame, 67 for a 29-bit one).
Stuffed are all bits from the start of the frame to the end of its checksum.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from canassist.model import BoolArray, ByteArray, FrameFlag, IntArray

CRC15_POLYNOMIAL: Final = 0x4599
_STUFF_RUN: Final = 5
_BITS_AFTER_CRC: Final = 13  # delimiter, acknowledge and its delimiter, 7 of end, 3 of gap

_STANDARD_EMPTY: Final = 47
_EXTENDED_EMPTY: Final = 67
_STANDARD_STUFFED: Final = 34  # of these are open to stuffing in an empty frame
_EXTENDED_STUFFED: Final = 54
_FD_EMPTY: Final = 62  # 17-bit checksum and its 6 fixed stuff bits
_FD_LONG_CRC: Final = 5  # more for the 21-bit checksum, beyond 16 bytes
_FD_SHORT_BYTES: Final = 16
_FD_EXTENDED: Final = 19


def nominal_bits(length: int, *, extended: bool, remote: bool = False) -> int:
    """Bits of a classic frame without stuff bits, gap included."""
    data = 0 if remote else length
    return (_EXTENDED_EMPTY if extended else _STANDARD_EMPTY) + 8 * data


def worst_bits(length: int, *, extended: bool, remote: bool = False) -> int:
    """Bits of a classic frame with as many stuff bits as there can be, gap included."""
    data = 0 if remote else length
    open_to_stuffing = (_EXTENDED_STUFFED if extended else _STANDARD_STUFFED) + 8 * data
    return nominal_bits(length, extended=extended, remote=remote) + (open_to_stuffing - 1) // 4


def fd_nominal_bits(length: int, *, extended: bool) -> int:
    """Bits of a CAN FD frame without dynamic stuff bits, gap included."""
    bits = _FD_EMPTY + 8 * length + (_FD_EXTENDED if extended else 0)
    return bits + (_FD_LONG_CRC if length > _FD_SHORT_BYTES else 0)


def crc15(bits: list[int]) -> int:
    """Checksum of a classic frame's bits (polynomial 0x4599, from zero)."""
    register = 0
    for bit in bits:
        top = (register >> 14) ^ bit
        register = (register << 1) & 0x7FFF
        if top & 1:
            register ^= CRC15_POLYNOMIAL
    return register


def _bits(value: int, width: int) -> list[int]:
    return [(value >> place) & 1 for place in reversed(range(width))]


def stuffed_bits(can_id: int, data: bytes, *, extended: bool, remote: int | None = None) -> str:
    """Return a classic frame from its start to the end of its checksum, stuffed.

    Parameters
    ----------
    can_id : int
    data : bytes
    extended : bool
    remote : int, optional
        Length asked for, where it is a remote frame.
    """
    is_remote = remote is not None
    code = len(data) if remote is None else remote
    if extended:
        head = [0, *_bits(can_id >> 18, 11), 1, 1, *_bits(can_id & 0x3FFFF, 18), int(is_remote), 0]
        head.append(0)
    else:
        head = [0, *_bits(can_id, 11), int(is_remote), 0, 0]
    plain = [*head, *_bits(code, 4)]
    for byte in data:
        plain += _bits(byte, 8)
    plain += _bits(crc15(plain), 15)
    return "".join(str(bit) for bit in _stuffed(plain))


def _stuffed(plain: list[int]) -> list[int]:
    out: list[int] = []
    run, last = 0, -1
    for bit in plain:
        run = run + 1 if bit == last else 1
        out.append(bit)
        last = bit
        if run == _STUFF_RUN:
            last = 1 - bit
            out.append(last)
            run = 1
    return out


def exact_bits(can_id: int, data: bytes, *, extended: bool, remote: int | None = None) -> int:
    """Bits that one classic frame takes on the bus, stuff bits and gap included."""
    stuffed = stuffed_bits(can_id, data, extended=extended, remote=remote)
    return len(stuffed) + _BITS_AFTER_CRC


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

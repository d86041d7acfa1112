"""Checksums over many payloads at a time."""

from __future__ import annotations

from functools import cache
from typing import Final

import numpy as np

from canassist.model import ByteArray

J1850_POLYNOMIAL: Final = 0x1D
_TOP_BIT: Final = 0x80


def crc8_j1850(data: ByteArray, *, start: int = 0xFF, final_xor: int = 0xFF) -> ByteArray:
    """Return the CRC-8 of SAE J1850 of each row.

    Parameters
    ----------
    data : array of uint8, shape (n, w)
        The bytes covered, in order.
    start, final_xor : int
        FF and FF in SAE J1850; AUTOSAR's E2E profile 1 takes the same polynomial with 0 and 0.

    Returns
    -------
    array of uint8, shape (n,)

    References
    ----------
    Catalogue entry CRC-8/SAE-J1850 (polynomial 1D): 4B over ASCII "123456789".
    """
    table = _table()
    crc = np.full(len(data), start, dtype=np.uint8)
    for column in data.T:
        crc = table[crc ^ column]
    return crc ^ np.uint8(final_xor)


def xor8(data: ByteArray) -> ByteArray:
    """Return the exclusive or of each row's bytes, shape (n,)."""
    total: ByteArray = np.bitwise_xor.reduce(data, axis=1)
    return total


def sum8(data: ByteArray) -> ByteArray:
    """Return the sum of each row's bytes modulo 256, shape (n,)."""
    total: ByteArray = data.sum(axis=1, dtype=np.uint8)
    return total


@cache
def _table() -> ByteArray:
    crc = np.arange(256, dtype=np.uint16)
    for _ in range(8):
        shifted = (crc << 1) & 0xFF
        crc = np.where(crc & _TOP_BIT, shifted ^ J1850_POLYNOMIAL, shifted).astype(np.uint16)
    return crc.astype(np.uint8)

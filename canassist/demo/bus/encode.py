"""Physical values to payload bytes, whole columns at a time."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from canassist.demo.bus.message_layout import MessageSpec, SignalSpec
from canassist.model import ByteArray, FloatArray, IntArray

_Words = NDArray[np.uint64]

_PAYLOAD_BYTES: Final = 8
_J1850_POLYNOMIAL = 0x1D
_COUNTER_MODULUS = 16


def to_raw(values: FloatArray, spec: SignalSpec) -> IntArray:
    """Return raw values: scaled, rounded, kept in range; NaN becomes "no value".

    Raises
    ------
    ValueError
        If a value is NaN and the signal has no code for it.
    """
    low, high = spec.raw_range
    missing = np.isnan(values)
    if missing.any() and spec.no_value is None:
        raise ValueError(f'signal "{spec.name}" has no code for "no value"')
    scaled = np.rint((np.where(missing, 0.0, values) - spec.offset) / spec.scale)
    raw = np.clip(scaled, low, high).astype(np.int64)
    return np.where(missing, spec.no_value or 0, raw)


def to_physical(raw: IntArray, spec: SignalSpec) -> FloatArray:
    """Return what a reader of the database makes of raw values; "no value" becomes NaN."""
    values = raw * spec.scale + spec.offset
    if spec.no_value is None:
        return np.asarray(values, dtype=np.float64)
    return np.where(raw == spec.no_value, np.nan, values)


def encode(message: MessageSpec, raw: Mapping[str, IntArray], count: int) -> ByteArray:
    """Pack raw values into payloads, shape (count, 8); counter and checksum are added.

    Signals of a page are packed where the selector shows that page.
    """
    word = np.zeros(count, dtype=np.uint64)
    pages = next((raw[spec.name] for spec in message.signals if spec.selector), None)
    for spec in message.signals:
        if spec.name not in raw:
            continue
        bits = raw[spec.name].astype(np.uint64) & np.uint64((1 << spec.length) - 1)
        if spec.page is not None and pages is not None:
            bits = bits * (pages == spec.page).astype(np.uint64)
        word |= _placed(bits, spec)
    payload = word.view(np.uint8).reshape(count, _PAYLOAD_BYTES).copy()
    if message.checksum:
        place = message.signal(message.checksum).start // 8
        rest = [column for column in range(message.length) if column != place]
        payload[:, place] = crc8_j1850(payload[:, rest])
    return payload


def counter_values(count: int) -> IntArray:
    """Return the alive counter of `count` frames: 0 to 15 and again."""
    return np.arange(count, dtype=np.int64) % _COUNTER_MODULUS


def crc8_j1850(payload: ByteArray) -> ByteArray:
    """Return the SAE J1850 checksum of each row (polynomial 1D, start FF, result inverted)."""
    table = _crc_table()
    crc = np.full(len(payload), 0xFF, dtype=np.uint8)
    for column in range(payload.shape[1]):
        crc = table[crc ^ payload[:, column]]
    return crc ^ np.uint8(0xFF)


@cache
def _crc_table() -> ByteArray:
    table = []
    for byte in range(256):
        crc = byte
        for _ in range(8):
            crc = (crc << 1) ^ (0x100 | _J1850_POLYNOMIAL) * (crc >> 7)
        table.append(crc)
    return np.array(table, dtype=np.uint8)


def _placed(bits: _Words, spec: SignalSpec) -> _Words:
    """Move a signal's bits to their place in a little-endian 64-bit word."""
    if not spec.big_endian:
        return bits << np.uint64(spec.start)
    # Counted from the first byte's top bit, a big-endian signal is one run of bits.
    first = 8 * (spec.start // 8) + 7 - spec.start % 8
    moved = bits << np.uint64(64 - first - spec.length)
    return moved.byteswap()

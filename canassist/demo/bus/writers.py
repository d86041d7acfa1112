"""Frames as log files: candump text by columns, ASC and BLF through python-can."""

from __future__ import annotations

import gzip
import io
import lzma
from collections.abc import Iterator
from datetime import datetime
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from can import Message

from canassist.demo.bus.frame_table import FrameTable
from canassist.model import ByteArray, IntArray

_BLOCK_FRAMES: Final = 65_536
_HEX: Final = np.frombuffer(b"0123456789ABCDEF", dtype=np.uint8)
_ERROR_BIT: Final = 0x2000_0000
_SECOND_US: Final = 1_000_000


def log_bytes(ending: str, table: FrameTable, start: datetime, *, quick: bool = False) -> bytes:
    """Return frames as a log file of the format that its ending says.

    Parameters
    ----------
    ending : str
        ``.log.gz`` or ``.log.xz`` (candump), ``.asc.gz`` or ``.blf``.
    table : FrameTable
        In time order.
    start : datetime
        Of the first frame; with time zone.
    quick : bool
        Compress less and sooner.

    Raises
    ------
    ValueError
        If the ending is none of these.

    Notes
    -----
    The same frames give the same bytes: no clock and no path gets into the file.
    """
    makers = {".log.gz": _candump, ".log.xz": _candump_xz, ".asc.gz": _asc, ".blf": _blf}
    if ending not in makers:
        raise ValueError(f"no writer for {ending}")
    return makers[ending](table, start, 1 if quick else 9)


def candump_lines(table: FrameTable, start_us: int) -> bytes:
    """Return frames as candump's compact lines.

    Parameters
    ----------
    table : FrameTable
        Frames to write.
    start_us : int
        Microseconds since 1970 of the first one.
    """
    width = len("(1234567890.123456) can0 12345678#0011223344556677\n")
    text = np.full((len(table), width), ord(" "), dtype=np.uint8)
    keep = np.ones((len(table), width), dtype=np.bool_)
    stamp = table.time_us + start_us
    text[:, 0] = ord("(")
    _digits(text, slice(1, 11), stamp // _SECOND_US)
    text[:, 11] = ord(".")
    _digits(text, slice(12, 18), stamp % _SECOND_US)
    text[:, 18:24] = np.frombuffer(b") can0", dtype=np.uint8)
    text[:, 23] = ord("0") + table.bus
    shown = table.can_id | np.where(table.error, _ERROR_BIT, 0).astype(np.uint32)
    for place in range(8):
        text[:, 25 + place] = _HEX[(shown >> np.uint32(28 - 4 * place)) & 0xF]
    keep[:, 25:30] = (table.extended | table.error)[:, None]
    text[:, 33] = ord("#")
    text[:, 34:50:2] = _HEX[table.payload >> 4]
    text[:, 35:50:2] = _HEX[table.payload & 0xF]
    keep[:, 34:50] = np.repeat(np.arange(8) < table.length[:, None], 2, axis=1)
    text[:, 50] = ord("\n")
    return text[keep].tobytes()


def _digits(text: ByteArray, place: slice, number: IntArray) -> None:
    """Write a column of numbers in decimal, with leading zeros."""
    for column in range(place.stop - 1, place.start - 1, -1):
        number, digit = np.divmod(number, 10)
        text[:, column] = digit + ord("0")


def _candump(table: FrameTable, start: datetime, level: int) -> bytes:
    start_us = round(start.timestamp() * _SECOND_US)
    whole = io.BytesIO()
    with gzip.GzipFile("", "wb", level, whole, mtime=0) as packed:
        for first in range(0, len(table), _BLOCK_FRAMES):
            packed.write(candump_lines(table.rows(slice(first, first + _BLOCK_FRAMES)), start_us))
    return whole.getvalue()


def _candump_xz(table: FrameTable, start: datetime, level: int) -> bytes:
    lines = candump_lines(table, round(start.timestamp() * _SECOND_US))
    return lzma.compress(lines, preset=level)


def _asc(table: FrameTable, start: datetime, level: int) -> bytes:
    import can  # noqa: PLC0415 - half a second that simulating alone does not need

    text = io.StringIO()
    with can.ASCWriter(text) as writer:
        for message in _messages(table, 0):
            writer.on_message_received(message)
        written = text.getvalue()
    # python-can dates the file by this machine's clock and zone: put the ride's own date there.
    day = f"{start:%a %b %d %H:%M:%S}.000 {start:%Y}"
    lines = written.split("\n")
    lines[0] = f"date {day}"
    block = next(k for k, line in enumerate(lines) if line.startswith("Begin Triggerblock"))
    lines[block] = f"Begin Triggerblock {day}"
    whole = io.BytesIO()
    with gzip.GzipFile("", "wb", level, whole, mtime=0) as packed:
        packed.write("\n".join(lines).encode("ascii"))
    return whole.getvalue()


def _blf(table: FrameTable, start: datetime, level: int) -> bytes:
    import can  # noqa: PLC0415 - half a second that simulating alone does not need

    whole = io.BytesIO()
    writer = can.BLFWriter(whole, compression_level=level)
    keep_open = whole.close
    whole.close = lambda: None  # type: ignore[method-assign]  # stop() would drop the bytes
    for message in _messages(table, round(start.timestamp() * _SECOND_US)):
        writer.on_message_received(message)
    writer.stop()
    packed = whole.getvalue()
    keep_open()
    return packed


def _messages(table: FrameTable, start_us: int) -> Iterator[Message]:
    import can  # noqa: PLC0415 - half a second that simulating alone does not need

    columns = zip(
        (table.time_us + start_us).tolist(),
        table.bus.tolist(),
        table.can_id.tolist(),
        table.extended.tolist(),
        table.error.tolist(),
        table.length.tolist(),
        strict=True,
    )
    raw = table.payload.tobytes()
    for row, (stamp, bus, can_id, extended, error, length) in enumerate(columns):
        yield can.Message(
            timestamp=stamp / _SECOND_US,
            arbitration_id=can_id,
            is_extended_id=extended,
            is_error_frame=error,
            channel=bus,
            dlc=length,
            data=raw[8 * row : 8 * row + length],
        )

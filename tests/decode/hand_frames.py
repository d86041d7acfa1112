"""Frames written by hand, and the bus statistics that go with them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING

import can
import numpy as np

from canassist.decode import FrameCollector
from canassist.model import (
    EXTENDED_KEY,
    BusStats,
    FloatArray,
    FrameBlock,
    FrameFlag,
    FrameSource,
    IdStats,
    MessageFrames,
)

if TYPE_CHECKING:
    from pathlib import Path

NS = 1_000_000_000

Line = tuple[float, str]
"""Time in seconds, and identifier and data as a candump line has them: ``7E8#03410D12``."""


def extended(can_id: int) -> int:
    """Return the key of a 29-bit identifier."""
    return can_id | EXTENDED_KEY


def column(
    key: int, rows: Sequence[bytes], *, bus: int = 0, time_s: Sequence[float] | None = None
) -> MessageFrames:
    """Return frames of one identifier, 10 ms apart unless told."""
    width = 8 if max((len(row) for row in rows), default=0) <= 8 else 64
    payload = np.zeros((len(rows), width), dtype=np.uint8)
    for row, data in zip(payload, rows, strict=True):
        row[: len(data)] = list(data)
    times: FloatArray = np.arange(len(rows)) / 100.0
    if time_s is not None:
        times = np.array(time_s, dtype=np.float64)
    return MessageFrames(
        source=FrameSource(bus, key),
        time_s=times,
        payload=payload,
        length=np.array([len(row) for row in rows], dtype=np.uint8),
    )


def ride(*lines: Line, bus: int = 0) -> dict[FrameSource, MessageFrames]:
    """Return frames by identifier; 8 digits of identifier mean 29 bits."""
    found: dict[int, list[tuple[float, bytes]]] = {}
    for time_s, text in lines:
        name, _, data = text.partition("#")
        key = int(name, 16) | (EXTENDED_KEY if len(name) == 8 else 0)
        found.setdefault(key, []).append((time_s, bytes.fromhex(data)))
    return {
        FrameSource(bus, key): column(
            key, [data for _, data in rows], bus=bus, time_s=[t for t, _ in rows]
        )
        for key, rows in found.items()
    }


def stats_of(
    frames: Mapping[FrameSource, MessageFrames], buses: tuple[str, ...] = ("can0", "can1")
) -> BusStats:
    """Return statistics of a log that holds exactly these frames."""
    last = max((float(one.time_s[-1]) for one in frames.values() if len(one.time_s)), default=0.0)
    ids = tuple(
        IdStats(
            source=source,
            count=len(one.time_s),
            first_s=float(one.time_s[0]),
            last_s=float(one.time_s[-1]),
            period_s=float(np.median(np.diff(one.time_s))) if len(one.time_s) > 1 else np.nan,
            jitter_s=0.0,
            longest_silence_s=0.0,
        )
        for source, one in frames.items()
    )
    return BusStats(
        buses=buses,
        frames=sum(len(one.time_s) for one in frames.values()),
        error_frames=0,
        duration_s=last,
        ids=ids,
        error_time_s=np.empty(0),
        error_class=np.empty(0, dtype=np.uint32),
    )


def block_of(messages: Iterable[can.Message], buses: list[str]) -> FrameBlock:
    """Return python-can's messages as one block with every payload."""
    rows = list(messages)
    payload = np.zeros((len(rows), 64), dtype=np.uint8)
    for row, message in zip(payload, rows, strict=True):
        row[: len(message.data)] = list(message.data)
    names = [str(message.channel) for message in rows]
    buses += [name for name in dict.fromkeys(names) if name not in buses]
    return FrameBlock(
        time_ns=np.array([round(message.timestamp * NS) for message in rows], dtype=np.int64),
        bus=np.array([buses.index(name) for name in names], dtype=np.uint8),
        can_id=np.array([message.arbitration_id for message in rows], dtype=np.uint32),
        flags=np.array([_flags(message) for message in rows], dtype=np.uint8),
        length=np.array([len(message.data) for message in rows], dtype=np.uint8),
        payload=payload,
        payload_row=np.arange(len(rows)),
    )


def recording(*paths: Path) -> tuple[dict[FrameSource, MessageFrames], BusStats]:
    """Read whole recordings with python-can: frames by identifier, and statistics."""
    buses: list[str] = []
    collector = FrameCollector()
    zero = None
    for path in paths:
        with can.LogReader(path) as log:
            block = block_of(log, buses)
        zero = int(block.time_ns.min()) if zero is None else min(zero, int(block.time_ns.min()))
        collector.feed(block)
    frames = collector.finish(zero or 0)
    return frames, stats_of(frames, tuple(buses))


def _flags(message: can.Message) -> int:
    flags = FrameFlag(0)
    if message.is_extended_id:
        flags |= FrameFlag.EXTENDED
    if message.is_remote_frame:
        flags |= FrameFlag.REMOTE
    if message.is_error_frame:
        flags |= FrameFlag.ERROR
    return int(flags)

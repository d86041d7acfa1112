"""All frames of a simulated ride in time order, as columns."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from canassist.demo import memory
from canassist.demo.bus.background import Background, background_frames
from canassist.demo.bus.message_layout import MessageSpec
from canassist.demo.plant import faults
from canassist.demo.simulated import SimulatedRide
from canassist.model import BoolArray, ByteArray, FloatArray, IdArray, IntArray

_REQUEST_ID, _REPLY_ID = 0x7DF, 0x7E8
_REPLY_AFTER_S = 0.004
_ERROR_ID = 0x08
"""Protocol violation (class bits of linux/can/error.h)."""
_ERROR_DETAIL = np.array([0, 0, 4, 0, 0, 0, 0, 0], dtype=np.uint8)
"""Stuffing error, in the third byte."""
_EMPTY_BITS, _EXTENDED_BITS, _BYTE_BITS = 47, 67, 8


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameTable:
    """Frames in time order; arrays of shape (n,), payload (n, 8).

    ``time_us`` counts from the ride's first frame.
    """

    time_us: IntArray
    bus: ByteArray
    can_id: IdArray
    extended: BoolArray
    error: BoolArray
    length: ByteArray
    payload: ByteArray

    def __len__(self) -> int:
        return len(self.time_us)

    def rows(self, chosen: IntArray | slice) -> FrameTable:
        """Return some of the frames."""
        columns = {name: getattr(self, name)[chosen] for name in self.__dataclass_fields__}
        return FrameTable(**columns)

    def bits(self) -> IntArray:
        """Return each frame's length on the wire, without stuffing, in bits."""
        empty = np.where(self.extended, _EXTENDED_BITS, _EMPTY_BITS)
        return np.asarray(empty + _BYTE_BITS * self.length.astype(np.int64), dtype=np.int64)


def all_frames(ride: SimulatedRide, background: tuple[Background, ...]) -> FrameTable:
    """Return the ride's messages among others.

    Parameters
    ----------
    ride : SimulatedRide
        What the vehicle itself sends.
    background : tuple of Background
        What else is on the bus, `background.QUIET` or `background.BUSY`.

    Returns
    -------
    FrameTable
        Frames of one bus never overlap: each waits until the one before is through.
    """
    scenario = ride.scenario
    parts = [_part(item.time_s, item.payload(), _of(item.message)) for item in ride.sent]
    for place, message in enumerate(background):
        times, payload = background_frames(message, place, scenario.seconds, scenario.seed)
        heard = _heard(ride, times)
        parts.append(_part(times[heard], payload[heard], _of(message)))
    parts += _tester(ride)
    errors = memory.error_times(scenario)
    if len(errors):
        payload = np.tile(_ERROR_DETAIL, (len(errors), 1))
        parts.append(_part(errors, payload, _Kind(_ERROR_ID, 8, error=True)))
    return _in_turn(_joined(parts), scenario.layout.bit_rate)


def bus_load(table: FrameTable, bit_rate: int) -> float:
    """Return the share of the bus's capacity in use, without stuffing."""
    seconds = (table.time_us[-1] - table.time_us[0]) / 1e6
    return float(table.bits().sum() / (seconds * bit_rate))


class _Kind(NamedTuple):
    """What all frames of one message have in common."""

    can_id: int
    length: int
    extended: bool = False
    error: bool = False
    bus: int = 0


def _of(message: MessageSpec | Background) -> _Kind:
    bus = message.bus if isinstance(message, MessageSpec) else 0
    return _Kind(message.can_id, message.length, message.extended, bus=bus)


def _part(times: FloatArray, payload: ByteArray, kind: _Kind) -> FrameTable:
    count = len(times)
    return FrameTable(
        time_us=np.rint(times * 1e6).astype(np.int64),
        bus=np.full(count, kind.bus, dtype=np.uint8),
        can_id=np.full(count, kind.can_id, dtype=np.uint32),
        extended=np.full(count, kind.extended),
        error=np.full(count, kind.error),
        length=np.full(count, kind.length, dtype=np.uint8),
        payload=payload,
    )


def _joined(parts: list[FrameTable]) -> FrameTable:
    names = FrameTable.__dataclass_fields__
    table = FrameTable(
        **{name: np.concatenate([getattr(part, name) for part in parts]) for name in names}
    )
    return table.rows(np.argsort(table.time_us, kind="stable"))


def _in_turn(table: FrameTable, bit_rate: int) -> FrameTable:
    """Let each frame wait for the one before it on its bus."""
    time_us = table.time_us.copy()
    lasts_us = np.ceil(table.bits() * 1e6 / bit_rate).astype(np.int64)
    for bus in np.unique(table.bus):
        own = np.flatnonzero(table.bus == bus)
        used = np.cumsum(lasts_us[own])
        time_us[own] = used + np.maximum.accumulate(time_us[own] - used)
    columns = {name: getattr(table, name) for name in table.__dataclass_fields__}
    moved = FrameTable(**{**columns, "time_us": time_us})
    return moved.rows(np.argsort(time_us, kind="stable"))


def _heard(ride: SimulatedRide, times: FloatArray) -> BoolArray:
    heard = np.ones(len(times), dtype=np.bool_)
    for fault in ride.scenario.faults:
        if isinstance(fault, faults.RecorderGap):
            heard &= (times < fault.from_s) | (times >= fault.until_s)
    return heard


def _tester(ride: SimulatedRide) -> list[FrameTable]:
    """Return a tester's requests for stored codes (OBD-II service 03) and the replies."""
    parts = []
    for fault in ride.scenario.faults:
        if not isinstance(fault, faults.StoredCode):
            continue
        times = memory.code_times(ride.scenario, fault) + 0.0003
        ask = np.tile(np.array([1, 3, 0, 0, 0, 0, 0, 0], dtype=np.uint8), (len(times), 1))
        answer = np.array([4, 0x43, 1, *fault.raw, 0, 0, 0], dtype=np.uint8)
        parts.append(_part(times, ask, _Kind(_REQUEST_ID, 8)))
        replies = np.tile(answer, (len(times), 1))
        parts.append(_part(times + _REPLY_AFTER_S, replies, _Kind(_REPLY_ID, 8)))
    return parts

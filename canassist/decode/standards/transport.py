"""Messages longer than a frame: ISO-TP (ISO 15765-2) and J1939's transport protocol.

Recordings start and stop anywhere and lose frames, so a message with a part missing is
dropped and counted, and the next one starts afresh.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from canassist.decode.standards.j1939 import (
    FRAME_BYTES,
    TRANSPORT_CONTROL,
    TRANSPORT_DATA,
    group_of,
)
from canassist.model import EXTENDED_KEY, BoolArray, FrameSource

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from canassist.model import MessageFrames


class Payload(NamedTuple):
    """A whole message: when its last frame came, and its bytes."""

    time_s: float
    data: bytes


SINGLE, FIRST, CONSECUTIVE, FLOW = range(4)
"""Upper half of the first byte of an ISO-TP frame."""

MAX_SINGLE: Final = 7
MIN_FIRST: Final = 8
"""A first frame that announces less would have been a single frame: to be ignored."""

CONSECUTIVE_TIMEOUT_S: Final = 1.0
"""ISO 15765-2, N_Cr (from memory)."""

ISO_TP_SHARE: Final = 0.9
"""Share of an identifier's frames that must be well formed to take it for ISO-TP."""

_FLOW_STATES: Final = 3


def iso_tp_share(frames: MessageFrames) -> float:
    """Return which share of the frames is a well-formed ISO-TP frame (0..1)."""
    first = frames.payload[:, 0]
    kind, low = first >> 4, first & 0x0F
    has_room = frames.length > low
    good = (kind == SINGLE) & (low >= 1) & (low <= MAX_SINGLE) & has_room
    good |= long_single_frames(frames)
    good |= (kind == FIRST) & (frames.length >= MIN_FIRST) & (_announced(frames) >= MIN_FIRST)
    good |= (kind == CONSECUTIVE) & (frames.length >= 2)  # noqa: PLR2004 - number and a byte
    good |= (kind == FLOW) & (low < _FLOW_STATES) & (frames.length >= 3)  # noqa: PLR2004 - its fields
    return float(np.mean(good & (frames.length > 0))) if len(good) else 0.0


def single_frames(frames: MessageFrames) -> BoolArray:
    """Tell which frames are a whole ISO-TP message, shape (n,)."""
    first = frames.payload[:, 0]
    return (first >= 1) & (first <= MAX_SINGLE) & (frames.length > first)


def long_single_frames(frames: MessageFrames) -> BoolArray:
    """Tell which frames are a whole message in one CAN FD frame of more than 8 bytes, shape (n,).

    The first byte is 0 and the second the length (ISO 15765-2:2016, from memory).
    """
    size = frames.payload[:, 1].astype(np.int64)
    is_long: BoolArray = (frames.payload[:, 0] == 0) & (frames.length > MIN_FIRST)
    is_long &= (size > 0) & (size + 2 <= frames.length)
    return is_long


def reassemble_iso_tp(frames: MessageFrames) -> Iterator[Payload]:
    """Put ISO-TP messages together, single frames among them.

    Parameters
    ----------
    frames : MessageFrames
        All frames of one identifier, normal addressing.

    Yields
    ------
    Payload
        In time order. A message whose parts do not follow on, or come more than 1 s apart,
        is dropped.

    References
    ----------
    ISO 15765-2 as described in two public articles: a length of 0 or above 7 in a single
    frame and of 7 or below in a first frame is to be ignored.
    """
    open_message: _Open | None = None
    rows = zip(frames.time_s.tolist(), frames.payload, frames.length.tolist(), strict=True)
    for time_s, row, length in rows:
        data = row[:length].tobytes()
        kind = data[0] >> 4 if data else -1
        if kind == SINGLE:
            whole = _single(data)
            if whole:
                open_message = None
                yield Payload(time_s, whole)
        elif kind == FIRST and length >= MIN_FIRST:
            size = (data[0] & 0x0F) << 8 | data[1]
            open_message = _Open(size, time_s, data[2:]) if size >= MIN_FIRST else None
        elif kind == CONSECUTIVE and open_message is not None:
            if not open_message.take(data, time_s):
                open_message = None
            elif open_message.complete:
                yield Payload(time_s, open_message.whole)
                open_message = None


def _single(data: bytes) -> bytes:
    """Return the message in a single frame, empty where its length is wrong."""
    size, start = data[0] & 0x0F, 1
    if size == 0 and len(data) > MIN_FIRST:
        size, start = data[1], 2
    elif size > MAX_SINGLE:
        return b""
    return data[start : start + size] if len(data) >= start + size else b""


@dataclass(slots=True)
class _Open:
    """An ISO-TP message that waits for its next part."""

    size: int
    time_s: float
    data: bytes
    next_number: int = 1

    def take(self, frame: bytes, time_s: float) -> bool:
        late = time_s - self.time_s > CONSECUTIVE_TIMEOUT_S
        if late or frame[0] & 0x0F != self.next_number:
            return False
        self.data += frame[1:]
        self.time_s = time_s
        self.next_number = (self.next_number + 1) & 0x0F
        return True

    @property
    def complete(self) -> bool:
        return len(self.data) >= self.size

    @property
    def whole(self) -> bytes:
        return self.data[: self.size]


def _announced(frames: MessageFrames) -> NDArray[np.uint16]:
    head = frames.payload[:, :2].astype(np.uint16)
    length: NDArray[np.uint16] = (head[:, 0] & np.uint16(0x0F)) * np.uint16(256) + head[:, 1]
    return length


class GroupPayload(NamedTuple):
    """A whole J1939 message: when it was complete, who sent which group, and its bytes."""

    time_s: float
    bus: int
    group: int
    address: int
    data: bytes


REQUEST_TO_SEND: Final = 0x10
BROADCAST_ANNOUNCE: Final = 0x20
ABORT: Final = 0xFF
PACKET_BYTES: Final = 7
MAX_GROUP_BYTES: Final = 1785
PACKET_TIMEOUT_S: Final = 1.25
"""SAE J1939-21: T2, the longest of its waits for a packet (from memory; T1 is 0.75 s)."""


def reassemble_j1939(
    frames: Mapping[FrameSource, MessageFrames], buses: frozenset[int]
) -> Iterator[GroupPayload]:
    """Put J1939 multi-packet messages together, broadcast (BAM) and addressed (RTS/CTS).

    Parameters
    ----------
    frames : mapping of FrameSource to MessageFrames
        All that was read; the transport groups are picked out.
    buses : frozenset of int
        Buses that carry J1939.

    Yields
    ------
    GroupPayload
        In time order on each bus. Packets may come twice or out of order; a message with
        one missing is dropped.

    References
    ----------
    SAE J1939-21: announcement as on a public tutorial page on BAM, the rest from memory.
    """
    for bus in sorted(buses):
        sessions: dict[tuple[int, int], _Session] = {}
        for time_s, key, data in _transport_frames(frames, bus):
            ends = (key & 0xFF, key >> 8 & 0xFF)  # source and destination address
            if group_of(key) == TRANSPORT_CONTROL:
                _control(sessions, ends, data, time_s)
            elif ends in sessions:
                session = sessions[ends]
                if not session.take(data, time_s):
                    del sessions[ends]
                elif session.complete:
                    yield GroupPayload(time_s, bus, session.group, ends[0], session.whole)
                    del sessions[ends]


def _transport_frames(
    frames: Mapping[FrameSource, MessageFrames], bus: int
) -> list[tuple[float, int, bytes]]:
    """All transport frames of a bus in time order, control before data at one time."""
    found = []
    for source, column in frames.items():
        if source.bus != bus or not source.key & EXTENDED_KEY:
            continue
        group = group_of(source.key)
        if group in (TRANSPORT_CONTROL, TRANSPORT_DATA):
            rows = zip(column.time_s.tolist(), column.payload, column.length, strict=True)
            found += [
                (t, group != TRANSPORT_CONTROL, source.key, row[:n].tobytes()) for t, row, n in rows
            ]
    found.sort(key=lambda item: item[:2])
    return [(time_s, key, data) for time_s, _, key, data in found]


def _control(
    sessions: dict[tuple[int, int], _Session], ends: tuple[int, int], data: bytes, time_s: float
) -> None:
    if len(data) < FRAME_BYTES:
        return
    size, group = data[1] | data[2] << 8, data[5] | data[6] << 8 | data[7] << 16
    if data[0] in (REQUEST_TO_SEND, BROADCAST_ANNOUNCE):
        packets = -(-size // PACKET_BYTES)
        sessions.pop(ends, None)
        if FRAME_BYTES < size <= MAX_GROUP_BYTES and data[3] == packets:
            sessions[ends] = _Session(size, packets, group, time_s)
    elif data[0] == ABORT:
        sessions.pop(ends, None)
        sessions.pop((ends[1], ends[0]), None)


@dataclass(slots=True)
class _Session:
    """A J1939 message that waits for its packets."""

    size: int
    packets: int
    group: int
    time_s: float
    parts: dict[int, bytes] = field(default_factory=dict)

    def take(self, frame: bytes, time_s: float) -> bool:
        if time_s - self.time_s > PACKET_TIMEOUT_S or len(frame) < FRAME_BYTES:
            return False
        self.time_s = time_s
        if 1 <= frame[0] <= self.packets:
            self.parts[frame[0]] = frame[1:]
        return True

    @property
    def complete(self) -> bool:
        return len(self.parts) == self.packets

    @property
    def whole(self) -> bytes:
        return b"".join(self.parts[number] for number in sorted(self.parts))[: self.size]

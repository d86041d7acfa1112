"""OBD-II replies that need no database: service 01 in 11- and 29-bit addressing."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from canassist.decode.standards.j1939 import StandardQuantity
from canassist.decode.standards.transport import (
    CONSECUTIVE,
    FIRST,
    ISO_TP_SHARE,
    iso_tp_share,
    long_single_frames,
    reassemble_iso_tp,
    single_frames,
)
from canassist.model import EXTENDED_KEY, FloatArray, FrameSource, IdMask, IntArray, MessageFrames

if TYPE_CHECKING:
    from canassist.model import BoolArray

CURRENT_DATA: Final = 0x41
"""Reply to service 01: the service plus 40."""

POSITIVE: Final = 0x40
NEGATIVE: Final = 0x7F

FUNCTIONAL_REQUEST: Final = 0x7DF
FIRST_REQUEST_ID: Final = 0x7E0
FUNCTIONAL_REQUEST_29: Final = 0x18DB_33F1
PHYSICAL_REQUEST_29: Final = 0x18DA_00F1
FIRST_REPLY_ID: Final = 0x7E8
LAST_REPLY_ID: Final = 0x7EF
REPLY_MASK: Final = IdMask(0x1FFF_FF00, 0x18DA_F100)
"""29-bit replies to the tester F1, from every unit."""

REPLY_SHARE: Final = 0.9
"""Share of an identifier's single frames that must be replies, to take it for diagnosis."""


class Pid(NamedTuple):
    """How a parameter of service 01 becomes a value."""

    number: int
    channel: str
    unit: str
    size: int
    scale: float
    offset: float = 0.0

    @property
    def name(self) -> str:
        """Its name in results and profiles."""
        return f"OBD.PID_{self.number:02X}"


PIDS: Final = (
    Pid(0x0C, "engine_speed", "rpm", 2, 0.25),
    Pid(0x0D, "vehicle_speed", "km/h", 1, 1.0),
    Pid(0x42, "system_voltage", "V", 2, 0.001),
    Pid(0x05, "coolant_temperature", "degC", 1, 1.0, -40.0),
    Pid(0x46, "ambient_temperature", "degC", 1, 1.0, -40.0),
    Pid(0x5C, "", "degC", 1, 1.0, -40.0),
    Pid(0x1F, "", "s", 2, 1.0),
)
"""SAE J1979: 05, 0C, 0D and 42 as in public tables; 1F, 46 and 5C from memory."""

OBD_NAMES: Final = frozenset(pid.name for pid in PIDS)

_BY_NUMBER: Final = {pid.number: pid for pid in PIDS}

_SIZES: Final = {
    number: size
    for size, numbers in (
        (1, (*range(0x04, 0x0C), *range(0x0D, 0x10), *range(0x11, 0x14), 0x1C, 0x1D, 0x1E)),
        (1, (*range(0x2C, 0x31), 0x33, *range(0x45, 0x4D), 0x51, 0x52, 0x5A, 0x5B, 0x5C)),
        (1, (0x61, 0x62)),
        (2, (0x02, 0x03, 0x0C, 0x10, *range(0x14, 0x1C), 0x1F, 0x21, 0x22, 0x23, 0x31, 0x32)),
        (2, (*range(0x3C, 0x40), 0x42, 0x43, 0x44, 0x4D, 0x4E, 0x53, 0x54, 0x59, 0x5D, 0x5E)),
        (2, (0x63,)),
        (4, (0x00, 0x01, 0x20, *range(0x24, 0x2C), *range(0x34, 0x3C), 0x40, 0x41, 0x4F)),
        (4, (0x50, 0x60)),
    )
    for number in numbers
}
"""Data bytes of each parameter, to find the next one in a reply to several (from memory)."""


def is_reply_id(key: int) -> bool:
    """Tell whether an identifier is one of the legislated reply identifiers."""
    if key & EXTENDED_KEY:
        return key & REPLY_MASK.mask == REPLY_MASK.match
    return FIRST_REPLY_ID <= key <= LAST_REPLY_ID


def is_request_id(key: int) -> bool:
    """Tell whether an identifier is one of the legislated request identifiers."""
    if key & EXTENDED_KEY:
        bare = key & ~EXTENDED_KEY
        return bare == FUNCTIONAL_REQUEST_29 or bare & 0x1FFF_00FF == PHYSICAL_REQUEST_29
    return key == FUNCTIONAL_REQUEST or FIRST_REQUEST_ID <= key < FIRST_REPLY_ID


def speaks_diagnosis(frames: MessageFrames) -> bool:
    """Tell whether an identifier's frames look like replies of a diagnostic server.

    Nearly all of them must be well-formed ISO-TP, and nearly all single frames begin with a
    positive or negative reply.
    """
    if not len(frames.time_s) or iso_tp_share(frames) < ISO_TP_SHARE:
        return False
    single, long_single = single_frames(frames), long_single_frames(frames)
    if not (single | long_single).any():
        return bool(np.any(frames.payload[:, 0] >> 4 == FIRST))
    service = np.concatenate([frames.payload[single, 1], frames.payload[long_single, 2]])
    return float(np.mean((service >= POSITIVE) & (service <= NEGATIVE))) >= REPLY_SHARE


def find_quantities(
    frames: Mapping[FrameSource, MessageFrames],
) -> tuple[StandardQuantity, ...]:
    """Find the quantities of `PIDS` in the replies of every unit.

    Returns
    -------
    tuple of StandardQuantity
        In the order of `PIDS`; of several units that report one, the one with the most
        values first.
    """
    found: dict[int, list[StandardQuantity]] = {pid.number: [] for pid in PIDS}
    for source, column in frames.items():
        if is_reply_id(source.key) and speaks_diagnosis(column):
            for pid, time_s, value in _replies(column):
                found[pid.number].append(_quantity(pid, source, time_s, value))
    return tuple(
        one
        for pid in PIDS
        for one in sorted(found[pid.number], key=lambda one: (-one.good, one.source))
    )


def _quantity(
    pid: Pid, source: FrameSource, time_s: FloatArray, value: FloatArray
) -> StandardQuantity:
    return StandardQuantity(
        channel=pid.channel,
        name=pid.name,
        unit=pid.unit,
        source=source,
        time_s=time_s,
        value=value,
        sender=f"unit {source.key & 0xFF:02X}"
        if source.key & EXTENDED_KEY
        else f"unit {source.key:03X}",
    )


def _replies(frames: MessageFrames) -> Iterable[tuple[Pid, FloatArray, FloatArray]]:
    """Yield times and values of each parameter that one unit reports."""
    several = _replies_to_several(frames)
    for pid in PIDS:
        rows = _plain_rows(frames, pid)
        raw = frames.payload[rows, 3].astype(np.float64)
        if pid.size > 1:
            raw = raw * 256.0 + frames.payload[rows, 4]
        time_s, value = frames.time_s[rows], raw * pid.scale + pid.offset
        if several.get(pid.number):
            more_s, more = np.array(several[pid.number]).T
            time_s, value = np.concatenate([time_s, more_s]), np.concatenate([value, more])
            order = np.argsort(time_s, kind="stable")
            time_s, value = time_s[order], value[order]
        if len(time_s):
            yield pid, time_s, value


def _plain_rows(frames: MessageFrames, pid: Pid) -> IntArray:
    """Single frames that hold this parameter alone; what follows the value is filler."""
    head = frames.payload
    keep: BoolArray = (head[:, 0] == pid.size + 2) & single_frames(frames)
    keep &= (head[:, 1] == CURRENT_DATA) & (head[:, 2] == pid.number)
    return np.flatnonzero(keep)


def _replies_to_several(frames: MessageFrames) -> dict[int, list[tuple[float, float]]]:
    """Read replies to a request for several parameters, one by one."""
    head = frames.payload
    size = np.array([_SIZES.get(number, 0) for number in range(256)])[head[:, 2]]
    plain = single_frames(frames) & (head[:, 0] == size + 2)
    odd = (head[:, 1] == CURRENT_DATA) & ~plain & single_frames(frames)
    long = np.isin(head[:, 0] >> 4, (FIRST, CONSECUTIVE))
    found: dict[int, list[tuple[float, float]]] = {}
    rows = np.flatnonzero(odd | long | long_single_frames(frames))
    if not len(rows):
        return found
    part = MessageFrames(
        source=frames.source,
        time_s=frames.time_s[rows],
        payload=frames.payload[rows],
        length=frames.length[rows],
    )
    for time_s, data in reassemble_iso_tp(part):
        for number, value in _walk(data):
            found.setdefault(number, []).append((time_s, value))
    return found


def _walk(data: bytes) -> Iterable[tuple[int, float]]:
    """Yield the known parameters of one reply; stop at the first of unknown size."""
    at = 1
    while data[:1] == bytes([CURRENT_DATA]) and at < len(data):
        size = _SIZES.get(data[at], 0)
        field = data[at + 1 : at + 1 + size]
        if not size or len(field) < size:
            return
        pid = _BY_NUMBER.get(data[at])
        if pid is not None:
            yield pid.number, int.from_bytes(field) * pid.scale + pid.offset
        at += 1 + size

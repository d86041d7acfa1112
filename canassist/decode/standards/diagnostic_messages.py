"""Replies of diagnostic servers and J1939 diagnostic messages, whole and in time order."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from canassist.decode.standards import j1939
from canassist.decode.standards.obd import is_reply_id, speaks_diagnosis
from canassist.decode.standards.transport import GroupPayload, reassemble_iso_tp, reassemble_j1939
from canassist.model import EXTENDED_KEY, FrameSource, IdMask

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from canassist.model import BusStats, MessageFrames

PHYSICAL = IdMask(0x1FFF_0000, 0x18DA_0000)
"""29-bit identifiers between one tester and one unit (ISO 15765-2 normal fixed, from memory)."""

FIRST_DIAGNOSTIC_ID, LAST_DIAGNOSTIC_ID = 0x700, 0x7FF

_GROUPS = (
    j1939.ACTIVE_CODES,
    j1939.PREVIOUS_CODES,
    j1939.SOFTWARE_IDENTIFICATION,
    j1939.COMPONENT_IDENTIFICATION,
    j1939.VEHICLE_IDENTIFICATION,
)


class Reply(NamedTuple):
    """One whole reply of a unit; ``data`` starts with the service."""

    time_s: float
    unit: str
    legislated: bool
    data: bytes


class Diagnosis(NamedTuple):
    """All diagnostic traffic of a log."""

    replies: tuple[Reply, ...]
    groups: tuple[GroupPayload, ...]


def read_diagnosis(frames: Mapping[FrameSource, MessageFrames], stats: BusStats) -> Diagnosis:
    """Put together every reply and every J1939 diagnostic or identification message.

    Nothing is asked of the bus: only what a tester or the units themselves sent while the
    recording ran is there.
    """
    replies = [
        Reply(one.time_s, unit_name(source.key), is_reply_id(source.key), one.data)
        for source, column in frames.items()
        if _is_diagnostic_id(source.key) and speaks_diagnosis(column)
        for one in reassemble_iso_tp(column)
    ]
    buses = j1939.j1939_buses(stats)
    groups = [one for one in reassemble_j1939(frames, buses) if one.group in _GROUPS]
    groups += _single_frames(frames, buses)
    replies.sort(key=lambda one: one.time_s)
    groups.sort(key=lambda one: one.time_s)
    return Diagnosis(tuple(replies), tuple(groups))


def unit_name(key: int) -> str:
    """Name a unit by its reply identifier, or by its address in a 29-bit one."""
    return f"unit {key & 0xFF:02X}" if key & EXTENDED_KEY else f"unit {key:03X}"


def _is_diagnostic_id(key: int) -> bool:
    if key & EXTENDED_KEY:
        return key & PHYSICAL.mask == PHYSICAL.match
    return FIRST_DIAGNOSTIC_ID <= key <= LAST_DIAGNOSTIC_ID


def _single_frames(
    frames: Mapping[FrameSource, MessageFrames], buses: Iterable[int]
) -> list[GroupPayload]:
    found = []
    for source, column in frames.items():
        group = j1939.group_of(source.key) if source.key & EXTENDED_KEY else None
        if source.bus not in buses or group not in _GROUPS:
            continue
        rows = zip(column.time_s.tolist(), column.payload, column.length.tolist(), strict=True)
        found += [
            GroupPayload(time_s, source.bus, group, source.key & 0xFF, row[:length].tobytes())
            for time_s, row, length in rows
        ]
    return found

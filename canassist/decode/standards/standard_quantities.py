"""What the open standards define: quantities found in the traffic with no database."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from canassist.decode.standards import j1939, obd
from canassist.decode.standards.j1939 import StandardQuantity
from canassist.decode.standards.transport import ISO_TP_SHARE, iso_tp_share
from canassist.model import IdMask

if TYPE_CHECKING:
    from collections.abc import Mapping

    from canassist.model import BusStats, FrameSource, MessageFrames

__all__ = [
    "STANDARD_IDS",
    "STANDARD_MASKS",
    "STANDARD_NAMES",
    "StandardQuantity",
    "find_standard",
    "standard_sources",
]

STANDARD_NAMES: Final = j1939.J1939_NAMES | obd.OBD_NAMES
"""Names that a profile may use for a channel, such as ``"J1939.SPN_84"``."""

STANDARD_IDS: Final = tuple(range(0x700, 0x800))
"""11-bit identifiers in which diagnosis is usual: the legislated ones are 7DF to 7EF, makers' own
lie around them (common practice, no source)."""

STANDARD_MASKS: Final = (
    *j1939.wanted_masks(),
    IdMask(0x1FFF_0000, 0x18DA_0000),  # physical addressing, requests and replies
    IdMask(0x1FFF_0000, 0x18DB_0000),  # functional requests
)


def find_standard(
    frames: Mapping[FrameSource, MessageFrames], stats: BusStats
) -> tuple[StandardQuantity, ...]:
    """Find every standard quantity, J1939's broadcasts before OBD-II's slow replies.

    Parameters
    ----------
    frames : mapping of FrameSource to MessageFrames
        As read by `STANDARD_IDS` and `STANDARD_MASKS`.
    stats : BusStats
        All identifiers of the log tell whether a bus speaks J1939 at all.
    """
    return (*j1939.find_quantities(frames, stats), *obd.find_quantities(frames))


def standard_sources(
    frames: Mapping[FrameSource, MessageFrames], stats: BusStats
) -> set[FrameSource]:
    """Return the identifiers whose frames a standard explains."""
    buses = j1939.j1939_buses(stats)
    return {source for source, column in frames.items() if _explains(source, column, buses)}


def _explains(source: FrameSource, frames: MessageFrames, j1939_buses: frozenset[int]) -> bool:
    if obd.is_reply_id(source.key):
        return obd.speaks_diagnosis(frames)
    if obd.is_request_id(source.key):
        return iso_tp_share(frames) >= ISO_TP_SHARE
    return source.bus in j1939_buses and j1939.is_read_group(source.key)

"""What the open standards define: quantities found in the traffic with no database."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from canassist.decode import j1939, obd
from canassist.decode.j1939 import StandardQuantity
from canassist.decode.transport import ISO_TP_SHARE, iso_tp_share
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
    "is_standard_source",
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


def is_standard_source(
    source: FrameSource, frames: Mapping[FrameSource, MessageFrames], stats: BusStats
) -> bool:
    """Tell whether a standard explains this identifier's frames."""
    if obd.is_reply_id(source.key):
        return obd.speaks_diagnosis(frames[source])
    if obd.is_request_id(source.key):
        return iso_tp_share(frames[source]) >= ISO_TP_SHARE
    return source.bus in j1939.j1939_buses(stats) and j1939.is_read_group(source.key)

"""Channels as a measurement file, MDF 4: each on its own time base, words as words."""

from __future__ import annotations

import struct
import tempfile
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from asammdf import MDF, Signal

from canassist.export.aligned import TEXT_UNIT

if TYPE_CHECKING:
    from canassist.model import Channel, Result

NO_START: Final = datetime(1970, 1, 1, tzinfo=UTC)
"""The format must name a start; of a log without a clock this one says that none is known."""

# ASAM MDF 4.1, block structure: every block begins with its name, 4 empty bytes, its length
# and the count of its links; the links follow, then what it says.
_HEADER_AT: Final = 64
_FIRST_LINK: Final = 24
_HISTORY_LINK: Final = 1
_HISTORY_LINKS: Final = 2
_LINK: Final = 8


def measurement_bytes(result: Result) -> bytes:
    """Return a ride's channels as MDF 4.

    Parameters
    ----------
    result : Result
        What was found on the ride.

    Returns
    -------
    bytes
        The same result gives the same bytes. Where the log has no clock, the recording
        starts at `NO_START`.
    """
    start = result.log.start_utc or NO_START
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as folder, MDF() as recording:
        recording.start_time = start
        for channel in result.channels.values():
            signal = _signal(channel, result.version)
            if signal is not None:
                recording.append([signal], common_timebase=True)
        saved = recording.save(Path(folder, "channels.mf4"), overwrite=True, compression=1)
        return _written_at(Path(saved).read_bytes(), start)


def _signal(channel: Channel, version: str) -> Signal | None:
    time_s, value = channel.valid()
    if not len(value):
        return None
    is_text = channel.unit == TEXT_UNIT
    return Signal(
        value,
        time_s,
        unit=channel.unit if channel.unit_known and not is_text else "",
        name=channel.name,
        comment=f"canassist {version}: {channel.signal}",
        conversion=_words(channel) if is_text and channel.labels else None,
        encoding="utf-8",
    )


def _words(channel: Channel) -> dict[str, Any]:  # Any: numbers and texts by place
    """Return the table from a channel's numbers to its words."""
    _, value = channel.valid()
    table: dict[str, Any] = {}
    for place, number in enumerate(np.unique(value).tolist()):
        word = channel.labels.get(number, f"{number:g}")
        table[f"val_{place}"] = number
        table[f"text_{place}"] = word.encode("utf-8", "replace")
    return table


def _written_at(content: bytes, moment: datetime) -> bytes:
    """Return a file whose history says this moment: the library writes the clock's, each time."""
    told = bytearray(content)
    time_ns = max(int(moment.timestamp()), 0) * 1_000_000_000
    place = _link(content, _HEADER_AT, _HISTORY_LINK)
    while place:
        at = place + _FIRST_LINK + _HISTORY_LINKS * _LINK
        struct.pack_into("<Q", told, at, time_ns)
        place = _link(content, place, 0)
    return bytes(told)


def _link(content: bytes, block: int, number: int) -> int:
    (place,) = struct.unpack_from("<Q", content, block + _FIRST_LINK + number * _LINK)
    return int(place)

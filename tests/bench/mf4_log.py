"""An MDF 4 file as python-can's writer lays it out, in one go: that writer takes minutes."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING

import numpy as np
from asammdf import MDF, Signal
from asammdf.blocks.v4_blocks import SourceInformation
from asammdf.blocks.v4_constants import BUS_TYPE_CAN, SOURCE_BUS
from ride_log import EXTENDED, START_S

if TYPE_CHECKING:
    from pathlib import Path

    from ride_log import Frames

_PREFIX = "CAN_DataFrame."
_RECORD = np.dtype(
    [
        (_PREFIX + "BusChannel", "<u1"),
        (_PREFIX + "ID", "<u4"),
        (_PREFIX + "IDE", "<u1"),
        (_PREFIX + "DLC", "<u1"),
        (_PREFIX + "DataLength", "<u1"),
        (_PREFIX + "DataBytes", "(64,)u1"),
        (_PREFIX + "Dir", "<u1"),
        (_PREFIX + "EDL", "<u1"),
        (_PREFIX + "BRS", "<u1"),
        (_PREFIX + "ESI", "<u1"),
    ]
)
_TURNED_AND_DEFLATED = 2


def write_mf4(frames: Frames, path: Path) -> None:
    """Write the frames with asammdf."""
    records = np.zeros(len(frames.key), dtype=_RECORD)
    records[_PREFIX + "ID"] = frames.key & ~EXTENDED
    records[_PREFIX + "IDE"] = (frames.key & EXTENDED) != 0
    records[_PREFIX + "DLC"] = records[_PREFIX + "DataLength"] = frames.length
    records[_PREFIX + "DataBytes"][:, : frames.data.shape[1]] = frames.data
    source = SourceInformation(source_type=SOURCE_BUS, bus_type=BUS_TYPE_CAN)
    time_s = (frames.time_us - START_S * 1_000_000) / 1e6
    with MDF(version="4.10") as file:
        file.header.start_time = datetime.fromtimestamp(START_S, UTC)
        file.append(Signal(name="CAN_DataFrame", samples=records, timestamps=time_s, source=source))
        file.save(path, overwrite=True, compression=_TURNED_AND_DEFLATED)

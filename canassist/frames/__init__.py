"""Log files of many formats, read as blocks of frames."""

from canassist.frames.base import LogReader, ReadRequest
from canassist.frames.bus_stats.statistics_of_bus import BusStatsCollector
from canassist.frames.growing import GrowingRecording
from canassist.frames.recording import Recording, open_log
from canassist.frames.registry import readers
from canassist.frames.unpack.inflate import InflationLimits
from canassist.frames.unpack.packed_files import PackedFile, unpacked
from canassist.model import FrameBlock, FrameFlag, IdSet, ReadReport

__all__ = [
    "BusStatsCollector",
    "FrameBlock",
    "FrameFlag",
    "GrowingRecording",
    "IdSet",
    "InflationLimits",
    "LogReader",
    "PackedFile",
    "ReadReport",
    "ReadRequest",
    "Recording",
    "open_log",
    "readers",
    "unpacked",
]

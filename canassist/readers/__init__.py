"""Log files of many formats, read as blocks of frames."""

from canassist.readers.base import LogReader, Wish
from canassist.readers.inflate import InflationLimits
from canassist.readers.recording import Recording, open_recording

__all__ = ["InflationLimits", "LogReader", "Recording", "Wish", "open_recording"]

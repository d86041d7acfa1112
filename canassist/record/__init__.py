"""A ride recorded: listening only, the log sacred, the recipe watched live."""

from canassist.record.capture.interfaces import channel_settings
from canassist.record.capture.other_formats import FORMATS, convert
from canassist.record.capture.sources import Source, open_sources, replayed
from canassist.record.case_file import minutes
from canassist.record.log_annotations import Mark, MarkKind
from canassist.record.session import RecordingPlan, RecordingSession
from canassist.record.show.keys import keys
from canassist.record.show.terminal import (
    KEYS,
    NEVER,
    ScreenLine,
    alarm_text,
    amount,
    notice_or_next,
    screen_lines,
)
from canassist.record.state import (
    Alarm,
    LiveAnswer,
    RecipeRow,
    RecordingState,
    RowState,
)

__all__ = [
    "FORMATS",
    "KEYS",
    "NEVER",
    "Alarm",
    "LiveAnswer",
    "Mark",
    "MarkKind",
    "RecipeRow",
    "RecordingPlan",
    "RecordingSession",
    "RecordingState",
    "RowState",
    "ScreenLine",
    "Source",
    "alarm_text",
    "amount",
    "channel_settings",
    "convert",
    "keys",
    "minutes",
    "notice_or_next",
    "open_sources",
    "replayed",
    "screen_lines",
]

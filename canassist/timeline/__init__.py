"""Channels on one time base: as-of values with bounded age, and gaps."""

from canassist.timeline.align import as_of, between, value_at, window_extremes
from canassist.timeline.gaps import TIME_STEP_S, present_share, seen_s, silences
from canassist.timeline.known import with_known_units
from canassist.timeline.recorder_losses import followed, placed, with_recorder_notes

__all__ = [
    "TIME_STEP_S",
    "as_of",
    "between",
    "followed",
    "placed",
    "present_share",
    "seen_s",
    "silences",
    "value_at",
    "window_extremes",
    "with_known_units",
    "with_recorder_notes",
]

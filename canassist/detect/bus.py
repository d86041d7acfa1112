"""The bus and the recording: gaps, error frames, a silent bus, a module that restarts."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canassist.model import Event, EventKind, Severity

if TYPE_CHECKING:
    from canassist.model import Timeline


def find_log_gaps(timeline: Timeline) -> list[Event]:
    """Find where the recording itself stopped: no frame on any bus for 1 s or more."""
    return [
        Event(
            kind=EventKind.LOG_GAP,
            start_s=start_s,
            end_s=end_s,
            severity=Severity.NOTE,
            measured={"silent_s": end_s - start_s},
        )
        for start_s, end_s in timeline.bus.recording_gaps
    ]

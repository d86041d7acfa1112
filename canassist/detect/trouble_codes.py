"""Trouble codes read from the bus."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canassist.model import Event, EventKind

if TYPE_CHECKING:
    from canassist.model import Timeline


def find_trouble_codes(timeline: Timeline) -> list[Event]:
    """Report each code that the bus carried, from first to last seen."""
    return [
        Event(
            kind=EventKind.TROUBLE_CODE,
            start_s=seen.first_s,
            end_s=seen.last_s,
            code=seen.code,
            measured={
                name: word
                for name, word in (
                    ("text", seen.text),
                    ("protocol", seen.protocol),
                    ("status", seen.status),
                    ("sender", seen.sender),
                )
                if word
            },
        )
        for seen in timeline.trouble_codes
    ]

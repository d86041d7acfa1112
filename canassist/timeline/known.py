"""What of a timeline can be measured with."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from canassist.model import Timeline


def with_known_units(timeline: Timeline) -> Timeline:
    """Return the timeline without channels that nothing can be measured with.

    A raw count tells that a signal is there, and nothing that a limit could be held
    against. A channel that cannot be believed goes to `Timeline.held_out`.
    """
    held = {name: one for name, one in timeline.channels.items() if one.held_out}
    valid = {
        name: one for name, one in timeline.channels.items() if one.unit_known and name not in held
    }
    if len(valid) == len(timeline.channels):
        return timeline
    return replace(timeline, channels=valid, held_out={**timeline.held_out, **held})

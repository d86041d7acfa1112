"""What of a timeline can be measured with."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from canassist.model import Timeline


def with_known_units(timeline: Timeline) -> Timeline:
    """Return the timeline without channels whose unit is not known.

    A raw count tells that a signal is there, and nothing that a limit could be held
    against.
    """
    known = {name: one for name, one in timeline.channels.items() if one.unit_known}
    return timeline if len(known) == len(timeline.channels) else replace(timeline, channels=known)

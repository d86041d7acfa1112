"""From the timeline to events: what happened, when, and what it is put down to."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.detect.assist import find_assist_deviations
from canassist.detect.bus import find_disturbances, find_log_gaps, find_restarts
from canassist.detect.charging import find_charging_low
from canassist.detect.derate import find_derates
from canassist.detect.jumps import find_jumps
from canassist.detect.overvoltage import find_overvoltage
from canassist.detect.signals import find_losses
from canassist.detect.stuck import find_stuck
from canassist.detect.torque_offset import find_torque_offset
from canassist.detect.trouble_codes import find_trouble_codes
from canassist.detect.undervoltage import find_undervoltage
from canassist.model import Event, EventKind, Severity
from canassist.physics import life_of_ride
from canassist.timeline import value_at, with_known_units

if TYPE_CHECKING:
    from canassist.model import Physics, Profile, Timeline
    from canassist.physics import LifeOfRide

__all__ = ["find_events"]


def find_events(timeline: Timeline, profile: Profile, physics: Physics) -> tuple[Event, ...]:
    """Find every event of a ride.

    Parameters
    ----------
    timeline : Timeline
        Channels and bus of the ride.
    profile : Profile
        Limits and words of the module's status.
    physics : Physics
        Estimates from the same ride (`physics.study`).

    Returns
    -------
    tuple of Event
        In time order, without sentences. A detector that lacks its channels says nothing.
    """
    measured = with_known_units(timeline)
    life = life_of_ride(timeline)
    restarts = find_restarts(life)
    stuck = find_stuck(measured, profile, physics.thermal)
    signals = [
        *find_losses(timeline, life, restarts),
        *stuck,
        *find_jumps(measured, profile, stuck),
    ]
    events = [
        *restarts,
        *signals,
        *find_log_gaps(timeline),
        *find_disturbances(timeline, life),
        *find_trouble_codes(timeline),
        *find_derates(measured, profile, physics, life, signals),
        *find_undervoltage(measured, profile, physics, life),
        *find_overvoltage(measured, profile),
        *find_charging_low(measured, profile),
        *find_assist_deviations(measured, profile, physics),
        *find_torque_offset(physics, profile),
    ]
    events = [_graded(event, life) for event in events]
    events.sort(key=lambda event: (event.start_s, event.kind, event.channel or ""))
    readings = _readings(timeline, [event.start_s for event in events])
    return tuple(
        replace(event, channels_then=then) for event, then in zip(events, readings, strict=True)
    )


ALWAYS_TELLS: Final = frozenset({EventKind.TROUBLE_CODE, EventKind.LOG_GAP})
"""These are what they are whenever they come."""


def _graded(event: Event, life: LifeOfRide) -> Event:
    """Return an event as a note where it belongs to the end of the ride.

    What begins within 2 s of the last moment at which the engine ran or the vehicle rolled,
    or later, is held against nothing; ``measured["when"]`` then says ``"after_ride"``.
    """
    if event.kind in ALWAYS_TELLS or not life.after_ride(event.start_s):
        return event
    measured = {"when": "after_ride", **event.measured}
    return replace(event, severity=Severity.NOTE, measured=measured)


def _readings(timeline: Timeline, at_s: list[float]) -> list[dict[str, float]]:
    """Return what every channel read at each moment, where it had a fresh value."""
    moments = np.array(at_s)
    columns = {name: value_at(timeline, name, moments).tolist() for name in timeline.channels}
    return [
        {name: column[row] for name, column in columns.items() if not math.isnan(column[row])}
        for row in range(len(at_s))
    ]

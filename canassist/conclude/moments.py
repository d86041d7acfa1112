"""The moments that the customer complained of: what the log shows there."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.conclude.ride_findings import IndexedEvent, IndexedEvents, RideFindings
from canassist.conclude.wording.sentences import (
    channel_name,
    clock,
    duration,
    listed,
    quantity,
    say,
)
from canassist.model import CHANNEL_UNITS, EventKind, Moment
from canassist.timeline import value_at

if TYPE_CHECKING:
    from collections.abc import Iterable

MARGIN_S: Final = 5.0
"""A rider names a moment no more exactly than this, s (rule of thumb)."""

SPOKEN: Final = (
    "vehicle_speed",
    "engine_speed",
    "supply_voltage",
    "module_temperature",
    "assist_limit",
    "driver_torque",
    "assist_torque",
    "motor_current",
)
"""Readings that the sentence names, in this order; all are in `Moment.readings`."""


def describe_moments(ride: RideFindings, at_s: Iterable[float]) -> tuple[Moment, ...]:
    """Say what the log shows at each moment, found or not."""
    return tuple(_describe(ride, at) for at in at_s)


def _describe(ride: RideFindings, at_s: float) -> Moment:
    if not 0.0 <= at_s <= ride.end_s:
        text = say("moment.outside", at=clock(at_s), end=clock(ride.end_s))
        return Moment(at_s=at_s, text=text)
    readings = _readings(ride, at_s)
    there = _around(ride, at_s)
    parts = [_found(ride, at_s, there)]
    spoken = [
        f"{channel_name(name)} {quantity(readings[name], CHANNEL_UNITS[name])}"
        for name in SPOKEN
        if name in readings
    ]
    if spoken:
        parts.append(say("moment.readings", readings=listed(spoken)))
    return Moment(
        at_s=at_s,
        text=" ".join(parts),
        events=tuple(hit.position for hit in there),
        readings=readings,
    )


def _readings(ride: RideFindings, at_s: float) -> dict[str, float]:
    """Return every channel's value as of a moment; those without a fresh one are left out."""
    at = np.array([at_s])
    found = {name: float(value_at(ride.timeline, name, at)[0]) for name in ride.timeline.channels}
    return {name: value for name, value in found.items() if not np.isnan(value)}


def _around(ride: RideFindings, at_s: float) -> IndexedEvents:
    """Return the events at a moment: those that hold then first, then those near it."""
    near = [
        hit
        for position, event in enumerate(ride.events)
        if _distance(ride, hit := IndexedEvent(position, event), at_s) <= MARGIN_S
    ]
    return tuple(sorted(near, key=lambda hit: (_distance(ride, hit, at_s), hit.position)))


def _distance(ride: RideFindings, hit: IndexedEvent, at_s: float) -> float:
    return max(hit.event.start_s - at_s, at_s - hit.event.until(ride.end_s), 0.0)


def _found(ride: RideFindings, at_s: float, there: IndexedEvents) -> str:
    if there:
        if there[0].event.kind is EventKind.LOG_GAP and _distance(ride, there[0], at_s) == 0.0:
            return say("moment.gap", at=clock(at_s))
        what = " ".join(hit.event.text for hit in there[:SAID])
        return say("moment.found", at=clock(at_s), what=what)
    if not ride.events:
        return say("moment.nothing", at=clock(at_s))
    nearest = min(
        (IndexedEvent(position, event) for position, event in enumerate(ride.events)),
        key=lambda hit: _distance(ride, hit, at_s),
    )
    side = "moment.after" if nearest.event.start_s > at_s else "moment.before"
    return say(
        "moment.near",
        at=clock(at_s),
        distance=duration(_distance(ride, nearest, at_s)),
        side=say(side),
        what=nearest.event.text,
    )


SAID: Final = 2
"""So many events of a moment are put into words; the others are linked."""

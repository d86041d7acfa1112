"""A simulated ride through the real decoder, its channels chosen without a profile."""

from __future__ import annotations

import tempfile
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np

from canassist import decode
from canassist.demo import SimulatedRide
from canassist.demo.bus.message_layout import MessageLayouts, dbc_text
from canassist.model import FrameSource, MessageFrames, Timeline
from canassist.profile import default_profile


def decoded(ride: SimulatedRide) -> Timeline:
    """Return the ride's timeline as a log and its database give it, with no profile.

    Signals that the bus does not carry are not in the database either.
    """
    known = ride.timeline()
    found = decode.decode_ride(
        {frames.source: frames for frames in _frames(ride)},
        _plan(_carried(ride)),
        default_profile(),
        known.bus,
    )
    return replace(known, channels=found.channels, senders=found.senders, integrity=found.integrity)


def _carried(ride: SimulatedRide) -> MessageLayouts:
    layout, absent = ride.scenario.layout, ride.scenario.leaves_out
    messages = tuple(
        replace(message, signals=tuple(s for s in message.signals if s.carries not in absent))
        for message in layout.messages
    )
    return replace(layout, messages=messages)


def _plan(layout: MessageLayouts) -> decode.ReadingPlan:
    return _plan_of(dbc_text(layout, "Invented."))


@cache
def _plan_of(database: str) -> decode.ReadingPlan:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "vehicle.dbc")
        path.write_text(database, encoding="utf-8")
        return decode.plan_reading(decode.load_databases([path]), default_profile())


def _frames(ride: SimulatedRide) -> list[MessageFrames]:
    return [
        MessageFrames(
            source=FrameSource(item.message.bus, item.message.key),
            time_s=item.time_s,
            payload=item.payload(),
            length=np.full(len(item), item.message.length, dtype=np.uint8),
        )
        for item in ride.sent
        if len(item)
    ]

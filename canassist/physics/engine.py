"""When the engine stands, when the starter turns it, and when it runs."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from canassist.timeline import value_at

if TYPE_CHECKING:
    from canassist.model import BoolArray, Channel, FloatArray, Timeline

STANDING_RPM: Final = 30.0
"""Engine speed up to which it counts as standing: below any starter's speed; allows for noise."""

STARTED_RPM: Final = 500.0
"""The starter has done its work once engine speed has passed this (the contract's figure)."""

STARTER_LEAD_S: Final = 0.5
"""The starter draws current this long before engine speed leaves zero (the contract's figure)."""


LOST: Final = 1.5
"""Samples further apart than this many periods have lost one between them."""


class StarterTurn(NamedTuple):
    """One turning of the starter, in s; `started` tells whether the engine caught."""

    start_s: float
    end_s: float
    started: bool


def starter_turns(timeline: Timeline) -> tuple[StarterTurn, ...]:
    """Find when the starter turns: from 0.5 s before engine speed leaves zero to past 500 rpm.

    A log that begins with the engine turning below 500 rpm and then passing it begins
    inside such a turn. Where samples were lost before it left zero, it may have left it with the
    first of them, as far back as a value holds. An engine that dies on its way down from running
    is not being started. Without engine speed nothing is found.
    """
    channel = timeline.get("engine_speed")
    if channel is None:
        return ()
    time_s, speed_rpm = channel.valid()
    moving = speed_rpm > STANDING_RPM
    edges = np.flatnonzero(np.diff(moving, prepend=False, append=False))
    turns = []
    for first, stop in zip(edges[::2], edges[1::2], strict=True):
        passed = np.flatnonzero(speed_rpm[first:stop] > STARTED_RPM)
        known_start = first > 0
        if not known_start and (not len(passed) or passed[0] == 0):
            continue  # it ran, or was dying, when the log began
        left_s = float(time_s[first])
        if known_start:
            left_s = _earliest(channel, float(time_s[first - 1]), left_s) - STARTER_LEAD_S
        last = first + passed[0] if len(passed) else min(stop, len(time_s) - 1)
        turns.append(StarterTurn(left_s, float(time_s[last]), bool(len(passed))))
    return tuple(turns)


def _earliest(channel: Channel, before_s: float, at_s: float) -> float:
    """Return when a value that was seen changed may have changed, given the sample before it."""
    if at_s - before_s < LOST * channel.period_s:
        return at_s
    return max(before_s + channel.period_s, at_s - channel.stale_after_s)


def within(at_s: FloatArray, turns: tuple[StarterTurn, ...]) -> BoolArray:
    """Tell for each time whether the starter turns then, shape (m,)."""
    inside = np.zeros(len(at_s), dtype=np.bool_)
    for turn in turns:
        inside |= (at_s >= turn.start_s) & (at_s < turn.end_s)
    return inside


def engine_stands(timeline: Timeline, at_s: FloatArray) -> BoolArray:
    """Tell for each time whether the engine is known not to run, shape (m,).

    Turning below 500 rpm counts as not running; unknown engine speed as running,
    so that nothing is put down to a stopped engine by guess.
    """
    speed_rpm = value_at(timeline, "engine_speed", at_s)
    return np.asarray(speed_rpm <= STARTED_RPM)

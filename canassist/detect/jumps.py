"""Signal jump: a step that no machine can make."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.model import Event, EventKind
from canassist.timeline import TIME_STEP_S, value_at

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canassist.model import Channel, FloatArray, IntArray, Limits, Profile, Timeline

WITHIN_S: Final = 0.1
"""The limits are for a step within this time (the contract's figure)."""

LASTS_S: Final = 0.2
"""A jump lasts until its return, at most this long (the contract's figure)."""

WAKE_S: Final = 1.0
"""A unit that has just woken up may send placeholders for this long."""

SPIN_S: Final = 0.3
"""A wheel's own signal shows a step this long before or after."""

SPIN_SHARE: Final = 0.5
"""A wheel that makes this share of the step makes it."""

LOST: Final = 1.5
"""Samples further apart than this many periods have lost one between them."""

RETURN_S: Final = 5.0
"""A step back to the level from before within this time is the same jump's return."""


def find_jumps(timeline: Timeline, profile: Profile, stuck: Sequence[Event] = ()) -> list[Event]:
    """Find steps of road speed, engine speed and temperatures that nothing can make.

    A step between two samples more than 0.1 s apart may be larger in proportion. What
    differs before and after a gap is no step, and neither is what a stuck channel does
    when it comes free.

    Returns
    -------
    list of Event
        In order of channels, then time; ``measured`` and ``expected`` hold the step.
    """
    found: list[Event] = []
    for name, limit, unit in _limits(profile.limits):
        channel = timeline.get(name)
        if channel is not None:
            freed = {event.end_s for event in stuck if event.channel == name}
            found += [
                event
                for event in _jumps(channel, limit, unit)
                if event.start_s not in freed and not _spin(event, timeline)
            ]
    return found


def _spin(event: Event, timeline: Timeline) -> bool:
    """Tell whether a wheel made the same step: it spins or locks, and the signal is true."""
    if event.channel != "vehicle_speed":
        return False
    at_s = np.array([event.start_s - SPIN_S, event.start_s + SPIN_S])
    step = float(event.measured["step_kph"])
    for place in ("fl", "fr", "rl", "rr"):
        before, after = value_at(timeline, f"wheel_speed_{place}", at_s)
        if (after - before) * np.sign(step) >= SPIN_SHARE * abs(step):
            return True
    return False


def _limits(limits: Limits) -> tuple[tuple[str, float, str], ...]:
    return (
        ("vehicle_speed", limits.jump_kph, "kph"),
        ("engine_speed", limits.jump_rpm, "rpm"),
        ("module_temperature", limits.jump_c, "degc"),
        ("ambient_temperature", limits.jump_c, "degc"),
        ("coolant_temperature", limits.jump_c, "degc"),
    )


def _jumps(channel: Channel, limit: float, unit: str) -> list[Event]:
    time_s, value = channel.valid()
    rows = _impossible_steps(time_s, value, limit, channel.stale_after_s)
    found: list[Event] = []
    after_s = -np.inf
    for row in rows:
        if time_s[row] < after_s:
            continue
        went = _went_row(channel, int(row), limit)
        before = float(value[went - 1])
        start_s = float(time_s[went])
        back = _return_row(time_s, value, went, before, limit)
        if back is None and _just_woken(time_s, went, channel.stale_after_s):
            continue
        if back is not None:
            after_s = np.nextafter(time_s[back], np.inf)
        end_s = start_s + LASTS_S if back is None else min(float(time_s[back]), start_s + LASTS_S)
        found.append(
            Event(
                kind=EventKind.SIGNAL_JUMP,
                start_s=start_s,
                end_s=end_s if end_s <= time_s[-1] + TIME_STEP_S else None,
                channel=channel.name,
                measured={
                    f"step_{unit}": float(value[went]) - before,
                    "before_value": before,
                    "after_value": float(value[went]),
                },
                expected={f"step_{unit}": limit},
            )
        )
    return found


def _just_woken(time_s: FloatArray, row: int, stale_after_s: float) -> bool:
    """Tell whether a step comes soon after the channel's first sample, or after a gap.

    What a unit sends before it has measured is a placeholder, and not a reading.
    """
    first = int(np.searchsorted(time_s, time_s[row] - WAKE_S))
    if first == 0:
        return True
    return bool((np.diff(time_s[first - 1 : row + 1]) > stale_after_s + TIME_STEP_S).any())


def _impossible_steps(
    time_s: FloatArray, value: FloatArray, limit: float, stale_after_s: float
) -> IntArray:
    """Return the rows that end a step larger than the limit."""
    if len(time_s) < 2:  # noqa: PLR2004 - one sample has no step
        return np.empty(0, dtype=np.int64)
    step_s = np.diff(time_s)
    allowed = limit * np.maximum(step_s / WITHIN_S, 1.0)
    large = (np.abs(np.diff(value)) > allowed) & (step_s <= stale_after_s + TIME_STEP_S)
    # A step may be spread over several samples inside 0.1 s.
    first = np.searchsorted(time_s, time_s[1:] - WITHIN_S - TIME_STEP_S)
    spread = np.abs(value[1:] - value[first]) > limit
    spread &= time_s[1:] - time_s[first] <= WITHIN_S + TIME_STEP_S
    steps_before = np.concatenate(([0], np.cumsum(large)))
    spread &= steps_before[1:] == steps_before[first]  # a single step stands for itself
    return np.flatnonzero(large | spread) + 1


def _went_row(channel: Channel, row: int, limit: float) -> int:
    """Return the first row of a jump whose step back is seen, and whose step there may be lost.

    Where a sample is missing before the value went, a step that is too slow to count may have
    been as sudden as the one back to the level from before.
    """
    time_s, value = channel.valid()
    first = max(int(np.searchsorted(time_s, time_s[row] - RETURN_S)), 0)
    near = np.flatnonzero(np.abs(value[first:row] - value[row]) < limit)
    if not len(near):
        return row
    went = first + int(near[-1]) + 1
    lost = went < row and time_s[went] - time_s[went - 1] >= LOST * channel.period_s
    return went if lost else row


def _return_row(
    time_s: FloatArray, value: FloatArray, row: int, before: float, limit: float
) -> int | None:
    """Return the first row back near the level from before, soon after the jump."""
    stop = int(np.searchsorted(time_s, time_s[row] + RETURN_S, side="right"))
    near = np.abs(value[row:stop] - before) < limit
    back = np.flatnonzero(near)
    return row + int(back[0]) if len(back) else None

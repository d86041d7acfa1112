"""Signal loss: a channel stops, or says that it has no value, while the bus goes on."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.model import Event, EventKind, Severity
from canassist.physics import engine_stands
from canassist.timeline import TIME_STEP_S, silences

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from canassist.model import Channel, Timeline
    from canassist.physics import LifeOfRide

SIDE_CHANNELS: Final = frozenset(
    {
        "ambient_temperature",
        "coolant_temperature",
        "system_current",
        "assist_mode",
        "wheel_speed_fl",
        "wheel_speed_fr",
        "wheel_speed_rl",
        "wheel_speed_rr",
    }
)
"""Nothing about assist hangs on these: their loss, or rest, is a note. The module takes road speed
from its own message."""


SLACK: Final = 0.2
"""Share of a period that a message may be late by; less is no silence of its own."""

RESTART_PERIODS: Final = 2.5
"""A channel's last value before a restart may be this many periods old: its message is slower
than others, and a recorder drops a frame now and then."""

BY_CHANCE: Final = 1e-6
"""A recorder that thins must be this unlikely to lose so many frames (the contract's figure)."""

BOOT_S: Final = 1.5
"""A module that has restarted may send "no value" for this long before it has one."""


def find_losses(
    timeline: Timeline, life: LifeOfRide, restarts: Sequence[Event] = ()
) -> list[Event]:
    """Find where a channel gave no value for longer than it may be silent.

    A loss starts one message period after the last good value and ends with the next.
    Time in which the recording or the channel's own bus was silent does not count, and a
    restart of the module says all there is to say on its own channels. A channel that
    never had a value has not lost it, and one whose message came only once has no period
    by which it could be late. Units that fall asleep, after the ride or at key-off, and the
    end of the log lose nothing. With a stopped engine a loss is a note.

    Returns
    -------
    list of Event
        In order of channels, then time. ``measured`` holds ``silent_s`` and how it was
        lost: ``"stopped"``, or ``"no value"`` where its message went on.
    """
    return [
        event
        for channel in timeline.channels.values()
        for event in _losses(channel, timeline, life, restarts)
    ]


def _losses(
    channel: Channel, timeline: Timeline, life: LifeOfRide, restarts: Sequence[Event]
) -> Iterable[Event]:
    if np.isnan(channel.period_s):
        return
    time_s, value = channel.valid()
    quiet = _quiet_times(timeline, channel.source.bus)
    for last_s, next_s in silences(
        time_s, longer_than_s=channel.stale_after_s, log_end_s=timeline.duration_s
    ):
        until_s = timeline.duration_s if next_s is None else next_s
        silent_s = until_s - last_s - _overlap_s(quiet, last_s, until_s)
        if silent_s <= channel.stale_after_s + SLACK * channel.period_s + TIME_STEP_S:
            continue
        if _part_of_restart(restarts, channel, timeline, (last_s, until_s)):
            continue
        if _fell_asleep(life, last_s, next_s) or _recorder_thinned(channel, timeline, silent_s):
            continue
        if next_s is not None and _recorder_missed(channel, timeline, last_s, next_s):
            continue
        sent = ((channel.time_s > last_s) & (channel.time_s < until_s)).any()
        yield Event(
            kind=EventKind.SIGNAL_LOSS,
            start_s=last_s + channel.period_s,
            end_s=next_s,
            severity=_severity(channel, timeline, last_s),
            channel=channel.name,
            measured={
                "silent_s": silent_s,
                "last_value": float(value[np.searchsorted(time_s, last_s)]),
                "how": "no value" if sent else "stopped",
            },
            expected={"silent_s": channel.stale_after_s},
        )


def _part_of_restart(
    restarts: Sequence[Event], channel: Channel, timeline: Timeline, span_s: tuple[float, float]
) -> bool:
    """Tell whether a silence begins and ends with a restart, as far as the recorder kept both."""
    last_s, until_s = span_s
    early_s = RESTART_PERIODS * channel.period_s

    def begins(restart: Event) -> bool:
        before_s = restart.start_s - last_s
        return before_s <= early_s or _recorder_thinned(channel, timeline, before_s)

    def ends(restart: Event) -> bool:
        after_s = until_s - restart.until(until_s)
        return after_s <= BOOT_S or _recorder_thinned(channel, timeline, after_s)

    return any(
        last_s < restart.until(last_s) and begins(restart) and ends(restart)
        for restart in restarts
        if until_s > restart.start_s
    )


def _fell_asleep(life: LifeOfRide, last_s: float, next_s: float | None) -> bool:
    """Tell whether a channel that went silent did so as units do at key-off, or the log ended.

    A log that stops within 2 s of it has seen no more than the beginning of the same.
    """
    if life.after_ride(last_s) or life.log_stops(last_s):
        return True
    return life.engine_turns_off(last_s) and life.units_fall_asleep(last_s, next_s)


def _recorder_thinned(channel: Channel, timeline: Timeline, silent_s: float) -> bool:
    """Tell whether a recorder that loses frames of all messages by turns may have lost these."""
    return timeline.bus.chance_of_silence(channel.source, silent_s) >= BY_CHANCE


def _severity(channel: Channel, timeline: Timeline, last_s: float) -> Severity:
    standing = bool(engine_stands(timeline, np.array([last_s]))[0])
    return Severity.NOTE if standing else severity_of(channel.name)


def severity_of(channel: str) -> Severity:
    """Return how much a broken signal of this channel matters to the steering."""
    return Severity.NOTE if channel in SIDE_CHANNELS else Severity.WARNING


def _quiet_times(timeline: Timeline, bus: int) -> list[tuple[float, float]]:
    """Return when the recording, or this bus alone, was silent, or went on in another file."""
    gaps = (*timeline.bus.bus_gaps, *timeline.bus.seams)
    own = [(start_s, end_s) for which, start_s, end_s in gaps if which == bus]
    return [*timeline.bus.recording_gaps, *own]


def _recorder_missed(channel: Channel, timeline: Timeline, last_s: float, next_s: float) -> bool:
    """Tell whether the whole bus was silent, rather than the channel's message.

    The traffic's statistics keep a message's silence only where the bus went on
    meanwhile. A message that has no such silence then was not sent less than others were.
    """
    own = next((item for item in timeline.bus.ids if item.source == channel.source), None)
    if own is None or any(start < next_s and last_s < end for start, end in own.silences):
        return False
    return not any(
        ((other.time_s > last_s) & (other.time_s < next_s)).any()
        for other in timeline.channels.values()
        if other.source == channel.source
    )


def _overlap_s(quiet: list[tuple[float, float]], start_s: float, end_s: float) -> float:
    return sum(max(0.0, min(end_s, stop) - max(start_s, begin)) for begin, stop in quiet)

"""What a recorder lost, put among what the log itself shows of it."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

from canassist.model import RecorderNotes

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping

    from canassist.model import BusStats, Channel

_PLACES: Final = 3
"""A result states times to the millisecond; what is noted is no finer, so that it comes out the
same where it is taken from a result again."""
_SAME_S: Final = 0.0015
_LEAST_S: Final = 1.0
"""A hole of the recording is a gap from 1 s on; a shorter one is a loss (the contract's figure)."""

_FOLLOWED_PERIODS: Final = 2.5
"""One frame may be missing, and be late (own choice)."""

Span = tuple[float, float]


def placed(notes: RecorderNotes, place: Callable[[float], float | None]) -> RecorderNotes:
    """Return notes in seconds since the earliest frame; what cannot be placed is left out.

    Parameters
    ----------
    place : callable
        Turns a raw time stamp of the log into such seconds.
    """
    losses = [at for raw in notes.losses_log_s if (at := place(raw)) is not None]
    holes = [
        (start, end)
        for first, last in notes.holes_log_s
        if (start := place(first)) is not None and (end := place(last)) is not None
    ]
    return RecorderNotes(
        losses_s=tuple(round(max(at, 0.0), _PLACES) for at in [*notes.losses_s, *losses]),
        holes_s=tuple(
            (round(max(start, 0.0), _PLACES), round(max(end, 0.0), _PLACES))
            for start, end in [*notes.holes_s, *holes]
        ),
    )


def with_recorder_notes(stats: BusStats, notes: RecorderNotes) -> BusStats:
    """Return the traffic with what the recorder says that it lost.

    A channel that was not listened to for 1 s or more is a gap of the recording, also where
    another channel went on: nothing on the vehicle is blamed for what lies in it.

    Parameters
    ----------
    notes : RecorderNotes
        As `placed` gives them.
    """
    holes = [one for one in notes.holes_s if one[1] - one[0] >= _LEAST_S]
    short = [start for start, end in notes.holes_s if end - start < _LEAST_S]
    losses = list(stats.recorder_losses_s)
    losses += [
        at for at in (*notes.losses_s, *short) if all(abs(at - one) > _SAME_S for one in losses)
    ]
    gaps = list(stats.recording_gaps)
    gaps += [one for one in holes if not any(_same(one, gap) for gap in gaps)]
    merged = _merged(gaps)
    return replace(
        stats,
        recorder_losses_s=tuple(sorted(losses)),
        recording_gaps=merged,
        bus_gaps=tuple(one for one in stats.bus_gaps if not _inside(one[1:], merged)),
    )


def followed(channels: Mapping[str, Channel], stats: BusStats) -> dict[str, Channel]:
    """Return channels with the time over which they are followed where a recorder thins.

    Over one missing frame a value is taken as known, over more it is not.
    """
    found = dict(channels)
    for name, channel in channels.items():
        thinning = stats.thinning.get(channel.source.bus)
        period_s = None if thinning is None else thinning.period_s.get(channel.source.key)
        if period_s is not None:
            found[name] = replace(channel, step_s=_FOLLOWED_PERIODS * period_s)
    return found


def _same(one: Span, gap: Span) -> bool:
    return abs(one[0] - gap[0]) <= _SAME_S and abs(one[1] - gap[1]) <= _SAME_S


def _merged(spans: Iterable[Span]) -> tuple[Span, ...]:
    """Join spans that overlap."""
    joined: list[Span] = []
    for start, end in sorted(spans):
        if joined and start < joined[-1][1]:
            joined[-1] = (joined[-1][0], max(end, joined[-1][1]))
        else:
            joined.append((start, end))
    return tuple(joined)


def _inside(span: Span, gaps: Iterable[Span]) -> bool:
    """Tell whether a silence is the recorder's: most of it lies in a gap."""
    start, end = span
    shared = sum(max(min(end, b) - max(start, a), 0.0) for a, b in gaps)
    return shared >= (end - start) / 2

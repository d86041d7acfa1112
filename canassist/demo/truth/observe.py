"""Noiseless samples as an ideal bus would carry them, and the definition of an event's span."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from typing import NamedTuple

import numpy as np

from canassist.demo.bus.message_layout import MessageSpec
from canassist.demo.bus.traffic import is_sent, sampled, send_times, steps
from canassist.demo.plant.course import Course
from canassist.demo.plant.plant import Run
from canassist.demo.plant.scenario import Scenario
from canassist.demo.plant.trouble import Trouble
from canassist.model import BoolArray, EventKind, FloatArray, IntArray, Limits
from canassist.profile import default_limits


@dataclass(frozen=True, slots=True, kw_only=True)
class TrueEvent:
    """An event that really happened.

    Attributes
    ----------
    end_s : float or None
        None where the log ends before the end is certain.
    also : tuple of str
        Other causes without which it would not have happened either; each is right too.
    earliest_s, latest_s : float
        Between these the start lies when the channel's limit is read with the sensor's
        noise; equal to `start_s` where noise plays no part.
    """

    kind: str
    start_s: float
    end_s: float | None
    cause: str | None = None
    also: tuple[str, ...] = ()
    channel: str | None = None
    code: str = ""
    earliest_s: float = float("nan")
    latest_s: float = float("nan")


class TrueSpan(NamedTuple):
    """Rows of an event's first sample and of the first one past it; None: the log ends."""

    first: int
    past: int | None


class TrueSamples(NamedTuple):
    """One channel's noiseless samples that carry a value; both shape (n,)."""

    time_s: FloatArray
    value: FloatArray


@dataclass(frozen=True, kw_only=True)
class Scene:
    """A simulated ride as the definitions of events look at it."""

    scenario: Scenario
    course: Course
    trouble: Trouble
    run: Run
    told: Mapping[str, FloatArray]

    @cached_property
    def limits(self) -> Limits:
        """The limits that the truth is told by: the default ones."""
        return default_limits()

    @cached_property
    def _sent(self) -> dict[str, FloatArray]:
        found = {}
        for message in self.scenario.layout.messages:
            times = send_times(self.scenario, message)
            found[message.name] = times[is_sent(self.scenario, message, times, self.run.alive)]
        return found

    def times(self, message: MessageSpec) -> FloatArray:
        """Return when a message is on the bus, the recorder's own losses left out."""
        return self._sent[message.name]

    def has(self, *channels: str) -> bool:
        """Tell whether the bus carries every one of these channels."""
        carried = self.scenario.layout.carrier
        return all(name in self.told and carried(name) is not None for name in channels)

    def samples(self, channel: str) -> TrueSamples:
        """Return a channel's noiseless samples."""
        place = self.scenario.layout.carrier(channel)
        if place is None or channel not in self.told:
            return TrueSamples(np.empty(0), np.empty(0))
        times = self.times(place[0])
        values = sampled(self.scenario, channel, self.told[channel], times, noise=0.0)
        known = ~np.isnan(values)
        return TrueSamples(times[known], values[known])

    def rows(self, times: FloatArray) -> IntArray:
        """Return the simulation's steps at these times."""
        return steps(times, len(self.course.time_s))

    def at(self, column: FloatArray, times: FloatArray) -> FloatArray:
        """Return a 100-a-second column at these times."""
        return np.asarray(column[self.rows(times)], dtype=np.float64)

    def as_of(self, channel: str, times: FloatArray) -> FloatArray:
        """Return a channel's last sample at each time, NaN before the first."""
        known = self.samples(channel)
        place = np.searchsorted(known.time_s, times, side="right") - 1
        values = np.concatenate((known.value, [np.nan]))
        return np.asarray(values[place], dtype=np.float64)


def spans(  # noqa: PLR0913 - a definition has this many parts
    time_s: FloatArray,
    inside: BoolArray,
    recovered: BoolArray,
    *,
    lasts_s: float = 0.0,
    holds_s: float = 0.0,
    ends_at_once: BoolArray | None = None,
) -> list[TrueSpan]:
    """Return spans by the contract's rule, sample by sample.

    Parameters
    ----------
    time_s : array of float64, shape (n,)
        Sample times.
    inside : array of bool, shape (n,)
        Where the condition of the event is met; a span begins with a run of these that
        lasts ``lasts_s``, gaps not counted.
    recovered : array of bool, shape (n,)
        A span ends with the first of these that stays so for ``holds_s``.
    ends_at_once : array of bool, shape (n,), optional
        TrueSamples that end a span without having to hold.
    """
    found: list[TrueSpan] = []
    row, count = 0, len(time_s)
    stop = ends_at_once if ends_at_once is not None else np.zeros(count, dtype=np.bool_)
    counted = _without_gaps(time_s)
    while row < count:
        hits = np.flatnonzero(inside[row:])
        if not len(hits):
            break
        first = row + int(hits[0])
        outside = np.flatnonzero(~inside[first:])
        past = first + int(outside[0]) if len(outside) else count
        if counted[min(past, count - 1)] - counted[first] < lasts_s - 1e-9:
            row = past
            continue
        end = _end(time_s, recovered, stop, first, holds_s)
        found.append(TrueSpan(first, end))
        if end is None:
            break
        row = end
    return found


def _without_gaps(time_s: FloatArray) -> FloatArray:
    """Return a clock that stands still in gaps of more than five periods (0.25 s at least)."""
    steps_s = np.diff(time_s, prepend=time_s[:1])
    usual = float(np.median(steps_s)) if len(steps_s) else 0.0
    bound = max(5.0 * usual, 0.25)
    return np.asarray(np.cumsum(np.where(steps_s > bound, 0.0, steps_s)), dtype=np.float64)


def _end(
    time_s: FloatArray, recovered: BoolArray, stop: BoolArray, first: int, holds_s: float
) -> int | None:
    count = len(time_s)
    row = first + 1
    while row < count:
        if stop[row]:
            return row
        if not recovered[row]:
            row += 1
            continue
        lost = np.flatnonzero(~recovered[row:])
        until = row + int(lost[0]) if len(lost) else count
        held = time_s[until if until < count else count - 1] - time_s[row]
        if held >= holds_s - 1e-9:
            return row
        row = until
    return None


class Graded(NamedTuple):
    """An event, and whether it stands out of the noise."""

    event: TrueEvent
    sure: bool


def graded(
    kind: EventKind, samples: TrueSamples, find: Callable[[float], list[TrueSpan]], margin: float
) -> list[Graded]:
    """Find events at a limit, and tell those that noise can make or unmake.

    Parameters
    ----------
    find : callable
        Returns the spans with the limit moved by so much; a larger figure finds more.
    margin : float
        How far noise reaches.

    Returns
    -------
    list of Graded
        Events at the limit itself, sure where they are there at the stricter limit too;
        and events at the looser limit alone, not sure.
    """
    exact, loose, tight = (
        [_event(kind, samples, span) for span in find(moved)] for moved in (0.0, margin, -margin)
    )
    found = []
    for event in exact:
        near, sure = _overlapping(event, loose), _overlapping(event, tight)
        earliest = min([event.start_s, *(other.start_s for other in near[:1])])
        latest = max([event.start_s, *(other.start_s for other in sure[:1])])
        found.append(Graded(replace(event, earliest_s=earliest, latest_s=latest), bool(sure)))
    found += [Graded(event, sure=False) for event in loose if not _overlapping(event, exact)]
    return sorted(found, key=lambda item: item.event.start_s)


def _event(kind: EventKind, samples: TrueSamples, span: TrueSpan) -> TrueEvent:
    start = float(samples.time_s[span.first])
    end = None if span.past is None else float(samples.time_s[span.past])
    return TrueEvent(kind=str(kind), start_s=start, end_s=end, earliest_s=start, latest_s=start)


def _overlapping(event: TrueEvent, others: list[TrueEvent]) -> list[TrueEvent]:
    def end(item: TrueEvent) -> float:
        return np.inf if item.end_s is None else item.end_s

    return [o for o in others if o.start_s <= end(event) and event.start_s <= end(o)]

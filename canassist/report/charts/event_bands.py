"""Events as bands of a picture: alike neighbours become one band with their count."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from canassist.model import EventKind
from canassist.report.charts.chart_values import Band
from canassist.report.charts.event_styles import EventFamily, family_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from canassist.model import Event

    Numbered = tuple[int, Event]

_SAME_SHARE: Final = 0.9
_RUN_GAP_SHARE: Final = 0.025
"""Alike events closer than this share of a picture are hard to tell apart on it: 20 px."""
_LEAST_RUN: Final = 3


def is_drawn(event: Event) -> bool:
    """Tell whether an event is a stretch of the ride: a trouble code is merely seen there."""
    return event.kind is not EventKind.TROUBLE_CODE


def event_band(place: int, event: Event, log_end_s: float) -> Band:
    """Return the band of one event; `place` counts from 0."""
    return Band(
        start=event.start_s,
        end=event.until(log_end_s),
        family=family_of(event),
        tag=str(place + 1),
        open_end=event.end_s is None,
    )


def event_bands(
    events: Iterable[Numbered], *, log_end_s: float, span_s: float, own: Sequence[Band] = ()
) -> list[Band]:
    """Return the bands of many events on a picture over `span_s` seconds.

    Parameters
    ----------
    events : iterable of (int, Event)
        Place in the result and event, in time order.
    log_end_s : float
        Where an event without an end is drawn to.
    span_s : float
        What the picture spans: alike events (kind and cause) with less than a fortieth of it
        between them become one band where they are three or more.
    own : sequence of Band
        Bands that are drawn in any case; one that lies on them is left out.
    """
    alike: dict[tuple[EventKind, str | None], list[Numbered]] = {}
    for place, event in events:
        if is_drawn(event):
            alike.setdefault((event.kind, event.cause), []).append((place, event))
    gap_s = span_s * _RUN_GAP_SHARE
    bands = [band for group in alike.values() for band in _runs(group, log_end_s, gap_s)]
    bands.sort(key=lambda band: (band.start, -band.end))
    return distinct(bands, *own)


def _runs(group: Sequence[Numbered], log_end_s: float, gap_s: float) -> Iterator[Band]:
    """Yield one band for each run of close events, or one for each event of a short run."""
    run: list[Numbered] = []
    reached = 0.0
    for place, event in group:
        if run and event.start_s - reached > gap_s:
            yield from _joined(run, log_end_s)
            run = []
        again = run and _same_moment(run[-1][1], event)
        reached = max(reached, event.until(log_end_s)) if run else event.until(log_end_s)
        if not again:
            run.append((place, event))
    yield from _joined(run, log_end_s)


def _same_moment(one: Event, other: Event) -> bool:
    """Tell whether two signals were lost at once: that is one moment, not two."""
    return one.channel != other.channel and (one.start_s, one.end_s) == (other.start_s, other.end_s)


def _joined(run: Sequence[Numbered], log_end_s: float) -> Iterator[Band]:
    if len(run) < _LEAST_RUN:
        yield from (event_band(place, event, log_end_s) for place, event in run)
        return
    yield Band(
        start=run[0][1].start_s,
        end=max(event.until(log_end_s) for _, event in run),
        family=family_of(run[0][1]),
        tag=f"{len(run)}\u00d7",
        open_end=any(event.end_s is None for _, event in run),
    )


def distinct(bands: Iterable[Band], *more: Band) -> list[Band]:
    """Return bands without those that lie on another of their family.

    Several signals of one unit get lost at once: their tints would add up to black.

    Parameters
    ----------
    bands : iterable of Band
        In order of their start.
    *more : Band
        Bands that are drawn in any case, in any order.
    """
    found: list[Band] = []
    open_by_family: dict[EventFamily, list[Band]] = {}
    for band in more:
        open_by_family.setdefault(band.family, []).append(band)
    for band in bands:
        near = open_by_family.setdefault(band.family, [])
        near[:] = [other for other in near if other.end > band.start]
        if not any(_covers(other, band) for other in near):
            found.append(band)
            near.append(band)
    return found


def _covers(one: Band, other: Band) -> bool:
    shared = min(one.end, other.end) - max(one.start, other.start)
    longest = max(one.end - one.start, other.end - other.start)
    return shared >= _SAME_SHARE * longest

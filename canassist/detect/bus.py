"""The bus and the recording: gaps, error frames, a silent bus, a module that restarts."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.model import MODULE_CHANNELS, Event, EventKind, Severity
from canassist.timeline import TIME_STEP_S

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from canassist.model import FloatArray, FrameSource, IdStats, Timeline

ERRORS_LEAST: Final = 3
"""Fewer error frames are no disturbance (the contract's figure)."""

JOIN_S: Final = 1.0
"""Error frames less than this apart belong together (the contract's figure)."""

SILENT_S: Final = 0.2
"""A restarting module is silent for this long ... (the contract's figure)."""

SILENT_PERIODS: Final = 5.0
"""... and for this many of its message periods (the contract's figure)."""


def find_log_gaps(timeline: Timeline) -> list[Event]:
    """Find where the recording itself stopped: no frame on any bus for 1 s or more."""
    return [
        Event(
            kind=EventKind.LOG_GAP,
            start_s=start_s,
            end_s=end_s,
            severity=Severity.NOTE,
            measured={"silent_s": end_s - start_s},
        )
        for start_s, end_s in timeline.bus.recording_gaps
    ]


def find_disturbances(timeline: Timeline) -> list[Event]:
    """Find error frames, 3 or more and less than 1 s apart, and buses that fell silent.

    Error frames of a file whose data is known to be damaged are no sign of the bus: torn
    data reads as error frames easily.

    Returns
    -------
    list of Event
        ``measured`` holds ``error_frames``, or ``silent_s`` and the bus.
    """
    found = [] if timeline.bus.doubtful else [*_error_runs(timeline.bus.error_time_s)]
    for bus, start_s, end_s in timeline.bus.bus_gaps:
        names = timeline.bus.buses
        name = names[bus] if bus < len(names) else str(bus)
        found.append(
            Event(
                kind=EventKind.BUS_DISTURBANCE,
                start_s=start_s,
                end_s=end_s,
                measured={"silent_s": end_s - start_s, "bus": name},
            )
        )
    return found


def _error_runs(time_s: FloatArray) -> Iterator[Event]:
    if not len(time_s):
        return
    edges = np.flatnonzero(np.diff(time_s) >= JOIN_S) + 1
    for part in np.split(time_s, edges):
        if len(part) >= ERRORS_LEAST:
            yield Event(
                kind=EventKind.BUS_DISTURBANCE,
                start_s=float(part[0]),
                end_s=float(part[-1]),
                measured={"error_frames": float(len(part))},
                expected={"error_frames": float(ERRORS_LEAST - 1)},
            )


def find_restarts(timeline: Timeline) -> list[Event]:
    """Find where the steering module's messages are all silent, and come back.

    These are the messages that carry the module's channels, and others of the same
    sender. Each is silent for 0.2 s and 5 of its periods or more; one too slow for that
    must at least have sent nothing in that time. The bus goes on meanwhile.

    Returns
    -------
    list of Event
        From the last message before to the first after, in time order.
    """
    carriers, others = _module_sources(timeline)
    stats = {item.source: item for item in timeline.bus.ids}
    known = [stats[source] for source in carriers if _has_period(stats.get(source))]
    if not known:
        return []
    rest = [stats[source] for source in others if _has_period(stats.get(source))]
    fastest = min(known, key=lambda item: item.period_s)
    shortest_s = max(SILENT_S, SILENT_PERIODS * fastest.period_s)
    found = []
    for start_s, end_s in fastest.silences:
        span = _common_silence((*known, *rest), (start_s, end_s))
        if span is None or span[1] - span[0] < shortest_s - TIME_STEP_S:
            continue
        if _bus_was_silent(timeline, fastest.source.bus, span):
            continue
        found.append(
            Event(
                kind=EventKind.MODULE_RESTART,
                start_s=span[0],
                end_s=span[1],
                severity=Severity.SERIOUS,
                measured={"silent_s": span[1] - span[0]},
                expected={"silent_s": shortest_s},
            )
        )
    return found


def _has_period(item: IdStats | None) -> bool:
    """Tell whether a message came twice or more, so that it can be late."""
    return item is not None and not np.isnan(item.period_s)


def _module_sources(timeline: Timeline) -> tuple[set[FrameSource], set[FrameSource]]:
    """Return what carries the module's channels, and what else the same nodes send."""
    carriers = {
        channel.source
        for name, channel in timeline.channels.items()
        if name in MODULE_CHANNELS and not channel.stands_in
    }
    nodes = {timeline.senders.get(source, "") for source in carriers} - {""}
    sent = {source for source, node in timeline.senders.items() if node in nodes}
    return carriers, sent - carriers


def _common_silence(
    known: Iterable[IdStats], span: tuple[float, float]
) -> tuple[float, float] | None:
    """Return the part of a silence in which none of these messages came, or None."""
    start_s, end_s = span
    for item in known:
        own = _silence_over(item, start_s, end_s)
        if own is None:
            if SILENT_PERIODS * item.period_s <= end_s - start_s:
                return None  # it had the time to fall silent, and did not
            continue
        start_s, end_s = max(start_s, own[0]), min(end_s, own[1])
    return start_s, end_s


def _silence_over(item: IdStats, start_s: float, end_s: float) -> tuple[float, float] | None:
    """Return the item's silence that covers the most of a span, or None."""
    overlapping = [(a, b) for a, b in item.silences if a < end_s and start_s < b]
    if not overlapping:
        return None
    return max(overlapping, key=lambda span: min(span[1], end_s) - max(span[0], start_s))


def _bus_was_silent(timeline: Timeline, bus: int, span: tuple[float, float]) -> bool:
    """Tell whether the recording or the whole bus was silent for most of a span."""
    quiet = [*timeline.bus.recording_gaps]
    quiet += [(a, b) for which, a, b in timeline.bus.bus_gaps if which == bus]
    shared_s = sum(max(0.0, min(span[1], b) - max(span[0], a)) for a, b in quiet)
    return shared_s > (span[1] - span[0]) / 2.0

"""The bus and the recording: gaps, error frames, a silent bus, a module that restarts."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.model import Event, EventKind, Severity

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canassist.model import FloatArray, Timeline
    from canassist.physics import LifeOfRide, ModuleSilence

ERRORS_LEAST: Final = 3
"""Fewer error frames are no disturbance (the contract's figure)."""

JOIN_S: Final = 1.0
"""Error frames less than this apart belong together (the contract's figure)."""


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


def find_disturbances(timeline: Timeline, life: LifeOfRide) -> list[Event]:
    """Find error frames, 3 or more and less than 1 s apart, and buses that fell silent.

    Error frames of a file whose data is known to be damaged are no sign of the bus: torn
    data reads as error frames easily. As the bus wakes up they are a note.

    Returns
    -------
    list of Event
        ``measured`` holds ``error_frames``, or ``silent_s`` and the bus.
    """
    found = [] if timeline.bus.doubtful else [*_error_runs(timeline.bus.error_time_s, life)]
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


def _error_runs(time_s: FloatArray, life: LifeOfRide) -> Iterator[Event]:
    if not len(time_s):
        return
    edges = np.flatnonzero(np.diff(time_s) >= JOIN_S) + 1
    for part in np.split(time_s, edges):
        if len(part) >= ERRORS_LEAST:
            yield Event(
                kind=EventKind.BUS_DISTURBANCE,
                start_s=float(part[0]),
                end_s=float(part[-1]),
                severity=Severity.NOTE if life.wakes_up(float(part[-1])) else Severity.WARNING,
                measured={"error_frames": float(len(part))},
                expected={"error_frames": float(ERRORS_LEAST - 1)},
            )


def find_restarts(life: LifeOfRide) -> list[Event]:
    """Find where the steering module's own messages are all silent, and come back.

    Found from the channels' own carriers, whatever the database says of senders. Where the
    engine stopped or other units fell asleep at the same time it is a key cycle, a note.

    Returns
    -------
    list of Event
        From the last message before to the first after, in time order. ``measured`` holds
        ``silent_s``, and ``when``: ``"key_cycle"`` where it is one, ``"cranking"`` while the
        starter turns.
    """
    return [_restart(silence, life) for silence in life.silences]


def _restart(silence: ModuleSilence, life: LifeOfRide) -> Event:
    measured: dict[str, float | str] = {"silent_s": silence.end_s - silence.start_s}
    key_cycle = life.key_cycle(silence.start_s, silence.end_s)
    cranked = life.starter_turns(silence.start_s)
    if key_cycle or cranked:
        measured["when"] = "key_cycle" if key_cycle else "cranking"
    return Event(
        kind=EventKind.MODULE_RESTART,
        start_s=silence.start_s,
        end_s=silence.end_s,
        severity=Severity.NOTE if key_cycle or cranked else Severity.SERIOUS,
        measured=measured,
        expected={"silent_s": silence.shortest_s},
    )

"""What really happened to signals, the module's presence, the bus and the recording."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np

from canassist.demo.memory import code_times, error_times
from canassist.demo.plant import faults
from canassist.demo.truth.observe import Scene, TrueEvent
from canassist.model import CHANNEL_UNITS, EventKind, FloatArray

_SILENT_S: Final = 0.2
_SILENT_PERIODS: Final = 5.0
_STALE_S: Final = 0.25
_GAP_S: Final = 1.0
_ERRORS_AT_LEAST: Final = 3
_JUMP_LASTS_S: Final = 0.2


def signal_events(scene: Scene) -> Iterator[TrueEvent]:
    """Yield each lost, stuck and jumping signal."""
    for fault in scene.scenario.faults:
        match fault:
            case faults.LostSignal():
                yield from _losses(scene, fault)
            case faults.StuckSignal(channel=channel):
                yield from _stuck(scene, fault, channel)
            case faults.JumpingSignal(channel=channel):
                yield from _jump(scene, fault, channel)
            case _:
                pass


def released_jumps(scene: Scene) -> Iterator[TrueEvent]:
    """Yield the step of each stuck signal as it lets go.

    Such a step is part of the sticking; whether it is seen as a jump of its own is
    a matter of taste.
    """
    for fault in scene.scenario.faults:
        if isinstance(fault, faults.StuckSignal):
            times = scene.samples(fault.channel).time_s
            row = int(np.searchsorted(times, fault.until_s))
            if row < len(times):
                yield _event(
                    EventKind.SIGNAL_JUMP,
                    times[row],
                    times[row] + _JUMP_LASTS_S,
                    channel=fault.channel,
                )


def presence_events(scene: Scene) -> Iterator[TrueEvent]:
    """Yield restarts of the module, gaps of the recording, disturbances, trouble codes."""
    yield from _restarts(scene)
    yield from _gaps(scene)
    yield from _disturbances(scene)
    for fault in scene.scenario.faults:
        if isinstance(fault, faults.StoredCode):
            times = code_times(scene.scenario, fault)
            yield _event(EventKind.TROUBLE_CODE, times[0], times[-1], code=fault.code)


def _losses(scene: Scene, fault: faults.LostSignal) -> Iterator[TrueEvent]:
    place = scene.scenario.layout.carrier(fault.channel)
    if place is None:
        return
    message, spec = place
    period = message.period_s / scene.scenario.recording.rate
    together = message.signals if fault.how is faults.Silence.STOPS else (spec,)
    for lost in together:
        if lost.carries not in CHANNEL_UNITS or not scene.has(lost.carries):
            continue
        times = scene.samples(lost.carries).time_s
        before = times[times < fault.from_s]
        after = times[times >= fault.until_s]
        if not len(before):
            continue
        back = float(after[0]) if len(after) else None
        if (back or scene.scenario.seconds) - before[-1] < max(5.0 * period, _STALE_S):
            continue
        yield _event(EventKind.SIGNAL_LOSS, before[-1] + period, back, channel=lost.carries)


def _stuck(scene: Scene, fault: faults.Fault, channel: str) -> Iterator[TrueEvent]:
    times = scene.samples(channel).time_s
    first = max(int(np.searchsorted(times, fault.from_s)) - 1, 0)
    past = int(np.searchsorted(times, fault.until_s))
    if times[min(past, len(times) - 1)] - times[first] < scene.limits.stuck_s:
        return
    end = float(times[past]) if past < len(times) else None
    yield _event(EventKind.SIGNAL_STUCK, times[first], end, channel=channel)


def _jump(scene: Scene, fault: faults.Fault, channel: str) -> Iterator[TrueEvent]:
    times = scene.samples(channel).time_s
    first, past = (int(row) for row in np.searchsorted(times, [fault.from_s, fault.until_s]))
    if first == past or past >= len(times):
        return
    end = min(float(times[past]), float(times[first]) + _JUMP_LASTS_S)
    yield _event(EventKind.SIGNAL_JUMP, times[first], end, channel=channel)


def _restarts(scene: Scene) -> Iterator[TrueEvent]:
    layout = scene.scenario.layout
    own = [m for m in layout.messages if m.sender == layout.module_sender]
    if not own:
        return
    slowest = max(m.period_s for m in own) / scene.scenario.recording.rate
    times = np.sort(np.concatenate([scene.times(message) for message in own]))
    everything = _all_times(scene)
    for start, end in _silences(times, max(_SILENT_S, _SILENT_PERIODS * slowest)):
        if _goes_on(everything, start, end, _SILENT_S):
            yield _event(EventKind.MODULE_RESTART, start, end)


def _gaps(scene: Scene) -> Iterator[TrueEvent]:
    for start, end in _silences(_all_times(scene), _GAP_S):
        yield _event(EventKind.LOG_GAP, start, end)


def _disturbances(scene: Scene) -> Iterator[TrueEvent]:
    errors = error_times(scene.scenario)
    if len(errors):
        cuts = np.flatnonzero(np.diff(errors) >= _GAP_S) + 1
        for run in np.split(errors, cuts):
            if len(run) >= _ERRORS_AT_LEAST:
                yield _event(EventKind.BUS_DISTURBANCE, run[0], run[-1])
    everything = _all_times(scene)
    for bus in range(scene.scenario.layout.buses):
        own = [scene.times(m) for m in scene.scenario.layout.messages if m.bus == bus]
        for start, end in _silences(np.sort(np.concatenate(own)), _GAP_S):
            if _goes_on(everything, start, end, _GAP_S):
                yield _event(EventKind.BUS_DISTURBANCE, start, end)


def _all_times(scene: Scene) -> FloatArray:
    times = [scene.times(message) for message in scene.scenario.layout.messages]
    return np.sort(np.concatenate([*times, error_times(scene.scenario)]))


def _goes_on(everything: FloatArray, start_s: float, end_s: float, pause_s: float) -> bool:
    """Tell whether other frames keep coming between two times."""
    during = everything[(everything >= start_s) & (everything <= end_s)]
    return float(np.diff(during).max()) < pause_s


def _silences(times: FloatArray, at_least_s: float) -> list[tuple[float, float]]:
    rows = np.flatnonzero(np.diff(times) >= at_least_s)
    return [(float(times[row]), float(times[row + 1])) for row in rows]


def _event(
    kind: EventKind,
    start_s: float,
    end_s: float | None,
    *,
    channel: str | None = None,
    code: str = "",
) -> TrueEvent:
    start = float(start_s)
    return TrueEvent(
        kind=str(kind),
        start_s=start,
        end_s=None if end_s is None else float(end_s),
        channel=channel,
        code=code,
        earliest_s=start,
        latest_s=start,
    )

"""A simulated ride as a `Timeline`, without a file in between."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Final

import numpy as np

from canassist.demo.bus.message_layout import MessageSpec, SignalSpec
from canassist.demo.bus.traffic import SentMessage
from canassist.demo.plant import faults
from canassist.demo.plant.scenario import Scenario
from canassist.model import (
    CHANNEL_UNITS,
    BusStats,
    Channel,
    CodeSighting,
    FloatArray,
    FrameSource,
    IdStats,
    Integrity,
    Timeline,
)

START_UTC: Final = datetime(2025, 5, 10, 9, 30, tzinfo=UTC)
"""When every invented ride begins."""

_SILENT_S = 0.2
_SILENT_PERIODS = 5.0
_GAP_S = 1.0
_BITS_EMPTY, _BITS_EXTENDED, _BITS_PER_BYTE = 47, 67, 8
"""Frame length without stuffing, gap included (Linux include/linux/can/length.h)."""


def timeline(scenario: Scenario, sent: Sequence[SentMessage]) -> Timeline:
    """Return the ride's channels as decoding would give them.

    Parameters
    ----------
    scenario : Scenario
        What was simulated.
    sent : sequence of SentMessage
        Every message of its layout.
    """
    channels = {}
    for name in CHANNEL_UNITS:
        place = scenario.layout.carrier(name)
        if place is None or name in scenario.leaves_out:
            continue
        message, spec = place
        frames = next(item for item in sent if item.message is message)
        if len(frames):
            channels[name] = _channel(name, frames, spec)
    codes = _codes(scenario)
    bus = bus_stats(scenario, sent, error_times(scenario))
    return Timeline(
        channels=channels,
        duration_s=bus.duration_s,
        start_utc=START_UTC,
        bus=bus,
        senders={_source(m): m.sender for m in scenario.layout.messages},
        integrity=tuple(_integrity(item) for item in sent if item.message.checksum),
        trouble_codes=codes,
    )


def error_times(scenario: Scenario) -> FloatArray:
    """Return when error frames come, ascending."""
    runs = [
        np.arange(fault.from_s, fault.until_s, fault.each_s)
        for fault in scenario.faults
        if isinstance(fault, faults.ErrorFrames)
    ]
    return np.sort(np.concatenate(runs)) if runs else np.empty(0)


def code_times(scenario: Scenario, fault: faults.StoredCode) -> FloatArray:
    """Return when a tester reads a stored code."""
    return np.arange(fault.from_s, min(fault.until_s, scenario.seconds), fault.each_s)


def bus_stats(scenario: Scenario, sent: Sequence[SentMessage], errors: FloatArray) -> BusStats:
    """Count the traffic as a reader would."""
    present = [item for item in sent if len(item)]
    everything = np.sort(np.concatenate([item.time_s for item in present] + [errors]))
    duration = float(everything[-1] - everything[0])
    silent = np.flatnonzero(np.diff(everything) >= _GAP_S)
    bits = [0.0] * scenario.layout.buses
    for item in present:
        empty = _BITS_EXTENDED if item.message.extended else _BITS_EMPTY
        bits[item.message.bus] += len(item) * (empty + _BITS_PER_BYTE * item.message.length)
    rate = scenario.layout.bit_rate
    return BusStats(
        buses=tuple(f"can{number}" for number in range(scenario.layout.buses)),
        frames=len(everything),
        error_frames=len(errors),
        duration_s=duration,
        ids=tuple(_id_stats(item) for item in present),
        error_time_s=errors,
        error_class=np.full(len(errors), 0x08, dtype=np.uint32),
        recording_gaps=tuple((float(everything[k]), float(everything[k + 1])) for k in silent),
        bus_gaps=_bus_gaps(scenario, present, everything),
        load=tuple(total / (duration * rate) for total in bits),
        bit_rate=(rate,) * scenario.layout.buses,
    )


def _channel(name: str, frames: SentMessage, spec: SignalSpec) -> Channel:
    turn = spec.to_channel
    values = frames.values(spec.name) * turn.scale + turn.offset
    period = float(np.median(np.diff(frames.time_s))) if len(frames) > 1 else float("nan")
    missing = int(np.isnan(values).sum())
    return Channel(
        name=name,
        unit=CHANNEL_UNITS[name],
        time_s=frames.time_s,
        value=values,
        signal=f"{frames.message.name}.{spec.name}",
        source=_source(frames.message),
        sender=frames.message.sender,
        period_s=period,
        stale_after_s=max(5.0 * period, 0.25) if period == period else 0.25,  # noqa: PLR0124 - NaN is not itself
        labels={float(raw): word for raw, word in spec.words.items() if spec.table},
        left_out={"no value": missing} if missing else {},
    )


def _source(message: MessageSpec) -> FrameSource:
    return FrameSource(message.bus, message.key)


def _id_stats(item: SentMessage) -> IdStats:
    gaps = np.diff(item.time_s)
    period = float(np.median(gaps)) if len(gaps) else float("nan")
    spread = float(np.median(np.abs(gaps - period))) if len(gaps) else float("nan")
    bound = max(_SILENT_S, _SILENT_PERIODS * period) if len(gaps) else np.inf
    silent = np.flatnonzero(gaps >= bound)
    return IdStats(
        source=_source(item.message),
        count=len(item),
        first_s=float(item.time_s[0]),
        last_s=float(item.time_s[-1]),
        period_s=period,
        jitter_s=spread,
        longest_silence_s=float(gaps.max()) if len(gaps) else 0.0,
        silences=tuple((float(item.time_s[k]), float(item.time_s[k + 1])) for k in silent),
    )


def _bus_gaps(
    scenario: Scenario, present: Sequence[SentMessage], everything: FloatArray
) -> tuple[tuple[int, float, float], ...]:
    if scenario.layout.buses == 1:
        return ()
    found = []
    for bus in range(scenario.layout.buses):
        own = [item.time_s for item in present if item.message.bus == bus]
        times = np.sort(np.concatenate([*own, everything[[0, -1]]]))
        for k in np.flatnonzero(np.diff(times) >= _GAP_S):
            start, end = float(times[k]), float(times[k + 1])
            during = everything[(everything >= start) & (everything <= end)]
            if np.diff(during).max() < _GAP_S:
                found.append((bus, start, end))
    return tuple(found)


def _integrity(item: SentMessage) -> Integrity:
    counter = item.raw[item.message.counter]
    missed = np.flatnonzero((np.diff(counter) - 1) % 16) + 1
    return Integrity(
        message=item.message.name,
        frames=len(item),
        repeats=0,
        skips=len(missed),
        checksum_failures=0,
        skipped_s=tuple(float(item.time_s[k]) for k in missed),
    )


def _codes(scenario: Scenario) -> tuple[CodeSighting, ...]:
    found = []
    for fault in scenario.faults:
        if isinstance(fault, faults.StoredCode):
            times = code_times(scenario, fault)
            found.append(
                CodeSighting(
                    code=fault.code,
                    text=fault.text,
                    protocol="OBD-II",
                    first_s=float(times[0]),
                    last_s=float(times[-1]),
                )
            )
    return tuple(found)

"""Rides made by hand, sample by sample."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from canassist.model import (
    CHANNEL_UNITS,
    BusStats,
    Channel,
    FloatArray,
    FrameSource,
    IdStats,
    Timeline,
)

Samples = tuple[FloatArray, FloatArray]


def _channel(name: str, samples: Samples, number: int) -> Channel:
    time_s, value = (np.asarray(part, dtype=np.float64) for part in samples)
    period_s = float(np.median(np.diff(time_s))) if len(time_s) > 1 else float("nan")
    stale_after_s = max(0.25, 5.0 * period_s) if len(time_s) > 1 else 0.25
    return Channel(
        name=name,
        unit=CHANNEL_UNITS[name],
        time_s=time_s,
        value=value,
        signal=f"Message{number}.{name}",
        source=FrameSource(0, 0x100 + number),
        sender="Module",
        period_s=period_s,
        stale_after_s=stale_after_s,
    )


def make_ride(
    samples: Mapping[str, Samples],
    *,
    duration_s: float | None = None,
    recording_gaps: Sequence[tuple[float, float]] = (),
    bus_gaps: Sequence[tuple[int, float, float]] = (),
    error_time_s: Sequence[float] = (),
    ids: Sequence[IdStats] = (),
    **changes: object,
) -> Timeline:
    """Return a timeline of these channels; the log ends with the last sample unless said."""
    channels = {name: _channel(name, samples[name], k) for k, name in enumerate(samples)}
    ends = [float(channel.time_s[-1]) for channel in channels.values() if len(channel)]
    end_s = max(ends, default=0.0) if duration_s is None else duration_s
    errors = np.asarray(error_time_s, dtype=np.float64)
    bus = BusStats(
        buses=("can0",),
        frames=sum(len(channel) for channel in channels.values()) + len(errors),
        error_frames=len(errors),
        duration_s=end_s,
        ids=tuple(ids),
        error_time_s=errors,
        error_class=np.zeros(len(errors), dtype=np.uint32),
        recording_gaps=tuple(recording_gaps),
        bus_gaps=tuple(bus_gaps),
    )
    ride = Timeline(channels=channels, duration_s=end_s, start_utc=None, bus=bus)
    return replace(ride, **changes)  # type: ignore[arg-type]  # any field of a timeline

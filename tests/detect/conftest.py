"""Rides made by hand, for detectors."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

import numpy as np
import pytest

from canassist.model import (
    CHANNEL_UNITS,
    BusStats,
    Channel,
    FloatArray,
    FrameSource,
    IdStats,
    Timeline,
)
from canassist.profile import AssistMap, Profile, default_profile

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


@pytest.fixture
def ride() -> Callable[..., Timeline]:
    """Return the maker of rides: channel name to (times, values)."""
    return make_ride


@pytest.fixture
def profile() -> Profile:
    """Return the default limits with the contract's example map."""
    table = AssistMap(
        speed_kph=(0.0, 10.0, 20.0, 40.0, 60.0, 80.0),
        gains={"*": (4.0, 3.6, 3.0, 2.0, 1.3, 1.0)},
        driver_deadband_nm=0.5,
        max_assist_nm=40.0,
    )
    return replace(default_profile(), assist_map=table)


@pytest.fixture
def every() -> Callable[..., FloatArray]:
    """Return evenly spaced times: every(period, until) from 0, the end included."""

    def times(period_s: float, until_s: float) -> FloatArray:
        return np.arange(round(until_s / period_s) + 1, dtype=np.float64) * period_s

    return times

"""Whatever a bus carries, and however seldom, the diagnosis ends with finite figures."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from canassist.conclude import conclude
from canassist.detect import find_events
from canassist.model import CHANNEL_UNITS, LIMIT_NAMES, Case, Event, FloatArray, Profile, Timeline
from canassist.physics import study
from tests.detect.hand_rides import Samples, make_ride

USUAL = {
    "km/h": 60.0, "rpm": 4000.0, "V": 15.0, "degC": 120.0, "%": 100.0, "N·m": 12.0, "A": 80.0,
    "deg": 300.0, "-": 3.0,
}  # fmt: skip
PERIODS_S = (0.001, 0.01, 0.02, 0.1, 0.2, 1.0, 10.0)
LENGTHS_S = (0.05, 1.0, 8.0, 40.0, 90.0)
MOST_SAMPLES = 10_000

Shape = Callable[[FloatArray, np.random.Generator], FloatArray]
SHAPES: tuple[Shape, ...] = (
    lambda time_s, rng: np.full(len(time_s), rng.random()),
    lambda time_s, rng: np.sin(time_s * 2.0 * rng.random()),
    lambda time_s, rng: rng.normal(size=len(time_s)) / 3.0,
    lambda time_s, _: np.zeros(len(time_s)),
    lambda time_s, rng: np.round(4.0 * rng.random(len(time_s))) / 4.0,
    lambda time_s, _: np.abs(np.sin(time_s)),
    lambda time_s, _: np.where(time_s > time_s[-1] / 2.0, 1.0, 0.0),
)


def _samples(unit: str, rng: np.random.Generator) -> Samples:
    """Return one channel: at times a single sample, without any value, gapped or out of range."""
    period_s, length_s = rng.choice(PERIODS_S), rng.choice(LENGTHS_S)
    count = 1 if rng.random() < 0.15 else min(int(length_s / period_s) + 1, MOST_SAMPLES)
    time_s = np.arange(count) * period_s + 0.01 * rng.random()
    shape = SHAPES[int(rng.integers(len(SHAPES)))]
    value = USUAL[unit] * np.asarray(shape(time_s, rng), dtype=np.float64)
    if rng.random() < 0.3:
        value[rng.random(count) < rng.choice((0.3, 1.0))] = np.nan
    if rng.random() < 0.1:
        value *= 1e6
    row = np.arange(count)
    keep = (row < count // 3) | (row > 2 * count // 3) | (rng.random() < 0.8)
    keep[0] = True
    return time_s[keep], value[keep]


def _ride(rng: np.random.Generator) -> Timeline:
    carried = [name for name in CHANNEL_UNITS if rng.random() < 0.65]
    ride = make_ride({name: _samples(CHANNEL_UNITS[name], rng) for name in carried})
    known = bool(rng.random() < 0.7)
    channels = {name: replace(one, sign_known=known) for name, one in ride.channels.items()}
    return replace(ride, channels=channels)


def _figures(event: Event) -> list[float]:
    ends = [] if event.end_s is None else [event.end_s]
    pairs = (*event.measured.values(), *event.expected.values(), *event.shares.values())
    return [event.start_s, *ends, *(one for one in pairs if not isinstance(one, str))]


@pytest.mark.parametrize("given", [True, False])
@pytest.mark.parametrize("seed", range(12))
def test_any_bus_is_judged_without_an_error(profile: Profile, seed: int, given: bool) -> None:
    names = frozenset(f"limits.{name}" for name in LIMIT_NAMES) if given else frozenset()
    table = profile.assist_map if given else None
    words = frozenset({"1"}) if given else frozenset()
    vehicle = replace(profile, given=names, assist_map=table, status_reduced=words)
    rng = np.random.default_rng(seed)
    for _ in range(4):
        ride = _ride(rng)
        physics = study(ride, vehicle)
        events = find_events(ride, vehicle, physics)
        for event in events:
            assert np.isfinite(_figures(event)).all(), event
            assert event.until(event.start_s) >= event.start_s, event
        assert conclude(ride, vehicle, physics, events, Case(at_s=(0.5,))).conclusions

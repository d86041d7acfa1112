"""Databases of other vehicles: recognised, or without any answer but that nothing can be told."""

from __future__ import annotations

import random
from functools import cache
from typing import TYPE_CHECKING

import numpy as np
import pytest

from canassist.decode import decode_ride, load_databases, plan_reading
from canassist.judging import judge
from canassist.model import Case, Code, FrameSource, MessageFrames, Timeline
from canassist.profile import default_profile
from tests.decode.drawn_bus import draw_bus, read_answers
from tests.decode.hand_frames import extended, stats_of
from tests.decode.invented_ride import LENGTH_S, database, frames_of, sheet, vehicle_names

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from canassist.decode import Databases, DecodedRide
    from canassist.model import BusStats

PAIRS = 200


def decoded(
    databases: Databases, frames: Mapping[FrameSource, MessageFrames], stats: BusStats
) -> DecodedRide:
    profile = default_profile()
    return decode_ride(frames, plan_reading(databases, profile), profile, stats)


def answers(found: DecodedRide, stats: BusStats) -> set[Code]:
    timeline = Timeline(
        channels=found.channels,
        duration_s=stats.duration_s,
        start_utc=None,
        bus=stats,
        fit=found.fit,
        unused=found.unused,
    )
    verdict = judge(timeline, default_profile(), Case()).verdict
    return {one.code for one in verdict.conclusions}


@cache
def invented(name: str) -> tuple[Mapping[FrameSource, MessageFrames], BusStats]:
    return frames_of(name)


@pytest.mark.slow
def test_a_foreign_database_gives_no_answer(shared_data: Path) -> None:
    folder = shared_data / "dbc_real"
    real = read_answers(folder / "answers.tsv")
    databases = {name: load_databases([folder / name]) for name in real}
    databases |= {name: database(name) for name in vehicle_names()}
    dice = random.Random(7)  # noqa: S311 - no secret
    for _ in range(PAIRS):
        vehicle = dice.choice([*real, *vehicle_names()])
        other = dice.choice([name for name in databases if name != vehicle])
        if vehicle in real:
            bus = draw_bus(
                databases[vehicle],
                real[vehicle],
                seed=dice.choice([1, 2]),
                others=dice.choice([0, 10, 30]),
            )
            frames, stats = bus.frames, bus.stats
        else:
            frames, stats = invented(vehicle)
        found = decoded(databases[other], frames, stats)
        if found.channels:
            assert answers(found, stats) == {Code.INCONCLUSIVE}, f"{vehicle} with {other}"


@pytest.mark.parametrize("name", vehicle_names())
def test_a_right_database_whose_steering_module_is_dead_is_not_called_wrong(name: str) -> None:
    frames, _ = invented(name)
    truth = sheet(name).truth
    module = {
        truth[channel].rpartition(".")[0]
        for channel in ("driver_torque", "assist_torque", "motor_current", "module_status")
        if channel in truth
    }
    dead = {m.key for m in database(name).messages if m.name in module}
    left = {source: one for source, one in frames.items() if source.key not in dead}
    found = decoded(database(name), left, stats_of(left, ("can0",)))
    assert found.fit is None or not found.fit.reason


def test_another_vehicles_layouts_under_the_same_identifiers_are_recognised() -> None:
    """The identifiers are right, but each payload is another message's: nothing holds."""
    frames, _ = invented("camel_english")
    dice = np.random.default_rng(5)
    false = {
        source: MessageFrames(
            source=source,
            time_s=one.time_s,
            payload=dice.integers(0, 256, size=one.payload.shape, dtype=np.uint8),
            length=one.length,
        )
        for source, one in frames.items()
    }
    stats = stats_of(false, ("can0",))
    found = decoded(database("camel_english"), false, stats)
    assert found.fit is not None
    assert found.fit.reason
    assert found.fit.in_bounds < 0.5
    if found.channels:
        assert answers(found, stats) == {Code.INCONCLUSIVE}


def test_random_payloads_under_a_standards_numbers_are_no_channel() -> None:
    dice = np.random.default_rng(3)
    frames = {}
    for group in (0xFEF1, 0xF004, 0xFEF7, 0xFEEE, 0xFEF5, 0xF009):
        source = FrameSource(0, extended(0x18000000 | group << 8))
        time_s = np.arange(0.0, LENGTH_S, 0.1)
        payload = dice.integers(0, 250, size=(len(time_s), 8), dtype=np.uint8)
        length = np.full(len(time_s), 8, dtype=np.uint8)
        frames[source] = MessageFrames(source=source, time_s=time_s, payload=payload, length=length)
    found = decoded(database("camel_english"), frames, stats_of(frames, ("can0",)))
    assert dict(found.channels) == {}


def test_a_channel_on_another_bus_is_found_as_well() -> None:
    frames, _ = invented("camel_english")
    split = {
        FrameSource(row % 2, source.key): MessageFrames(
            source=FrameSource(row % 2, source.key),
            time_s=one.time_s,
            payload=one.payload,
            length=one.length,
        )
        for row, (source, one) in enumerate(sorted(frames.items()))
    }
    found = decoded(database("camel_english"), split, stats_of(split))
    truth = sheet("camel_english").truth
    for channel, one in found.channels.items():
        assert one.doubt or one.held_out or one.signal == truth.get(channel), channel
    assert found.fit is not None
    assert not found.fit.reason

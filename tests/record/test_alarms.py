"""The wiggle test: every planted break rings, and no sound ride does."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pytest

from canassist.demo import RIDES, VEHICLE, Scenario, simulate
from canassist.demo.bus.frame_table import all_frames
from canassist.demo.bus.writers import candump_lines
from canassist.model import Profile
from canassist.profile import read_profile
from canassist.record.live.alarms import AlarmWatch
from canassist.record.live.live_reading import LiveReading
from canassist.record.state import Alarm

STEERING = (b" 1A6#", b" 1B2#", b" 1C8#")
"""The steering module's messages, in the demo's database."""
SUPPLY = b" 1B2#"
ENGINE = b" 112#"
STEP_S = 0.25
START_S = 1_700_000_000


class Planted(NamedTuple):
    """A break: what happens, from when, for how long."""

    what: str
    at_s: float
    lasts_s: float


def sound_ride(seed: int) -> Scenario:
    """Return a ride of the sound vehicle, with its own dice."""
    return replace(next(iter(RIDES.values())), seed=seed, vehicle=VEHICLE)


def lines_of(scenario: Scenario) -> list[bytes]:
    return candump_lines(all_frames(simulate(scenario), ()), START_S * 10**6).splitlines(
        keepends=True
    )


def stamp(line: bytes) -> float:
    """Return a line's time, s since the ride's start."""
    return float(line[1 : line.index(b")")]) - START_S


def with_break(lines: list[bytes], planted: Planted) -> Iterator[bytes]:
    """Plant a break into a ride's frames."""
    end_s = planted.at_s + planted.lasts_s
    for line in lines:
        if not planted.at_s <= stamp(line) < end_s:
            yield line
        elif planted.what == "plug":
            if not any(one in line for one in STEERING):
                yield line
        elif planted.what == "engine":
            if ENGINE not in line:
                yield line
        elif SUPPLY in line:
            yield re.sub(rb"#....", b"#BC02", line)  # 7.00 V at 0.01 V a bit, low byte first
        else:
            yield line


def alarms_of(lines: list[bytes], databases: tuple[Path, ...], profile: Profile) -> list[Alarm]:
    """Let a ride come in quarters of a second, as it does while recording with alerts."""
    reading, watch = LiveReading(databases, profile), AlarmWatch(databases, profile)
    times = np.array([stamp(line) for line in lines])
    ends = np.arange(times[0] + STEP_S, times[-1] + STEP_S, STEP_S)
    rows = [0, *np.searchsorted(times, ends).tolist()]
    found: tuple[Alarm, ...] = ()
    for step, (begin, end) in enumerate(pairwise(rows)):
        reading.feed(b"".join(lines[begin:end]))
        watch.feed(reading.fresh)
        so_far = reading.so_far() if step in {24, 30, 40} else None
        if so_far is not None:
            watch.learn(so_far)
        if reading.first_fresh_ns is not None:
            found = watch.look(reading.first_fresh_ns, reading.buses)
    return list(found)


@pytest.fixture(scope="module")
def known(project_root: Path) -> tuple[tuple[Path, ...], Profile]:
    folder = project_root / "dbc_demo"
    profile = read_profile(folder / "demo_trail_vehicle.toml")
    return (folder / "demo_trail_vehicle.dbc",), profile


LENGTHS = (0.05, 0.06, 0.08, 0.1, 0.15, 0.2, 0.3, 0.5, 0.8, 1.0, 1.3, 1.6, 2.0)
BREAKS = (
    *(Planted("plug", 41.013 + 7.31 * n, length) for n, length in enumerate(LENGTHS)),
    *(Planted("dip", 35.007 + 11.17 * n, length) for n, length in enumerate(LENGTHS[::3])),
    Planted("engine", 90.0, 1.0),
    Planted("engine", 120.0, 2.0),
)
FAST = {0, 6, 13, 18}


def test_there_are_twenty_breaks() -> None:
    assert len(BREAKS) == 20
    assert min(one.lasts_s for one in BREAKS) == 0.05
    assert max(one.lasts_s for one in BREAKS) == 2.0


@pytest.fixture(scope="module")
def ride() -> list[bytes]:
    return lines_of(sound_ride(77))


@pytest.mark.parametrize(
    "number",
    [pytest.param(n, marks=() if n in FAST else pytest.mark.slow) for n in range(len(BREAKS))],
)
def test_every_break_rings(
    number: int, ride: list[bytes], known: tuple[tuple[Path, ...], Profile]
) -> None:
    planted = BREAKS[number]
    upto = [line for line in ride if stamp(line) < planted.at_s + planted.lasts_s + 8.0]
    alarms = alarms_of(list(with_break(upto, planted)), *known)
    assert len(alarms) == 1
    (alarm,) = alarms
    kinds = {"plug": {"break", "restart"}, "dip": {"dip"}, "engine": {"lost"}}
    assert alarm.kind in kinds[planted.what]
    assert alarm.at_s == pytest.approx(planted.at_s - stamp(ride[0]), abs=0.06)
    assert alarm.lasted_s == pytest.approx(planted.lasts_s, abs=0.06)
    if planted.what == "dip":
        assert alarm.value == "7.0 V"


@pytest.mark.parametrize(
    "seed", [201, *(pytest.param(n, marks=pytest.mark.slow) for n in range(202, 221))]
)
def test_a_sound_ride_does_not_ring(seed: int, known: tuple[tuple[Path, ...], Profile]) -> None:
    """Each holds a start of the engine, standing, steering at idle and cruising."""
    assert alarms_of(lines_of(sound_ride(seed)), *known) == []


def test_two_breaks_are_two_alarms_by_moment(
    ride: list[bytes], known: tuple[tuple[Path, ...], Profile]
) -> None:
    upto = [line for line in ride if stamp(line) < 60.0]
    first, second = Planted("plug", 45.0, 0.4), Planted("dip", 50.0, 0.1)
    broken = list(with_break(list(with_break(upto, second)), first))
    assert [one.kind for one in alarms_of(broken, *known)] == ["restart", "dip"]


def test_a_hole_of_the_whole_recording_does_not_ring(
    ride: list[bytes], known: tuple[tuple[Path, ...], Profile]
) -> None:
    upto = [line for line in ride if stamp(line) < 60.0 and not 45.0 <= stamp(line) < 47.0]
    assert alarms_of(upto, *known) == []

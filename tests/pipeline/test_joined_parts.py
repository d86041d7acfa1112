"""Parts in mixed formats join to the ride that they are; two rides given as one are refused.

A drawn stretch of a sample ride is parted at drawn moments; each part is written in a format of
its own by python-can or by the writers of the tests, its bus named otherwise.
"""

from __future__ import annotations

import functools
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING

import can
import numpy as np
import pytest

from canassist.errors import UsageError
from canassist.frames import open_log
from canassist.pipeline import analyze
from tests.frames.frame_samples import Sample, message, samples_of
from tests.frames.text_writers import asc_line, candump_line

if TYPE_CHECKING:
    from canassist.model import Result

S = 1_000_000_000
ROOT = Path(__file__).resolve().parents[2]
LOGS = (
    "healthy_mixed.log.gz", "hot_tight_turns.blf", "not_charging.log.gz", "speed_lost.log.gz",
    "supply_resistance.blf", "torque_offset.asc.gz", "weak_battery.asc.gz",
)  # fmt: skip
DATED = (".log", ".asc", ".blf", ".csv", ".trc")
CLOCKS = ((".log", ".csv"), (".asc", ".blf", ".trc"))
"""Formats that tell UTC, and those that tell the recorder's wall clock."""

UNDATED = (".log", ".asc", ".csv")
TIMES_AGREE_S = 0.02
"""A seam: formats round times to 0.1 ms and the date of a part to 1 ms; parts without dates stand
end to end, whatever the bus's pause between them was."""

SAMPLE = range(2)
ALL = range(100)


@functools.cache
def _ride(name: str) -> tuple[Sample, ...]:
    recording = open_log([ROOT / "sample_logs" / name])
    return tuple(one for block in recording.blocks() for one in samples_of(block, recording.buses))


def _stretch(dice: np.random.Generator, name: str, longest_s: float = 100.0) -> list[Sample]:
    """Return some minutes of a ride, on a day of this century."""
    frames = _ride(name)
    first = frames[0].time_ns
    begin = first + int(dice.uniform(0.0, 60.0) * S)
    end = begin + int(dice.uniform(65.0, longest_s) * S)
    day_ns = 1_700_000_000 * S - first
    return [
        one._replace(time_ns=one.time_ns + day_ns) for one in frames if begin <= one.time_ns < end
    ]


def _write(path: Path, frames: list[Sample], bus: str, *, dated: bool) -> Path:
    """Write a part; one without dates counts from its own beginning."""
    zero = 0 if dated else frames[0].time_ns
    moved = [one._replace(time_ns=one.time_ns - zero, bus=bus) for one in frames]
    if path.suffix == ".log":
        path.write_text("".join(f"{candump_line(one)}\n" for one in moved))
    elif path.suffix == ".asc" and not dated:
        path.write_text(
            "base hex  timestamps absolute\n" + "".join(f"{asc_line(one)}\n" for one in moved)
        )
    else:
        with can.Logger(path) as log:
            for one in moved:
                log(message(one))
    return path


def _analyzed(*logs: Path) -> Result:
    demo = ROOT / "dbc_demo"
    return analyze(
        logs, dbc=demo / "demo_trail_vehicle.dbc", profile=demo / "demo_trail_vehicle.toml"
    )


def _same_answer(joined: Result, whole: Result, *, seams: int) -> None:
    assert [(one.code, one.strength, one.role) for one in joined.conclusions] == [
        (one.code, one.strength, one.role) for one in whole.conclusions
    ]
    assert [(one.kind, one.cause, one.channel) for one in joined.events] == [
        (one.kind, one.cause, one.channel) for one in whole.events
    ]
    starts = [one.start_s for one in whole.events]
    assert [one.start_s for one in joined.events] == pytest.approx(
        starts, abs=seams * TIMES_AGREE_S
    )
    assert joined.log.frames == whole.log.frames
    assert len(joined.log.buses) == 1


def _check_joined(number: int, folder: Path) -> None:
    dice = np.random.default_rng([15, number])
    frames = _stretch(dice, LOGS[number % len(LOGS)])
    whole = _analyzed(_write(folder / "whole.log", frames, "can0", dated=True))
    dated = bool(number % 2)
    places = np.sort(dice.uniform(0.15, 0.85, int(dice.integers(1, 4)))) * len(frames)
    ends = sorted({0, len(frames), *map(int, places)})
    parts = [
        _write(
            folder / f"part{n}{dice.choice(DATED if dated else UNDATED)}",
            frames[begin:end],
            str(n % 2 + 1),
            dated=dated,
        )
        for n, (begin, end) in enumerate(pairwise(ends))
    ]
    if dated:
        dice.shuffle(parts)  # type: ignore[arg-type]  # a list will do
    _same_answer(_analyzed(*parts), whole, seams=len(parts) - 1)


def _check_refused(number: int, folder: Path) -> None:
    """Give two rides as one: they overlap with other values, or lie an hour and more apart.

    Those apart tell their dates by one clock: a wall clock beside UTC may be of any zone.
    """
    dice = np.random.default_rng([16, number])
    names = dice.choice(LOGS, 2, replace=False)
    later = int(dice.uniform(1.0, 30.0)) if number % 2 else int(dice.uniform(4000.0, 90_000.0))
    one, two = (_stretch(dice, str(name)) for name in names)
    shift = one[0].time_ns - two[0].time_ns + later * S
    endings = DATED if number % 2 else CLOCKS[number // 2 % 2]
    first = _write(folder / f"first{dice.choice(endings)}", one, "1", dated=True)
    moved = [frame._replace(time_ns=frame.time_ns + shift) for frame in two]
    second = _write(folder / f"second{dice.choice(endings)}", moved, "1", dated=True)
    with pytest.raises(UsageError, match=rf"{first.stem}.*{second.stem}.*different rides"):
        _analyzed(first, second)


@pytest.mark.parametrize("number", SAMPLE)
def test_parts_in_mixed_formats_give_the_answer_of_the_whole(number: int, tmp_path: Path) -> None:
    _check_joined(number, tmp_path)


@pytest.mark.parametrize("number", SAMPLE)
def test_two_rides_are_refused_by_name(number: int, tmp_path: Path) -> None:
    _check_refused(number, tmp_path)


@pytest.mark.slow
@pytest.mark.parametrize("number", ALL)
def test_a_hundred_joined_rides_of_a_hundred(number: int, tmp_path: Path) -> None:
    _check_joined(number, tmp_path)


@pytest.mark.slow
@pytest.mark.parametrize("number", ALL)
def test_a_hundred_false_rides_of_a_hundred(number: int, tmp_path: Path) -> None:
    _check_refused(number, tmp_path)

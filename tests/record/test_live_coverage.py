"""What is shown while recording: the report's own coverage, counted in steps."""

from __future__ import annotations

import gzip
from collections.abc import Iterator
from dataclasses import fields, replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from canassist.demo import RIDES, Scenario, simulate
from canassist.demo.bus.frame_table import all_frames
from canassist.demo.bus.writers import log_bytes
from canassist.model import Coverage, Profile
from canassist.pipeline import analyze
from canassist.profile import read_profile
from canassist.record.capture.block_file import pack
from canassist.record.live.growing_log import GrowingLog
from canassist.record.live.live_reading import LiveReading
from canassist.record.live.recipe import recipe_rows, ridden_so_far
from canassist.record.state import RowState

START = datetime(2025, 5, 10, 9, 30, tzinfo=UTC)
SENTENCES = {"cannot_tell", "ride_next", "needs"}


def rides() -> list[Scenario]:
    """Return 30 rides: the eight samples with other dice."""
    return [
        replace(one, seed=one.seed + 1000 * turn) for turn in range(4) for one in RIDES.values()
    ][:30]


def ride_text(scenario: Scenario) -> bytes:
    table = all_frames(simulate(scenario), ())
    return gzip.decompress(log_bytes(".log.gz", table, START, quick=True))


def by_seconds(text: bytes) -> Iterator[bytes]:
    """Cut a log where a recorder ends its blocks: each second."""
    lines, second = [], None
    for line in text.splitlines(keepends=True):
        now = line[1 : line.index(b".")]
        if second is not None and now != second:
            yield b"".join(lines)
            lines = []
        second = now
        lines.append(line)
    yield b"".join(lines)


@pytest.fixture(scope="module")
def databases(project_root: Path) -> tuple[Path, ...]:
    return (project_root / "dbc_demo/demo_trail_vehicle.dbc",)


@pytest.fixture(scope="module")
def profile(project_root: Path) -> Profile:
    return read_profile(project_root / "dbc_demo/demo_trail_vehicle.toml")


def figures(coverage: Coverage) -> dict[str, object]:
    return {
        one.name: getattr(coverage, one.name)
        for one in fields(coverage)
        if one.name not in SENTENCES
    }


def ridden_live(text: bytes, log: Path, databases: tuple[Path, ...], profile: Profile) -> Coverage:
    """Let a log grow block by block, look at it on the way, and return what it ends with."""
    growing = GrowingLog(lambda number: log if number == 0 else None)
    reading = LiveReading(databases, profile)
    with log.open("wb") as file:
        for second, piece in enumerate(by_seconds(text)):
            file.write(pack(piece))
            file.flush()
            if second % 7 == 0:
                reading.feed(growing.read())
            if second % 90 == 30:
                assert reading.so_far() is not None
    while new := growing.read():
        reading.feed(new)
    growing.close()
    reading.finish()
    whole = reading.so_far()
    assert whole is not None
    return ridden_so_far(whole.timeline, profile)


@pytest.mark.parametrize(
    "number",
    [0, 5, *(pytest.param(n, marks=pytest.mark.slow) for n in range(30) if n not in {0, 5})],
)
def test_live_coverage_equals_the_reports(
    number: int, tmp_path: Path, databases: tuple[Path, ...], profile: Profile
) -> None:
    text = ride_text(rides()[number])
    log = tmp_path / "ride.log.gz"
    live = ridden_live(text, log, databases, profile)
    report = analyze(log, dbc=databases, profile=profile).coverage
    assert figures(live) == figures(report)


def test_half_a_block_is_waited_for(tmp_path: Path) -> None:
    log = tmp_path / "ride.log.gz"
    first, second = pack(b"(1.0) can0 123#00\n"), pack(b"(2.0) can0 123#01\n")
    growing = GrowingLog(lambda number: log if number == 0 else None)
    assert growing.read() == b""
    log.write_bytes(first + second[:9])
    assert growing.read() == b"(1.0) can0 123#00\n"
    assert growing.read() == b""
    log.write_bytes(first)  # what could not be written whole was cut off again
    assert growing.read() == b""
    log.write_bytes(first + second)
    assert growing.read() == b"(2.0) can0 123#01\n"
    growing.close()


def test_the_pieces_of_a_ring_follow_each_other(tmp_path: Path) -> None:
    names = [tmp_path / f"{n}.log.gz" for n in range(3)]
    growing = GrowingLog(lambda number: names[number] if number < 3 else None)
    names[0].write_bytes(pack(b"a\n"))
    assert growing.read() == b"a\n"
    names[1].write_bytes(pack(b"b\n"))
    names[2].write_bytes(pack(b"c\n"))
    assert [growing.read(), growing.read(), growing.read()] == [b"b\n", b"c\n", b""]
    growing.close()


RIDDEN = Coverage(
    low_speed_steering_s=9.0,
    cruise_s=25.0,
    engine_running_s=80.0,
    hot_s=None,
    standing_s=3.0,
    slow_left_s=20.0,
    slow_right_s=4.6,
    cranks=1,
    modes_s={"Light": 12.0},
    tail_s=0.0,
    needed={
        "cruise_s": 20.0,
        "hot_s": 10.0,
        "standing_s": 10.0,
        "slow_left_s": 20.0,
        "slow_right_s": 20.0,
        "cranks": 1.0,
        "tail_s": 10.0,
    },
)


def test_rows_are_done_missing_or_impossible(profile: Profile) -> None:
    rows = {one.name: one for one in recipe_rows(RIDDEN, profile, log_s=100.0)}
    states = {name: one.state for name, one in rows.items()}
    assert states == {
        "engine start": RowState.DONE,
        "standing": RowState.MISSING,
        "slow turns left": RowState.DONE,
        "slow turns right": RowState.MISSING,
        "cruise": RowState.DONE,
        "mode Light": RowState.DONE,
        "mode Medium": RowState.MISSING,
        "mode Firm": RowState.MISSING,
        "hot module": RowState.IMPOSSIBLE,
        "engine off, key off": RowState.MISSING,
    }
    assert rows["slow turns right"].left == pytest.approx(15.4)
    assert "module temperature" in rows["hot module"].how


def test_nothing_is_called_impossible_before_it_could_come(profile: Profile) -> None:
    rows = recipe_rows(replace(RIDDEN, modes_s={}), profile, log_s=2.0)
    assert RowState.IMPOSSIBLE not in {one.state for one in rows}

"""Recordings of real buses: no frame lost, and the same as python-can reads."""

from __future__ import annotations

from typing import TYPE_CHECKING

import can
import numpy as np
import pytest

from canassist.frames import open_log
from canassist.model import FrameFlag
from tests.frames.frame_samples import same_but_time, samples_of

if TYPE_CHECKING:
    from pathlib import Path

    from canassist.frames import Recording
    from tests.frames.frame_samples import Sample

ENDINGS = {".log", ".trc", ".asc", ".csv"}
OWN_PROBLEMS = {
    "two_bus_out_of_order.csv": ("gives no unit of time", "handed over in bundles"),
    "crank_and_creep_drive.log": ("no frame at all for up to 0.896 s, 21 times",),
    "drive_town_36s.log": ("dropped about 0.94 % of all frames",),
    "thinned_recorder_9s.log": ("dropped about 69 % of all", "frames equal to the one before"),
    "thinned_recorder_rev_8s.log": ("dropped about 68 % of all frames",),
    "supply_field_dead_start.log": ("no frame at all for up to 0.845 s, once",),
    "clock_bundles_back_6s.trc": (
        "times 2.797200 s too low up to 2.178",
        *("times 2.797300 s too low",) * 2,
    ),
}


def _read(recording: Recording) -> list[Sample]:
    return [one for block in recording.blocks() for one in samples_of(block, recording.buses)]


def _frame_lines(path: Path) -> int:
    """Count the lines that must be frames, by a look at the text alone."""
    lines = path.read_text(encoding="latin-1").splitlines()
    if path.suffix == ".asc":
        return sum(1 for line in lines if " Rx " in line or " Tx " in line)
    if path.suffix == ".csv":
        return len(lines) - 1
    return sum(1 for line in lines if line.strip() and not line.startswith(";"))


def _recordings(shared_data: Path) -> list[Path]:
    folders = [*shared_data.glob("car_*"), shared_data / "truck_a", shared_data / "odd_real"]
    return sorted(
        path
        for folder in folders
        for path in folder.iterdir()
        if path.suffix in ENDINGS and not path.name.startswith("ref_")
    )


def test_no_frame_of_any_recording_is_lost(shared_data: Path) -> None:
    paths = _recordings(shared_data)
    assert len(paths) >= 15
    for path in paths:
        recording = open_log([path])
        frames = sum(len(block) for block in recording.blocks())
        assert frames == _frame_lines(path), path.name
        assert recording.stats().frames == frames
        expected = OWN_PROBLEMS.get(path.name, ())
        assert len(recording.problems) == len(expected), recording.problems
        for problem, words in zip(recording.problems, expected, strict=True):
            assert words in problem.what


@pytest.mark.parametrize(
    "name",
    [
        "car_a/crank_9v.trc",
        "car_a/wake_sentinels_key_on.log",
        "car_j_obd/trip1_part1.asc",
        pytest.param("car_i/highway_60s_eps_torque_4bus.log", marks=pytest.mark.slow),
        pytest.param("truck_a/idle_127s_dm1_bam.log", marks=pytest.mark.slow),
    ],
)
def test_the_frames_are_those_that_python_can_reads(shared_data: Path, name: str) -> None:
    recording = open_log([shared_data / name])
    read = _read(recording)
    with can.LogReader(shared_data / name) as log:
        theirs = sorted(log, key=lambda one: one.timestamp)
    assert len(read) == len(theirs)
    zero = theirs[0].timestamp
    for ours, other in zip(read, theirs, strict=True):
        assert same_but_time(ours, other)
        assert ours.time_ns - recording.zero_ns == pytest.approx(
            (other.timestamp - zero) * 1e9, abs=2000
        )


def test_a_clock_that_comes_forward_again_makes_the_ride_no_longer(shared_data: Path) -> None:
    """First and last stamp are 5.742 s apart, and the frames of each identifier fill that."""
    recording = open_log([shared_data / "car_a" / "clock_bundles_back_6s.trc"])
    read = _read(recording)
    assert (read[-1].time_ns - read[0].time_ns) / 1e9 == pytest.approx(5.742, abs=0.001)
    stats = recording.stats()
    assert stats.recording_gaps == ()
    spans = [one.count * one.period_s for one in stats.ids if one.count > 200]
    assert len(spans) > 10
    assert np.median(spans) == pytest.approx(stats.duration_s, rel=0.02)


def test_consecutive_parts_are_placed_by_their_dates(shared_data: Path) -> None:
    parts = sorted((shared_data / "car_j_obd").glob("trip1_part*.asc"))
    recording = open_log(parts[::-1])
    read = _read(recording)
    assert len(read) == sum(map(_frame_lines, parts))
    # the triggers stand 545.077 s apart: "55.12" and "00.89" are 12 and 89 milliseconds
    assert (read[-1].time_ns - read[0].time_ns) / 1e9 == pytest.approx(545.077 + 599.76, abs=0.1)
    assert recording.problems == ()
    assert recording.start_utc is None


def test_two_buses_out_of_order_are_woven(shared_data: Path) -> None:
    recording = open_log([shared_data / "odd_real" / "two_bus_out_of_order.csv"])
    times = [one.time_ns for one in _read(recording)]
    assert times == sorted(times)
    assert len(recording.buses) == 2


def test_container_samples_of_the_format_libraries(shared_data: Path) -> None:
    """Each is read with the error and remote frames that stand in it."""
    expected = {
        "logfile.asc": (20, 4, 4),
        "logfile_errorframes.asc": (12, 3, 2),
        "test_CanMessage.asc.gz": (2, 0, 0),
        "test_CanMessage.blf": (2, 0, 0),
    }
    for name, (frames, errors, remotes) in expected.items():
        read = _read(open_log([shared_data / "containers" / name]))
        assert len(read) == frames, name
        assert sum(one.has(FrameFlag.ERROR) for one in read) == errors, name
        assert sum(one.has(FrameFlag.REMOTE) for one in read) == remotes, name


def test_one_trip_in_three_formats_is_one_trip_on_one_bus(shared_data: Path) -> None:
    """BLF, MDF 4 and candump name the bus 2, 1 and can0; 180.3 s are missing before the last."""
    names = ("trip1_cut_c.log", "trip1_cut_a.blf", "trip1_cut_b.mf4")
    recording = open_log([shared_data / "car_j_obd" / name for name in names])
    assert len(_read(recording)) == 7692 + 3389 + 2538
    stats = recording.stats()
    assert len(stats.buses) == 1
    assert stats.duration_s == pytest.approx(1144.8, abs=0.1)
    ((begin_s, end_s),) = stats.recording_gaps
    assert end_s - begin_s == pytest.approx(180.3, abs=0.05)
    assert stats.bus_gaps == ()
    assert all(
        start_s <= begin_s and end_s <= stop_s
        for one in stats.ids
        for start_s, stop_s in one.silences
        if stop_s - start_s > 30.0
    )

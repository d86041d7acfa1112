"""One ride in one file or several: found, joined, counted, and clear words where it fails."""

from __future__ import annotations

import gzip
import os
import subprocess
import sys
import threading
import zipfile
import zlib
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import numpy as np
import pytest

from canassist.errors import InputError, NoFramesError, UsageError
from canassist.frames import ReadRequest, open_log
from canassist.model import IdSet, Step
from tests.frames.blf_writer import Packing, file_header, object_of
from tests.frames.frame_samples import Sample, samples_of
from tests.frames.text_writers import ASC_HEADER, asc_line, candump_line

if TYPE_CHECKING:
    from pathlib import Path

    from canassist.frames import Recording

S = 1_000_000_000
MS = 1_000_000
T0 = 1_700_000_000 * S


def _ride(count: int, *, start_ns: int = T0, step_ns: int = MS, bus: str = "can0") -> list[Sample]:
    return [
        Sample(
            start_ns + number * step_ns,
            bus,
            0x100 + number % 3,
            0,
            2,
            (number % 65536).to_bytes(2, "big"),
        )
        for number in range(count)
    ]


def _write(path: Path, many: list[Sample]) -> Path:
    text = "".join(f"{candump_line(one)}\n" for one in many)
    if path.suffix == ".asc":
        text = ASC_HEADER + "".join(f"{asc_line(one)}\n" for one in many)
    path.write_text(text, newline="\n")
    return path


def _read(recording: Recording, request: ReadRequest | None = None) -> list[Sample]:
    read = [
        one
        for block in recording.blocks(request=request)
        for one in samples_of(block, recording.buses)
    ]
    assert [one.time_ns for one in read] == sorted(one.time_ns for one in read)
    return read


def test_one_file_is_a_ride(tmp_path: Path) -> None:
    ride = _ride(300)
    recording = open_log([_write(tmp_path / "ride.log", ride)])
    assert _read(recording) == ride
    assert recording.name == "ride.log"
    assert recording.formats == "candump"
    assert recording.zero_ns == T0
    assert recording.start_utc == datetime.fromtimestamp(1_700_000_000, UTC)
    assert recording.problems == ()
    stats = recording.stats()
    assert (stats.frames, stats.buses, len(stats.ids)) == (300, ("can0",), 3)
    assert stats.duration_s == pytest.approx(0.299)


def test_it_can_be_read_again(tmp_path: Path) -> None:
    recording = open_log([_write(tmp_path / "ride.log", _ride(300))])
    assert _read(recording) == _read(recording)
    assert recording.stats().frames == 300


@pytest.mark.parametrize("header", [ASC_HEADER, "base hex  timestamps absolute\n"])
def test_stamps_that_are_dates_themselves_need_no_header(tmp_path: Path, header: str) -> None:
    ride = _ride(30, bus="1")
    path = tmp_path / "ride.asc"
    path.write_text(header + "".join(f"{asc_line(one)}\n" for one in ride))
    recording = open_log([path])
    assert _read(recording) == ride
    assert recording.start_utc == datetime.fromtimestamp(1_700_000_000, UTC)
    assert recording.start_local is None


def test_times_from_the_recorders_own_start_give_no_date(tmp_path: Path) -> None:
    ride = _ride(30, start_ns=46_408 * S)
    recording = open_log([_write(tmp_path / "ride.log", ride)])
    _read(recording)
    assert recording.zero_ns == 46_408 * S
    assert recording.start_utc is None


@pytest.mark.parametrize(
    ("date", "start"),
    [
        ("Sat Sep 30 15:06:13.500 2017", datetime(2017, 9, 30, 15, 6, 23, 500_000)),
        ("Thu Jan 1 00:00:00.000 1970", None),  # a clock that nobody set
    ],
)
def test_a_wall_clock_without_zone_is_a_local_start(
    tmp_path: Path, date: str, start: datetime | None
) -> None:
    path = tmp_path / "ride.asc"
    path.write_text(f"date {date}\nbase hex  timestamps absolute\n 10.0 1  123 Rx d 1 01\n")
    recording = open_log([path])
    _read(recording)
    assert recording.start_utc is None
    assert recording.start_local == start


def test_parts_are_joined_by_their_time_whatever_the_order_given(tmp_path: Path) -> None:
    ride = _ride(900)
    paths = [
        _write(tmp_path / f"part{number}.log", ride[number * 300 : (number + 1) * 300])
        for number in range(3)
    ]
    recording = open_log([paths[2], paths[0], paths[1]])
    assert _read(recording) == ride
    assert recording.problems == ()


def test_a_gap_between_parts_stays_a_gap(tmp_path: Path) -> None:
    first, second = _ride(300), _ride(300, start_ns=T0 + 20 * S)
    recording = open_log([_write(tmp_path / "b.log", second), _write(tmp_path / "a.log", first)])
    assert _read(recording) == [*first, *second]
    (gap,) = recording.stats().recording_gaps
    assert gap == pytest.approx((0.299, 20.0))


def test_two_buses_in_two_files_are_woven(tmp_path: Path) -> None:
    one, two = _ride(5000), _ride(5000, start_ns=T0 + MS // 2, bus="can1")
    recording = open_log([_write(tmp_path / "two.log", two), _write(tmp_path / "one.log", one)])
    assert _read(recording) == sorted([*one, *two])
    assert recording.buses == ["can0", "can1"]
    assert recording.stats().bus_gaps == ()


def test_two_files_that_name_different_buses_alike_are_two_buses(tmp_path: Path) -> None:
    one = _ride(5000)
    two = [
        sample._replace(time_ns=sample.time_ns + 7000, can_id=sample.can_id + 0x200)
        for sample in one
    ]
    recording = open_log([_write(tmp_path / "one.log", one), _write(tmp_path / "two.log", two)])
    read = _read(recording)
    assert recording.buses == ["can0", "can0 (two.log)"]
    assert [sample for sample in read if sample.bus == "can0"] == one
    assert len(read) == 10_000
    assert "taken as another bus" in recording.problems[0].what


def _other_values(ride: list[Sample]) -> list[Sample]:
    return [
        one._replace(
            time_ns=one.time_ns + 400_000, data=bytes([255 - one.data[0], one.data[1] ^ 9])
        )
        for one in ride
    ]


@pytest.mark.parametrize("bus", ["can0", "can1"])
def test_files_that_overlap_with_other_values_are_different_rides(tmp_path: Path, bus: str) -> None:
    one = [s._replace(data=bytes([n % 251, n % 7])) for n, s in enumerate(_ride(5000))]
    two = [s._replace(bus=bus) for s in _other_values(one[1500:])]
    paths = [_write(tmp_path / "one.log", one), _write(tmp_path / "two.log", two)]
    with pytest.raises(UsageError, match=r"one.log and two.log: different rides") as caught:
        _read(open_log(paths))
    assert "--one-ride" in caught.value.fix
    assert len(_read(open_log(paths, one_ride=True))) == 8500


def test_files_that_lie_far_apart_are_different_rides(tmp_path: Path) -> None:
    near, far = _ride(300, start_ns=T0 + 1800 * S), _ride(300, start_ns=T0 + 1802 * S)
    one = _write(tmp_path / "one.log", _ride(300))
    assert len(_read(open_log([one, _write(tmp_path / "two.log", near)]))) == 600
    paths = [_write(tmp_path / "two.log", far), one]
    with pytest.raises(UsageError, match=r"one.log and two.log: different rides \(lie 30 min"):
        _read(open_log(paths))
    assert len(_read(open_log(paths, one_ride=True))) == 600


def test_a_file_that_adds_none_is_named(tmp_path: Path) -> None:
    ride = _ride(6000)
    paths = [_write(tmp_path / "all.log", ride), _write(tmp_path / "some.log", ride[1000:3000])]
    recording = open_log(paths)
    assert _read(recording) == ride
    (named,) = [one for one in recording.problems if one.where == "some.log"]
    assert named.what.startswith("adds no frame")


def test_a_bus_named_otherwise_in_the_next_part_goes_on(tmp_path: Path) -> None:
    """Also where the two names are swapped."""
    one = _ride(3000)
    two = [s._replace(bus="can1", can_id=s.can_id + 0x300, time_ns=s.time_ns + 5000) for s in one]
    names = {"can0": "can1", "can1": "can0"}
    first = sorted([*one[:1500], *two[:1500]])
    second = [s._replace(bus=names[s.bus]) for s in sorted([*one[1500:], *two[1500:]])]
    recording = open_log([_write(tmp_path / "a.log", first), _write(tmp_path / "b.log", second)])
    assert _read(recording) == sorted([*one, *two])
    assert "goes on from bus" in recording.problems[0].what


def test_a_seam_on_one_of_two_buses_is_no_silence(tmp_path: Path) -> None:
    """Each bus has its own files, and changes them at its own time, with 1.5 s lost."""
    one = _ride(6000)
    two = [s._replace(bus="can1", can_id=s.can_id + 0x300, time_ns=s.time_ns + 5000) for s in one]
    parts = (one[:3000], one[4500:], two)
    paths = [_write(tmp_path / f"{n}.log", part) for n, part in enumerate(parts)]
    recording = open_log(paths)
    assert len(_read(recording)) == 10_500
    stats = recording.stats()
    assert stats.bus_gaps == stats.recording_gaps == ()
    assert all(not one.silences for one in stats.ids)
    assert stats.seams == ((0, 2.999, 4.5),)


@pytest.mark.parametrize("hours", [0, 2, -7, 5.5])
def test_wall_clocks_and_utc_meet_at_the_zone_that_fits(tmp_path: Path, hours: float) -> None:
    ride = _ride(900, start_ns=0, step_ns=20 * MS, bus="1")
    date = datetime(2024, 5, 1, 12, 0, 0, tzinfo=UTC)
    first = _write(tmp_path / "one.asc", ride[:300])
    shown = (date + timedelta(hours=hours)).strftime("%a %b %d %H:%M:%S.000 %Y")
    first.write_text(first.read_text().replace("Sat Sep 30 15:06:13.191 2017", shown))
    begin_ns = int(date.timestamp()) * S
    rest = [s._replace(time_ns=s.time_ns + begin_ns, bus="can0") for s in ride[400:]]
    recording = open_log([_write(tmp_path / "two.log", rest), first])
    read = _read(recording)
    assert [s.time_ns - read[0].time_ns for s in read] == [
        s.time_ns for s in (*ride[:300], *ride[400:])
    ]
    assert len(recording.buses) == 1
    assert recording.stats().recording_gaps == ((pytest.approx(5.98), pytest.approx(8.0)),)


def test_files_that_overlap_give_their_common_frames_once(tmp_path: Path) -> None:
    ride = _ride(9000)
    recording = open_log(
        [_write(tmp_path / "one.log", ride[:6000]), _write(tmp_path / "two.log", ride[3000:])]
    )
    assert _read(recording) == ride
    assert recording.buses == ["can0"]
    assert "3000 frames were in two of them" in recording.problems[0].what


@pytest.mark.parametrize("common", [1, 10, 200])
def test_a_short_overlap_gives_its_frames_once(tmp_path: Path, common: int) -> None:
    """Some recorders begin a file with the last frames of the one before."""
    ride = _ride(3000)
    parts = ride[:1000], ride[1000 - common : 2000], ride[2000 - common :]
    paths = [_write(tmp_path / f"part{n}.log", part) for n, part in enumerate(parts)]
    recording = open_log(paths)
    assert _read(recording) == ride
    assert f"{2 * common} frames were in two of them" in recording.problems[0].what


def test_a_short_overlap_of_other_frames_costs_none(tmp_path: Path) -> None:
    one = _ride(1000)
    two = [sample._replace(can_id=0x200) for sample in _ride(1000, start_ns=T0 + 900 * MS)]
    paths = [_write(tmp_path / "one.log", one), _write(tmp_path / "two.log", two)]
    assert sorted(_read(open_log(paths))) == sorted([*one, *two])


def test_parts_without_a_common_clock_follow_in_the_order_given(tmp_path: Path) -> None:
    one, two = _ride(300, start_ns=0, step_ns=MS), _ride(300, start_ns=0, step_ns=MS)
    recording = open_log([_write(tmp_path / "b.log", one), _write(tmp_path / "a.log", two)])
    read = _read(recording)
    assert [sample.data for sample in read] == [sample.data for sample in (*one, *two)]
    assert read[300].time_ns - read[299].time_ns == MS
    assert "no common clock" in recording.problems[0].what
    assert recording.problems[0].where == "b.log, a.log"


def test_clocks_that_nobody_set_place_no_part(tmp_path: Path) -> None:
    """Each part begins on 1 January 1970 as its recorder wakes: they did not run together."""
    paths = []
    for name in ("one.asc", "two.asc"):
        path = _write(tmp_path / name, _ride(3000, start_ns=0, bus="1"))
        text = path.read_text().replace("Sat Sep 30 15:06:13.191 2017", "Thu Jan 1 00:00:05 1970")
        path.write_text(text, newline="\n")
        paths.append(path)
    recording = open_log(paths)
    _read(recording)
    assert recording.stats().duration_s == pytest.approx(5.999)
    assert recording.buses == ["1"]
    assert "one after the other" in recording.problems[0].what


def test_a_part_left_alone_by_empty_ones_needs_no_clock(tmp_path: Path) -> None:
    ride = _ride(300, start_ns=0)
    empty = tmp_path / "b.asc"
    empty.write_text("base hex  timestamps absolute\n")
    recording = open_log([empty, _write(tmp_path / "a.log", ride)])
    assert _read(recording) == ride
    assert [problem.where for problem in recording.problems] == ["b.asc"]


def test_files_of_other_buses_that_begin_together_are_woven_without_a_date(tmp_path: Path) -> None:
    one = _ride(3000, start_ns=0)
    two = _ride(3000, start_ns=MS // 2, bus="can1")
    recording = open_log([_write(tmp_path / "one.log", one), _write(tmp_path / "two.log", two)])
    assert _read(recording) == sorted([*one, *two])
    assert "side by side" in recording.problems[0].what
    late = _ride(300, start_ns=20 * S, bus="can1")  # begins when the other has long ended
    recording = open_log([tmp_path / "one.log", _write(tmp_path / "late.log", late)])
    _read(recording)
    assert "one after the other" in recording.problems[0].what


def test_an_empty_file_among_others_costs_nothing(tmp_path: Path) -> None:
    ride = _ride(300)
    archive = tmp_path / "rides.zip"
    with zipfile.ZipFile(archive, "w") as packed:
        packed.writestr("a.log", "".join(f"{candump_line(s)}\n" for s in ride))
        packed.writestr("b.log", "")
    empty = tmp_path / "c.log"
    empty.write_bytes(b"")
    recording = open_log([empty, archive])
    assert _read(recording) == ride
    assert [problem.where for problem in recording.problems] == ["c.log", "b.log"]
    with pytest.raises(NoFramesError, match="is empty"):
        open_log([empty, empty])


def test_a_part_whose_times_count_on_keeps_its_times(tmp_path: Path) -> None:
    ride = _ride(900, start_ns=0, step_ns=20 * MS)
    paths = [_write(tmp_path / "a.log", ride[:500]), _write(tmp_path / "b.log", ride[600:])]
    assert _read(open_log(paths)) == [*ride[:500], *ride[600:]]


def test_wall_clocks_place_parts_but_give_no_date(tmp_path: Path) -> None:
    one, two = _ride(300, start_ns=0, bus="1"), _ride(300, start_ns=0, bus="1")
    first, second = _write(tmp_path / "one.asc", one), _write(tmp_path / "two.asc", two)
    later = second.read_text().replace("15:06:13.191", "15:07:13.191")
    second.write_text(later, newline="\n")
    recording = open_log([second, first])
    read = _read(recording)
    assert read[300].time_ns - read[0].time_ns == 60 * S
    assert recording.start_utc is None
    assert recording.problems == ()


def test_formats_and_packings_may_differ(tmp_path: Path) -> None:
    one, two = _ride(300), _ride(300, start_ns=T0 + 300 * MS)
    path = tmp_path / "one.log.gz"
    path.write_bytes(gzip.compress("".join(f"{candump_line(s)}\n" for s in one).encode()))
    archive = tmp_path / "two.zip"
    with zipfile.ZipFile(archive, "w") as packed:
        packed.writestr("two.log", "".join(f"{candump_line(s)}\n" for s in two))
        packed.writestr("notes.txt", "ridden on the old road\n" * 20)
    recording = open_log([path, archive])
    assert _read(recording) == [*one, *two]
    assert recording.formats == "candump"
    assert [problem.where for problem in recording.problems] == ["notes.txt"]


def test_a_format_is_found_by_content_not_by_the_ending(tmp_path: Path) -> None:
    ride = _ride(300, bus="1", start_ns=0)
    for name, data in (
        ("ride.blf", "".join(f"{candump_line(s)}\n" for s in ride).encode()),
        ("ride.csv", Packing().file([object_of(s) for s in ride])),
        ("ride", (ASC_HEADER + "".join(f"{asc_line(s)}\n" for s in ride)).encode()),
        ("ride.mf4", b"\0" * 5000 + "".join(f"{candump_line(s)}\n" for s in ride).encode()),
        ("ride.db", b"x" * 50_000 + b"\n" + "".join(f"{asc_line(s)}\n" for s in ride).encode()),
    ):
        path = tmp_path / name
        path.write_bytes(data)
        assert _read(open_log([path])) == ride, name


def test_a_log_that_holds_one_bus_behind_the_other_is_read_and_its_gaps_are_those_of_all(
    tmp_path: Path,
) -> None:
    """As programs write that sort by channel. A hole of one bus is none of the recording."""
    one = [s for s in _ride(60_000) if not 10 * S <= s.time_ns - T0 < 12 * S]
    two = [s for s in _ride(60_000, bus="can1") if not 30 * S <= s.time_ns - T0 < 33 * S]
    both = [[s for s in bus if not 40 * S <= s.time_ns - T0 < 44 * S] for bus in (one, two)]
    path = _write(tmp_path / "ride.log", [*both[0], *both[1]])
    recording = open_log([path])
    read = [sample for block in recording.blocks() for sample in samples_of(block, recording.buses)]
    assert [s for s in read if s.bus == "can0"] == both[0]
    assert [s for s in read if s.bus == "can1"] == both[1]
    stats = recording.stats()
    (gap,) = stats.recording_gaps
    assert gap == pytest.approx((39.999, 44.0))
    assert [bus for bus, _, _ in stats.bus_gaps] == [0, 1]
    longest = [one.longest_silence_s for one in stats.ids if one.source.bus == 0]
    assert longest == pytest.approx([2.0] * 3, abs=0.005)  # not the 4 s that all buses missed


def test_a_part_without_a_frame_does_not_cost_the_others(tmp_path: Path) -> None:
    ride = _ride(300)
    empty = tmp_path / "b.asc"
    empty.write_text(ASC_HEADER)
    recording = open_log([_write(tmp_path / "a.log", ride), empty])
    assert _read(recording) == ride
    assert recording.problems[0][:2] == ("b.asc", "holds no CAN frame; left out")


@pytest.mark.parametrize(
    ("name", "data", "words"),
    [
        ("notes.txt", b"The steering goes heavy.\n" * 9, "unknown layout"),
        ("photo.jpg", bytes(range(256)) * 20, "no CAN frame in it"),
        ("ride.asc", ASC_HEADER.encode(), "no CAN frame in it"),
        ("ride.log", b"nonsense\n" * 100, "first line is 'nonsense'"),
        ("ride.log", b"\0" * 9000, "no CAN frame in it"),
        ("ride.log", b"\n", "no CAN frame in it"),
        ("ride.log", b"", "is empty"),
        ("ride.log.gz", gzip.compress(b"", mtime=0), "nothing can be read of it"),
        ("ride.log.gz", gzip.compress(b"x" * 99, mtime=0)[:10], "nothing can be read of it"),
    ],
)
def test_a_file_without_frames_is_an_error_that_helps(
    tmp_path: Path, name: str, data: bytes, words: str
) -> None:
    path = tmp_path / name
    path.write_bytes(data)
    with pytest.raises(NoFramesError, match=words) as caught:
        _read(open_log([path]))
    assert caught.value.problem.startswith(name)
    assert caught.value.fix
    assert str(tmp_path) not in str(caught.value)


def test_a_missing_file_or_a_folder_is_named(tmp_path: Path) -> None:
    for path in (tmp_path / "none.log", tmp_path):
        with pytest.raises(InputError) as caught:
            open_log([path])
        assert caught.value.problem.startswith(path.name)


@pytest.mark.skipif(os.name != "posix" or os.geteuid() == 0, reason="root may read everything")
def test_a_file_that_may_not_be_read_is_named(tmp_path: Path) -> None:
    path = _write(tmp_path / "ride.log", _ride(3))
    path.chmod(0)
    with pytest.raises(InputError, match="cannot be read"):
        open_log([path])


def test_only_wanted_frames_without_headers(tmp_path: Path) -> None:
    ride = _ride(3000)
    recording = open_log([_write(tmp_path / "ride.log", ride)])
    request = ReadRequest(wanted=IdSet([0x101]), headers=False)
    assert _read(recording, request) == [one for one in ride if one.can_id == 0x101]
    with pytest.raises(ValueError, match="headers"):
        recording.stats()


def test_a_loss_noted_behind_the_last_frame_counts(tmp_path: Path) -> None:
    path = tmp_path / "ride.asc"
    lines = [f" {row}.0 1  123 Rx d 1 01\n" for row in range(1, 40)]
    notes = ["// comment\n" * 200_000, " 41.0 1  Status: overrun\n"]  # in a block without a frame
    path.write_text(ASC_HEADER + "".join((*lines, *notes)), newline="\n")
    recording = open_log([path])
    _read(recording)
    assert recording.stats().recorder_losses_s == (40.0,)


def test_message_names_the_first_of_many_files(tmp_path: Path) -> None:
    paths = [_write(tmp_path / f"{n}.log", _ride(30)) for n in range(5)]
    assert open_log(paths[:3]).name == "0.log, 1.log, 2.log"
    assert open_log(paths).name == "0.log, 1.log, 2.log and 2 more"


def test_nothing_wanted_is_no_error_without_headers(tmp_path: Path) -> None:
    recording = open_log([_write(tmp_path / "ride.log", _ride(30))])
    assert _read(recording, ReadRequest(wanted=IdSet(), headers=False)) == []


def test_progress_is_told_in_bytes_and_frames_and_ends_whole(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("canassist.frames.recording._PROGRESS_S", 0.0)
    path = _write(tmp_path / "ride.log", _ride(100_000))
    size = path.stat().st_size
    told: list[Step] = []
    for _ in open_log([path]).blocks(progress=told.append):
        pass
    assert told[-1] == Step("reading", size, size, 100_000)
    done = [step.done for step in told]
    assert done == sorted(done)
    assert len(done) > 3
    assert all(step.total == size for step in told)
    frames = [step.frames or 0 for step in told]
    assert frames == sorted(frames)
    assert 0 < frames[0] < 100_000


def test_what_progress_raises_stops_the_reading_and_closes_the_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("canassist.frames.recording._PROGRESS_S", 0.0)
    path = _write(tmp_path / "ride.log", _ride(100_000))

    def stop(step: Step) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        for _ in open_log([path]).blocks(progress=stop):
            pass
    path.rename(tmp_path / "moved.log")  # an open file cannot be renamed everywhere


def test_a_reading_that_is_left_closes_the_file(tmp_path: Path) -> None:
    path = _write(tmp_path / "ride.log", _ride(100_000))
    before = threading.active_count()
    blocks = open_log([path]).blocks()
    next(iter(blocks))
    blocks.close()  # type: ignore[attr-defined]  # it is a generator
    assert threading.active_count() == before
    path.unlink()


def test_a_bit_rate_that_is_given_gives_the_load(tmp_path: Path) -> None:
    recording = open_log([_write(tmp_path / "ride.log", _ride(1001))], bit_rate=500_000)
    _read(recording)
    stats = recording.stats()
    assert stats.bit_rate == (500_000,)
    assert stats.bit_rate_given
    # 1001 frames of 2 bytes in one second: 63 bits each, and at most 12 stuff bits
    assert stats.load[0] is not None
    assert 1001 * 63 / 500_000 < stats.load[0] < 1001 * 75 / 500_000


def test_memory_stays_flat(tmp_path: Path) -> None:
    """A log of 100 MB is read with headers in less than its own size."""
    path = tmp_path / "long.log"
    text = "".join(f"{candump_line(one)}\n" for one in _ride(20_000)).encode()
    with path.open("wb") as log:
        for _ in range(160):
            log.write(text)
    code = (
        "import sys; from pathlib import Path; from canassist.frames import open_log\n"
        "recording = open_log([Path(sys.argv[1])])\n"
        "def peak():\n"
        "    lines = Path('/proc/self/status').read_text().splitlines()\n"
        "    return next(int(l.split()[1]) for l in lines if l.startswith('VmHWM'))\n"
        "before = peak()\n"
        "for block in recording.blocks(): pass\n"
        "print(peak() - before)\n"
    )
    if not os.path.exists("/proc/self/status"):  # noqa: PTH110 - a name in another system's tree
        pytest.skip("only Linux tells a process's peak memory this way")
    run = subprocess.run(
        [sys.executable, "-c", code, str(path)], check=True, capture_output=True, text=True
    )
    assert int(run.stdout) < 60_000  # kB; the log has 100 MB


def test_blocks_hold_arrays_of_their_own(tmp_path: Path) -> None:
    """The readers' buffers are used again; blocks must not change behind the caller's back."""
    ride = _ride(100_000)
    recording = open_log([_write(tmp_path / "ride.log", ride)])
    kept = list(recording.blocks())
    numbers = np.concatenate([block.payload[:, :2] for block in kept])
    assert (numbers.astype(np.int64) @ [256, 1] == np.arange(100_000) % 65536).all()


def test_more_problems_than_are_listed_are_counted(tmp_path: Path) -> None:
    lines = [
        f"{candump_line(one)}\n" + ("nonsense\n" if number % 2 else "")
        for number, one in enumerate(_ride(400))
    ]
    path = tmp_path / "ride.log"
    path.write_text("".join(lines), newline="\n")
    recording = open_log([path])
    assert len(_read(recording)) == 400
    assert len(recording.problems) == 51
    assert "150 more places" in recording.problems[-1].what
    assert "200 lines" in recording.problems[-1].what


def test_a_short_hole_on_all_identifiers_is_told_and_blames_nobody(tmp_path: Path) -> None:
    ride = [one for one in _ride(5000) if not 2000 < one.time_ns // MS - T0 // MS < 2400]
    recording = open_log([_write(tmp_path / "ride.log", ride)])
    _read(recording)
    (problem,) = recording.problems
    assert problem.where == "from 2.000 s on"
    assert "up to 0.400 s, once" in problem.what
    assert all(not one.silences for one in recording.stats().ids)


def test_a_sparse_bus_has_no_holes(tmp_path: Path) -> None:
    recording = open_log([_write(tmp_path / "ride.log", _ride(50, step_ns=300 * MS))])
    _read(recording)
    assert recording.problems == ()


def test_fifty_cuts_of_a_packed_log_keep_every_frame_that_inflates(tmp_path: Path) -> None:
    ride = _ride(4000)
    packed = gzip.compress("".join(f"{candump_line(one)}\n" for one in ride).encode())
    path = tmp_path / "ride.log.gz"
    for at in np.random.default_rng(5).integers(200, len(packed), 50).tolist():
        path.write_bytes(packed[:at])
        plain = zlib.decompressobj(31).decompress(packed[:at])
        lines, _, rest = plain.rpartition(b"\n")
        whole = lines.count(b"\n") + 1 + (len(rest) == len(candump_line(ride[0])))
        recording = open_log([path])
        assert _read(recording) == ride[:whole]
        assert any("ends before its end" in problem.what for problem in recording.problems)


def _blf(many: list[Sample]) -> bytes:
    return file_header() + b"".join(object_of(one) for one in many)


def _candump(many: list[Sample]) -> bytes:
    return "".join(f"{candump_line(one)}\n" for one in many).encode()


def _asc(many: list[Sample]) -> bytes:
    return (ASC_HEADER + "".join(f"{asc_line(one)}\n" for one in many)).encode()


@pytest.mark.parametrize("ending", ["log", "asc", "blf", "log.gz"])
def test_a_file_that_ends_in_the_middle_is_known_as_cut(tmp_path: Path, ending: str) -> None:
    write = {"asc": _asc, "blf": _blf}.get(ending, _candump)
    data = write(_ride(40, bus="1" if ending in {"asc", "blf"} else "can0"))
    data = gzip.compress(data) if ending.endswith("gz") else data
    for name, kept, cut in (("whole", data, False), ("cut", data[:-9], True)):
        log = tmp_path / f"{name}.{ending}"
        log.write_bytes(kept)
        recording = open_log([log])
        _read(recording)
        assert recording.stats().cut is cut, name


def test_a_whole_last_line_without_its_end_is_not_cut(tmp_path: Path) -> None:
    log = tmp_path / "ride.log"
    log.write_bytes(_candump(_ride(40)).removesuffix(b"\n"))
    recording = open_log([log])
    assert len(_read(recording)) == 40
    assert not recording.stats().cut

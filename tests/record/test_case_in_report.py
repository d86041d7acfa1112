"""Marks and losses of a recording, taken up by the report from beside the log."""

from __future__ import annotations

import hashlib
import json
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import numpy as np
import pytest

from canassist import frames
from canassist.cli.recording.case_beside import case_files_beside
from canassist.frames.merge.raw_times import RawTimes
from canassist.model import BusStats, RecorderNotes
from canassist.timeline import placed, with_recorder_notes


def canassist(*words: str | Path) -> tuple[int, str, str]:
    command = [sys.executable, "-m", "canassist", *map(str, words)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    return done.returncode, done.stdout, done.stderr


@pytest.fixture
def ride(tmp_path: Path, project_root: Path) -> Path:
    """Return a copy of a sample log, to write a case file beside."""
    log = tmp_path / "ride.log.gz"
    log.write_bytes((project_root / "sample_logs/not_charging.log.gz").read_bytes())
    return log


@pytest.fixture
def known(project_root: Path) -> list[Path | str]:
    folder = project_root / "dbc_demo"
    names = ("demo_trail_vehicle.dbc", "demo_trail_vehicle.toml")
    return ["--dbc", folder / names[0], "--profile", folder / names[1]]


def first_stamp(log: Path) -> float:
    recording = frames.open_log([log])
    for _ in recording.blocks():
        pass
    return recording.zero_ns / 1e9


def report_of(log: Path, *options: Path | str) -> tuple[dict, str]:  # type: ignore[type-arg]  # JSON
    out = log.with_name("out.html")
    status, _, err = canassist("report", log, *options, "-o", out)
    assert status == 0, err
    return json.loads(out.with_suffix(".json").read_text("utf-8")), err


def test_marks_arrive_as_moments_and_the_file_is_named(ride: Path, known: list[Path | str]) -> None:
    """The raw time stamp wins over the moment beside it, which is rounded to a tenth."""
    case = ride.with_name("ride.case.toml")
    raw = first_stamp(ride) + 61.237
    case.write_text(f'at = ["1:01.2"]\nat_log = [{raw:.6f}]\n[recording]\nframes = 3\n', "utf-8")
    result, err = report_of(ride, *known)
    assert [one["at_s"] for one in result["moments"]] == [pytest.approx(61.237, abs=0.0015)]
    assert "ride.case.toml" in err
    listed = [one for one in result["inputs"] if one["role"] == "case"]
    assert [(one["name"], one["sha256"]) for one in listed] == [
        ("ride.case.toml", hashlib.sha256(case.read_bytes()).hexdigest())
    ]


def test_notes_stand_on_the_page_with_their_times(
    ride: Path, known: list[Path | str], tmp_path: Path
) -> None:
    """Text of a case file is hostile until escaped, and a vehicle's number in it is masked."""
    zero = first_stamp(ride)
    text = (
        f'[[recording.notes]]\nat = "9:59.0"\nat_log = {zero + 61.2:.6f}\n'
        'text = "hisses <b>left</b>"\n'
        f'[[recording.notes]]\nat_log = {zero + 30:.6f}\ntext = "of 1M8GDM9AXKP042788"\n'
    )
    ride.with_name("ride.case.toml").write_text(text, "utf-8")
    result, _ = report_of(ride, *known)
    page = ride.with_name("out.html").read_text("utf-8")
    shown = re.search(r"Written down while riding</h3>.*?</dl>", page, re.DOTALL)
    assert shown is not None
    lines = re.findall(r"<dt>(.*?)</dt><dd>(.*?)</dd>", shown[0])
    assert lines == [
        ("0:30.0", "of *************2788"),
        ("1:01.2", "hisses &lt;b&gt;left&lt;/b&gt;"),
    ]
    assert "1M8GDM9AXKP042788" not in page
    assert "hisses" not in json.dumps(result)
    copy = tmp_path / "elsewhere" / "ride.log.gz"  # without the case file: the page states it
    copy.parent.mkdir()
    copy.write_bytes(ride.read_bytes())
    status, out, err = canassist("verify", ride.with_name("out.html"), "--log", copy, *known)
    assert (status, out.splitlines()[0]) == (0, "MADE AGAIN, UNSIGNED"), out + err


def test_no_project_leaves_the_case_file_out(ride: Path, known: list[Path | str]) -> None:
    ride.with_name("ride.case.toml").write_text('at = ["1:01.2"]\n', "utf-8")
    result, err = report_of(ride, *known, "--no-project")
    assert result["moments"] == []
    assert "case.toml" not in err
    assert {one["role"] for one in result["inputs"]} == {"log", "dbc", "profile"}


def test_options_win_over_the_case_file(ride: Path, known: list[Path | str]) -> None:
    text = 'complaint = "filed words"\nvehicle = "filed vehicle"\nat = ["1:00"]\n'
    ride.with_name("ride.case.toml").write_text(text, "utf-8")
    report_of(ride, *known, "--complaint", "of the option")
    page = ride.with_name("out.html").read_text("utf-8")
    assert "of the option" in page
    assert "filed vehicle" in page
    assert "filed words" not in page


def test_losses_and_holes_are_the_recorders(ride: Path, known: list[Path | str]) -> None:
    zero = first_stamp(ride)
    text = (
        "at = []\n[recording]\n"
        f'[[recording.losses]]\nchannel = "can0"\nat_log = {zero + 30.5:.6f}\nframes = 7\n'
        f'[[recording.holes]]\nchannel = "can0"\nstart_log = {zero + 100:.6f}\n'
        f"end_log = {zero + 104:.6f}\n"
    )
    ride.with_name("ride.case.toml").write_text(text, "utf-8")
    result, _ = report_of(ride, *known)
    assert result["bus"]["recorder_losses_s"] == [30.5]
    assert [100.0, 104.0] in result["bus"]["recording_gaps"]
    assert "log_gap" in {one["kind"] for one in result["events"]}
    page = ride.with_name("out.html")
    status, out, err = canassist("verify", page, "--log", ride, *known)
    assert status == 0, out + err
    assert out.splitlines()[0] == "MADE AGAIN, UNSIGNED"


@pytest.mark.parametrize(
    "text",
    [
        'at_log = ["yesterday"]',
        "at_log = [nan]",
        "at_log = [1e300]",
        "recording = 3",
        "[recording]\nlosses = 3",
        "[[recording.holes]]\nchannel = 'can0'",
        "[[recording.losses]]\nat_log = true",
        "[[recording.notes]]\nat_log = 1.0\ntext = 3",
        "[[recording.notes]]\ntext = 'when?'",
        "[recording]\nnotes = 3",
    ],
)
def test_a_case_file_that_cannot_be_used_is_told(ride: Path, text: str) -> None:
    ride.with_name("ride.case.toml").write_text(text, "utf-8")
    status, _, err = canassist("report", ride)
    assert status == 3
    assert "ride.case.toml: " in err.splitlines()[1]
    assert "Traceback" not in err


def test_case_files_are_found_by_the_logs_names(tmp_path: Path) -> None:
    for name in ("a.case.toml", "b.case.toml"):
        (tmp_path / name).touch()
    logs = [tmp_path / name for name in ("a.log.gz", "b.blf", "c.asc")]
    assert [path.name for path in case_files_beside(logs)] == ["a.case.toml", "b.case.toml"]
    named = case_files_beside(logs, besides=tmp_path / "b.case.toml")
    assert [path.name for path in named] == ["a.case.toml"]  # the other is not taken twice


def test_what_record_wrote_is_what_report_reads(
    tmp_path: Path, project_root: Path, known: list[Path | str]
) -> None:
    """A replayed ride gives the same answer as the ride, and its own log's moments."""
    source = project_root / "sample_logs/healthy_mixed.log.gz"
    out = tmp_path / "again"
    options = ["--replay", source, "--speed", "200", "--minutes", "5"]
    status, _, err = canassist("record", "-o", out, *options)
    assert status == 0, err
    first, _ = report_of(tmp_path / "again.log.gz", *known)
    copy = tmp_path / "copy.log.gz"
    copy.write_bytes(source.read_bytes())
    second, _ = report_of(copy, *known)
    for part in ("channels", "events", "conclusions", "coverage", "bus"):
        assert first[part] == second[part]
    case = tomllib.loads((tmp_path / "again.case.toml").read_text("utf-8"))
    assert case["recording"]["frames"] == first["log"]["frames"]


def test_raw_times_pass_through_the_clocks_repair() -> None:
    """Worked by hand: the clock jumps 1000 s ahead at 5 s; what lies behind is moved back."""
    second = 1_000_000_000
    times = RawTimes()
    times.add(np.arange(0, 4, dtype=np.int64) * second, 0, 0)
    jumped = np.array([4, 5, 1006, 1007], dtype=np.int64) * second
    times.add(jumped, 0, -1000 * second)
    times.add(np.array([1008, 1020], dtype=np.int64) * second, -1000 * second, -1000 * second)
    assert times.repaired(4 * second) == 4 * second
    assert times.repaired(1006 * second) == 6 * second
    assert times.repaired(1015 * second) == 15 * second
    assert times.repaired(1025 * second) == 25 * second
    assert times.repaired(500 * second) is None
    assert RawTimes().repaired(0) is None


def test_a_bus_that_was_not_listened_to_is_no_silent_bus() -> None:
    stats = BusStats(
        buses=("can0", "can1"),
        frames=1,
        error_frames=0,
        duration_s=60.0,
        ids=(),
        error_time_s=np.empty(0),
        error_class=np.empty(0, dtype=np.uint32),
        bus_gaps=((0, 10.0, 14.0), (1, 30.0, 35.0)),
        recording_gaps=((50.0, 52.0),),
        recorder_losses_s=(3.0,),
    )
    raw = RecorderNotes(losses_log_s=(1005.0,), holes_log_s=((1010.1, 1013.9), (1020.0, 1020.4)))
    noted = with_recorder_notes(stats, placed(raw, lambda log_s: log_s - 1000.0))
    assert noted.recording_gaps == ((10.1, 13.9), (50.0, 52.0))
    assert noted.bus_gaps == ((1, 30.0, 35.0),)
    assert noted.recorder_losses_s == (3.0, 5.0, 20.0)
    again = RecorderNotes(losses_s=noted.recorder_losses_s, holes_s=noted.recording_gaps)
    assert with_recorder_notes(noted, placed(again, lambda _: None)) == noted

"""What the commands write, and where."""

from __future__ import annotations

import json
import subprocess
import sys
from importlib import resources
from pathlib import Path

import jsonschema
import pytest

from canassist.cli.files.case_options import make_case, moment_s, read_case
from canassist.cli.output_names import stem
from canassist.demo import write_demo
from canassist.errors import InputError, UsageError


def run(folder: Path, *args: object) -> subprocess.CompletedProcess[bytes]:
    command = [sys.executable, "-m", "canassist", *map(str, args)]
    return subprocess.run(command, cwd=folder, capture_output=True, timeout=120, check=True)


@pytest.fixture
def given(project_root: Path) -> list[object]:
    """Return the options that name the demo vehicle."""
    truth = json.loads((project_root / "sample_logs/speed_lost.truth.json").read_text("utf-8"))
    return [
        project_root / "sample_logs" / truth["log"],
        "--dbc",
        project_root / truth["dbc"],
        "--profile",
        project_root / truth["profile"],
    ]


def test_without_o_the_page_is_named_after_the_log(tmp_path: Path, given: list[object]) -> None:
    run(tmp_path, "report", *given)
    names = sorted(path.name for path in tmp_path.iterdir())
    assert names == ["speed_lost.report.html", "speed_lost.report.json"]


def test_two_runs_give_the_same_bytes(tmp_path: Path, given: list[object]) -> None:
    run(tmp_path, "report", *given, "-o", "a.html")
    run(tmp_path, "report", *given, "-o", "b.html")
    assert (tmp_path / "a.json").read_bytes() == (tmp_path / "b.json").read_bytes()
    assert (tmp_path / "a.html").read_bytes() == (tmp_path / "b.html").read_bytes()


def test_json_to_standard_output_is_alone_there(tmp_path: Path, given: list[object]) -> None:
    done = run(tmp_path, "report", *given, "--json", "-")
    result = json.loads(done.stdout)
    assert result["schema"] == "canassist-result/2"
    assert list(tmp_path.iterdir()) == []


def test_the_result_holds_to_its_schema(tmp_path: Path, given: list[object]) -> None:
    done = run(tmp_path, "report", *given, "--json", "-")
    schema = json.loads(
        resources.files("canassist.report.data").joinpath("result.schema.json").read_text("utf-8")
    )
    jsonschema.Draft202012Validator(schema).validate(json.loads(done.stdout))


def test_no_path_or_host_stands_in_the_result(tmp_path: Path, given: list[object]) -> None:
    done = run(tmp_path, "report", *given, "--json", "-")
    assert str(Path(str(given[0])).parent).encode() not in done.stdout


def test_the_answer_is_told_on_the_terminal(tmp_path: Path, given: list[object]) -> None:
    done = run(tmp_path, "report", *given)
    told = done.stdout.decode()
    assert "speed_signal_fault" in told
    assert "speed_lost.report.html" in told


def test_the_answer_speaks_first_of_the_moment_asked_for(
    tmp_path: Path, given: list[object]
) -> None:
    done = run(tmp_path, "report", *given, "--at", "2:10")
    told = done.stdout.decode().splitlines()
    assert told[0].startswith("At 2:10")
    page = (tmp_path / "speed_lost.report.html").read_text("utf-8")
    answer = page.split('<section id="answer"', 1)[1]
    assert answer.index("At 2:10") < answer.index('<h1 id="answer-title">')


def test_channels_tells_how_much_the_database_knows(tmp_path: Path, given: list[object]) -> None:
    done = run(tmp_path, "channels", *given[:3], "--write", "start.toml", "--json", "list.json")
    assert " ids known" in done.stdout.decode()
    listing = json.loads((tmp_path / "list.json").read_text("utf-8"))
    assert listing["channels"]["vehicle_speed"]["signal"] == "ChassisMotion.RoadSpeed"
    assert "ChassisMotion.RoadSpeed" in (tmp_path / "start.toml").read_text("utf-8")
    run(tmp_path, "report", *given[:3], "--profile", "start.toml")


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("ride.log.gz", "ride"),
        ("ride.LOG", "ride"),
        ("a.b.blf", "a.b"),
        ("ride.mf4.zip", "ride"),
        (".log", ".log"),
        ("plain", "plain"),
    ],
)
def test_known_endings_are_dropped(name: str, expected: str) -> None:
    assert stem(Path(name)) == expected


@pytest.mark.parametrize(
    ("text", "seconds"), [("3:25", 205.0), ("1:02:03", 3723.0), ("0:00.5", 0.5), ("12", 12.0)]
)
def test_a_moment_is_read_as_minutes_and_seconds(text: str, seconds: float) -> None:
    assert moment_s(text) == seconds


@pytest.mark.parametrize("text", ["", "soon", "3:5", "-1", "1:2:3:4", "3:75", "\u0663:25"])
def test_what_is_no_moment_is_refused(text: str) -> None:
    with pytest.raises(UsageError):
        moment_s(text)


def test_an_option_wins_over_the_case_file(tmp_path: Path) -> None:
    path = tmp_path / "case.toml"
    path.write_text('complaint = "heavy"\nvehicle = "unit 7"\nat = ["1:00"]\n')
    case = make_case(path, ["2:00"], complaint="heavy when slow", vehicle="")
    assert (case.complaint, case.vehicle, case.at_s) == ("heavy when slow", "unit 7", (60.0, 120.0))


def test_an_unknown_case_key_is_named(tmp_path: Path) -> None:
    path = tmp_path / "case.toml"
    path.write_text("colour = 'red'\n")
    with pytest.raises(InputError, match="colour"):
        read_case(path)


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ('at = "soon"', "soon"),
        ("vehicle = ['a', 'b']", "vehicle"),
        ("[technician]\nname = 'x'", "technician"),
        ("odometer = true", "odometer"),
    ],
)
def test_what_a_case_file_cannot_say_names_the_file(tmp_path: Path, text: str, word: str) -> None:
    path = tmp_path / "case.toml"
    path.write_text(text)
    with pytest.raises(InputError, match=rf"case\.toml.*{word}"):
        read_case(path)


def test_a_number_or_date_in_a_case_file_is_text(tmp_path: Path) -> None:
    path = tmp_path / "case.toml"
    path.write_text("odometer = 1204\nwork_order = 2026-03-01\nat = [90, '2:00']\n")
    case = read_case(path)
    assert (case.odometer, case.work_order) == ("1204", "2026-03-01")
    assert case.at_s == (90.0, 120.0)


def test_a_demo_in_another_format_replaces_its_rides(tmp_path: Path) -> None:
    """Two logs of one ride, of which the truth tells one, would be a puzzle."""
    name = "torque_offset"
    logs = tmp_path / "sample_logs"
    write_demo(tmp_path, only=(name,))
    mine = logs / f"{name}.mine.asc.gz"
    mine.write_bytes(b"not the demo's")
    write_demo(tmp_path, busy=True, only=(name,))
    found = {path.name for path in logs.glob(f"{name}*")}
    assert found == {f"{name}.log.gz", f"{name}.truth.json", mine.name}
    assert json.loads((logs / f"{name}.truth.json").read_text("utf-8"))["log"] == f"{name}.log.gz"

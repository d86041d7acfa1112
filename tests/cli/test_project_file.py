"""The project file and a log's case file: taken, said, listed, and left out on request."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from canassist.cli.app import app
from canassist.cli.files.project_file import find_project, read_project
from canassist.cli.guidance.explain_command import definitions, lookup, parse
from canassist.cli.outputs import outputs
from canassist.errors import InputError, UsageError
from canassist.model import CHANNEL_UNITS, LIMIT_NAMES, Code, EventKind


@pytest.fixture
def job(tmp_path: Path, project_root: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return a job's folder: a project file above the folder of its log."""
    demo = project_root / "dbc_demo"
    for name in ("demo_trail_vehicle.dbc", "demo_trail_vehicle.toml"):
        (tmp_path / name).write_bytes((demo / name).read_bytes())
    (tmp_path / "canassist.toml").write_text(
        'database = ["demo_trail_vehicle.dbc"]\nprofile = "demo_trail_vehicle.toml"\n'
        'units = "us"\nzone = "Europe/Oslo"\n'
    )
    rides = tmp_path / "monday"
    rides.mkdir()
    log = project_root / "sample_logs" / "speed_lost.log.gz"
    (rides / "speed_lost.log.gz").write_bytes(log.read_bytes())
    (rides / "speed_lost.case.toml").write_text('complaint = "heavy uphill"\nat = ["1:00"]\n')
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_what_stands_beside_and_above_the_log_is_taken_and_said(job: Path) -> None:
    done = CliRunner().invoke(app, ["report", "monday/speed_lost.log.gz"])
    assert done.exit_code == 0, done.output
    assert "demo_trail_vehicle.dbc, demo_trail_vehicle.toml, units us, zone" in done.stderr
    assert "speed_lost.case.toml" in done.stderr
    found = json.loads((job / "speed_lost.report.json").read_text("utf-8"))
    roles = [(item["role"], item["name"]) for item in found["inputs"]]
    assert roles == [
        ("log", "speed_lost.log.gz"),
        ("dbc", "demo_trail_vehicle.dbc"),
        ("profile", "demo_trail_vehicle.toml"),
        ("project", "canassist.toml"),
        ("case", "speed_lost.case.toml"),
    ]
    assert found["moments"][0]["at_s"] == 60.0
    assert "heavy uphill" in (job / "speed_lost.report.html").read_text("utf-8")
    assert "written: speed_lost.report.html" in done.stdout
    assert "written: speed_lost.report.json" in done.stdout


def test_both_are_left_out_on_request(job: Path) -> None:
    given = ["--dbc", "demo_trail_vehicle.dbc", "--no-project", "-o", "out.html"]
    done = CliRunner().invoke(app, ["report", "monday/speed_lost.log.gz", *given])
    assert done.exit_code == 0, done.output
    assert "Taken from" not in done.output
    found = json.loads((job / "out.json").read_text("utf-8"))
    assert [item["role"] for item in found["inputs"]] == ["log", "dbc"]


def test_the_search_ends_at_the_home_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    home = tmp_path / "home"
    log = home / "rides" / "ride.log"
    log.parent.mkdir(parents=True)
    (tmp_path / "canassist.toml").write_text("")
    monkeypatch.setattr(Path, "home", lambda: home)
    assert find_project(log) is None
    (home / "canassist.toml").write_text("")
    assert find_project(log) == home / "canassist.toml"
    (log.parent / "canassist.toml").write_text("")
    assert find_project(log) == log.parent / "canassist.toml"


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ('sign = "my.key"', "sign"),
        ("profile = 3", "profile"),
        ("database = [1]", "database"),
        ('units = "imperial"', "imperial"),
        ("zone = [", "TOML"),
    ],
)
def test_a_project_file_that_cannot_be_used_is_named(tmp_path: Path, text: str, word: str) -> None:
    path = tmp_path / "canassist.toml"
    path.write_text(text)
    with pytest.raises(InputError, match=rf"canassist\.toml.*{word}"):
        read_project(path)


def test_a_page_may_be_asked_for_by_its_print() -> None:
    wanted = outputs(
        "x.html", output=Path("job.pdf"), json_file=None, export=None, pdf=False, sign=None,
        units="metric", zone="", unmask=False,
    )  # fmt: skip
    assert (wanted.page, wanted.pdf) == (Path("job.html"), True)
    assert [path.name for path in wanted.written()] == ["job.html", "job.json", "job.pdf"]


def test_a_name_without_an_ending_is_a_page(tmp_path: Path) -> None:
    wanted = outputs(
        "x.html", output=tmp_path / "job", json_file=None, export=None, pdf=False, sign=None,
        units="metric", zone="", unmask=False,
    )  # fmt: skip
    assert wanted.page.name == "job.html"


def test_definitions_are_read_by_section_and_word() -> None:
    text = "# T\n\nIntro.\n\n## 1. First things\n\nSome *words*.\n\n### `one`, two\nBoth.\n"
    entries = parse(text)
    assert [(entry.name, entry.section, entry.text) for entry in entries] == [
        ("1. First things", "1. First things", "Some words."),
        ("one, two", "1. First things", "Both."),
    ]
    assert lookup("two", entries) == lookup("ONE", entries) == (entries[1],)
    assert lookup("first things", entries) == lookup("1", entries) == (entries[0],)
    with pytest.raises(UsageError, match="did you mean one"):
        lookup("onee", entries)


@pytest.mark.parametrize(
    "word", [*EventKind, *Code, *LIMIT_NAMES, *CHANNEL_UNITS, "strong", "moderate", "weak"]
)
def test_every_word_of_a_result_is_explained(word: str) -> None:
    assert all(len(entry.text) > 10 for entry in lookup(str(word), definitions()))

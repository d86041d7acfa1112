"""``canassist compare`` and ``canassist verify`` on files."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

import canassist
from canassist.cli.app import app
from canassist.cli.compare_command import _export_names, _Side
from canassist.demo import write_demo

RIDES = ("healthy_mixed", "supply_resistance")


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("rides")
    write_demo(folder, only=RIDES)
    return folder


@pytest.fixture
def known(demo: Path) -> list[str]:
    base = demo / "dbc_demo" / "demo_trail_vehicle"
    return ["--dbc", f"{base}.dbc", "--profile", f"{base}.toml"]


@pytest.fixture
def logs(demo: Path) -> list[str]:
    return [str(next((demo / "sample_logs").glob(f"{name}.[!t]*"))) for name in RIDES]


def said(*arguments: str) -> tuple[int, str]:
    done = CliRunner().invoke(app, list(arguments))
    return done.exit_code, done.output


def test_page_and_data_appear_under_the_default_name_and_verify(
    logs: list[str], known: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    status, output = said("compare", *logs, *known)
    assert status == 0, output
    assert "supply path" in output.splitlines()[0]
    page = tmp_path / "healthy_mixed_vs_supply_resistance.compare.html"
    data = json.loads(page.with_suffix(".json").read_text("utf-8"))
    assert data["schema"] == "canassist-comparison/2"
    told = [word for log in logs for word in ("--log", log)]
    status, output = said("verify", str(page), *told, *known)
    assert status == 0, output
    assert output.splitlines()[0] == "MADE AGAIN, UNSIGNED"
    status, output = said("verify", str(page), "--log", logs[0])
    assert status == 4, output
    assert f"a log that is not given here, {Path(logs[1]).name}" in output


def test_another_log_fails_verification(logs: list[str], known: list[str], tmp_path: Path) -> None:
    page = tmp_path / "c.html"
    assert said("compare", *logs, *known, "-o", str(page))[0] == 0
    other = tmp_path / "other.log"
    other.write_text("(1.0) can0 123#00\n", "ascii")
    assert said("verify", str(page), "--log", str(other))[0] == 4


def test_a_folder_is_one_side_and_b_may_have_its_own_files(
    logs: list[str], known: list[str], tmp_path: Path
) -> None:
    side = tmp_path / "before"
    side.mkdir()
    (side / Path(logs[0]).name).write_bytes(Path(logs[0]).read_bytes())
    (side / "notes.md").write_text("not a log", "utf-8")
    own = [*known, "--dbc-b", known[1], "--profile-b", known[3]]
    status, output = said("compare", str(side), logs[1], *own, "--json", "-")
    assert status == 0, output
    data = json.loads(output)
    assert data["sides"]["a"]["name"] == "before"
    assert len(data["sides"]["a"]["rides"]) == 1
    assert list(tmp_path.glob("*.html")) == []


def test_an_empty_folder_is_refused_with_what_to_do(logs: list[str], tmp_path: Path) -> None:
    status, output = said("compare", str(tmp_path), logs[0])
    assert status == 3
    assert "no log in this folder" in output


def test_channels_and_events_of_both_sides_are_exported_by_side(
    logs: list[str], known: list[str], tmp_path: Path
) -> None:
    page, folder = tmp_path / "c.html", tmp_path / "new" / "for_others"
    status, output = said("compare", *logs, *known, "-o", str(page), "--export", str(folder))
    assert status == 0, output
    names = {path.name for path in folder.iterdir()}
    for side, ride in zip("AB", RIDES, strict=True):
        assert {f"{side}.{ride}.events.csv", f"{side}.{ride}.channels.csv"} <= names
    one = canassist.analyze(logs[1], dbc=known[1], profile=known[3])
    text = (folder / f"B.{RIDES[1]}.events.csv").read_text("utf-8")
    rows = list(csv.DictReader(io.StringIO(text)))
    assert [row["text"] for row in rows] == [event.text for event in one.events]


def test_rides_of_one_side_keep_apart_in_the_export() -> None:
    side = _Side(
        label="A",
        name="before",
        logs=(Path("ride.asc"), Path("Ride.blf"), Path("other.log.gz")),
        dbc=[],
        profile=None,
        one_ride=False,
    )
    assert _export_names(side) == ["A.1.ride", "A.2.Ride", "A.other"]


@pytest.mark.parametrize(("units", "paper"), [("us", "letter"), ("metric", "A4")])
def test_it_is_printed_on_the_paper_of_its_units(
    logs: list[str],
    known: list[str],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    *,
    units: str,
    paper: str,
) -> None:
    asked = []

    def printed(page: Path, pdf: Path, *, paper: str = "A4") -> None:
        asked.append((page.name, pdf.name, paper))

    monkeypatch.setattr("canassist.report.print_pdf", printed)
    monkeypatch.setattr("canassist.report.pdf.find_browser", lambda: "a browser")
    options = ["-o", str(tmp_path / "c.html"), "--pdf", "--units", units]
    status, output = said("compare", *logs, *known, *options)
    assert status == 0, output
    assert asked == [("c.html", "c.pdf", paper)]


def test_the_same_files_give_the_same_bytes(
    logs: list[str], known: list[str], tmp_path: Path
) -> None:
    for name in ("one", "two"):
        assert said("compare", *logs, *known, "-o", str(tmp_path / f"{name}.html"))[0] == 0
    for ending in ("html", "json"):
        one, two = ((tmp_path / f"{name}.{ending}").read_bytes() for name in ("one", "two"))
        assert one == two

"""``canassist compare`` and ``canassist verify`` on files."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from canassist.cli.app import app
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
    assert data["schema"] == "canassist-comparison/1"
    told = [word for log in logs for word in ("--log", log)]
    status, output = said("verify", str(page), *told, *known)
    assert status == 0, output
    assert "The same bytes." in output
    status, output = said("verify", str(page), "--log", logs[0])
    assert status == 0, output
    assert "side A" in output


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

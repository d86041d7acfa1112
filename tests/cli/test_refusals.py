"""Bad input: one clear message (what, where, what to do), the contract's status, nothing left."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

FRAME = "(1700000000.000000) can0 123#1122334455667788\n"
DBC = """VERSION ""
NS_ :
BS_:
BU_: Node
BO_ 291 ChassisMotion: 8 Node
 SG_ RoadSpeed : 0|16@1+ (0.01,0) [0|250] "km/h" Node
"""


def run(folder: Path, *args: object) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "canassist", *map(str, args)]
    return subprocess.run(
        command, cwd=folder, capture_output=True, text=True, timeout=120, check=False
    )


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "ride.log").write_text(FRAME * 3)
    (tmp_path / "good.dbc").write_text(DBC)
    (tmp_path / "empty.log").write_bytes(b"")
    (tmp_path / "notes.log").write_text("hello\nworld\n")
    (tmp_path / "broken.dbc").write_text('VERSION ""\nBO_ 291 Chassis Motion 8 Node\n SG_ what\n')
    (tmp_path / "other.dbc").write_text(DBC.replace("291", "292"))
    (tmp_path / "unknown.toml").write_text('[channels]\nvehicle_speed = "ChassisMotion.RoadSped"\n')
    (tmp_path / "slip.toml").write_text("[limits]\nderate_strat_c = 80\n")
    return tmp_path


@pytest.mark.parametrize(
    ("args", "words"),
    [
        (("report", "missing.log"), ("missing.log", "no such file")),
        (("report", "."), ("folder",)),
        (("report", "empty.log", "--dbc", "good.dbc"), ("empty.log",)),
        (("report", "notes.log", "--dbc", "good.dbc"), ("notes.log", "unknown layout", "hello")),
        (("report", "ride.log", "--dbc", "broken.dbc"), ("broken.dbc", "line 2")),
        (("report", "ride.log", "--dbc", "none.dbc"), ("none.dbc", "no such file")),
        (
            ("report", "ride.log", "--dbc", "good.dbc", "--profile", "unknown.toml"),
            ("unknown.toml", "ChassisMotion.RoadSped", "ChassisMotion.RoadSpeed"),
        ),
        (
            ("report", "ride.log", "--dbc", "good.dbc", "--profile", "slip.toml"),
            ("slip.toml", "limits.derate_strat_c", "derate_start_c"),
        ),
        (("channels", "missing.log"), ("missing.log", "no such file")),
    ],
)
def test_an_input_that_cannot_be_used_ends_with_3(
    folder: Path, args: tuple[str, ...], words: tuple[str, ...]
) -> None:
    before = sorted(folder.iterdir())
    done = run(folder, *args)
    assert done.returncode == 3, done.stderr
    assert "Traceback" not in done.stderr
    assert done.stdout == ""
    for word in words:
        assert word in done.stderr
    assert sorted(folder.iterdir()) == before


@pytest.mark.parametrize("args", [(), ("--dbc", "other.dbc")])
def test_a_log_without_any_channel_gets_its_page_all_the_same(
    folder: Path, args: tuple[str, ...]
) -> None:
    done = run(folder, "report", "ride.log", *args)
    assert done.returncode == 0, done.stderr
    assert (folder / "ride.report.html").is_file()
    told = json.loads((folder / "ride.report.json").read_bytes())
    assert [item["code"] for item in told["conclusions"]] == ["inconclusive"]


@pytest.mark.parametrize(
    "args",
    [
        ("report",),
        ("report", "ride.log", "--nonsense"),
        ("report", "ride.log", "--units", "furlongs"),
        ("report", "ride.log", "--dbc", "good.dbc", "--at", "soon"),
        ("report", "ride.log", "ride.log", "--dbc", "good.dbc"),
        ("report", "ride.log", "--dbc", "good.dbc", "-o", "ride.json"),
        ("wash",),
    ],
)
def test_a_wrong_command_line_ends_with_2(folder: Path, args: tuple[str, ...]) -> None:
    before = sorted(folder.iterdir())
    done = run(folder, *args)
    assert done.returncode == 2, done.stderr
    assert "Traceback" not in done.stderr
    assert sorted(folder.iterdir()) == before


def test_an_output_folder_that_is_missing_ends_with_2(folder: Path) -> None:
    done = run(folder, "report", "ride.log", "--dbc", "good.dbc", "-o", "nowhere/out.html")
    assert done.returncode == 2, done.stderr
    assert "nowhere" in done.stderr
    assert "Traceback" not in done.stderr


def test_control_characters_of_a_file_name_do_not_reach_the_terminal(folder: Path) -> None:
    done = run(folder, "report", "a\x1b[31mb.log")
    assert done.returncode == 3
    assert "\x1b" not in done.stderr

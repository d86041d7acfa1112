"""What a tired person types wrong, and what it prints: the problem, and what to write instead."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from typer.testing import CliRunner

from canassist.cli.app import app
from tests.cli.test_refusals import DBC, FRAME

OF_LIBRARIES = re.compile(
    r"Usage:|\[OPTIONS\]|Try '|Invalid value|Traceback|pars(e|ing) string|validation|argument"
    r"|No such option|click|typer|pydantic|Errno|NoneType",
)


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return a folder as a workshop has it, as the current one."""
    for name in ("ride.log", "other.log", "two words.log", "trail.log.gz.part"):
        (tmp_path / name).write_text(FRAME * 3)
    (tmp_path / "vehicle.dbc").write_text(DBC)
    (tmp_path / "vehicle.toml").write_text('[vehicle]\nname = "x"\n')
    (tmp_path / "ride.report.html").write_text("<!DOCTYPE html><title>x</title>")
    (tmp_path / "notes.txt").write_text("heavy after ten minutes\n")
    (tmp_path / "empty.log").write_bytes(b"")
    (tmp_path / "rides").mkdir()
    (tmp_path / "bad").mkdir()
    (tmp_path / "bad" / "canassist.toml").write_text('databse = "v.dbc"\n')
    (tmp_path / "bad" / "ride.log").write_text(FRAME)
    monkeypatch.chdir(tmp_path)
    return tmp_path


MISTAKES = [
    # what is typed, its status, and words that must stand in what is printed
    ("ride.log", 2, ("did you mean report", "canassist report ride.log")),
    ("rides", 2, ("did you mean screen", "canassist screen rides")),
    ("vehicle.dbc", 2, ("did you mean channels",)),
    ("ride.report.html", 2, ("did you mean verify",)),
    ("reprot ride.log", 2, ("did you mean report",)),
    ("help reprot", 2, ("did you mean report",)),
    ("Report ride.log", 2, ("did you mean report",)),
    ("-v", 2, ("canassist --version",)),
    ("--dbc vehicle.dbc report ride.log", 2, ("before the command", "after report")),
    ("--dbc vehicle.dbc", 2, ("no command", "canassist report")),
    ("report", 2, ("no log is named", "canassist report ride.log --dbc")),
    ("report --dbc vehicle.dbc", 2, ("no log is named",)),
    ("report ride.log --dcb vehicle.dbc", 2, ("--dcb", "did you mean --dbc")),
    ("report ride.log -dbc vehicle.dbc", 2, ("one dash too few", "--dbc")),
    ("report ride.log \u2013dbc vehicle.dbc", 2, ("long dash", "two short dashes")),
    ("report ride.log --dbc", 2, ("--dbc needs something", "--dbc FILE")),
    ("report ride.log --database vehicle.dbc", 2, ("no option --database",)),
    ("report ride.log vehicle.dbc", 2, ("signal database", "--dbc vehicle.dbc")),
    ("report vehicle.dbc", 2, ("signal database", "canassist report LOG --dbc vehicle.dbc")),
    ("report ride.log --dbc vehicle.toml", 2, ("is a profile", "--profile vehicle.toml")),
    ("report ride.log --profile vehicle.dbc", 2, ("signal database", "--dbc vehicle.dbc")),
    ("report vehicle.toml", 2, ("profile or case file", "--profile vehicle.toml")),
    ("report ride.report.html", 2, ("is a page", "canassist verify ride.report.html")),
    ("report ride.log --pdf out.pdf", 2, ("out.pdf", "-o out.pdf")),
    ("report rides", 3, ("is a folder", "canassist screen rides")),
    ("report *.blf", 3, ("no file fits this pattern",)),
    ("report two words.log", 3, ("two: no such file",)),
    ("report rid.log", 3, ("rid.log: no such file",)),
    ("report ride.log ride.log --dbc vehicle.dbc", 2, ("given twice",)),
    ("report notes.txt --dbc vehicle.dbc", 3, ("notes.txt", "recorder")),
    ("report empty.log --dbc vehicle.dbc", 3, ("empty.log",)),
    ("report ride.log --dbc nothing.dbc", 3, ("nothing.dbc: no such file",)),
    ("report ride.log --dbc vehicle.dbc --at 12.40", 2, ("12.40", "12:40")),
    ("report ride.log --dbc vehicle.dbc --at 12,40", 2, ("12,40", "12:40")),
    ("report ride.log --dbc vehicle.dbc --at noon", 2, ("noon", "3:25")),
    ("report ride.log --dbc vehicle.dbc --units imperial", 2, ("imperial", "--units us")),
    ("report ride.log --dbc vehicle.dbc --zone Mars", 2, ("Mars",)),
    ("report ride.log --dbc vehicle.dbc -o rides", 2, ("rides", "folder")),
    ("report ride.log --dbc vehicle.dbc -o nowhere/x.html", 2, ("nowhere", "folder")),
    ("report ride.log --dbc vehicle.dbc -o x.docx", 2, ("x.docx", ".html or .pdf")),
    ("report ride.log --dbc vehicle.dbc -o ride.log", 2, ("ride.log", "overwritten")),
    ("report ride.log --dbc vehicle.dbc -o /dev/null", 2, ("/dev/null", "left alone")),
    ("report ride.log --dbc vehicle.dbc --sign workshop", 3, ("workshop: no such key",)),
    ("report bad/ride.log --dbc vehicle.dbc", 3, ("canassist.toml", "databse")),
    ("compare ride.log", 2, ("second ride is missing",)),
    ("compare ride.log other.log rides", 2, ("one name too many", "rides")),
    ("compare rides ride.log --dbc vehicle.dbc", 3, ("rides", "no log in this folder")),
    ("screen rides", 2, ("-o", "fleet/")),
    ("channels", 2, ("no log or database is named",)),
    ("serve --port abc", 2, ("abc", "whole number from 0 to 65535")),
    ("explain derat", 2, ("did you mean derate",)),
    ("explain heavyness", 2, ("not explained here",)),
    ("completion tcsh", 2, ("tcsh", "bash, zsh, fish, powershell")),
    ("completion", 2, ("no shell is named", "canassist completion bash")),
    ("/report ride.log", 2, ("did you mean report",)),
    ("report ride.log --dbc vehicle.dbc --at", 2, ("--at needs something", "--at m:ss")),
    ("report ride.log --dbc vehicle.dbc --at -5", 2, ("-5", "3:25")),
    ("report ride.log --dbc vehicle.dbc --at 3:25pm", 2, ("3:25pm", "3:25")),
    ("report ride.log --dbc vehicle.dbc --unmasked", 2, ("did you mean --unmask",)),
    ("report ride.log --json -o x.html", 2, ("x.html", "-o x.html")),
    ("report ride.log -o=x.pdf", 2, ("=x.pdf", "-o x.pdf")),
    ("report ride.log -o x.pdf --json x.pdf", 2, ("x.pdf", "a name of its own")),
    ("report ride.LOG --dbc vehicle.dbc", 3, ("ride.LOG: no such file",)),
    ("screen rides -o ride.log", 2, ("ride.log", "not a file's name")),
    ("demo ride.log", 2, ("ride.log", "not a file's name")),
    ("compare", 2, ("two rides are needed",)),
    ("verify", 2, ("no report is named",)),
    ("verify nothing.html", 3, ("nothing.html: no such file",)),
    ("explain 47", 2, ("not explained here", "canassist explain")),
    ("help report extra", 2, ("one name too many",)),
    ("record", 2, ("No interface is named", "--interface socketcan --channel can0")),
    ("record -o ride.log", 2, ("ride.log", "writes over nothing")),
    ("learn", 2, ("no rides", "canassist learn rides/ -o vehicle.toml")),
    ("learn rides", 2, ("-o says where", "canassist learn rides/ -o vehicle.toml")),
    ("channels ride.log --write ride.log", 2, ("ride.log", "overwritten")),
    ("serve --port 99999", 2, ("99999", "whole number from 0 to 65535")),
    ("backup", 2, ("folder", "canassist backup")),
]  # fmt: skip


@pytest.mark.parametrize(("line", "status", "words"), MISTAKES, ids=[line for line, *_ in MISTAKES])
def test_a_mistake_prints_what_to_write(
    folder: Path, line: str, status: int, words: tuple[str, ...]
) -> None:
    before = sorted(folder.rglob("*"))
    done = CliRunner().invoke(app, line.split(" "))
    assert done.exit_code == status, done.output
    assert [word for word in words if word not in done.output] == [], done.output
    assert OF_LIBRARIES.search(done.output) is None, done.output
    assert len(done.output.strip().splitlines()) <= 3
    assert sorted(folder.rglob("*")) == before


def test_there_are_forty_and_more() -> None:
    assert len(MISTAKES) >= 40

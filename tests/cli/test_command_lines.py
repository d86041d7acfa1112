"""A command line that cannot end well is refused before the long work, in both commands."""

from __future__ import annotations

import io
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from typer.testing import CliRunner

from canassist import pipeline
from canassist.cli import app as commands
from canassist.cli.compare_command import logs_of
from canassist.cli.exit_status import harmless, say
from canassist.cli.outputs import make_folder
from canassist.errors import InputError, OutputError
from canassist.report.seal.page_parts import script
from canassist.report.seal.seal import Sealer
from canassist.report.seal.statement import PageStatement, StatedFile, statement_json
from tests.cli.test_refusals import DBC, FRAME

Call = Callable[..., tuple[int, str]]


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return a folder with inputs, as the current one."""
    for name in ("ride.log", "other.log", "a_file"):
        (tmp_path / name).write_text(FRAME)
    (tmp_path / "v.dbc").write_text(DBC)
    (tmp_path / "a_folder").mkdir()
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.fixture(params=["report", "compare"])
def call(request: pytest.FixtureRequest, folder: Path, monkeypatch: pytest.MonkeyPatch) -> Call:
    """Return a way to call a command whose log must not be read."""

    def read(*_: object, **__: object) -> None:
        pytest.fail("the log was read before the command line was checked")

    monkeypatch.setattr(pipeline, "analyze", read)
    logs = ["ride.log"] if request.param == "report" else ["ride.log", "other.log"]

    def run(*options: str) -> tuple[int, str]:
        before = sorted(folder.iterdir())
        done = CliRunner().invoke(commands.app, [request.param, *logs, "--dbc", "v.dbc", *options])
        assert sorted(folder.iterdir()) == before
        return done.exit_code, done.output

    return run


@pytest.mark.parametrize(
    ("options", "status", "word"),
    [
        (("--zone", "Mars/Base"), 2, "Mars/Base"),
        (("-o", ""), 2, "names no file"),
        (("-o", "out.json"), 2, "out.json"),
        (("-o", "ride.log"), 2, "ride.log"),
        (("-o", "./v.dbc"), 2, "v.dbc"),
        (("-o", "out.docx"), 2, "out.docx"),
        (("-o", "out.html", "--json", "out.html"), 2, "out.html"),
        (("--json", "-", "--pdf"), 2, "--json without -o"),
        (("--json", "-", "--export", "there"), 2, "--json without -o"),
        (("-o", "a_folder"), 2, "a_folder"),
        (("-o", "out.html", "--json", "a_folder"), 2, "a_folder"),
        (("-o", "nowhere/out.html"), 2, "nowhere"),
        (("-o", "n" * 300 + ".html"), 2, "too long"),
        (("--json", "nowhere/out.json"), 2, "nowhere"),
        (("--export", "a_file"), 2, "a_file"),
        (("--export", "a_file/below"), 2, "a_file"),
        (("--sign", "no.key"), 3, "no.key"),
        (("--case", "no.toml"), 3, "no.toml"),
    ],
)
def test_it_is_refused_before_the_log_is_read(
    call: Call, options: tuple[str, ...], status: int, word: str
) -> None:
    code, told = call(*options)
    assert code == status, told
    assert word in told
    assert len(told.splitlines()) == 2  # what is wrong, and what to do


def test_a_missing_browser_is_told_before_the_log_is_read(
    call: Call, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("canassist.report.pdf.find_browser", lambda: None)
    code, told = call("--pdf")
    assert code == 3
    assert "Chromium" in told


def test_a_folder_that_cannot_be_made_says_so(folder: Path) -> None:
    with pytest.raises(OutputError, match="cannot be made"):
        make_folder(folder / "a_file" / "below")


def test_a_folder_that_cannot_be_read_says_so(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def closed(_: Path) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "iterdir", closed)
    with pytest.raises(InputError, match=r"a_folder.*Permission denied"):
        logs_of(folder / "a_folder")


@pytest.mark.parametrize("command", ["report", "compare"])
def test_an_interruption_ends_with_130_and_leaves_nothing(
    folder: Path, monkeypatch: pytest.MonkeyPatch, command: str
) -> None:
    def interrupted(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(pipeline, "analyze", interrupted)
    before = sorted(folder.iterdir())
    logs = ["ride.log", "other.log"][: 1 if command == "report" else 2]
    options = ["--dbc", "v.dbc", "--export", "for_others"]
    done = CliRunner().invoke(commands.app, [command, *logs, *options])
    assert done.exit_code == 130
    assert "Interrupted" in done.output
    assert sorted(folder.iterdir()) == before


def test_a_page_that_is_no_text_is_no_report(folder: Path) -> None:
    (folder / "page.html").write_bytes(b"\xff\xfe<\x00")
    done = CliRunner().invoke(commands.app, ["verify", "page.html"])
    assert done.exit_code == 3
    assert done.stdout.splitlines()[0] == "NO REPORT OF CANASSIST"


def test_foreign_text_moves_no_cursor_and_turns_no_letters() -> None:
    assert harmless("a\x1b[2Jb\x07\u202ec\r") == "a\ufffd[2Jb\ufffd\ufffdc\ufffd"
    assert harmless("60\u202fmΩ,\n0.75\u00a0N·m") == "60\u202fmΩ,\n0.75\u00a0N·m"


def test_foreign_text_is_harmless_on_standard_output(tmp_path: Path) -> None:
    log = tmp_path / "ride.log"
    log.write_text("(1.0) can0 123#00\n")
    stated = PageStatement(
        kind="report",
        inputs=(StatedFile(role="log", name="\x1b[2J", sha256="0" * 64, size_bytes=1),),
    )
    body = script("canassist-statement") + statement_json(stated) + b"</script>"
    page = tmp_path / "page.html"
    page.write_bytes(body + Sealer().field(body))
    done = CliRunner().invoke(commands.app, ["verify", str(page), "--log", str(log)])
    assert done.exit_code == 4
    assert "\x1b" not in done.output


def test_a_code_page_without_the_letter_costs_no_answer(monkeypatch: pytest.MonkeyPatch) -> None:
    taken = io.BytesIO()
    monkeypatch.setattr(sys, "stdout", io.TextIOWrapper(taken, encoding="cp1252"))
    monkeypatch.setattr(commands, "app", lambda: say("60 mΩ"))
    assert commands.main() == 0
    sys.stdout.flush()
    assert taken.getvalue().splitlines() == [b"60 m?"]


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="this system has no device that is full")
def test_a_full_disk_behind_standard_output_says_so(folder: Path) -> None:
    with Path("/dev/full").open("wb") as full:
        done = subprocess.run(
            [sys.executable, "-m", "canassist", "channels", "v.dbc"],
            stdout=full,
            stderr=subprocess.PIPE,
            check=False,
            timeout=60,
            cwd=folder,
        )
    assert done.returncode == 2
    assert done.stderr.startswith(b"standard output: cannot be written")
    assert b"canassist itself failed" not in done.stderr


def test_a_reader_that_went_away_ends_it_quietly(folder: Path) -> None:
    reading, writing = os.pipe()
    os.close(reading)
    done = subprocess.run(
        [sys.executable, "-m", "canassist", "channels", "v.dbc", "--json", "-"],
        stdout=writing,
        stderr=subprocess.PIPE,
        check=False,
        timeout=60,
        cwd=folder,
    )
    os.close(writing)
    assert (done.returncode, done.stderr) == (1, b"")

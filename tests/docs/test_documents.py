"""What users can name is in the documents, and the documents' own commands and examples work."""

from __future__ import annotations

import contextlib
import io
import re
import subprocess
import sys
from pathlib import Path

import pytest
import typer

from canassist.cli.app import app
from canassist.model import CHANNEL_UNITS, LIMIT_NAMES, Code, EventKind


@pytest.fixture(scope="module")
def documents(project_root: Path) -> str:
    names = ("README.md", "DEVELOPERS.md", "canassist/definitions.md")
    return "\n".join((project_root / name).read_text("utf-8") for name in names)


def commands() -> dict[str, list[str]]:
    """Return each command with its long options."""
    group = typer.main.get_command(app)
    return {
        name: [word for item in command.params for word in item.opts if word.startswith("--")]
        for name, command in group.commands.items()  # type: ignore[attr-defined]  # a group has them
    }


def test_every_command_and_option_is_documented(documents: str) -> None:
    missing = []
    for name, options in commands().items():
        missing += [name] if f"canassist {name}" not in documents else []
        missing += [f"{name} {word}" for word in options if word not in documents]
    assert missing == []


@pytest.mark.parametrize("words", [EventKind, Code, LIMIT_NAMES, CHANNEL_UNITS])
def test_every_kind_code_limit_and_channel_is_documented(documents: str, words: list[str]) -> None:
    named = {str(word) for word in words}
    headed = set(re.findall(r"(?m)^### (\S+)", documents))
    assert sorted(one for one in named - headed if f"`{one}`" not in documents) == []


def test_the_readme_opens_with_the_job(project_root: Path) -> None:
    lines = (project_root / "README.md").read_text("utf-8").splitlines()
    paragraph = next(line for line in lines[1:] if line)
    assert "heavy" in paragraph
    assert "report" in paragraph


def test_the_python_example_runs_as_printed(
    project_root: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    text = (project_root / "README.md").read_text("utf-8")
    examples = re.findall(r"<!-- example: tested -->\s*```python\n(.*?)```", text, re.DOTALL)
    assert examples
    monkeypatch.chdir(project_root)
    for example in examples:
        told = io.StringIO()
        with contextlib.redirect_stdout(told):
            exec(compile(example, "README.md", "exec"), {})  # noqa: S102 - our own document
        assert "thermal_protection" in told.getvalue()


def test_the_marked_commands_can_be_found(project_root: Path) -> None:
    for name in ("demo", "tests"):
        done = subprocess.run(
            [sys.executable, str(project_root / ".ci/readme_command.py"), name],
            capture_output=True,
            text=True,
            check=True,
        )
        assert done.stdout.startswith("python3 -m venv .venv")


def test_the_picture_is_there(project_root: Path) -> None:
    text = (project_root / "README.md").read_text("utf-8")
    pictures = re.findall(r"!\[[^\]]*\]\(([^)]+)\)", text)
    assert pictures
    assert all((project_root / name).is_file() for name in pictures)

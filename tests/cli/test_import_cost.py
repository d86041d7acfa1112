"""What is installed for rare formats and other commands costs a report nothing."""

from __future__ import annotations

import importlib.util
import subprocess
import sys
from pathlib import Path

import pytest

HEAVY = ("asammdf", "pandas", "plotly", "pyarrow", "scipy", "distributed", "starlette")
CALL = """
import sys
from canassist.cli import main
watched = sys.argv.pop(1).split(",")
status = main()
print(status, sorted(set(watched) & set(sys.modules)))
"""


def loaded_by(arguments: list[str], watched: tuple[str, ...]) -> str:
    """Run a command in a process of its own; return its status and what it loaded."""
    line = [sys.executable, "-c", CALL, ",".join(watched), *arguments]
    done = subprocess.run(line, check=True, capture_output=True, text=True, timeout=60)
    return done.stdout.splitlines()[-1]


@pytest.mark.parametrize("log", ["healthy_mixed.log.gz", "hot_tight_turns.blf"])
def test_a_report_loads_no_library_that_it_does_not_need(
    project_root: Path, tmp_path: Path, log: str
) -> None:
    missing = [name for name in HEAVY if importlib.util.find_spec(name) is None]
    assert not missing, "without these installed nothing is shown"
    arguments = ["report", str(project_root / "sample_logs" / log)]
    arguments += ["--dbc", str(project_root / "dbc_demo" / "demo_trail_vehicle.dbc")]
    arguments += ["-o", str(tmp_path / "ride.html")]
    assert loaded_by(arguments, ("numpy", *HEAVY)) == "0 ['numpy']"


def test_the_help_loads_nothing_that_computes() -> None:
    assert loaded_by(["--help"], ("typer", "numpy", "cantools", *HEAVY)) == "0 ['typer']"

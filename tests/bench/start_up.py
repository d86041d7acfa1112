"""How long `canassist --help` takes against an empty two-command typer program.

Run ``python tests/bench/start_up.py``. Medians of 11 interleaved runs, whole processes.
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

RUNS = 11

EMPTY = '''
import typer
app = typer.Typer()
@app.command()
def one() -> None:
    """One."""
@app.command()
def two() -> None:
    """Two."""
app()
'''


def seconds(command: list[str]) -> float:
    """Return the wall time of one whole process."""
    begun = time.perf_counter()
    subprocess.run(command, check=True, capture_output=True)
    return time.perf_counter() - begun


def main() -> None:
    """Print both medians and their ratio."""
    with tempfile.TemporaryDirectory() as folder:
        empty = Path(folder) / "empty.py"
        empty.write_text(EMPTY)
        commands = {
            "canassist --help": [sys.executable, "-m", "canassist", "--help"],
            "empty typer --help": [sys.executable, str(empty), "--help"],
        }
        taken: dict[str, list[float]] = {name: [] for name in commands}
        for run in range(RUNS + 1):
            for name, command in commands.items():
                spent = seconds(command)
                if run:  # the first round warms the caches
                    taken[name].append(spent)
    medians = {name: statistics.median(times) for name, times in taken.items()}
    for name, median in medians.items():
        print(f"{name:20} {median * 1000:7.0f} ms (median of {RUNS})")
    ratio = medians["canassist --help"] / medians["empty typer --help"]
    print(f"{'ratio':20} {ratio:7.2f}   (at most 1.5)")


if __name__ == "__main__":
    main()

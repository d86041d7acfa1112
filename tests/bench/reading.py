"""How fast logs are read and decoded, as a ratio to python-can, cantools and a DataFrame.

Run ``python tests/bench/reading.py``. Every measurement is one pass in a process of its own,
imports left out; the ways take turns, and medians are printed, of wall and of processor time
(on a busy machine the second is steadier). Both ways decode the same 11 signals of 6 messages,
which are about one frame in six; all values are compared first. "statistics" reads the headers
of all frames as well and counts the traffic.
"""

from __future__ import annotations

import argparse
import json
import statistics
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np
from ride_log import DATABASE, draw, write_log

FRAMES = 1_140_000
ROUNDS = 3
FORMATS = (".log", ".log.gz", ".blf", ".asc", ".csv", ".mf4")
WAYS = ("ordinary", "filtered", "statistics")
HERE = Path(__file__).parent


def run(way: str, log: Path, database: Path, values: Path | None = None) -> dict[str, float]:
    """Measure one way in a process of its own."""
    script = HERE / ("reading_ordinary.py" if way == "ordinary" else "reading_ours.py")
    command = [sys.executable, script, log, database, way, *([values] if values else [])]
    answer = subprocess.run(command, check=True, capture_output=True, text=True).stdout
    figures: dict[str, float] = json.loads(answer.splitlines()[-1])
    return figures


def compare(log: Path, database: Path, folder: Path) -> str:
    """Compare every value of both ways; return what was found."""
    files = [folder / "theirs.npz", folder / "ours.npz"]
    for way, values in zip(("ordinary", "filtered"), files, strict=True):
        run(way, log, database, values)
    theirs, ours = (np.load(file) for file in files)
    time, own_time = np.sort(theirs["time"]), ours["time"]
    off_us = np.abs((time - time[0]) - (own_time - own_time[0])).max() * 1e6
    names = [name for name in theirs if name != "time"]
    total = sum(len(theirs[name]) for name in names)
    same = sum(
        int((theirs[name] == ours[name]).sum())
        for name in names
        if theirs[name].shape == ours[name].shape
    )
    return f"{same:,} of {total:,} values equal, times within {off_us:.1f} us"


def measure(log: Path, database: Path, rounds: int, frames: int) -> None:
    """Measure one log in turns and print the medians."""
    results: dict[str, list[dict[str, float]]] = {way: [] for way in WAYS}
    for _ in range(rounds):
        for way in WAYS:
            results[way].append(run(way, log, database))

    def median(way: str, figure: str) -> float:
        return statistics.median(one[figure] for one in results[way])

    for way in WAYS:
        wall, cpu = median(way, "wall"), median(way, "cpu")
        print(
            f"{log.name.removeprefix('ride'):8}{way:11}{wall:7.3f} s"
            f"{frames / wall / 1e6:7.2f} Mframes/s{median(way, 'peak'):6.0f} MB"
            f"{median('ordinary', 'wall') / wall:7.1f} x wall"
            f"{median('ordinary', 'cpu') / cpu:7.1f} x processor",
            flush=True,
        )


def main() -> None:
    """Write the log in every format, compare, measure."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--frames", type=int, default=FRAMES)
    asked.add_argument("--rounds", type=int, default=ROUNDS)
    asked.add_argument("--formats", nargs="+", default=FORMATS)
    asked.add_argument("--folder", type=Path, help="keep the logs here for the next time")
    given = asked.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        folder = given.folder or Path(scratch)
        folder.mkdir(parents=True, exist_ok=True)
        database = folder / "ride.dbc"
        database.write_text(DATABASE, encoding="utf-8")
        frames = draw(given.frames)
        for ending in given.formats:
            log = folder / f"ride{ending}"
            if not log.exists():
                write_log(frames, log)
            print(f"{ending}: {compare(log, database, Path(scratch))}", flush=True)
            measure(log, database, given.rounds, given.frames)


if __name__ == "__main__":
    main()

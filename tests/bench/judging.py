"""What physics, detection and conclusions cost, against the ordinary way to decode the ride.

Run ``python -m tests.bench.judging [--minutes 60] [--light]`` from the project's folder. The
ride is the demo's hot one, or with ``--weak`` the weak battery's with its hundreds of events,
ridden again and again; the ordinary way is python-can, cantools and pandas in a process of its
own. Ours starts from the decoded timeline, imports included. Target: at most a tenth.
"""

from __future__ import annotations

import argparse
import pickle
import statistics
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

from canassist.demo import RIDES, TRAIL, demo_profile, simulate
from canassist.demo.bus.background import BUSY
from canassist.demo.bus.frame_table import all_frames
from canassist.demo.bus.message_layout import dbc_text
from canassist.demo.bus.writers import candump_lines
from tests.bench.whole_command import ORDINARY

START = datetime(2026, 1, 5, 9, 30, tzinfo=UTC)
BLOCK = 65_536
TARGET = 0.10

OURS = """
import sys, time
begun = time.perf_counter()
from canassist import conclude, detect, physics
from canassist.model import Case
imported = time.perf_counter() - begun
import pickle
with open(sys.argv[1], "rb") as file:
    timeline, profile = pickle.load(file)
begun = time.perf_counter()
estimates = physics.study(timeline, profile)
studied = time.perf_counter()
events = detect.find_events(timeline, profile, estimates)
detected = time.perf_counter()
conclude.conclude(timeline, profile, estimates, events, Case())
ended = time.perf_counter()
print(imported, studied - begun, detected - studied, ended - detected, len(events))
"""


def write_ride(folder: Path, name: str, minutes: float, *, busy: bool) -> int:
    """Write log, database and decoded timeline; return how many frames the log holds."""
    ride = RIDES[name]
    times = max(1, round(minutes * 60.0 / ride.seconds))
    simulated = simulate(replace(ride, stretches=ride.stretches * times))
    table = all_frames(simulated, BUSY if busy else ())
    with (folder / "ride.log").open("wb") as file:
        for first in range(0, len(table), BLOCK):
            rows = table.rows(slice(first, first + BLOCK))
            file.write(candump_lines(rows, round(START.timestamp() * 1e6)))
    (folder / "vehicle.dbc").write_text(dbc_text(TRAIL, "Invented."), encoding="utf-8")
    judged = (simulated.timeline(), demo_profile(ride.layout, ride.vehicle))
    (folder / "ride.pickle").write_bytes(pickle.dumps(judged))
    return len(table)


def ordinary(folder: Path) -> float:
    """Return the seconds of the ordinary way, whole process."""
    command = [
        sys.executable,
        "-c",
        ORDINARY,
        str(folder / "ride.log"),
        str(folder / "vehicle.dbc"),
    ]
    begun = time.perf_counter()
    subprocess.run(command, check=True, capture_output=True)
    return time.perf_counter() - begun


def ours(folder: Path) -> list[float]:
    """Return the seconds of import, physics, detection and conclusions, and the events."""
    command = [sys.executable, "-c", OURS, str(folder / "ride.pickle")]
    done = subprocess.run(command, check=True, capture_output=True, text=True)
    return [float(word) for word in done.stdout.split()]


def main() -> int:
    """Print both and their ratio; returns 1 above the target."""
    options = argparse.ArgumentParser()
    options.add_argument("--minutes", type=float, default=60.0)
    options.add_argument("--rounds", type=int, default=3)
    options.add_argument("--light", action="store_true", help="without further messages")
    options.add_argument("--weak", action="store_true", help="hundreds of events")
    given = options.parse_args()
    name = "weak_battery" if given.weak else "hot_tight_turns"
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        frames = write_ride(folder, name, given.minutes, busy=not given.light)
        base: list[float] = []
        runs: list[list[float]] = []
        for _ in range(given.rounds):
            base.append(ordinary(folder))
            runs.append(ours(folder))
    parts = [statistics.median(column) for column in zip(*runs, strict=True)]
    whole = statistics.median(sum(run[:-1]) for run in runs)
    ratio = whole / statistics.median(base)
    print(f"{name}, {given.minutes:g} min, {frames} frames, {parts[-1]:.0f} events")
    print(f"ordinary decode {statistics.median(base):8.2f} s")
    for label, seconds in zip(
        ("import", "physics", "detection", "conclusions"), parts[:-1], strict=True
    ):
        print(f"{label:15} {seconds:8.2f} s")
    print(f"together        {whole:8.2f} s, {ratio:.1%} of ordinary (at most {TARGET:.0%})")
    return int(ratio > TARGET)


if __name__ == "__main__":
    sys.exit(main())

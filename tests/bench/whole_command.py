"""`canassist report` against the ordinary way to decode alone, whole process against whole process.

Run ``python tests/bench/whole_command.py [--minutes 60] [--ending .log]``. The ride is the demo's
hot one, ridden again and again on a bus of about 1,900 frames a second, of which the database
knows one in six; the ordinary way is python-can for reading, cantools for decoding and pandas for
the table. Medians of interleaved runs after one of the report that is not counted: it finds its
code compiled, as the libraries of the other do. Processor time stands beside the clock's: on a
computer that does other work it is the fairer one. With ``--folder`` the log stays for the next
time.
"""

from __future__ import annotations

import argparse
import os
import statistics
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import NamedTuple

from canassist.demo import RIDES
from canassist.demo.bus.background import BUSY, Background
from canassist.demo.bus.frame_table import all_frames
from canassist.demo.bus.trail import TRAIL
from canassist.demo.bus.writers import candump_lines, log_bytes
from canassist.demo.files import dbc_text, profile_text
from canassist.demo.plant.vehicle import VehicleModel
from canassist.demo.simulated import simulate

START = datetime(2026, 1, 5, 9, 30, tzinfo=UTC)
BLOCK = 65_536

BODY = (
    Background(can_id=0x52A, length=8, period_s=0.02, alive=True, moving=2),
    Background(can_id=0x53C, length=8, period_s=0.02, alive=True, moving=1, noisy=1),
    Background(can_id=0x54E, length=8, period_s=0.05, alive=True, moving=2),
)
"""Messages that the database knows though nobody needs them, as in any vehicle's database."""
FILL = Background(can_id=0x561, length=8, period_s=0.01, alive=True, noisy=1)
BODY_DATABASE = """
BO_ {key} Body{number}: 8 Body
 SG_ Count{number} : 0|4@1+ (1,0) [0|15] "" Recorder
 SG_ Level{number} : 8|16@1+ (0.1,0) [0|0] "%" Recorder
"""

ORDINARY = """
import sys, can, cantools, pandas
database = cantools.database.load_file(sys.argv[2])
known = {(m.frame_id, m.is_extended_frame): m for m in database.messages}
rows = []
for frame in can.LogReader(sys.argv[1]):
    message = known.get((frame.arbitration_id, frame.is_extended_id))
    if message is not None and not frame.is_error_frame:
        row = message.decode(frame.data, decode_choices=False)
        row["time"] = frame.timestamp
        rows.append(row)
print(len(pandas.DataFrame(rows)))
"""

UNCOMPILED = "PYTHONDONTWRITEBYTECODE"
PEAK = "import resource,subprocess,sys;subprocess.run(sys.argv[1:],check=True,stdout=subprocess.DEVNULL);used=resource.getrusage(resource.RUSAGE_CHILDREN);print(used.ru_maxrss,used.ru_utime+used.ru_stime)"  # noqa: E501 - one line of code for `-c`


def write_ride(folder: Path, minutes: float, ending: str) -> Path:
    """Write the log, the database and the profile; return the log."""
    hot = RIDES["hot_tight_turns"]
    times = max(1, round(minutes * 60.0 / hot.seconds))
    scenario = replace(hot, stretches=hot.stretches * times)
    log = folder / f"ride{ending}"
    text = dbc_text(TRAIL, "Invented.") + "".join(
        BODY_DATABASE.format(key=one.can_id, number=n) for n, one in enumerate(BODY, start=1)
    )
    (folder / "vehicle.dbc").write_text(text, encoding="utf-8")
    (folder / "vehicle.toml").write_text(profile_text(TRAIL, VehicleModel()), encoding="utf-8")
    if log.exists():
        print(f"{log.name} as it is, {log.stat().st_size / 1e6:.0f} MB")
        return log
    table = all_frames(simulate(scenario), (*BUSY, *BODY, FILL))
    if ending == ".log":
        with log.open("wb") as file:
            for first in range(0, len(table), BLOCK):
                rows = table.rows(slice(first, first + BLOCK))
                file.write(candump_lines(rows, round(START.timestamp() * 1e6)))
    else:
        log.write_bytes(log_bytes(ending, table, START, quick=True))
    size_mb = log.stat().st_size / 1e6
    print(f"{len(table)} frames, {scenario.seconds / 60:.1f} min, {size_mb:.0f} MB {ending}")
    return log


class Taken(NamedTuple):
    """What one whole process took: seconds by the clock, of the processor, and memory in MB."""

    clock_s: float
    processor_s: float
    peak_mb: float


def measure(command: list[str]) -> Taken:
    """Run a command in a process of its own."""
    compiled = {name: text for name, text in os.environ.items() if name != UNCOMPILED}
    begun = time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-c", PEAK, *command],
        check=True,
        capture_output=True,
        text=True,
        env=compiled,
    )
    peak_kb, processor_s = done.stdout.split()
    return Taken(time.perf_counter() - begun, float(processor_s), int(peak_kb) / 1024)


def main() -> None:
    """Print both ways' medians and their ratio."""
    options = argparse.ArgumentParser()
    options.add_argument("--minutes", type=float, default=12.0)
    options.add_argument("--ending", default=".log")
    options.add_argument("--rounds", type=int, default=3)
    options.add_argument("--folder", type=Path, help="keep the log here for the next time")
    given = options.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = given.folder or Path(name)
        folder.mkdir(parents=True, exist_ok=True)
        log = write_ride(folder, given.minutes, given.ending)
        dbc, profile = str(folder / "vehicle.dbc"), str(folder / "vehicle.toml")
        page = str(folder / "out.html")
        report = ["report", str(log), "--dbc", dbc, "--profile", profile, "-o", page]
        ways = {
            "ordinary decode": [sys.executable, "-c", ORDINARY, str(log), dbc],
            "canassist report": [sys.executable, "-m", "canassist", *report],
        }
        taken: dict[str, list[Taken]] = {way: [] for way in ways}
        measure(ways["canassist report"])
        for _ in range(given.rounds):
            for way, command in ways.items():
                taken[way].append(measure(command))
        size_mb = Path(page).stat().st_size / 1e6
    middle = {
        way: Taken(*(statistics.median(column) for column in zip(*runs, strict=True)))
        for way, runs in taken.items()
    }
    for way, one in middle.items():
        figures = f"{one.clock_s:7.2f} s  {one.processor_s:7.2f} s of the processor"
        print(f"{way:18} {figures}  {max(run.peak_mb for run in taken[way]):6.0f} MB")
    theirs, ours = middle["ordinary decode"], middle["canassist report"]
    by_clock, by_processor = (a / b for a, b in zip(theirs[:2], ours[:2], strict=True))
    print(f"{'ratio':18} {by_clock:7.1f}    {by_processor:7.1f}    page {size_mb:.2f} MB")


if __name__ == "__main__":
    main()

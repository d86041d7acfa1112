"""What screening costs beyond reading and analysis.

Run as ``python -m tests.bench.screening FOLDER`` with an empty folder for its files;
``--cluster ADDRESS`` sends the empty tasks to a running cluster as well.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import time
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

from canassist.demo import TRAIL, VEHICLE, profile_text, simulate
from canassist.demo.frames import all_frames
from canassist.demo.layout import dbc_text
from canassist.demo.memory import START_UTC
from canassist.demo.scenario import Scenario
from canassist.demo.scenarios import draw_scenario
from canassist.demo.writers import log_bytes
from canassist.pipeline import analyze
from canassist.screen import Wishes, screen
from canassist.screen.engine import batches, open_crew, run
from canassist.screen.find import FoundLog
from canassist.screen.work import Done

RIDES = 100
DRAWN = 6
HALVES = 2
ONE = os.environ | dict.fromkeys(("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"), "1")
"""A plain process is one core's worth, as a worker is."""
PLAIN = """
import sys, json
from canassist.pipeline import analyze
from canassist.report import result_json
dbc, profile, *logs = sys.argv[1:]
for log in logs:
    result_json(analyze(log, dbc=dbc, profile=profile))
"""


def nothing(logs: tuple[str, ...]) -> list[Done]:
    """Do nothing with each log."""
    return [Done(log) for log in logs]


def peak_mb() -> float:
    """Return this process's peak memory; NaN where the system does not say."""
    try:
        import resource  # noqa: PLC0415 - POSIX only
    except ImportError:
        return float("nan")
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def _scenario(number: int) -> Scenario:
    return replace(draw_scenario("mixed", number), layout=TRAIL)


def write_rides(folder: Path, count: int) -> list[str]:
    """Write rides of a few minutes, with database and profile beside them."""
    (folder / "vehicle.dbc").write_text(dbc_text(TRAIL, "Invented."), "utf-8")
    (folder / "vehicle.toml").write_text(profile_text(TRAIL, VEHICLE), "utf-8")
    rides = folder / "rides"
    rides.mkdir()
    tables = [all_frames(simulate(_scenario(number)), ()) for number in range(DRAWN)]
    for number in range(count):
        start = START_UTC + timedelta(hours=number)  # makes each file's content its own
        content = log_bytes(".log.gz", tables[number % DRAWN], start, quick=True)
        (rides / f"{number:03d}.log.gz").write_bytes(content)
    return sorted(str(path) for path in rides.iterdir())


def both_cores(folder: Path, count: int) -> None:
    """Compare screening on two processes with two plain processes on the halves."""
    logs = write_rides(folder, count)
    known = (str(folder / "vehicle.dbc"), str(folder / "vehicle.toml"))
    for turn in range(2):
        begun = time.perf_counter()
        plain = [
            subprocess.Popen([sys.executable, "-c", PLAIN, *known, *logs[half::HALVES]], env=ONE)
            for half in range(HALVES)
        ]
        for process in plain:
            process.wait()
        halves_s = time.perf_counter() - begun
        line = [sys.executable, "-m", "canassist", "screen", str(folder / "rides")]
        line += ["--dbc", known[0], "--profile", known[1], "--workers", "2"]
        begun = time.perf_counter()
        subprocess.run([*line, "-o", str(folder / f"out{turn}")], check=True, stdout=-3)
        ours_s = time.perf_counter() - begun
        print(
            f"{count} rides, two plain processes {halves_s:.1f} s, screen {ours_s:.1f} s: ", end=""
        )
        print(f"{halves_s / ours_s:.2f} of their speed")


def tiny_logs(folder: Path, count: int) -> None:
    """Measure what a log costs beyond reading and analysis, in one process each."""
    tiny = folder / "tiny"
    tiny.mkdir()
    (folder / "vehicle.dbc").write_text(dbc_text(TRAIL, "Invented."), "utf-8")
    profile = folder / "vehicle.toml"
    profile.write_text(profile_text(TRAIL, VEHICLE), "utf-8")
    for number in range(count):
        when = f"(1700000000.{number:06d}) can0"
        lines = [f"{when} {item.can_id:03X}#{'00' * item.length}\n" for item in TRAIL.messages]
        (tiny / f"{number:06d}.log").write_text("".join(lines), "utf-8")
    dbc = str(folder / "vehicle.dbc")
    some = sorted(tiny.iterdir())[: max(1, count // 10)]
    analyze(some[0], dbc=dbc, profile=profile)  # imports
    begun = time.perf_counter()
    for path in some:
        analyze(path, dbc=dbc, profile=profile)
    plain_ms = (time.perf_counter() - begun) / len(some) * 1000
    for stage in ("first run", "second run"):
        begun = time.perf_counter()
        done = screen(
            [str(tiny)],
            folder / "tiny_out",
            dbc=[dbc],
            profile=str(profile),
            wishes=Wishes(workers=1),
        )
        whole_s = time.perf_counter() - begun
        each_ms = whole_s / count * 1000
        print(f"{count} tiny logs, {stage}: {done.fresh} done in {whole_s:.1f} s, ", end="")
        print(f"{each_ms:.2f} ms each (analysis alone {plain_ms:.2f} ms); ", end="")
        print(f"page {done.page.stat().st_size / 1e6:.2f} MB, client peak {peak_mb():.0f} MB")


def empty_tasks(count: int, cluster: str) -> None:
    """Measure the scheduling of logs in batches, with nothing done."""
    logs = [FoundLog(f"rides/{number:07d}.log", 0, 0, "") for number in range(count)]
    crew = open_crew(cluster, 2)
    try:
        todo = batches(logs, crew.workers)
        begun = time.perf_counter()
        done = sum(1 for _ in run(crew, nothing, todo))
        took_s = time.perf_counter() - begun
    finally:
        crew.close()
    where = "cluster" if cluster else "this machine"
    print(f"{done} empty logs in {len(todo)} tasks on {where}: {took_s:.1f} s, ", end="")
    print(f"{took_s / len(todo) * 1000:.2f} ms a task; client peak {peak_mb():.0f} MB")


def main() -> None:
    """Run what is asked for."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("folder", type=Path)
    words.add_argument("--rides", type=int, default=RIDES)
    words.add_argument("--tiny", type=int, default=10_000)
    words.add_argument("--empty", type=int, default=1_000_000)
    words.add_argument("--cluster", default="")
    asked = words.parse_args()
    asked.folder.mkdir(parents=True, exist_ok=True)
    if asked.empty:
        empty_tasks(asked.empty, "")
        if asked.cluster:
            empty_tasks(asked.empty, asked.cluster)
    if asked.rides:
        both_cores(asked.folder, asked.rides)
    if asked.tiny:
        tiny_logs(asked.folder, asked.tiny)


if __name__ == "__main__":
    main()

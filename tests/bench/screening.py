"""What screening costs beyond reading and analysis.

Run as ``python -m tests.bench.screening FOLDER`` with an empty folder for its files;
``--cluster ADDRESS`` sends the empty tasks to a running cluster as well.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import subprocess
import sys
import time
from collections.abc import Callable, Iterable
from dataclasses import replace
from datetime import timedelta
from functools import partial
from pathlib import Path
from statistics import median

from canassist.demo import TRAIL, VEHICLE, profile_text, simulate
from canassist.demo.bus.frame_table import all_frames
from canassist.demo.bus.message_layout import dbc_text
from canassist.demo.bus.writers import log_bytes
from canassist.demo.memory import START_UTC
from canassist.demo.plant.scenario import Scenario
from canassist.pipeline import analyze
from canassist.screen import ScreeningOptions, screen
from canassist.screen.find_logs import FoundLog
from canassist.screen.messages import Order, ScreenedOutcome
from canassist.screen.result_files import json_line, write_part
from canassist.screen.run_batches import batches, run
from canassist.screen.worker_pool import open_pool
from tests.simulator.scenarios import draw_scenario

RIDES = 200
ROUNDS = 5
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


def nothing(logs: tuple[str, ...]) -> list[ScreenedOutcome]:
    """Do nothing with each log."""
    return [ScreenedOutcome(log) for log in logs]


def made_up(order: Order, logs: tuple[str, ...]) -> list[ScreenedOutcome]:
    """Write a result for each log without looking into it: all that screening costs but that."""
    lines, became = {}, []
    for log in logs:
        sha256 = hashlib.sha256(log.encode()).hexdigest()
        event = {"number": 1, "kind": "derate", "cause": "temperature", "text": "made up"}
        row = {
            "sha256": sha256,
            "status": "read",
            "reason": "",
            "duration_s": 600.0,
            "code": "no_fault_found",
            "strength": "strong",
            "path_ohm": int(sha256[:4], 16) / 1e7,
            "charging_v": 14.0 + int(sha256[4:8], 16) / 1e6,
            "events": [event],
        }
        lines[sha256] = json_line(row)
        became.append(ScreenedOutcome(log, sha256))
    part = write_part(Path(order.results), lines)
    return [replace(item, part=part) for item in became]


def children_cpu_s() -> float:
    """Return the CPU time of the processes that have ended; NaN where the system does not say."""
    try:
        import resource  # noqa: PLC0415 - POSIX only
    except ImportError:
        return float("nan")
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def peak_mb() -> float:
    """Return this program's peak memory; NaN where the system does not say.

    Not what `resource` says: on Linux that keeps the peak of whoever started the process.
    """
    try:
        lines = Path("/proc/self/status").read_text("ascii").splitlines()
    except OSError:
        return float("nan")
    return next(int(line.split()[1]) for line in lines if line.startswith("VmHWM")) / 1024


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


def both_cores(folder: Path, count: int, rounds: int) -> None:
    """Compare screening on two processes with two plain processes on the halves, in turns."""
    logs = write_rides(folder, count)
    known = (str(folder / "vehicle.dbc"), str(folder / "vehicle.toml"))

    def halves() -> None:
        plain = [
            subprocess.Popen([sys.executable, "-c", PLAIN, *known, *logs[half::HALVES]], env=ONE)
            for half in range(HALVES)
        ]
        statuses = [process.wait() for process in plain]
        if any(statuses):
            sys.exit("a plain process failed")

    def ours(turn: int) -> None:
        line = [sys.executable, "-m", "canassist", "screen", str(folder / "rides")]
        line += ["--dbc", known[0], "--profile", known[1], "--workers", str(HALVES)]
        subprocess.run([*line, "-o", str(folder / f"out{turn}")], check=True, stdout=-3)

    ratios = []
    for turn in range(rounds):
        parts: list[tuple[str, Callable[[], None]]]
        parts = [("plain", halves), ("screen", partial(ours, turn))]
        took = {name: seconds(work) for name, work in (parts if turn % 2 else parts[::-1])}
        (plain_s, plain_cpu_s), (ours_s, ours_cpu_s) = took["plain"], took["screen"]
        ratios.append(plain_s / ours_s)
        print(
            f"{count} rides: two plain processes {plain_s:.1f} s, screen {ours_s:.1f} s: ", end=""
        )
        print(f"{ratios[-1]:.2f} of their speed (by CPU time {plain_cpu_s / ours_cpu_s:.2f})")
    print(f"median of {rounds} rounds: {median(ratios):.3f} of two plain processes' speed")


def seconds(work: Callable[[], object]) -> tuple[float, float]:
    """Return how long something takes, and how much CPU time its processes take."""
    begun, cpu_before_s = time.perf_counter(), children_cpu_s()
    work()
    return time.perf_counter() - begun, children_cpu_s() - cpu_before_s


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
    begun, cpu_before_s = time.perf_counter(), time.process_time()
    for path in some:
        analyze(path, dbc=dbc, profile=profile)
    plain_ms = (time.perf_counter() - begun) / len(some) * 1000
    plain_cpu_ms = (time.process_time() - cpu_before_s) / len(some) * 1000
    for stage in ("first run", "second run"):
        begun, cpu_before_s = time.perf_counter(), time.process_time() + children_cpu_s()
        done = screen(
            [str(tiny)],
            folder / "tiny_out",
            dbc=[dbc],
            profile=str(profile),
            options=ScreeningOptions(workers=1),
        )
        whole_s = time.perf_counter() - begun
        cpu_ms = (time.process_time() + children_cpu_s() - cpu_before_s) / count * 1000
        each_ms = whole_s / count * 1000
        print(f"{count} tiny logs, {stage}: {done.fresh} done in {whole_s:.1f} s, ", end="")
        print(f"{each_ms:.2f} ms each, {cpu_ms:.2f} ms of CPU ", end="")
        print(f"(analysis alone {plain_ms:.2f} ms, {plain_cpu_ms:.2f} ms of CPU); ", end="")
        print(f"page {done.page.stat().st_size / 1e6:.2f} MB, client peak {peak_mb():.0f} MB")


def empty_tasks(count: int, cluster: str) -> None:
    """Measure the scheduling of logs in batches, with nothing done."""
    logs = (FoundLog(f"rides/{number:07d}.log") for number in range(count))
    pool = open_pool(cluster, 2)
    try:
        todo = Counted(batches(logs, count=count, size=0, workers=pool.workers))
        begun = time.perf_counter()
        done = sum(1 for _ in run(pool, nothing, todo))
        took_s = time.perf_counter() - begun
    finally:
        pool.close()
    where = "cluster" if cluster else "this machine"
    print(f"{done} empty logs in {todo.count} tasks on {where}: {took_s:.1f} s, ", end="")
    print(f"{took_s / todo.count * 1000:.2f} ms a task; client peak {peak_mb():.0f} MB", end="")
    print(f", scheduler {scheduler_mb(cluster):.0f} MB" if cluster else "")


class Counted:
    """Counts what passes."""

    def __init__(self, items: Iterable[tuple[str, ...]]) -> None:
        self._items = iter(items)
        self.count = 0

    def __iter__(self) -> Counted:
        return self

    def __next__(self) -> tuple[str, ...]:
        item = next(self._items)
        self.count += 1
        return item


def scheduler_mb(address: str) -> float:
    """Return the memory that a cluster's scheduler has ever used."""
    from distributed import Client  # noqa: PLC0415 - an extra

    kind = "scheduler_file" if Path(address).is_file() else "address"
    with Client(**{kind: address}) as there:  # type: ignore[no-untyped-call]  # not typed
        return float(there.run_on_scheduler(peak_mb))


def memory(folder: Path, sizes: tuple[int, int]) -> None:
    """Measure the client's memory at two numbers of logs, all but the analysis done."""
    for kind in ("one vehicle a log", "500 vehicles"):
        peaks = []
        for count in sizes:
            home = folder / f"memory {kind} {count}"
            for number in range(count):
                place = home / (f"v{number % 500:03d}" if "500" in kind else "")
                place.mkdir(parents=True, exist_ok=True)
                (place / f"{number:07d}.log").touch()
            line = [sys.executable, "-m", "tests.bench.screening", str(home), "--client"]
            done = subprocess.run(line, check=True, capture_output=True, text=True)
            peak, took_s, page_mb = map(float, done.stdout.split())
            peaks.append(peak)
            print(f"{count} logs, {kind}: client peak {peak:.1f} MB, {took_s:.1f} s ", end="")
            print(f"({took_s / count * 1000:.2f} ms a log), page {page_mb:.2f} MB")
        growth = (peaks[1] - peaks[0]) * 1e6 / (sizes[1] - sizes[0])
        print(f"  {growth:.0f} bytes of client memory for each further log")


def client(home: Path) -> None:
    """Screen with a stand-in for the analysis; print peak memory, time and size of the page."""
    begun = time.perf_counter()
    done = screen([str(home)], home.with_name(f"{home.name} out"), work_on=made_up)
    size_mb = done.page.stat().st_size / 1e6
    print(peak_mb(), time.perf_counter() - begun, size_mb)


def main() -> None:
    """Run what is asked for."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("folder", type=Path)
    words.add_argument("--rides", type=int, default=RIDES)
    words.add_argument("--rounds", type=int, default=ROUNDS)
    words.add_argument("--tiny", type=int, default=10_000)
    words.add_argument("--empty", type=int, default=1_000_000)
    words.add_argument("--memory", type=int, nargs=2, default=(10_000, 100_000))
    words.add_argument("--cluster", default="")
    words.add_argument("--client", action="store_true", help="used by --memory")
    asked = words.parse_args()
    if asked.client:
        client(asked.folder)
        return
    asked.folder.mkdir(parents=True, exist_ok=True)
    if asked.empty:
        empty_tasks(asked.empty, "")
        if asked.cluster:
            empty_tasks(asked.empty, asked.cluster)
    if asked.rides:
        both_cores(asked.folder, asked.rides, asked.rounds)
    if asked.tiny:
        tiny_logs(asked.folder, asked.tiny)
    if any(asked.memory):
        memory(asked.folder, tuple(asked.memory))


if __name__ == "__main__":
    main()

"""How often comparisons are right: sound pairs, planted differences, and what it costs.

Run ``python -m tests.bench.comparison`` from the project's root; ``--share 0.1`` for a tenth.
Every pair is one drawn vehicle on two differently drawn rides of the same day.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import subprocess
import sys
import tempfile
import time
from collections import Counter, defaultdict
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace
from pathlib import Path

from canassist import judging
from canassist.comparison import compare
from canassist.demo import Scenario, demo_profile, profile_text, simulate
from canassist.demo.bus.background import QUIET
from canassist.demo.bus.frame_table import all_frames
from canassist.demo.bus.message_layout import dbc_text
from canassist.demo.bus.writers import log_bytes
from canassist.demo.memory import START_UTC
from canassist.demo.plant import faults
from canassist.model import (
    Case,
    Code,
    Comparison,
    FigureName,
    Finding,
    LogSummary,
    Profile,
    Result,
    Role,
    Timeline,
)
from canassist.version import VERSION
from tests.simulator import scenario_parts as parts
from tests.simulator.draw import Draw

WORKERS = 2
NICE = 10
SOUND_SEEDS = 100
PLANTED_SEEDS = 25
MOST_FALSE_SHARE = 0.05
LEAST_FOUND = 0.95
LEAST_COVERED = 0.85


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """A planted difference: what it does to B, on which figure it shows, and its true size."""

    plant: Callable[[Scenario], Scenario]
    figure: FigureName
    size: Callable[[Scenario], float]
    like_riding: bool = False
    """Held against a ride of the same course: air speed decides what heat figures say."""


def _with_fault(*planted: faults.Fault) -> Callable[[Scenario], Scenario]:
    return lambda scenario: replace(scenario, faults=planted)


def _lower_charging(scenario: Scenario) -> Scenario:
    set_v = scenario.vehicle.alternator.set_v - 0.8
    return replace(scenario, faults=(faults.RegulatorVoltage(set_v=set_v),))


def _hotter(scenario: Scenario) -> Scenario:
    heat = replace(scenario.vehicle.heat, loss_ohm=1.3 * scenario.vehicle.heat.loss_ohm)
    return replace(scenario, vehicle=replace(scenario.vehicle, heat=heat))


KINDS: Mapping[str, Kind] = {
    "gain -30 %": Kind(
        plant=_with_fault(faults.AssistFactor(left=0.7, right=0.7)),
        figure=FigureName.ASSIST_GAIN,
        size=lambda _: -0.3,
    ),
    "one side -30 %": Kind(
        plant=_with_fault(faults.AssistFactor(right=0.7)),
        figure=FigureName.SIDE_DIFFERENCE,
        size=lambda _: -0.3,
    ),
    "path +60 mohm": Kind(
        plant=_with_fault(faults.ExtraPathResistance(ohm=0.060)),
        figure=FigureName.PATH_RESISTANCE,
        size=lambda _: 0.060,
    ),
    "charging -0.8 V": Kind(
        plant=_lower_charging, figure=FigureName.CHARGING_VOLTAGE, size=lambda _: -0.8
    ),
    "offset 0.8 N·m": Kind(
        plant=_with_fault(faults.TorqueOffset(offset_nm=0.8)),
        figure=FigureName.TORQUE_OFFSET,
        size=lambda _: 0.8,
    ),
    "motor heating +30 %": Kind(
        plant=_hotter, figure=FigureName.HEATING, size=lambda _: 0.3, like_riding=True
    ),
}


def result_of(timeline: Timeline, profile: Profile) -> Result:
    """Judge a timeline as the pipeline does."""
    answer = judging.judge(timeline, profile, Case())
    summary = LogSummary(
        format="simulated",
        start_utc=timeline.start_utc,
        duration_s=timeline.duration_s,
        frames=timeline.bus.frames,
        error_frames=timeline.bus.error_frames,
        buses=timeline.bus.buses,
        ids=len(timeline.bus.ids),
        ids_known=len(timeline.bus.ids),
    )
    return Result(
        version=VERSION,
        inputs=(),
        log=summary,
        timeline=timeline,
        physics=answer.physics,
        events=answer.verdict.events,
        conclusions=answer.verdict.conclusions,
        coverage=answer.verdict.coverage,
        profile=profile,
        assumed=profile.assumed,
    )


def ridden(scenario: Scenario) -> Result:
    """Simulate and judge one ride."""
    profile = demo_profile(scenario.layout, scenario.vehicle)
    return result_of(simulate(scenario).timeline(), profile)


def pair(seed: int, rounds: int = 1) -> tuple[Scenario, Scenario]:
    """Draw a sound vehicle and two different rides on it.

    Parameters
    ----------
    rounds : int
        How often each ride goes through a bit of everything.
    """
    draw = Draw("comparison vehicle", seed, held_out=True)
    vehicle, layout = parts.sound_vehicle(draw), parts.any_layout(draw)
    rides = []
    for number, word in enumerate(("first", "second")):
        own = Draw(f"comparison {word} ride", seed, held_out=True)
        stretches = parts.mixed(own)
        for _ in range(rounds - 1):
            stretches += parts.mixed(own)[3:]
        rides.append(
            Scenario(
                name=word,
                title=word,
                stretches=tuple(stretches),
                conclusion=Code.NO_FAULT_FOUND,
                vehicle=vehicle,
                layout=layout,
                seed=2 * own.ride_seed + number,
            )
        )
    return rides[0], rides[1]


# -- sound pairs and planted differences ---------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """One pair to compare; kind ``""`` is two sound rides, ``"itself"`` a ride with itself."""

    kind: str
    seed: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What one comparison said.

    ``blamed`` are root figures that differ and were not planted, ``follows`` those
    that differ and are said to follow from a root.
    """

    found: bool
    covered: bool
    blamed: tuple[str, ...]
    follows: tuple[str, ...]
    verdicts: Mapping[str, str]


def judge(job: Job) -> Outcome:
    """Ride, compare, and hold the comparison against what was planted."""
    first, second = pair(job.seed)
    kind = KINDS.get(job.kind)
    if kind is not None and kind.like_riding:
        second = replace(second, stretches=first.stretches)
    before = ridden(first)
    if job.kind == "itself":
        after = ridden(first)
    else:
        after = ridden(kind.plant(second) if kind else second)
    return outcome(compare(before, after), kind, second)


def outcome(comparison: Comparison, kind: Kind | None, scenario: Scenario) -> Outcome:
    """Hold a comparison against what was planted."""
    differs = [item for item in comparison.figures if item.verdict is Finding.DIFFERS]
    roots = {item.name for item in differs if item.role is Role.ROOT}
    found = covered = False
    if kind is not None:
        planted, size = comparison.figure(kind.figure), kind.size(scenario)
        found = kind.figure in roots
        if planted.difference is not None:
            covered = planted.difference.low <= size <= planted.difference.high
        roots -= {kind.figure}
    return Outcome(
        found=found,
        covered=covered,
        blamed=tuple(sorted(roots)),
        follows=tuple(item.name for item in differs if item.role is Role.CONSEQUENCE),
        verdicts={str(item.name): str(item.verdict) for item in comparison.figures},
    )


def jobs(share: float, first: int = 0) -> list[Job]:
    """Return the pairs of the table, or a share of them, from a seed onwards."""
    sound, planted = (
        range(first, first + max(round(share * n), 1)) for n in (SOUND_SEEDS, PLANTED_SEEDS)
    )
    work = [Job(kind="", seed=seed) for seed in sound]
    work += [Job(kind="itself", seed=seed) for seed in planted]
    return work + [Job(kind=kind, seed=seed) for kind in KINDS for seed in planted]


@dataclass(slots=True)
class Table:
    """Outcomes by kind."""

    outcomes: dict[str, list[tuple[int, Outcome]]] = field(default_factory=dict)

    def add(self, job: Job, found: Outcome) -> None:
        """Count one comparison."""
        self.outcomes.setdefault(job.kind, []).append((job.seed, found))

    def share(self, kind: str, name: str) -> float:
        """Return how often `found` or `covered` holds."""
        found = [getattr(item, name) for _, item in self.outcomes[kind]]
        return sum(found) / len(found)

    def false_alarms(self, kind: str) -> list[str]:
        """Name the comparisons that blame what was not planted."""
        return [
            f"{kind or 'sound'} seed {seed}: {', '.join(item.blamed + more)}"
            for seed, item in self.outcomes[kind]
            for more in [item.follows if kind in {"", "itself"} else ()]
            if item.blamed + more
        ]


def run(work: list[Job], *, workers: int = WORKERS) -> Table:
    """Compare pairs, in processes where more than one worker is allowed."""
    table = Table()
    for job, found in zip(work, _outcomes(work, workers), strict=True):
        table.add(job, found)
    return table


def _outcomes(work: list[Job], workers: int) -> Iterator[Outcome]:
    if workers <= 1:
        yield from map(judge, work)
        return
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(workers, mp_context=context, initializer=_be_nice) as pool:
        yield from pool.map(judge, work, chunksize=4)


def _be_nice() -> None:
    if hasattr(os, "nice"):
        os.nice(NICE)


def lines(table: Table) -> Iterator[str]:
    """Write the tables as Markdown."""
    yield "| pairs | comparisons | with any `differs` |"
    yield "|---|---|---|"
    for kind, words in (("", "same vehicle, two rides"), ("itself", "a ride with itself")):
        if kind in table.outcomes:
            count = len(table.outcomes[kind])
            yield f"| {words} | {count} | {len(table.false_alarms(kind))} |"
    yield ""
    yield "| planted | pairs | found | size in the interval | other root blamed | follows |"
    yield "|---|---|---|---|---|---|"
    for kind in KINDS:
        if kind in table.outcomes:
            follows = Counter(name for _, item in table.outcomes[kind] for name in item.follows)
            said = ", ".join(f"{name} {count}" for name, count in follows.most_common())
            yield (
                f"| {kind} | {len(table.outcomes[kind])} | {table.share(kind, 'found'):.2f} "
                f"| {table.share(kind, 'covered'):.2f} | {len(table.false_alarms(kind))} "
                f"| {said or '-'} |"
            )
    yield ""
    yield "| figure, on sound pairs | same | cannot tell | differs |"
    yield "|---|---|---|---|"
    said_of: dict[str, Counter[str]] = defaultdict(Counter)
    for _, item in table.outcomes.get("", []):
        for name, verdict in item.verdicts.items():
            said_of[name][verdict] += 1
    for name, counts in said_of.items():
        yield f"| {name} | {counts['same']} | {counts['cannot_tell']} | {counts['differs']} |"


def misses(table: Table) -> Iterator[str]:
    """Name what the targets miss."""
    for kind, least in (("", MOST_FALSE_SHARE), ("itself", 0.0)):
        alarms = table.false_alarms(kind) if kind in table.outcomes else []
        if len(alarms) > least * len(table.outcomes.get(kind, [])):
            yield f"{kind or 'sound'}: {len(alarms)} comparisons with a difference"
    for kind in KINDS:
        if kind not in table.outcomes:
            continue
        for name, least in (("found", LEAST_FOUND), ("covered", LEAST_COVERED)):
            if table.share(kind, name) < least:
                yield f"{kind}: {name} {table.share(kind, name):.2f}, not {least}"
        if table.false_alarms(kind):
            yield f"{kind}: another root blamed {len(table.false_alarms(kind))} times"


# -- what it costs -------------------------------------------------------------------------------


def cost(minutes: float) -> str:
    """Set the command that compares two rides against the one that reports on each."""
    rides = pair(0, rounds=max(round(minutes / 3.0), 1))
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        logs, known = _written(folder, rides)
        reports_s = sum(_cpu_s(folder, "report", str(log), *known) for log in logs)
        both_s = _cpu_s(folder, "compare", *map(str, logs), *known)
    length = sum(ride.seconds for ride in rides) / 2.0 / 60.0
    return (
        f"two rides of {length:.0f} min: two reports {reports_s:.1f} s, comparison {both_s:.1f} s "
        f"of processor time, ratio {both_s / reports_s:.2f} (at most 1.3)"
    )


def _written(folder: Path, rides: tuple[Scenario, Scenario]) -> tuple[list[Path], list[str]]:
    """Write logs, database and profile; return the logs and the options that name the rest."""
    scenario = rides[0]
    dbc, profile = folder / "vehicle.dbc", folder / "vehicle.toml"
    dbc.write_text(dbc_text(scenario.layout, "Invented."), encoding="utf-8")
    profile.write_text(profile_text(scenario.layout, scenario.vehicle), encoding="utf-8")
    logs = []
    for ride in rides:
        log = folder / f"{ride.name}.log.gz"
        table = all_frames(simulate(ride), QUIET)
        log.write_bytes(log_bytes(".log.gz", table, START_UTC, quick=True))
        logs.append(log)
    return logs, ["--dbc", str(dbc), "--profile", str(profile)]


def _cpu_s(folder: Path, *arguments: str) -> float:
    """Return the processor time of one command, children included."""
    before = os.times()
    subprocess.run([sys.executable, "-m", "canassist", *arguments], cwd=folder, check=True)
    after = os.times()
    return (
        after.children_user - before.children_user + after.children_system - before.children_system
    )


def main(arguments: list[str] | None = None) -> int:
    """Run the tables and print them; returns 1 where a target is missed."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--share", type=float, default=1.0, help="of the pairs, 0.1 = a tenth")
    parser.add_argument("--first", type=int, default=0, help="seed to begin with: fresh pairs")
    parser.add_argument("--workers", type=int, default=WORKERS)
    parser.add_argument("--minutes", type=float, default=60.0, help="length of the rides for cost")
    parser.add_argument("--only", choices=("tables", "cost"), help="leave the other out")
    chosen = parser.parse_args(arguments)
    short: list[str] = []
    if chosen.only != "cost":
        began = time.monotonic()
        work = jobs(chosen.share, chosen.first)
        table = run(work, workers=chosen.workers)
        short = list(misses(table))
        print("\n".join(lines(table)))
        print(f"\n{len(work)} comparisons in {time.monotonic() - began:.0f} s")
        for kind in table.outcomes:
            print(*(f"- {alarm}" for alarm in table.false_alarms(kind)), sep="\n", end="")
    if chosen.only != "tables":
        print(cost(chosen.minutes))
    print(*(f"short of the target: {text}" for text in short), sep="\n")
    return 1 if short else 0


if __name__ == "__main__":
    sys.exit(main())

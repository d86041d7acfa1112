"""How good the diagnosis is on simulated rides: one table, one command.

Run from the project's folder::

    python -m tests.bench.diagnosis                 # held-out set, every variant (minutes)
    python -m tests.bench.diagnosis --share 0.1     # a seeded tenth
    python -m tests.bench.diagnosis --set tuning    # the set that limits may be set by

The two sets differ by seed and by parameter range (`tests.simulator.draw.Draw`); nothing in
the program may be set while looking at the held-out one.
"""

from __future__ import annotations

import argparse
import math
import multiprocessing
import os
import statistics
import sys
import time
from collections.abc import Iterable, Iterator, Mapping
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field

from canassist import judging
from canassist.demo import demo_profile, simulate
from canassist.model import Case, Physics, Profile
from canassist.profile import default_profile
from tests.bench.decoded_ride import decoded
from tests.bench.scoring import RideScore, Total, score_ride
from tests.simulator.scenarios import CONDITIONS, SCENARIOS, draw_scenario

WORKERS = 2
NICE = 10
CHUNK = 4

TARGETS = {"precision": 0.97, "recall": 0.97, "cause": 0.97, "first": 0.95, "robust": 0.93}
PLANTED_LEAST = 100

AS_SIMULATED = next(iter(CONDITIONS))
BARE = "no profile"


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """One ride to simulate and judge."""

    scenario: str
    seed: int
    held_out: bool
    variant: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """A ride's score, and whether intervals covered what was planted."""

    score: RideScore
    covered: dict[str, bool] = field(default_factory=dict)


def judge(job: Job) -> Outcome:
    """Simulate one ride, diagnose it, and hold it against its truth."""
    recording = CONDITIONS.get(job.variant)
    scenario = draw_scenario(job.scenario, job.seed, held_out=job.held_out, recording=recording)
    ride = simulate(scenario)
    profile: Profile = (
        default_profile()
        if job.variant == BARE
        else demo_profile(scenario.layout, scenario.vehicle)
    )
    timeline = decoded(ride) if job.variant == BARE else ride.timeline()
    answer = judging.judge(timeline, profile, Case())
    found, place = answer.verdict, (job.scenario, job.seed)
    score = score_ride(place, ride.truth, found.events, found.conclusions, timeline)
    return Outcome(score=score, covered=_covered(answer.physics, ride.truth.parameters))


def _covered(estimates: Physics, truth: Mapping[str, float]) -> dict[str, bool]:
    """Tell for each estimate with a planted value whether its 90 % interval holds it."""
    found = {
        "path_ohm": estimates.supply_path and estimates.supply_path.path_ohm,
        "offset_nm": estimates.torque_rest and estimates.torque_rest.offset_nm,
        "tau_s": estimates.thermal and estimates.thermal.tau_s,
    }
    return {
        name: estimate.low <= truth[name] <= estimate.high
        for name, estimate in found.items()
        if estimate and name in truth
    }


def jobs(*, held_out: bool, share: float, variants: Iterable[str]) -> list[Job]:
    """Return the rides of a set; a share takes every so-manyth ride, from every scenario."""
    rides = [(name, seed) for name, plan in SCENARIOS.items() for seed in range(plan.seeds)]
    kept = rides[:: max(round(1.0 / share), 1)]
    return [
        Job(scenario=name, seed=seed, held_out=held_out, variant=variant)
        for variant in variants
        for name, seed in kept
    ]


@dataclass(slots=True)
class Tables:
    """Totals by variant, and how often intervals covered the truth."""

    totals: dict[str, Total] = field(default_factory=dict)
    covered: dict[str, list[bool]] = field(default_factory=dict)

    def add(self, job: Job, outcome: Outcome) -> None:
        """Count one ride."""
        self.totals.setdefault(job.variant, Total()).add(outcome.score)
        if job.variant == AS_SIMULATED:
            for name, inside in outcome.covered.items():
                self.covered.setdefault(name, []).append(inside)


def run(work: list[Job], *, workers: int = WORKERS) -> Tables:
    """Judge rides, in processes where more than one worker is allowed."""
    tables = Tables()
    for job, outcome in zip(work, _outcomes(work, workers), strict=True):
        tables.add(job, outcome)
    return tables


def _outcomes(work: list[Job], workers: int) -> Iterator[Outcome]:
    if workers <= 1:
        yield from map(judge, work)
        return
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(workers, mp_context=context, initializer=_be_nice) as pool:
        yield from pool.map(judge, work, chunksize=CHUNK)


def _be_nice() -> None:
    if hasattr(os, "nice"):
        os.nice(NICE)


# -- the table ---------------------------------------------------------------------------------


def lines(tables: Tables) -> Iterator[str]:
    """Write the table as Markdown."""
    for variant, total in tables.totals.items():
        yield from _kinds(variant, total)
        yield ""
    yield "| variant | rides | first right | first exactly as planted | sound rides | false blame |"
    yield "|---|---|---|---|---|---|"
    for variant, total in tables.totals.items():
        right = f"{total.first_right:.3f} | {total.exact / total.rides:.3f}"
        yield f"| {variant} | {total.rides} | {right} | {total.sound} | {len(total.blamed)} |"
    yield ""
    yield "| 90 % interval of | rides | covers the truth |"
    yield "|---|---|---|"
    for name, inside in sorted(tables.covered.items()):
        yield f"| {name} | {len(inside)} | {statistics.fmean(inside):.3f} |"


def _kinds(variant: str, total: Total) -> Iterator[str]:
    yield f"**{variant}**"
    yield ""
    yield "| event kind | planted | recall | found | precision | cause right | median onset error |"
    yield "|---|---|---|---|---|---|---|"
    for kind, score in sorted(total.kinds.items()):
        onset = _onset(score.onset_error_s, score.onset_periods)
        yield (
            f"| {kind} | {score.planted} | {_share(score.recall)} | {score.found} "
            f"| {_share(score.precision)} | {_share(score.cause)} | {onset} |"
        )


def _onset(errors_s: list[float], periods: list[float]) -> str:
    if not errors_s:
        return "-"
    middle, in_periods = statistics.median(errors_s), statistics.median(periods)
    return f"{middle * 1000:.0f} ms ({in_periods:.2f} periods)"


def _share(value: float) -> str:
    return "-" if math.isnan(value) else f"{value:.3f}"


def misses(tables: Tables) -> Iterator[str]:
    """Name what the targets miss."""
    for variant, total in tables.totals.items():
        robust = variant != AS_SIMULATED
        least = TARGETS["robust"] if robust else TARGETS["first"]
        if variant != BARE and total.first_right < least:
            yield f"{variant}: first conclusion right in {total.first_right:.3f}, not {least}"
        if total.blamed:
            yield f"{variant}: false blame on {len(total.blamed)} sound rides"
    for kind, score in tables.totals.get(AS_SIMULATED, Total()).kinds.items():
        for name in ("precision", "recall", "cause"):
            value = getattr(score, name)
            if value < TARGETS[name]:
                yield f"{kind}: {name} {value:.3f}, not {TARGETS[name]}"


def main(arguments: list[str] | None = None) -> int:
    """Run the table and print it; returns 1 where a target is missed."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--set", choices=("held-out", "tuning"), default="held-out")
    parser.add_argument("--share", type=float, default=1.0, help="of the rides, 0.1 = a tenth")
    parser.add_argument("--variant", action="append", help="only these (repeatable)")
    parser.add_argument("--workers", type=int, default=WORKERS)
    parser.add_argument("--mistakes", type=int, default=0, help="print so many mistakes")
    chosen = parser.parse_args(arguments)
    variants = chosen.variant or [*CONDITIONS, BARE]
    work = jobs(held_out=chosen.set == "held-out", share=chosen.share, variants=variants)
    began = time.monotonic()
    tables = run(work, workers=chosen.workers)
    out = sys.stdout
    out.write("\n".join(lines(tables)) + "\n\n")
    out.write(f"{chosen.set} set, {len(work)} rides in {time.monotonic() - began:.0f} s\n")
    for total in tables.totals.values():
        for mistake in [*total.blamed, *total.mistakes][: chosen.mistakes]:
            out.write(f"- {mistake}\n")
        for pair, count in total.confusion.most_common():
            out.write(f"- {count} x {pair[0]} answered as {pair[1]}\n")
    short = list(misses(tables))
    out.write("\n".join(f"short of the target: {text}" for text in short) + "\n")
    return 1 if short else 0


if __name__ == "__main__":
    sys.exit(main())

"""How right the answers are on rides of foreign modules: one table, one command.

Run from the project's folder::

    python -m tests.bench.foreign --rides 600                      # tuning set, everything known
    python -m tests.bench.foreign --set held_out --variant no_profile,cut_60s
    python -m tests.bench.foreign --only slow_start.loose_plug --keep FOLDER

The rides come from `tests.simulator.foreign`, which shares no rule and no code with the judge;
canassist is used from outside, by `canassist.analyze` on files.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import tempfile
import time
from collections.abc import Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import nullcontext
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from tests.bench.foreign_scoring import RideRow, SaidConclusion, table
from tests.conclude.sentence_figures import contradictions
from tests.simulator.foreign.bus.profile_text import without_law
from tests.simulator.foreign.rides import VARIANTS, RideName, make_ride, ride_names

if TYPE_CHECKING:
    from canassist import Result

NICE = 10
WHOLE_NAME = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchJob:
    """One ride, one variant; `keep` is where its files stay, empty for nowhere."""

    name: RideName
    variant: str
    keep: str


def _said(result: object) -> tuple[SaidConclusion, ...]:
    """Read the conclusions by what attributes they have, older and newer ones alike."""
    return tuple(
        SaidConclusion(
            code=str(item.code),
            rank=int(item.rank),
            strength="" if item.strength is None else str(item.strength),
            role=str(getattr(item, "role", "") or ""),
            explains=getattr(item, "explains", None),
        )
        for item in getattr(result, "conclusions", ())
    )


def _events(result: object) -> list[tuple[str, str, float, float | None]]:
    return [
        (str(item.kind), str(item.cause or ""), round(item.start_s, 2),
         None if item.end_s is None else round(item.end_s, 2))
        for item in getattr(result, "events", ())
    ]  # fmt: skip


def _analyzed(log: Path, dbc: Path, profile: Path | None) -> Result:
    """Analyze; a canassist that reads profiles of version 1 only gets one."""
    import canassist  # noqa: PLC0415 - loaded in the worker

    try:
        return canassist.analyze(log, dbc=dbc, profile=profile)
    except canassist.CanassistError as problem:
        if profile is None or "protection is not known" not in str(problem):
            raise
        old = profile.with_name("version_1.toml")
        old.write_text(without_law(profile.read_text(encoding="utf-8")), encoding="utf-8")
        return canassist.analyze(log, dbc=dbc, profile=old)


def judge_ride(job: BenchJob) -> RideRow:
    """Make one ride, ask canassist, and lay its answer beside the truth."""
    ride = make_ride(job.name, job.variant)
    place = nullcontext(job.keep) if job.keep else tempfile.TemporaryDirectory()
    began = time.perf_counter()
    error, said, events, breaches = "", (), [], []
    with place as top:
        log, dbc, profile = ride.write(Path(top) / f"{job.name}.{job.variant}")
        try:
            result = _analyzed(log, dbc, profile if ride.profile else None)
            said, events = _said(result), _events(result)
            breaches = list(contradictions(result, result.log.duration_s))
        except Exception as problem:  # any failure is a finding about the tool
            error = f"{type(problem).__name__}: {problem}"
    return RideRow(
        truth=asdict(ride.truth), said=said, events=events, breaches=breaches, error=error,
        seconds=round(time.perf_counter() - began, 2),
    )  # fmt: skip


def judge_all(jobs: list[BenchJob], workers: int) -> Iterator[RideRow]:
    """Judge every job, in order."""
    if workers <= 1:
        yield from map(judge_ride, jobs)
        return
    with ProcessPoolExecutor(workers, initializer=os.nice, initargs=(NICE,)) as pool:
        yield from pool.map(judge_ride, jobs, chunksize=4)


def _names(options: argparse.Namespace) -> list[RideName]:
    """Return the rides asked for; a whole name is one ride, wherever it stands in the walk."""
    held_out = options.set == "held_out"
    parts = options.only.split(".")
    if len(parts) == WHOLE_NAME:
        law, situation, vehicle, seed = parts
        return [
            RideName(
                law=law, situation=situation, vehicle=vehicle, seed=int(seed), held_out=held_out
            )
        ]
    names = ride_names(options.rides, held_out=held_out, first=options.first)
    return [name for name in names if options.only in str(name)]


def _jobs(options: argparse.Namespace) -> list[BenchJob]:
    names = _names(options)
    return [
        BenchJob(name=name, variant=variant, keep=options.keep)
        for variant in options.variant.split(",")
        for name in names
    ]


def _write_lines(rows: Iterable[RideRow], path: str) -> Iterator[RideRow]:
    """Pass the rows on, each as one JSON line in the file."""
    with Path(path).open("w", encoding="utf-8") if path else nullcontext() as lines:
        for row in rows:
            if lines is not None:
                lines.write(json.dumps(asdict(row), sort_keys=True) + "\n")
                lines.flush()
            yield row


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--set", choices=("tuning", "held_out"), default="tuning")
    parser.add_argument("--rides", type=int, default=200, help="rides a variant")
    parser.add_argument("--first", type=int, default=0, help="seed of the first ride")
    parser.add_argument("--variant", default="as_is", help=",".join(VARIANTS))
    parser.add_argument("--only", default="", help="LAW.SITUATION.VEHICLE.SEED, or part of it")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--jsonl", default="", help="one JSON line a ride into this file")
    parser.add_argument("--keep", default="", help="leave the rides' files in this folder")
    return parser


def main() -> int:
    """Run the bench and print its tables."""
    options = _parser().parse_args()
    unknown = set(options.variant.split(",")) - set(VARIANTS)
    if unknown:
        print(f"unknown variant: {', '.join(sorted(unknown))}", file=sys.stderr)
        return 2
    rows = list(_write_lines(judge_all(_jobs(options), options.workers), options.jsonl))
    for variant in options.variant.split(","):
        chosen = [row for row in rows if row.truth["variant"] == variant]
        print(f"\n== {options.set}, {variant}: {len(chosen)} rides\n")
        print(table(chosen))
    return 0


if __name__ == "__main__":
    sys.exit(main())

"""What a recorder or a card did to a ride must cause no event and no conclusion.

Run from the project's folder::

    python -m tests.bench.spoiled --rides 40            # rides of foreign modules
    python -m tests.bench.spoiled --recorded            # real recordings beside the project

Each ride is judged whole and then spoiled in five ways. An event counts as caused where none of
its kind overlaps it in the whole ride, a conclusion where the whole ride has none of its code;
``inconclusive`` is counted apart: it says less, and blames nothing.
"""

from __future__ import annotations

import argparse
import tempfile
import zlib
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

import canassist
from canassist.frames import open_log
from tests.frames.frame_samples import Sample, samples_of
from tests.frames.test_values_of_recordings import DATABASES, FOLDER
from tests.frames.text_writers import candump_line
from tests.simulator.foreign.rides import make_ride, ride_names

S = 1_000_000_000
SLACK_S = 0.05
"""Events are held to overlap within the rounding of their ends."""

PROFILES = dict.fromkeys(("car_e", "car_f", "car_i"), "profiles/car_e_f_i.toml") | {
    "car_a": "profiles/car_a.toml"
}
LONGEST_BUNDLE = 200

Files = list[bytes]
Spoil = Callable[[list[Sample], np.random.Generator], Files]


@dataclass(frozen=True, slots=True, kw_only=True)
class SpoiledRide:
    """A ride's frames in order, and what is known of its vehicle."""

    name: str
    frames: list[Sample]
    dbc: Path
    profile: Path | None


@dataclass(slots=True)
class Tally:
    """What one way of spoiling caused over all rides."""

    rides: int = 0
    clean: int = 0
    events: Counter[str] = field(default_factory=Counter)
    conclusions: Counter[str] = field(default_factory=Counter)
    less_said: int = 0

    def add(self, events: Sequence[str], codes: set[str]) -> None:
        """Count one ride."""
        self.rides += 1
        self.less_said += "inconclusive" in codes
        blamed = codes - {"inconclusive"}
        self.clean += not events and not blamed
        self.events.update(events)
        self.conclusions.update(blamed)


def written(frames: Sequence[Sample]) -> bytes:
    """Return frames as a candump log."""
    return "".join(f"{candump_line(one)}\n" for one in frames).encode()


def thinned(frames: list[Sample], dice: np.random.Generator) -> Files:
    """Keep what a slow interface's memory holds each time that its host asks, now and then.

    The host asks after 20 to 80 ms: at one beat, and messages of ideal periods, the same
    identifiers would always come too late, which is no recorder's doing by turns.
    """
    first, last = frames[0].time_ns, frames[-1].time_ns
    asks = first + np.cumsum(dice.uniform(0.02, 0.08, int((last - first) / S / 0.02) + 2) * S)
    turn = np.searchsorted(asks, [one.time_ns for one in frames])
    _, begin, count = np.unique(turn, return_index=True, return_counts=True)
    place = np.arange(len(frames)) - np.repeat(begin, count)
    room = max(1, int(np.median(count) * dice.uniform(0.3, 0.7)))
    return [written([one for one, at in zip(frames, place, strict=True) if at < room])]


def seams(frames: list[Sample], dice: np.random.Generator) -> Files:
    """Part a ride, with or without dates, its buses named otherwise in each part."""
    ends = np.sort(dice.integers(1, len(frames), dice.integers(1, 4))).tolist()
    dated, renamed = dice.integers(0, 2, 2).tolist()
    parts = []
    for number, (begin, end) in enumerate(zip([0, *ends], [*ends, len(frames)], strict=True)):
        some = frames[begin:end]
        zero = 0 if dated or not some else some[0].time_ns
        bus = f"_{number}" if renamed else ""
        parts.append([one._replace(time_ns=one.time_ns - zero, bus=one.bus + bus) for one in some])
    return [written(one) for one in parts if one]


def bundles(frames: list[Sample], dice: np.random.Generator) -> Files:
    """Give some runs of frames a time that is too low by one constant."""
    back = int(dice.uniform(1.5, 6.0) * S)
    spoiled = list(frames)
    for _ in range(int(dice.integers(2, 6))):
        size = int(dice.integers(80, LONGEST_BUNDLE))
        begin = int(dice.integers(len(frames) // 5, max(len(frames) - size, len(frames) // 5 + 1)))
        for row in range(begin, min(begin + size, len(frames))):
            spoiled[row] = frames[row]._replace(time_ns=frames[row].time_ns - back)
    return [written(spoiled)]


def hole(frames: list[Sample], dice: np.random.Generator) -> Files:
    """Leave out all frames of 2 to 30 s."""
    first, last = frames[0].time_ns, frames[-1].time_ns
    size = min(dice.uniform(2.0, 30.0) * S, 0.3 * (last - first))
    begin = first + dice.uniform(0.1, 0.9) * (last - first - size)
    return [written([one for one in frames if not begin < one.time_ns < begin + size])]


def cut(frames: list[Sample], dice: np.random.Generator) -> Files:
    """End a file within a line."""
    data = written(frames)
    return [data[: int(len(data) * dice.uniform(0.4, 0.95))]]


SPOILED: dict[str, Spoil] = {
    "thinned": thinned,
    "seams": seams,
    "bundles": bundles,
    "hole": hole,
    "cut": cut,
}


def frames_of(log: Path) -> list[Sample]:
    """Return a log's frames in order of time."""
    recording = open_log([log])
    return [one for block in recording.blocks() for one in samples_of(block, recording.buses)]


def made(count: int, folder: Path, *, first: int = 0) -> Iterator[SpoiledRide]:
    """Make rides of foreign modules."""
    for name in ride_names(count, held_out=False, first=first):
        log, dbc, profile = make_ride(name).write(folder)
        label = f"{name.law}.{name.situation}.{name.seed}"
        yield SpoiledRide(name=label, frames=frames_of(log), dbc=dbc, profile=profile)


def recorded() -> Iterator[SpoiledRide]:
    """Take the real recordings that have a database."""
    for car, dbc in DATABASES.items():
        profile = FOLDER / PROFILES[car] if car in PROFILES else None
        for log in sorted(one for one in (FOLDER / car).iterdir() if one.suffix != ".csv"):
            yield SpoiledRide(
                name=log.name, frames=frames_of(log), dbc=FOLDER / dbc, profile=profile
            )


def judged(ride: SpoiledRide, files: Files, folder: Path) -> canassist.Result:
    """Analyze a ride's files."""
    logs = []
    for number, data in enumerate(files):
        log = folder / f"part{number}.log"
        log.write_bytes(data)
        logs.append(log)
    return canassist.analyze(logs, dbc=ride.dbc, profile=ride.profile)


def caused(whole: canassist.Result, spoiled: canassist.Result) -> tuple[list[str], set[str]]:
    """Return the events and codes that only the spoiled ride has."""
    spans = [(str(one.kind), one.start_s, _end(one.end_s)) for one in whole.events]
    events = [
        f"{one.kind} {one.start_s:.1f}"
        for one in spoiled.events
        if str(one.kind) != "log_gap"
        and not any(
            kind == str(one.kind)
            and start <= _end(one.end_s) + SLACK_S
            and one.start_s <= end + SLACK_S
            for kind, start, end in spans
        )
    ]
    codes = {str(one.code) for one in spoiled.conclusions}
    return events, codes - {str(one.code) for one in whole.conclusions}


def _end(end_s: float | None) -> float:
    return float("inf") if end_s is None else end_s


def measure(
    rides: Iterator[SpoiledRide], ways: Sequence[str], *, loud: bool = False
) -> dict[str, Tally]:
    """Judge each ride whole and spoiled."""
    tallies = {way: Tally() for way in ways}
    for ride in rides:
        with tempfile.TemporaryDirectory() as folder:
            whole = judged(ride, [written(ride.frames)], Path(folder))
            for way in ways:
                seed = zlib.crc32(f"{ride.name} {way}".encode())
                files = SPOILED[way](ride.frames, np.random.default_rng(seed))
                try:
                    events, codes = caused(whole, judged(ride, files, Path(folder)))
                except canassist.CanassistError as refused:
                    events, codes = [f"refused: {refused.problem}"], set()
                tallies[way].add([one.split(" ")[0] for one in events], codes)
                if loud and (events or codes):
                    print(f"{ride.name}\t{way}\t{events[:4]}\t{sorted(codes)}", flush=True)
    return tallies


def main() -> None:
    """Print a line a way of spoiling."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--rides", type=int, default=40)
    options.add_argument("--first", type=int, default=0)
    options.add_argument("--recorded", action="store_true")
    options.add_argument("--ways", default=",".join(SPOILED))
    chosen = options.parse_args()
    with tempfile.TemporaryDirectory() as home:
        rides = (
            recorded() if chosen.recorded else made(chosen.rides, Path(home), first=chosen.first)
        )
        tallies = measure(rides, chosen.ways.split(","), loud=True)
    for way, tally in tallies.items():
        print(
            f"{way}: {tally.clean} of {tally.rides} rides clean; events {dict(tally.events)}; "
            f"conclusions {dict(tally.conclusions)}; inconclusive only when spoiled "
            f"{tally.less_said}"
        )


if __name__ == "__main__":
    main()

"""What `canassist learn` finds on fleets of foreign models: one table a part, one command.

Run from the project's folder::

    python -m tests.bench.learning laws --vehicles 3              # every law, where it was ridden
    python -m tests.bench.learning answers --laws 6 --rides 6     # learned, true and no profile
    python -m tests.bench.learning apples --laws 2                # one faulty vehicle in ten
    python -m tests.bench.learning bounds                         # 200 drawn fleets

Rides come from `tests.bench.learning_fleets`, which shares no rule with what learns from them.
Files are kept in ``--keep`` and used again.
"""

from __future__ import annotations

import argparse
import math
import sys
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

import canassist
from canassist.learning.bad_apples import sort_out
from canassist.learning.laws import learn_laws
from canassist.learning.measure import figures_of
from canassist.model import Profile, RideFigures
from canassist.profile import profile_toml, read_profile
from tests.bench.foreign_scoring import NO_BLAME, share_line
from tests.bench.learning_bounds import bound_scores
from tests.bench.learning_fleets import SOUND, Fleet, FleetRide, fleet, fleet_ride, write_model
from tests.bench.learning_truth import LawScore, ridden_and_found
from tests.simulator.foreign.vehicle.laws import LAWS

FAULTS = (
    "loose_plug", "path_resistance", "dead_source", "speed_lost", "torque_offset", "map_low",
    "one_sided", "fault_status", "hot", "heavy_consumer",
)  # fmt: skip
"""Rides of further vehicles, with what `SITUATIONS` calls their faults; the last two are sound."""

RIGHT = {
    "loose_plug": {"supply_break"},
    "path_resistance": {"supply_resistance"},
    "dead_source": {"charging_fault", "low_battery"},
    "speed_lost": {"speed_signal_fault"},
    "torque_offset": {"torque_sensor_offset"},
    "map_low": {"assist_map_deviation"},
    "one_sided": {"assist_map_deviation"},
    "fault_status": {"module_suspect"},
    "hot": {"thermal_protection", "duty_protection"},
    "heavy_consumer": {"low_battery", "no_fault_found", "charging_fault"},
}
"""First answers that are right; "inconclusive" is counted apart."""

BROKEN_MODULE = frozenset({"fault_status", "map_low", "one_sided", "torque_offset"})


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredRide:
    """One ride's figures beside what truly happened."""

    figures: RideFigures
    ride: FleetRide


def measured(model: Fleet, number: int, situation: str, seed: int, top: Path) -> MeasuredRide:
    """Make one ride, read it by the channels alone, and measure it."""
    ride = fleet_ride(model, number, situation, seed)
    log = top / f"v{number}.{situation}.{seed}.log"
    log.write_bytes(ride.log)
    result = canassist.analyze(log, dbc=top / "vehicle.dbc", profile=top / "channels.toml")
    log.unlink()
    figures = replace(figures_of(result, vehicle=f"v{number}"), log=log.name)
    return MeasuredRide(figures=figures, ride=ride)


def sound_rides(model: Fleet, vehicles: int, top: Path) -> list[MeasuredRide]:
    """Return the four sound rides of each vehicle."""
    return [
        measured(model, number, situation, seed, top)
        for number in range(vehicles)
        for seed, situation in enumerate(SOUND)
    ]


def learned_profile(rides: Sequence[MeasuredRide], top: Path) -> tuple[Profile, list[MeasuredRide]]:
    """Return what is learned, and the rides that were learned from."""
    kept, _ = sort_out([one.figures for one in rides])
    names = {ride.log for ride in kept}
    start = read_profile(top / "channels.toml")
    used = [one for one in rides if one.figures.log in names]
    return learn_laws(kept, start).profile, used


def law_scores(law: str, vehicles: int, top: Path, *, held_out: bool) -> Iterator[LawScore]:
    """Score each law of one model."""
    model = fleet(law, 0, held_out=held_out)
    write_model(model, top)
    profile, used = learned_profile(sound_rides(model, vehicles, top), top)
    yield from ridden_and_found(model, profile, [one.ride for one in used])


def laws_table(options: argparse.Namespace) -> None:
    """Print, law by law, what was ridden, found, and how far it lies from the truth."""
    scores = []
    for law in _laws(options):
        with tempfile.TemporaryDirectory() as top:
            for score in law_scores(
                law, options.vehicles, Path(top), held_out=options.set == "held_out"
            ):
                scores.append(score)
                print(score.line(), flush=True)
    ridden = [score for score in scores if score.ridden]
    found = [score for score in ridden if score.found]
    print(share_line("ridden laws found", [s.found for s in ridden], "all"))
    print(share_line("found laws within 5 % of their range", [s.near for s in found], "all"))
    wrong = [s for s in scores if s.found and not s.ridden]
    print(f"{'found though not ridden':58s} {len(wrong):6d}   target 0")


def answers_table(options: argparse.Namespace) -> None:
    """Judge further vehicles with the learned profile, the true one and none."""
    rows: dict[str, list[tuple[str, str, str, bool]]] = {"learned": [], "true": [], "none": []}
    for law in _laws(options):
        with tempfile.TemporaryDirectory() as name:
            for kind, row in _judged(law, options, Path(name)):
                rows[kind].append(row)
                print(law, kind, *row, flush=True)
    for kind, said in rows.items():
        print(f"\n== {kind}: {len(said)} rides")
        print(share_line("first answer right", [code in RIGHT[s] for s, code, _, _ in said], ""))
        shy = [code == "inconclusive" for _, code, _, _ in said]
        print(share_line("inconclusive", shy, ""))
        for strength in ("strong", "moderate"):
            hits = [code in RIGHT[s] for s, code, how, _ in said if how == strength]
            print(share_line(f"said {strength}: right", hits, ""))
        accused = sum(bad and s not in BROKEN_MODULE for s, _, _, bad in said)
        print(f"{'module_suspect moderate or more on a sound module':58s} {accused:6d}   target 0")


def _judged(
    law: str, options: argparse.Namespace, top: Path
) -> Iterator[tuple[str, tuple[str, str, str, bool]]]:
    model = fleet(law, 0, held_out=options.set == "held_out")
    write_model(model, top)
    profile, _ = learned_profile(sound_rides(model, options.vehicles, top), top)
    (top / "learned.toml").write_text(profile_toml(profile), encoding="utf-8")
    kinds = {"learned": "learned.toml", "true": "true.toml", "none": "channels.toml"}
    for place in range(options.rides):
        situation = FAULTS[(place + list(LAWS).index(law) * options.rides) % len(FAULTS)]
        ride = fleet_ride(model, 100 + place, situation, place)
        log = top / f"further.{place}.log"
        log.write_bytes(ride.log)
        for kind, file in kinds.items():
            result = canassist.analyze(log, dbc=top / "vehicle.dbc", profile=top / file)
            first = result.conclusions[0]
            bad = any(
                str(item.code) == "module_suspect" and str(item.strength) in {"strong", "moderate"}
                for item in result.conclusions
            )
            yield kind, (situation, str(first.code), str(first.strength), bad)
        log.unlink()


def apples_table(options: argparse.Namespace) -> None:
    """Put one faulty vehicle among nine sound ones, fault by fault."""
    faults = [name for name in FAULTS if name not in {"hot", "heavy_consumer"}]
    named, moved = [], []
    for law in _laws(options):
        with tempfile.TemporaryDirectory() as name:
            top = Path(name)
            model = fleet(law, 0, held_out=options.set == "held_out")
            write_model(model, top)
            sound = [
                measured(model, number, SOUND[seed], seed, top).figures
                for number in range(9)
                for seed in range(options.per_vehicle)
            ]
            without = learn_laws(sort_out(sound)[0], read_profile(top / "channels.toml")).profile
            for fault in faults:
                if fault == "dead_source" and model.vehicle.source == "battery":
                    continue  # nothing charges there: the ride is as sound as any
                bad = [
                    measured(model, 200, fault, seed, top).figures
                    for seed in range(options.per_vehicle)
                ]
                kept, gone = sort_out([*sound, *bad])
                profile = learn_laws(kept, read_profile(top / "channels.toml")).profile
                away = {item.log for item in gone if item.vehicle == "v200"}
                named.append(len(away) == len(bad))
                moved.append(_moved(without, profile))
                why = [item.why for item in gone if item.vehicle == "v200"]
                print(law, fault, len(away), len(bad), f"moved {moved[-1]:.2f}", *why, flush=True)
    print(share_line("faulty vehicle named and left out", named, ">= 95 %"))
    print(share_line("profile moved by less than its interval", [m < 1.0 for m in moved], "all"))


def bounds_table(options: argparse.Namespace) -> None:
    """Print how often learned bounds cover the stated share of vehicles."""
    for vehicles in (3, 6, 12):
        for score in bound_scores(options.fleets, vehicles):
            print(score.line(), "" if score.holds else "  (!)")


def _moved(before: Profile, after: Profile) -> float:
    """Return the greatest move of a limit, in widths of its own interval."""
    most = 0.0
    for name, figure in before.learned.items():
        later = after.learned.get(name)
        if later is None or not isinstance(figure.value, float):
            continue
        if not name.startswith("limits.") or figure.low is None or figure.high is None:
            continue
        assert isinstance(later.value, float)
        width = max(abs(figure.value - figure.low), figure.high - figure.low, 1e-9)
        most = max(most, abs(later.value - figure.value) / width)
    return most


def _laws(options: argparse.Namespace) -> list[str]:
    if options.only:
        return list(options.only.split(","))
    names = list(LAWS)
    step = max(1, math.ceil(len(names) / options.laws))
    return names[::step][: options.laws]


def main() -> int:
    """Run one part of the bench."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("part", choices=("laws", "answers", "apples", "bounds"))
    parser.add_argument("--set", choices=("tuning", "held_out"), default="tuning")
    parser.add_argument("--laws", type=int, default=20)
    parser.add_argument("--only", default="", help="laws by name, with commas")
    parser.add_argument("--vehicles", type=int, default=3)
    parser.add_argument("--rides", type=int, default=6, help="of further vehicles, a law")
    parser.add_argument("--per-vehicle", type=int, default=2, help="rides each, of part apples")
    parser.add_argument("--fleets", type=int, default=200, help="of part bounds")
    options = parser.parse_args()
    np.seterr(all="ignore")
    parts = {
        "laws": laws_table,
        "answers": answers_table,
        "apples": apples_table,
        "bounds": bounds_table,
    }
    parts[options.part](options)
    return 0


if __name__ == "__main__":
    assert "inconclusive" in NO_BLAME
    sys.exit(main())

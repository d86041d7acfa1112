"""Whether a fleet's overview puts the faulty vehicles on top: 500 vehicles, 30 planted.

Run ``python -m tests.bench.screening_ranks`` from the project's root; ``--share 0.1`` for a tenth.
Every vehicle is drawn anew and rides two simulated rides, each judged by the real rules and
put through the real table row and ranking; only the writing and reading of log files is left out
(`tests.screen.test_screen_planted` screens a smaller fleet from files).
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass

from canassist.model import Screening
from canassist.screen.assembly import _short
from canassist.screen.fleet_statistics import screening
from canassist.screen.rides_in_order import RidesInOrder
from canassist.screen.work_batch import _log_row
from tests.bench.comparison import ridden
from tests.simulator.scenarios import draw_scenario

VEHICLES = 500
PLANTED = (
    "path_resistance", "not_charging", "offset_right", "assist_low_left", "weak_battery",
    "module_derates",
)  # fmt: skip
EACH = 5
SOUND = (
    "mixed", "mixed", "mixed", "cold_start", "rough_ground", "mode_changes", "plowing", "winching",
    "nearly_hot", "hot", "hot_plowing", "long_idle", "only_cruising", "stopped_and_started",
)  # fmt: skip
WITHIN = 35
NONE_BEFORE = 20


@dataclass(frozen=True, slots=True)
class DrawnVehicle:
    """A vehicle by name, what it rides, and the number that draws it."""

    name: str
    scenario: str
    seed: int
    planted: bool = False


def fleet(share: float, first: int = 0, kinds: tuple[str, ...] = PLANTED) -> list[DrawnVehicle]:
    """Return the planted vehicles and the sound ones, or a share of each."""
    each, count = max(round(EACH * share), 1), max(round(VEHICLES * share), 20)
    found = [
        DrawnVehicle(f"{name} {seed}", name, first + seed, planted=True)
        for name in kinds
        for seed in range(each)
    ]
    sound = range(count - len(found))
    return found + [
        DrawnVehicle(f"sound {n:03d}", SOUND[n % len(SOUND)], first + 100 + n) for n in sound
    ]


def rows(vehicle: DrawnVehicle, count: int) -> Iterator[dict[str, object]]:
    """Ride a vehicle; a planted fault is there on each ride, and each is another draw."""
    for number in range(count):
        scenario = draw_scenario(vehicle.scenario, 1000 * number + vehicle.seed, held_out=True)
        log = f"{vehicle.name}/{number}.log"
        names = {"log": log, "sha256": f"{hash(log):064x}"[-64:], "vehicle": vehicle.name}
        about = {"batch": "", "model_year": "", "status": "read", "reason": "", "duplicate": False}
        yield {**_log_row(ridden(scenario)), **names, **about}


def ranked(vehicles: list[DrawnVehicle], count: int = 2) -> Screening:
    """Ride, judge and rank a fleet."""
    with RidesInOrder() as rides:
        for vehicle in vehicles:
            for row in rows(vehicle, count):
                rides.add(_short(row, "2026-05", local_date=False))
        return screening(rides, version="bench")


def main(arguments: list[str] | None = None) -> int:
    """Rank the fleet and print where the planted vehicles stand; 1 where a target is missed."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--share", type=float, default=1.0, help="of the fleet, 0.1 = a tenth")
    parser.add_argument("--first", type=int, default=0, help="seed to begin with: fresh vehicles")
    parser.add_argument("--kinds", default=",".join(PLANTED), help="what is planted, by scenario")
    parser.add_argument("--rides", type=int, default=2, help="of each vehicle")
    chosen = parser.parse_args(arguments)
    began = time.monotonic()
    vehicles = fleet(chosen.share, chosen.first, tuple(chosen.kinds.split(",")))
    found = ranked(vehicles, chosen.rides)
    planted = {item.name for item in vehicles if item.planted}
    scenario_of = {item.name: item.scenario for item in vehicles}
    listed = found.vehicles[: WITHIN + 10]
    for item in listed:
        why = [f"{part.code} {part.strength} {part.rides}" for part in item.blamed]
        why += [f"{one.figure} {one.z:+.1f}" for one in item.standings if one.outlier and one.z]
        mark = "" if item.name in planted else f"  SOUND ({scenario_of[item.name]})"
        print(f"{item.place:3d} {item.points:5.2f} {item.name}{mark}: {', '.join(why)}")
    places = [item.place for item in found.vehicles if item.name in planted]
    early = [item.name for item in found.vehicles[:NONE_BEFORE] if item.name not in planted]
    late = [item.name for item in found.vehicles[WITHIN:] if item.name in planted]
    print(f"\n{len(vehicles)} vehicles, {len(planted)} planted, {found.flagged} flagged, in "
          f"{time.monotonic() - began:.0f} s; the last planted one at {max(places)}; beyond "
          f"{WITHIN}: {late}; sound ones among the first {NONE_BEFORE}: {early}")  # fmt: skip
    return 1 if late or (early and len(planted) >= NONE_BEFORE) else 0


if __name__ == "__main__":
    sys.exit(main())

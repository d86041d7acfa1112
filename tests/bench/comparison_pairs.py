"""How right comparisons are on pairs of rides: one vehicle or two, repaired or not, shown or not.

Run from the project's folder::

    python -m tests.bench.comparison_pairs                # the 200 pairs
    python -m tests.bench.comparison_pairs --share 0.1 --first 40

Half of the faulty rides come from the demo vehicle's plant, half from foreign modules with other
laws (`tests.simulator.foreign`), read by `canassist.analyze` as files. Whatever the kind, one
rule stands above all: "repaired" is never said where the fault is still there, or of another one.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from canassist import analyze
from canassist.comparison import compare
from canassist.demo.plant import faults
from canassist.model import (
    Comparison,
    FigureName,
    Finding,
    Identity,
    RepairState,
    Result,
    VehicleRelation,
)
from tests.bench.comparison import pair, ridden
from tests.comparison.rides import after, faulty, gentle
from tests.simulator.foreign.bus.candump import candump_text
from tests.simulator.foreign.bus.database import build_database, dbc_text
from tests.simulator.foreign.bus.profile_text import profile_text
from tests.simulator.foreign.bus.recorder import Recorder
from tests.simulator.foreign.bus.styles import draw_style
from tests.simulator.foreign.draws import SeededDraws
from tests.simulator.foreign.plans import RidePlan
from tests.simulator.foreign.situation.situations import SITUATIONS
from tests.simulator.foreign.vehicle.laws import LAWS, choose_law
from tests.simulator.foreign.vehicle.plant import run_plant
from tests.simulator.foreign.vehicle.riding import ride_inputs
from tests.simulator.foreign.vehicle.vehicles import VEHICLES

PAIRS = 200
LEAST_RIGHT = 0.98
VINS = ("1M8GDM9AXKP042788", "5GZCZ43D13S812715")

DEMO_FAULTS = (
    ("weak_battery", 1), ("not_charging", 1), ("path_resistance", 1), ("short_breaks", 3),
    ("overvoltage", 4), ("speed_stops", 4), ("offset_right", 1), ("assist_low_left", 1),
    ("module_derates", 2), ("error_frames", 4),
)  # fmt: skip
"""Repairable faults, and how many times a ride of everything it takes to be sure."""

FOREIGN_FAULTS = (
    "loose_plug", "load_opening", "path_resistance", "feed_open", "dead_source", "source_fails",
    "weak_battery", "overvoltage", "speed_lost", "speed_stuck", "torque_offset", "map_low",
    "one_sided", "steers_unasked", "fault_status", "fault_code", "fluttering_contact",
    "one_opening", "bus_errors", "cold_crank",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class PairJob:
    """One pair: its kind and the number that draws it."""

    kind: str
    seed: int


@dataclass(frozen=True, slots=True)
class PairOutcome:
    """What a comparison said, and what is wrong with it; `told` is the verdict in a word."""

    told: str
    wrong: str = ""
    false_repair: bool = False


def _with_vin(result: Result, vin: str) -> Result:
    timeline = replace(result.timeline, identity=Identity(vin=vin))
    return replace(result, timeline=timeline)


def _states(found: Comparison, code: str = "") -> list[RepairState]:
    return [item.state for item in found.repairs if code in {"", item.code}]


def _differs(found: Comparison) -> list[str]:
    return [str(item.name) for item in found.figures if item.verdict is Finding.DIFFERS]


def _judged(found: Comparison, allowed: Sequence[RepairState], *, gone: bool) -> PairOutcome:
    """Hold what became of A's sure faults against what may be said; `gone`: it is the truth."""
    states = [item for item in _states(found) if item is not RepairState.NOT_THERE_BEFORE]
    false_repair = not gone and RepairState.REPAIRED in states
    bad = [item for item in states if item not in allowed]
    why = "; ".join(f"{item.text} {item.ridden}" for item in found.repairs if item.state in bad)
    return PairOutcome("/".join(states) or "nothing to repair", why, false_repair)


# -- the demo vehicle ----------------------------------------------------------------------------


def _fault(seed: int) -> tuple[str, int, int]:
    name, times = DEMO_FAULTS[seed % len(DEMO_FAULTS)]
    return name, times, 1 + seed // len(DEMO_FAULTS)


def same_vehicle(seed: int) -> PairOutcome:
    """Two sound rides of one vehicle: nothing differs, nothing was repaired."""
    first, second = pair(500 + seed)
    found = compare(ridden(first), ridden(second), same_vehicle=True)
    wrong = _differs(found) + [str(item) for item in _states(found)]
    return PairOutcome("same", ", ".join(wrong), RepairState.REPAIRED in _states(found))


def two_vehicles(seed: int) -> PairOutcome:
    """Compare a faulty A with B, another vehicle without: told by number, or not told at all."""
    name, times, draw = _fault(seed)
    scenario = faulty(name, draw)
    a, b = ridden(scenario), ridden(after(scenario, repaired=True, times=times))
    vins = (VINS, (VINS[0], ""), ("", ""))[seed % 3]
    found = compare(*(_with_vin(one, vin) for one, vin in zip((a, b), vins, strict=True)))
    wanted = VehicleRelation.TWO if all(vins) else VehicleRelation.NOT_TOLD
    outcome = _judged(found, [RepairState.NOT_SHOWN], gone=False)
    wrong = outcome.wrong or ("" if found.relation is wanted else found.relation_text)
    return replace(outcome, told=str(found.relation), wrong=wrong)


def repaired(seed: int) -> PairOutcome:
    """One vehicle with a fault and then without, ridden hard and long enough."""
    name, times, draw = _fault(seed)
    scenario = faulty(name, draw)
    b = ridden(after(scenario, repaired=True, times=times))
    found = compare(ridden(scenario), b, same_vehicle=True)
    outcome = _judged(found, [RepairState.REPAIRED], gone=True)
    return replace(outcome, wrong=outcome.wrong and f"{name}: {outcome.wrong}")


def not_repaired(seed: int) -> PairOutcome:
    """One vehicle with a fault before and after."""
    name, _, draw = _fault(seed)
    scenario = faulty(name, draw)
    b = ridden(after(scenario, repaired=False))
    found = compare(ridden(scenario), b, same_vehicle=True)
    outcome = _judged(found, [RepairState.NOT_REPAIRED], gone=False)
    return replace(outcome, wrong=outcome.wrong and f"{name}: {outcome.wrong}")


def not_shown(seed: int) -> PairOutcome:
    """One vehicle, whose second ride is too gentle to show anything."""
    name, _, draw = _fault(seed)
    scenario = faulty(name, draw)
    b = gentle(scenario)
    b = b if seed % 2 else replace(b, faults=scenario.faults)
    found = compare(ridden(scenario), ridden(b), same_vehicle=True)
    allowed = [RepairState.NOT_SHOWN, *([] if seed % 2 else [RepairState.NOT_REPAIRED])]
    outcome = _judged(found, allowed, gone=False)
    return replace(outcome, wrong=outcome.wrong and f"{name}: {outcome.wrong}")


def opposite_root(seed: int) -> PairOutcome:
    """Compare where the supply path went one way and what follows from it the other.

    By turns: B has the better path and yet loses assist by itself; B has the worse path and yet
    charges so much higher that its supply stands higher.
    """
    a, b = pair(800 + seed)
    if seed % 2:
        a = replace(a, faults=(faults.ExtraPathResistance(ohm=0.05 + 0.002 * (seed % 10)),))
        b = replace(b, faults=(faults.UnexplainedDerate(limit_pct=35, from_s=30, until_s=150),))
    else:
        set_v = a.vehicle.alternator.set_v - 1.4
        a = replace(a, faults=(faults.RegulatorVoltage(set_v=set_v),))
        b = replace(b, faults=(faults.ExtraPathResistance(ohm=0.023 + 0.0005 * (seed % 10)),))
    found = compare(ridden(a), ridden(b), same_vehicle=True)
    told, wrong = [], []
    for name, against in ((FigureName.DERATED_SECONDS, -1.0), (FigureName.SUPPLY_UNDER_LOAD, 1.0)):
        figure, root = found.figure(name), found.figure(FigureName.PATH_RESISTANCE)
        if figure.verdict is not Finding.DIFFERS or root.verdict is not Finding.DIFFERS:
            continue
        if figure.difference is None or root.difference is None:
            continue
        if against * figure.difference.value * root.difference.value > 0.0:
            told.append(str(name))
            wrong += [figure.text] * (FigureName.PATH_RESISTANCE in figure.explained_by)
    return PairOutcome("against the path: " + (", ".join(told) or "nothing"), "; ".join(wrong))


# -- foreign modules -----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class ForeignVehicle:
    """A foreign vehicle with its law, its bus and its sensors, on which several rides are made."""

    law: str
    kind: str
    seed: int

    def ride(self, situation: str, number: int, folder: Path) -> Result:
        """Ride it in one situation, write log, database and profile, and analyze them."""
        vehicle = VEHICLES[self.kind](self._draws("vehicle"))
        plan = RidePlan(
            vehicle=vehicle, law=choose_law(self.law, self._draws("law"), vehicle), stretches=[]
        )
        draw = self._draws(f"{situation} {number}")
        SITUATIONS[situation].prepare(plan, draw)
        sensors = self._draws("sensors")
        for channel, share in (("module_current", 0.06), ("motor_current", 0.05)):
            plan.recording.gain[channel] = 1.0 + sensors.between(-share, share)
        inputs = ride_inputs(plan.stretches, plan.vehicle, draw)
        for effect in plan.effects:
            effect(inputs, draw)
        record = run_plant(plan.vehicle, plan.law, inputs, warm=plan.warm)
        modes = tuple(vehicle.gain) if len(vehicle.gain) > 1 else ()
        absent = set() if vehicle.has_engine else {"engine_speed", "coolant_temperature"}
        absent |= {"assist_mode"} if not modes else set()
        absent |= set() if plan.law.limit_shown else {"assist_limit"}
        bus = self._draws("bus")
        database = build_database(draw_style(bus), modes, frozenset(absent), bus)
        recorder = Recorder(plan, inputs, record, self._draws(f"noise {number}"))
        window = plan.recording.cut or (0.0, inputs.end_s + 1.0)
        traffic = recorder.kept_traffic(database, window)
        files = [folder / f"{number}.{ending}" for ending in ("log", "dbc", "toml")]
        files[0].write_bytes(candump_text(traffic, epoch_s=1_764_000_000 + number * 86_400))
        files[1].write_text(dbc_text(database), "utf-8")
        files[2].write_text(profile_text(plan, database, self._draws("profile")), "utf-8")
        return analyze(files[0], dbc=files[1], profile=files[2])

    def _draws(self, purpose: str) -> SeededDraws:
        return SeededDraws(f"pairs/{purpose}/{self.law}/{self.kind}", self.seed, held_out=True)


def _foreign(seed: int, situation: str) -> ForeignVehicle:
    laws, kinds = list(LAWS), SITUATIONS[situation].vehicles
    return ForeignVehicle(laws[(3 * seed + 1) % len(laws)], kinds[seed % len(kinds)], seed)


def _foreign_pair(vehicle: ForeignVehicle, *situations: str) -> tuple[Result, Result]:
    with tempfile.TemporaryDirectory() as name:
        one, other = (vehicle.ride(item, n, Path(name)) for n, item in enumerate(situations, 1))
    return one, other


def foreign_same(seed: int) -> PairOutcome:
    """Two sound rides of one foreign vehicle, ridden differently (heat, air, modes)."""
    second = ("ordinary", "winch", "stop_and_go", "key_cycles")[seed % 4]
    rides = _foreign_pair(_foreign(seed, second), "ordinary", second)
    found = compare(*rides, same_vehicle=True)
    return PairOutcome("same", ", ".join(_differs(found)), RepairState.REPAIRED in _states(found))


def foreign_not_repaired(seed: int) -> PairOutcome:
    """One foreign vehicle with the fault on both rides; one that comes now and then may hide."""
    situation = FOREIGN_FAULTS[seed % len(FOREIGN_FAULTS)]
    rides = _foreign_pair(_foreign(seed, situation), situation, situation)
    found = compare(*rides, same_vehicle=True)
    allowed = [RepairState.NOT_REPAIRED, RepairState.NOT_SHOWN]
    outcome = _judged(found, allowed, gone=False)
    return replace(outcome, wrong=outcome.wrong and f"{situation}: {outcome.wrong}")


def foreign_repaired(seed: int) -> PairOutcome:
    """One foreign vehicle, mended, on an ordinary ride: gone, or not shown by so short a ride."""
    situation = FOREIGN_FAULTS[seed % len(FOREIGN_FAULTS)]
    rides = _foreign_pair(_foreign(seed, situation), situation, "ordinary")
    found = compare(*rides, same_vehicle=True)
    outcome = _judged(found, [RepairState.REPAIRED, RepairState.NOT_SHOWN], gone=True)
    return replace(outcome, wrong=outcome.wrong and f"{situation}: {outcome.wrong}")


def foreign_two(seed: int) -> PairOutcome:
    """Compare a faulty foreign vehicle with another one of the same kind, sound."""
    situation = FOREIGN_FAULTS[seed % len(FOREIGN_FAULTS)]
    vehicle = _foreign(seed, situation)
    other = replace(vehicle, seed=seed + 9000)
    with tempfile.TemporaryDirectory() as name:
        a, b = vehicle.ride(situation, 1, Path(name)), other.ride("ordinary", 2, Path(name))
    if seed % 2:
        a, b = _with_vin(a, VINS[0]), _with_vin(b, VINS[1])
    outcome = _judged(compare(a, b), [RepairState.NOT_SHOWN], gone=False)
    return replace(outcome, wrong=outcome.wrong and f"{situation}: {outcome.wrong}")


KINDS: dict[str, tuple[Callable[[int], PairOutcome], int]] = {
    "same vehicle": (same_vehicle, 20),
    "two vehicles": (two_vehicles, 20),
    "repaired": (repaired, 30),
    "not repaired": (not_repaired, 30),
    "not shown": (not_shown, 20),
    "root of the other sign": (opposite_root, 10),
    "foreign, same vehicle": (foreign_same, 20),
    "foreign, two vehicles": (foreign_two, 10),
    "foreign, repaired": (foreign_repaired, 20),
    "foreign, not repaired": (foreign_not_repaired, 20),
}
"""What judges a pair of each kind, and how many of the 200 are of it."""


def pair_jobs(share: float, first: int = 0) -> list[PairJob]:
    """Return the pairs, or a share of each kind, from a seed onwards."""
    return [
        PairJob(kind, seed)
        for kind, (_, count) in KINDS.items()
        for seed in range(first, first + max(round(share * count), 1))
    ]


def judge_pairs(jobs: Sequence[PairJob]) -> Iterator[tuple[PairJob, PairOutcome]]:
    """Ride and compare each pair."""
    for job in jobs:
        yield job, KINDS[job.kind][0](job.seed)


def main(arguments: list[str] | None = None) -> int:
    """Run the pairs and print what was said; 1 where a target is missed."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--share", type=float, default=1.0, help="of the pairs, 0.1 = a tenth")
    parser.add_argument("--first", type=int, default=0, help="seed to begin with: fresh pairs")
    parser.add_argument("--only", default="", help="kinds that contain this")
    chosen = parser.parse_args(arguments)
    began = time.monotonic()
    told: dict[str, Counter[str]] = {}
    wrong = false_repairs = count = 0
    for job, outcome in judge_pairs(
        [job for job in pair_jobs(chosen.share, chosen.first) if chosen.only in job.kind]
    ):
        told.setdefault(job.kind, Counter())[outcome.told] += 1
        count += 1
        wrong += bool(outcome.wrong)
        false_repairs += outcome.false_repair
        if outcome.wrong or outcome.false_repair:
            print(f"- {job.kind}, seed {job.seed}: {outcome.wrong}", flush=True)
    print("\n| pairs | count | said |\n|---|---|---|")
    for kind, said in told.items():
        words = ", ".join(f"{name} {number}" for name, number in said.most_common())
        print(f"| {kind} | {said.total()} | {words} |")
    right = 1.0 - wrong / max(count, 1)
    print(f"\n{count} pairs in {time.monotonic() - began:.0f} s: {right:.3f} right "
          f"(at least {LEAST_RIGHT}), false repairs {false_repairs} (none)")  # fmt: skip
    return 0 if right >= LEAST_RIGHT and not false_repairs else 1


if __name__ == "__main__":
    sys.exit(main())

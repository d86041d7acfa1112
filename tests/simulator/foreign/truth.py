"""What is true of a ride: who took assist away, which answers are right, what the log holds.

Everything comes from the plant's own account (`PlantRecord.root`) and from what the situation
planted. Events follow the definitions of the contract on the noiseless arrays.
"""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, field

import numpy as np

from tests.simulator.foreign.plans import RidePlan
from tests.simulator.foreign.vehicle.plant import PlantRecord
from tests.simulator.foreign.vehicle.protection import ROOT, ROOTS, UNREMARKABLE
from tests.simulator.foreign.vehicle.riding import STEP_S, BoolArray, FloatArray, RideInputs

FULL_PCT, RECOVERED_PCT = 95.0, 98.0
SHORTEST_S, HOLD_S = 0.3, 1.0
CLEAR_LOSS_PCT_S, CLEAR_PCT = 20.0, 15.0
RUNNING_RPM = 450.0

CAUSES: dict[str, str | None] = {
    "heat": "temperature", "supply": "voltage", "duty": "duty", "law": "law", "start": "start_up",
    "break": "start_up", "speed_lost": "speed_signal", "internal": "unexplained",
    "overvoltage": "overvoltage", "engine_off": "engine_stopped", "end_stop": "law",
    "outside": None,
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class PlantedEvent:
    """An event that the ride certainly holds, in seconds of the ride."""

    kind: str
    start_s: float
    end_s: float
    cause: str | None
    root: str


@dataclass(slots=True, kw_only=True)
class RideTruth:
    """The truth of one ride, in one file.

    Attributes
    ----------
    answers : list of str
        Codes that are right as the first answer; `inconclusive` is counted apart.
    true_codes : list of str
        Codes that are right at any rank; every other blame is a wrong one.
    module_sound : bool or None
        None where the module's own sensor or signal is what fails.
    clear_loss : bool
        Assist was lost for longer and deeper than one may overlook.
    tells, tells_strongly : bool
        The log holds the channels and the seconds that the answer (a strong one) needs.
    missing : list of str
        What it lacks for that.
    """

    name: str
    law: str
    situation: str
    vehicle: str
    seed: int
    held_out: bool
    variant: str
    answers: list[str]
    true_codes: list[str]
    module_sound: bool | None
    internal_code: bool
    loses_assist: bool
    clear_loss: bool
    tells: bool
    tells_strongly: bool
    missing: list[str]
    loss_pct_s: dict[str, float]
    events: list[PlantedEvent]
    marks: dict[str, float]
    log_start_s: float
    figures: dict[str, float] = field(default_factory=dict)

    def to_json(self) -> str:
        """Return the truth file's text."""
        return json.dumps(asdict(self), indent=1, sort_keys=True)


def settle_cranking(record: PlantRecord, inputs: RideInputs) -> None:
    """Give a reduction or a reset that begins while the starter turns to the start, to its end."""
    turning = inputs.starter_a > 0
    for root in ("supply", "break"):
        for start, end in _segments(record.root == ROOT[root]):
            if turning[max(0, start - 30) : start + 1].any():
                record.root[start:end] = ROOT["start"]


def _segments(mask: BoolArray) -> list[tuple[int, int]]:
    edges = np.flatnonzero(np.diff(np.concatenate([[0], mask.astype(int), [0]])))
    return [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def _derate_ends(limit: FloatArray, start: int) -> tuple[int, int]:
    """Return the last sample below full, and the first of a second at or above recovered."""
    hold = round(HOLD_S / STEP_S)
    low = np.flatnonzero(limit[start:] < RECOVERED_PCT) + start
    gaps = np.flatnonzero(np.diff(low) > hold)
    end = int(low[gaps[0]]) + 1 if gaps.size else int(low[-1]) + 1
    below = np.flatnonzero(limit[start:end] < FULL_PCT) + start
    return int(below[-1]) + 1, end


def derates(record: PlantRecord) -> list[PlantedEvent]:
    """Return every stretch of reduced assist while the module runs."""
    found = []
    for first, last in _segments(record.module_on):
        limit = record.limit_pct[first:last]
        at = 0
        while (limit[at:] < FULL_PCT).any():
            start = at + int(np.argmax(limit[at:] < FULL_PCT))
            below, at = _derate_ends(limit, start)
            if (below - start) * STEP_S >= SHORTEST_S:
                root = ROOTS[int(record.root[first + start])]
                found.append(
                    PlantedEvent("derate", (first + start) * STEP_S, (first + at) * STEP_S,
                                 CAUSES.get(root), root)
                )  # fmt: skip
    return found


def silences(record: PlantRecord, inputs: RideInputs) -> list[PlantedEvent]:
    """Return where the module was off though the key was on and it had run before."""
    found = []
    for start, end in _segments(~record.module_on & inputs.key):
        before = start > 0 and record.module_on[start - 1]
        starting = bool((inputs.starter_a[max(0, start - 30) : start + 1] > 0).any())
        if before and not starting and end < inputs.key.size and record.module_on[end]:
            found.append(
                PlantedEvent("module_restart", start * STEP_S, end * STEP_S, None, "break")
            )
    return found


def losses(
    plan: RidePlan, record: PlantRecord, inputs: RideInputs, events: list[PlantedEvent]
) -> tuple[dict[str, float], dict[str, float]]:
    """Return lost assist (% x s) and the deepest loss (%), by the code that names its root.

    Loss is counted from what the laws of speed allow, and only while the engine runs, where
    there is one: nobody misses assist beside a stopped engine.
    """
    lost: dict[str, float] = {}
    deepest: dict[str, float] = {}
    missed = np.maximum(record.design_pct - record.limit_pct, 0.0)
    if plan.vehicle.has_engine:
        missed = np.where(inputs.rpm > RUNNING_RPM, missed, 0.0)
    for event in events:
        span = slice(round(event.start_s / STEP_S), round(event.end_s / STEP_S))
        for place in np.unique(record.root[span]):
            root = ROOTS[int(place)]
            share = missed[span][record.root[span] == place]
            if root in UNREMARKABLE or not share.any():
                continue
            code = plan.blame.get(root, f"unknown:{root}")
            lost[code] = lost.get(code, 0.0) + float(share.sum() * STEP_S)
            deepest[code] = max(deepest.get(code, 0.0), float(share.max()))
    return lost, deepest


def right_answers(
    plan: RidePlan, lost: dict[str, float], deepest: dict[str, float]
) -> tuple[list[str], bool]:
    """Return the codes that are right as the first answer, and whether the loss is clear."""
    total = sum(lost.values())
    clear = {
        code for code, amount in lost.items()
        if amount >= CLEAR_LOSS_PCT_S and deepest[code] >= CLEAR_PCT
    }  # fmt: skip
    answers = [code for code, amount in lost.items() if amount >= 0.2 * total]
    answers += list(plan.deviation)
    if not clear:
        answers += list(plan.tolerated) if plan.deviation else ["no_fault_found"]
    answers += [code for code in plan.tolerated if code == "inconclusive"]
    known = [code for code in answers if not code.startswith("unknown")]
    unknown = len(known) < len(answers)
    return sorted(set(known) | ({"inconclusive"} if unknown else set())), bool(clear)

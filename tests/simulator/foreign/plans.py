"""A ride's plan: vehicle, law, riding, what goes wrong, how it is recorded, who is to blame."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np

from tests.simulator.foreign.draws import SeededDraws
from tests.simulator.foreign.vehicle.laws import LawChoice
from tests.simulator.foreign.vehicle.riding import (
    CRANK_S,
    STEP_S,
    BoolArray,
    RideInputs,
    RidingStretch,
)
from tests.simulator.foreign.vehicle.vehicles import ForeignVehicle

Effect = Callable[[RideInputs, SeededDraws], None]

BLAME = {
    "heat": "thermal_protection",
    "duty": "duty_protection",
    "speed_lost": "speed_signal_fault",
    "internal": "module_suspect",
    "overvoltage": "overvoltage_fault",
    "break": "supply_break",
}


@dataclass(slots=True, kw_only=True)
class RecordingOptions:
    """What the recorder and the units around the module do."""

    keep_share: float = 1.0
    holes: list[tuple[float, float]] = field(default_factory=list)
    cut: tuple[float, float] | None = None
    error_bursts: list[tuple[float, float, int]] = field(default_factory=list)
    supply_period_s: float | None = None
    sleep_after_s: dict[str, float] = field(default_factory=dict)
    lost_as: str = "silent"
    bundle_s: float = 0.0
    glitches: list[tuple[float, float, float]] = field(default_factory=list)
    gain: dict[str, float] = field(default_factory=dict)
    shift: dict[str, float] = field(default_factory=dict)
    stored_codes: str = ""
    code_at_s: float = 0.0


@dataclass(slots=True, kw_only=True)
class RidePlan:
    """Everything decided before the plant runs.

    ``blame`` maps a root (`protection.ROOTS`) to the code that names it. ``deviation`` holds the
    codes that answer where no assist is lost, ``also_true`` what may be said beside them.
    """

    vehicle: ForeignVehicle
    law: LawChoice
    stretches: list[RidingStretch]
    warm: bool = True
    effects: list[Effect] = field(default_factory=list)
    recording: RecordingOptions = field(default_factory=RecordingOptions)
    blame: dict[str, str] = field(default_factory=lambda: dict(BLAME))
    deviation: tuple[str, ...] = ()
    tolerated: tuple[str, ...] = ()
    also_true: tuple[str, ...] = ()
    module_sound: bool | None = True
    internal_code: bool = False
    uncertain: bool = False
    marks: dict[str, float] = field(default_factory=dict)
    spans: list[tuple[float, float]] = field(default_factory=list)

    def change_vehicle(self, **figures: float) -> None:
        """Give the vehicle other figures."""
        self.vehicle = replace(self.vehicle, **figures)  # type: ignore[arg-type]


def starting(vehicle: ForeignVehicle) -> list[RidingStretch]:
    """Key on, engine started where there is one."""
    if not vehicle.has_engine:
        return [RidingStretch(name="key_off", seconds=1.0, engine="off", key=False),
                RidingStretch(name="key_on", seconds=6.0)]  # fmt: skip
    return [
        RidingStretch(name="key_off", seconds=1.0, engine="off", key=False),
        RidingStretch(name="key_on", seconds=2.5, engine="off"),
        RidingStretch(name="crank", seconds=CRANK_S, engine="crank"),
        RidingStretch(name="idle", seconds=6.0),
    ]


def standing_turns(draw: SeededDraws, seconds: float) -> RidingStretch:
    """Lock to lock on the spot."""
    return RidingStretch(
        name="standing_turns", seconds=seconds, swing=draw.between(0.55, 0.9),
        period_s=draw.between(3.2, 5.5),
    )  # fmt: skip


def slow_turns(draw: SeededDraws, seconds: float) -> RidingStretch:
    """Between trees at walking speed."""
    return RidingStretch(
        name="slow_turns", seconds=seconds, kph=draw.between(6.0, 11.0),
        swing=draw.between(0.45, 0.8), period_s=draw.between(3.5, 6.0), gated=True,
    )  # fmt: skip


def cruise(draw: SeededDraws, seconds: float, top_kph: float) -> RidingStretch:
    """Along a track."""
    return RidingStretch(
        name="cruise", seconds=seconds, kph=draw.between(0.72, 0.95) * top_kph,
        swing=draw.between(0.06, 0.11), period_s=draw.between(5.0, 8.0), gated=True,
    )  # fmt: skip


def straight(draw: SeededDraws, seconds: float, top_kph: float) -> RidingStretch:
    """Straight on, nobody steers."""
    return RidingStretch(name="straight", seconds=seconds, kph=draw.between(0.5, 0.8) * top_kph)


def mixed_ride(plan: RidePlan, draw: SeededDraws) -> None:
    """Ride a bit of everything: what an ordinary test ride holds."""
    top = plan.vehicle.top_kph
    plan.stretches = [
        *plan.stretches,
        RidingStretch(name="idle", seconds=4.0),
        standing_turns(draw, draw.between(8.0, 14.0)),
        slow_turns(draw, draw.between(70.0, 90.0)),
        cruise(draw, draw.between(66.0, 80.0), top),
        straight(draw, draw.between(10.0, 16.0), top),
        slow_turns(draw, draw.between(40.0, 60.0)),
        RidingStretch(name="idle", seconds=5.0),
    ]


def begin(plan: RidePlan, draw: SeededDraws, *, cold_share: float = 0.5) -> None:
    """Begin with a start, or in the middle of the ride."""
    plan.warm = not draw.chance(cold_share)
    plan.stretches = [] if plan.warm else starting(plan.vehicle)


def heat_start(plan: RidePlan) -> float:
    """Return the temperature at which the module's law begins to reduce."""
    return min(temperature for temperature, pct in plan.law.heat if pct >= 100.0)


def hot_ride(plan: RidePlan, draw: SeededDraws) -> None:
    """Hard standing turns of a module that is already warm, then cooling air."""
    begin(plan, draw, cold_share=0.3)
    ambient = draw.between(27.0, 40.0)
    figures = {
        "ambient_c": ambient, "coolant_c": ambient + draw.between(40.0, 55.0),
        "air_k_per_w": draw.between(0.9, 1.4),
    }  # fmt: skip
    if plan.law.name not in {"winding_duty", "winding_model"}:
        figures["start_c"] = heat_start(plan) - draw.between(1.0, 7.0)
    plan.change_vehicle(**figures)
    plan.stretches = [
        *plan.stretches,
        slow_turns(draw, draw.between(20.0, 30.0)),
        standing_turns(draw, draw.between(50.0, 75.0)),
        cruise(draw, draw.between(40.0, 60.0), plan.vehicle.top_kph),
        standing_turns(draw, draw.between(40.0, 60.0)),
        cruise(draw, draw.between(45.0, 70.0), plan.vehicle.top_kph),
        slow_turns(draw, draw.between(15.0, 25.0)),
    ]
    factor = draw.between(1.05, 1.25)

    def work(inputs: RideInputs, local: SeededDraws) -> None:
        del local
        inputs.effort *= factor

    plan.effects.append(work)


def moments(
    inputs: RideInputs, where: BoolArray, draw: SeededDraws, count: int, apart_s: float
) -> list[float]:
    """Return up to `count` moments within `where`, at least `apart_s` from each other."""
    ready = where.copy()
    ready[: round(12.0 / STEP_S)] = False
    ready[max(0, ready.size - round(10.0 / STEP_S)) :] = False
    chosen: list[float] = []
    for _ in range(count):
        places = np.flatnonzero(ready)
        if not places.size:
            break
        at = int(draw.one_of(places.tolist()))
        chosen.append(at * STEP_S)
        ready[max(0, at - round(apart_s / STEP_S)) : at + round(apart_s / STEP_S)] = False
    return sorted(chosen)


def riding(inputs: RideInputs) -> BoolArray:
    """Where the key is on and the engine (if any) has run for a while."""
    running = inputs.key.copy()
    if inputs.rpm.max() > 0:
        running &= inputs.rpm > 500
    return running


def turning(inputs: RideInputs) -> BoolArray:
    """Where the bar is being turned."""
    reach = max(1.0, float(np.abs(inputs.rate_deg_s).max()))
    return riding(inputs) & (np.abs(inputs.rate_deg_s) > 0.15 * reach)

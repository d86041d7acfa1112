"""What a foreign module allows itself: parts of a law, each with a state of its own."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

from tests.simulator.foreign.vehicle.riding import STEP_S

Points = Sequence[tuple[float, float]]

ROOTS = (
    "none", "heat", "supply", "duty", "law", "start", "speed_lost", "internal", "overvoltage",
    "engine_off", "break", "end_stop", "outside",
)  # fmt: skip
ROOT = {name: place for place, name in enumerate(ROOTS)}
UNREMARKABLE = frozenset({"none", "law", "start", "engine_off", "end_stop"})
"""Roots that take assist away by design and cost no assist that anyone misses."""


@dataclass(slots=True)
class ModuleState:
    """What the module knows at one step."""

    board_c: float = 20.0
    supply_v: float = 12.0
    kph: float = 0.0
    kph_lost: bool = False
    rpm: float = 0.0
    motor_a: float = 0.0
    winding_c: float = 20.0
    lock_share: float = 0.0
    since_start_s: float = 0.0
    forced_pct: float = 100.0
    outside_pct: float = 100.0
    restarted: bool = False  # this start followed a lost supply, not the key


class LawPart(Protocol):
    """One rule of a module."""

    def ceiling(self, state: ModuleState) -> float:
        """Return the assist in percent that this rule allows now."""
        ...

    def root(self, state: ModuleState) -> int:
        """Return what stands behind a reduction by this rule."""
        ...

    def restart(self) -> None:
        """Forget what a module forgets when it loses its supply or the key is turned."""
        ...


class LawCurve:
    """Straight pieces between points, flat beyond; the same x twice is a step."""

    def __init__(self, points: Points) -> None:
        self.x = [float(x) for x, _ in points]
        self.y = [float(y) for _, y in points]

    def __call__(self, x: float) -> float:
        """Return the value at `x`."""
        place = bisect_right(self.x, x)
        if place == 0:
            return self.y[0]
        if place == len(self.x):
            return self.y[-1]
        left, right = self.x[place - 1], self.x[place]
        share = (x - left) / (right - left)
        return self.y[place - 1] + share * (self.y[place] - self.y[place - 1])


@dataclass(slots=True)
class HeatRule:
    """Assist by board temperature; on the way back the curve lies `hysteresis_k` lower."""

    curve: LawCurve
    hysteresis_k: float = 0.0
    held_c: float = -60.0

    def ceiling(self, state: ModuleState) -> float:
        self.held_c = min(max(self.held_c, state.board_c), state.board_c + self.hysteresis_k)
        return self.curve(self.held_c)

    def root(self, state: ModuleState) -> int:
        del state
        return ROOT["heat"]

    def restart(self) -> None:
        self.held_c = -60.0


@dataclass(slots=True)
class SupplyRule:
    """Assist by supply; on the way back the curve lies `hysteresis_v` higher."""

    curve: LawCurve
    hysteresis_v: float = 0.0
    filter_s: float = 0.02
    held_v: float = 99.0
    mean_v: float = -1.0

    def ceiling(self, state: ModuleState) -> float:
        if self.mean_v < 0:
            self.mean_v = state.supply_v
        self.mean_v += (state.supply_v - self.mean_v) * STEP_S / (self.filter_s + STEP_S)
        self.held_v = max(min(self.held_v, self.mean_v), self.mean_v - self.hysteresis_v)
        return self.curve(self.held_v)

    def root(self, state: ModuleState) -> int:
        del state
        return ROOT["supply"]

    def restart(self) -> None:
        self.held_v, self.mean_v = 99.0, -1.0


@dataclass(slots=True)
class SupplyLatch:
    """Below `trip_v` for `trip_s` the module stays at `pct` until the key is turned off.

    It does not watch before the engine runs (``least_rpm``), or every start would trip it.
    """

    trip_v: float
    trip_s: float
    pct: float
    least_rpm: float = 0.0
    below_s: float = 0.0
    tripped: bool = False

    def ceiling(self, state: ModuleState) -> float:
        self.below_s = self.below_s + STEP_S if state.supply_v < self.trip_v else 0.0
        watching = state.since_start_s > 1.0 and state.rpm >= self.least_rpm
        if self.below_s >= self.trip_s and watching:
            self.tripped = True
        return self.pct if self.tripped else 100.0

    def root(self, state: ModuleState) -> int:
        del state
        return ROOT["supply"]

    def restart(self) -> None:
        self.below_s, self.tripped = 0.0, False


@dataclass(slots=True)
class DutyRule:
    """Winding model: motor current squared, averaged over `tau_s`; no signal shows it."""

    tau_s: float
    start_a2: float
    zero_a2: float
    floor_pct: float
    load_a2: float = 0.0

    def ceiling(self, state: ModuleState) -> float:
        self.load_a2 += (state.motor_a**2 - self.load_a2) * STEP_S / self.tau_s
        over = (self.load_a2 - self.start_a2) / (self.zero_a2 - self.start_a2)
        return max(self.floor_pct, 100.0 - 100.0 * max(0.0, over))

    def root(self, state: ModuleState) -> int:
        del state
        return ROOT["duty"]

    def restart(self) -> None:
        """Keep the load: a module that forgets its winding burns it."""


@dataclass(slots=True)
class WindingRule:
    """Assist by the winding's own temperature, which the module works out and never sends."""

    curve: LawCurve

    def ceiling(self, state: ModuleState) -> float:
        return self.curve(state.winding_c)

    def root(self, state: ModuleState) -> int:
        del state
        return ROOT["duty"]

    def restart(self) -> None:
        """Hold no state."""


@dataclass(slots=True)
class EndStopRule:
    """Held against the stop for `after_s`, the module spares motor and linkage."""

    after_s: float
    pct: float
    held_s: float = 0.0

    def ceiling(self, state: ModuleState) -> float:
        self.held_s = self.held_s + STEP_S if state.lock_share > 0.8 else 0.0
        return self.pct if self.held_s > self.after_s else 100.0

    def root(self, state: ModuleState) -> int:
        del state
        return ROOT["end_stop"]

    def restart(self) -> None:
        self.held_s = 0.0


@dataclass(slots=True)
class DesignRule:
    """Assist by road speed or engine speed, by design."""

    curve: LawCurve
    by: str

    def ceiling(self, state: ModuleState) -> float:
        return self.curve(state.kph if self.by == "kph" else state.rpm)

    def root(self, state: ModuleState) -> int:
        if self.by == "rpm" and state.rpm < 1.0:
            return ROOT["engine_off"] if state.rpm >= 0 else ROOT["speed_lost"]
        return ROOT["law"]

    def restart(self) -> None:
        """Hold no state."""


@dataclass(slots=True)
class StartRamp:
    """From nothing to full in `ramp_s` after each start."""

    ramp_s: float

    def ceiling(self, state: ModuleState) -> float:
        return min(100.0, 100.0 * state.since_start_s / self.ramp_s)

    def root(self, state: ModuleState) -> int:
        return ROOT["break"] if state.restarted else ROOT["start"]

    def restart(self) -> None:
        """Hold no state."""


@dataclass(slots=True)
class LostSpeedRule:
    """Without a road speed for `after_s` the module falls back to `pct`."""

    pct: float
    after_s: float
    lost_s: float = 0.0

    def ceiling(self, state: ModuleState) -> float:
        self.lost_s = self.lost_s + STEP_S if state.kph_lost else 0.0
        return self.pct if self.lost_s >= self.after_s else 100.0

    def root(self, state: ModuleState) -> int:
        del state
        return ROOT["speed_lost"]

    def restart(self) -> None:
        self.lost_s = 0.0


@dataclass(slots=True)
class OvervoltageRule:
    """Above `trip_v` for half a second the module protects itself until 0.5 V below."""

    trip_v: float
    pct: float
    back_v: float
    above_s: float = 0.0
    tripped: bool = False

    def ceiling(self, state: ModuleState) -> float:
        self.above_s = self.above_s + STEP_S if state.supply_v > self.trip_v else 0.0
        if self.above_s > 0.5:
            self.tripped = True
        elif state.supply_v < self.back_v:
            self.tripped = False
        return self.pct if self.tripped else 100.0

    def root(self, state: ModuleState) -> int:
        del state
        return ROOT["overvoltage"]

    def restart(self) -> None:
        self.above_s, self.tripped = 0.0, False


@dataclass(slots=True)
class EngineRule:
    """No assist before the engine runs; engine speed below zero means that no one tells it."""

    def ceiling(self, state: ModuleState) -> float:
        return 100.0 if state.rpm > 450.0 else 0.0

    def root(self, state: ModuleState) -> int:
        return ROOT["speed_lost"] if state.rpm < 0 else ROOT["engine_off"]

    def restart(self) -> None:
        """Hold no state."""


@dataclass(slots=True)
class InternalRule:
    """What a fault inside the module, or a request of another unit, leaves of the assist."""

    def ceiling(self, state: ModuleState) -> float:
        return min(state.forced_pct, state.outside_pct)

    def root(self, state: ModuleState) -> int:
        return ROOT["internal" if state.forced_pct <= state.outside_pct else "outside"]

    def restart(self) -> None:
        """Hold no state."""


@dataclass(slots=True)
class ModuleLaw:
    """All parts of a module's law: the lowest holds, and how fast the limit may move.

    ``root`` is what last pushed the limit down. While the limit only climbs back, slower than
    its cause went away, the reduction still belongs to that cause.
    """

    parts: list[LawPart]
    fall_pct_s: float = 1e9
    rise_pct_s: float = 1e9
    limit_pct: float = 100.0
    root: int = 0
    fresh: bool = True
    design_pct: float = 100.0  # what the laws of road and engine speed alone allow now

    def restart(self) -> None:
        """Start anew after the key or a lost supply."""
        for part in self.parts:
            part.restart()
        self.fresh = True

    def step(self, state: ModuleState) -> float:
        """Return the limit after one more step."""
        target, by, design = 100.0, None, 100.0
        for part in self.parts:
            allowed = part.ceiling(state)
            if allowed < design and isinstance(part, DesignRule):
                design = allowed
            if allowed < target:
                target, by = allowed, part
        self.design_pct = design
        if self.fresh:
            self.fresh, self.limit_pct = False, target
        return self._move(target, by, state)

    def _move(self, target: float, by: LawPart | None, state: ModuleState) -> float:
        if target < self.limit_pct:
            self.limit_pct = max(target, self.limit_pct - self.fall_pct_s * STEP_S)
            self.root = by.root(state) if by is not None else 0
        elif target > self.limit_pct:
            self.limit_pct = min(target, self.limit_pct + self.rise_pct_s * STEP_S)
        if self.limit_pct >= target:
            self.root = by.root(state) if by is not None and target < 100.0 else 0
        return self.limit_pct

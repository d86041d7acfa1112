"""Learned laws held against the plant's own, where it was ridden."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from canassist.model import Profile
from tests.bench.learning_fleets import Fleet, FleetRide
from tests.simulator.foreign.vehicle.protection import ROOT, LawCurve, Points
from tests.simulator.foreign.vehicle.riding import STEP_S

NEAR_SHARE = 0.05
RIDDEN_BANDS, RIDDEN_S = 3, 3.0
"""A law was ridden where the plant followed it below full in so many bands, for so long in all."""

SETTLED_PCT = 3.0
STEP = 5
REDUCED_PCT = 98.0
FLAT_SPAN = {"temperature": 10.0, "supply": 1.0}
"""Least range of a law in degC and V (12 V): that of a single step is nothing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LawScore:
    """One law of one model: ridden, found, and its greatest distance as a share of its range."""

    law: str
    kind: str
    name: str
    bands: int
    seconds: float
    found: bool
    distance: float

    @property
    def ridden(self) -> bool:
        return self.bands >= RIDDEN_BANDS and self.seconds >= RIDDEN_S

    @property
    def near(self) -> bool:
        return self.distance <= NEAR_SHARE

    def line(self) -> str:
        """Return one row of the table."""
        state = "found" if self.found else "missing"
        far = f"{self.distance:6.1%}" if self.found and self.bands else "     -"
        ridden = f"{self.bands:3d} bands {self.seconds:6.0f} s"
        mark = "" if self.found == self.ridden else "   (!)"
        return f"{self.law:16s} {self.kind:16s} {self.name:14s} {ridden}  {state:8s}{far}{mark}"


def ridden_and_found(
    model: Fleet, profile: Profile, rides: Sequence[FleetRide]
) -> Iterator[LawScore]:
    """Score the curves of heat, supply and speed, then ramp, latch and duty rule."""
    law, scale = model.law, model.vehicle.scale
    parts = [
        ("temperature", law.heat, "heat", 1.0, max(law.hysteresis_k, FLAT_SPAN["temperature"])),
        ("supply", law.supply, "supply", 0.1 * scale, FLAT_SPAN["supply"] * scale),
        *((name, points, "law", {"road_speed": 0.5, "engine_speed": 50.0}[name], 1.0)
          for name, points in law.speed.items()),
    ]  # fmt: skip
    for name, points, root, width, least in parts:
        bands = _ridden(rides, name, points, root, width)
        curve = getattr(profile.protection, name)
        x = [at for at, _ in points]
        span = max(max(x) - min(x), least)
        far = max((_distance(curve, points, at, span) for at in bands), default=0.0) if curve else 1
        yield LawScore(
            law=model.law_name, kind=model.kind, name=name, bands=len(bands),
            seconds=sum(bands.values()), found=bool(curve), distance=float(far),
        )  # fmt: skip
    yield from _switches(model, profile, rides)


def _switches(model: Fleet, profile: Profile, rides: Sequence[FleetRide]) -> Iterator[LawScore]:
    """Score what is there or not: a latch, a duty rule, return to centre; and the ramp."""
    law, protection = model.law, profile.protection
    shown = {
        "latches": ("supply" in protection.latches, _seconds(rides, "supply")),
        "duty_rule": (bool(protection.duty_rule), _seconds(rides, "duty")),
        "returns_to_center": (bool(protection.returns_to_center), 60.0),
    }
    for name, (found, seconds) in sorted(shown.items()):
        if name in law.told:
            yield _score(model, name, seconds, found, 0.0)
        elif found:
            yield _score(model, name, 0.0, found, 0.0)
    ramp_s = max(law.ramp_s, 100.0 / law.rise_pct_s)
    if not model.vehicle.needs_engine and not law.speed:
        got = protection.start_ramp_s
        far = abs(got - ramp_s) / ramp_s if got else 1.0
        yield _score(model, "start_ramp_s", 60.0, got is not None, far)
    if law.hysteresis_k:
        got = protection.hysteresis_k
        span = max(at for at, _ in law.heat) - min(at for at, _ in law.heat)
        wide = max(span, law.hysteresis_k, FLAT_SPAN["temperature"])
        far = abs(got - law.hysteresis_k) / wide if got else 1.0
        yield _score(model, "hysteresis_k", _seconds(rides, "heat"), got is not None, far)


def _score(model: Fleet, name: str, seconds: float, found: bool, far: float) -> LawScore:
    bands = RIDDEN_BANDS if seconds >= RIDDEN_S else 0
    return LawScore(
        law=model.law_name, kind=model.kind, name=name, bands=bands, seconds=seconds,
        found=found, distance=far,
    )  # fmt: skip


def _seconds(rides: Sequence[FleetRide], root: str) -> float:
    return float(sum((ride.record.root == ROOT[root]).sum() for ride in rides) * STEP_S)


def _values(ride: FleetRide, name: str) -> NDArray[np.float64]:
    columns = {
        "temperature": ride.record.told_c,
        "supply": ride.record.supply_v,
        "road_speed": ride.inputs.bus_kph,
        "engine_speed": ride.inputs.bus_rpm,
    }
    return columns[name][::STEP]


def _ridden(
    rides: Sequence[FleetRide], name: str, points: Points, root: str, width: float
) -> dict[float, float]:
    """Return the bands in which the module followed the law below full, with the seconds."""
    seconds: Counter[int] = Counter()
    curve = LawCurve(points)
    for ride in rides:
        x = _values(ride, name)
        rows = (ride.record.on > 0.5)[::STEP] & (ride.record.root == ROOT[root])[::STEP]
        limit = ride.record.limit_pct[::STEP]
        for place in np.flatnonzero(rows):
            level = curve(float(x[place]))
            if level < REDUCED_PCT and abs(limit[place] - level) < SETTLED_PCT:
                seconds[int(x[place] // width)] += 1
    found = {(number + 0.5) * width: count * STEP * STEP_S for number, count in seconds.items()}
    return {at: lasted for at, lasted in sorted(found.items()) if lasted >= 1.0}


def _distance(learned: Points, points: Points, at: float, span: float) -> float:
    """Return how far a learned law lies from the true one: the greater of both shares, nearest."""
    x, pct = np.array(sorted(learned)).T
    got = float(np.interp(at, x, pct))
    true = LawCurve(points)
    shifts = np.linspace(-0.2, 0.2, 401)
    return min(
        max(abs(true(at + share * span) - got) / 100.0, abs(float(share))) for share in shifts
    )

"""Tolerance bounds over drawn fleets: how often the stated share of vehicles is covered."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from canassist.learning.bad_apples import sort_out
from canassist.learning.laws import learn_laws
from canassist.model import RideFigures
from canassist.profile import default_profile
from tests.bench.foreign_scoring import wilson

COVERED: Final = 1.6448536269514722
"""Standard normal quantile of 95 %: so far from the mean the stated share of vehicles lies."""

STATED: Final = 0.95


@dataclass(frozen=True, slots=True, kw_only=True)
class DrawnFigure:
    """A figure of a drawn model: mean, spread between vehicles and within one, fault, sign.

    ``sign`` is the bad side; ``least`` and ``most`` the physical range of the limit.
    """

    name: str
    limit: str
    mean: float
    between: float
    within: float
    fault: float
    sign: float
    least: float
    most: float


FIGURES: Final = (
    DrawnFigure(name="path_ohm", limit="max_circuit_ohm", mean=0.012, between=0.0012,
                within=0.0006, fault=0.06, sign=1.0, least=0.005, most=0.5),
    DrawnFigure(name="charging_v", limit="charging_v", mean=14.1, between=0.08, within=0.04,
                fault=12.4, sign=-1.0, least=12.4, most=15.0),
    DrawnFigure(name="crank_v", limit="cranking_v", mean=10.6, between=0.15, within=0.12,
                fault=7.5, sign=-1.0, least=6.0, most=11.5),
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class BoundScore:
    """How often a limit covered the stated share of vehicles, and how wide it lay."""

    limit: str
    vehicles: int
    fleets: int
    covered: int
    beyond: int
    width: float

    @property
    def holds(self) -> bool:
        """Whether the stated share lies in or below the interval of what was seen."""
        return wilson(self.covered, self.fleets)[1] >= STATED and not self.beyond

    def line(self) -> str:
        """Return one row of the table."""
        low, high = wilson(self.covered, self.fleets)
        return (
            f"{self.limit:18s} {self.vehicles:3d} vehicles  {self.covered:4d} of {self.fleets} "
            f"[{low:6.1%}, {high:6.1%}]  beyond range {self.beyond}  width {self.width:.3g}"
        )


def bound_scores(fleets: int, vehicles: int, *, seed: int = 5) -> list[BoundScore]:
    """Draw fleets of sound vehicles, one in five with a faulty one among them, and learn."""
    dice = np.random.default_rng([seed, vehicles])
    covered = {item.limit: 0 for item in FIGURES}
    beyond, widths = dict(covered), {item.limit: list[float]() for item in FIGURES}
    for number in range(fleets):
        kept, _ = sort_out(_fleet(dice, vehicles, faulty=number % 5 == 0))
        limits = learn_laws(kept, default_profile()).profile.limits
        for item in FIGURES:
            value = float(getattr(limits, item.limit))
            needed = item.mean + item.sign * COVERED * item.between
            covered[item.limit] += item.sign * value >= item.sign * needed
            beyond[item.limit] += not item.least <= value <= item.most
            widths[item.limit].append(abs(value - item.mean))
    return [
        BoundScore(
            limit=item.limit, vehicles=vehicles, fleets=fleets, covered=covered[item.limit],
            beyond=beyond[item.limit], width=float(np.median(widths[item.limit])),
        )
        for item in FIGURES
    ]  # fmt: skip


def _fleet(dice: np.random.Generator, vehicles: int, *, faulty: bool) -> list[RideFigures]:
    rides = []
    for number in range(vehicles + faulty):
        mean = {item.name: dice.normal(item.mean, item.between) for item in FIGURES}
        if number == vehicles:
            worse = FIGURES[int(dice.integers(len(FIGURES)))]
            mean[worse.name] = worse.fault
        for ride in range(4):
            figures = {item.name: float(dice.normal(mean[item.name], item.within))
                       for item in FIGURES}  # fmt: skip
            rides.append(
                RideFigures(log=f"v{number}.{ride}", vehicle=f"v{number}", figures=figures)
            )
    return rides

"""What a fleet's figures say: rates with intervals, and who stands apart.

The rides are passed through twice, vehicle by vehicle: first for the usual spread of each
figure, then to count and rank. Of a vehicle that is not among the worst, nothing is kept but
its figures.
"""

from __future__ import annotations

import heapq
import math
from array import array
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from statistics import median
from types import MappingProxyType
from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.model import (
    FigureSpread,
    ScreenedLog,
    ScreenedVehicle,
    ScreenFigure,
    Screening,
    Standing,
)
from canassist.screen.affected_rates import RiddenVehicle, VehicleCounts
from canassist.stats import spread_of

if TYPE_CHECKING:
    from canassist.screen.rides_in_order import RidesInOrder

MIN_RIDING_S: Final = 120.0
"""A vehicle with less riding than this in all is not ranked (our choice)."""
Z_LIMIT: Final = 3.5
"""Robust z-score from which a vehicle stands apart (Iglewicz and Hoaglin 1993, from memory)."""
MIN_VEHICLES: Final = 8
"""A spread of fewer vehicles says too little to call one of them apart (our choice)."""
MOST_LOGS: Final = 10_000
"""Logs, and so vehicles, that the overview lists: a page of 3 MB. The tables have all."""
MOST_DOTS: Final = 400
"""Sound vehicles that a figure's picture shows: more would hide each other."""


@dataclass(frozen=True, slots=True)
class _Way:
    words: str
    bad: int  # +1: high is bad, -1: low is bad, 0: both
    floor: float  # spread of sound vehicles and of the estimate itself, at least (our choice)


WAYS: Final[Mapping[ScreenFigure, _Way]] = MappingProxyType(
    {
        ScreenFigure.PATH_OHM: _Way("Supply path resistance", +1, 0.003),
        ScreenFigure.CHARGING_V: _Way("Charging voltage", 0, 0.15),
        ScreenFigure.OFFSET_NM: _Way("Driver torque at rest", 0, 0.05),
        ScreenFigure.DERATE_S_PER_SLOW_MIN: _Way(
            "Reduced assist per minute of slow steering", +1, 3.0
        ),
        ScreenFigure.ONSET_C: _Way("Module temperature where heat derating began", -1, 2.0),
    }
)


def screening(rides: RidesInOrder, *, version: str) -> Screening:
    """Count and rank a fleet's vehicles.

    Parameters
    ----------
    rides : RidesInOrder
        All logs; those without a vehicle stand for themselves.
    version : str
        Of the tool.
    """
    survey = _survey(rides)
    spreads = survey.spreads()
    tally = VehicleCounts()
    worst = heapq.nsmallest(
        MOST_LOGS, _judged(rides, survey.listed(), spreads, tally), key=_badness
    )
    placed = [replace(item, vehicle=_at(item, place)) for place, item in enumerate(worst, 1)]
    counts = rides.counts()
    return Screening(
        version=version,
        vehicles=tuple(item.vehicle for item in placed),
        vehicles_in_all=tally.vehicles,
        ranked=tally.ranked,
        flagged=tally.flagged,
        by_code=tally.by_code(placed),
        by_batch=tally.by_batch(placed),
        by_model_year=tally.by_model_year(placed),
        by_month=tally.by_month(placed),
        spreads=tuple(survey.drawn(figure, spreads, placed) for figure in ScreenFigure),
        unread=rides.unread(),
        partly_read=rides.partly_read(),
        root=rides.root(),
        named=counts.pop("told") > 0,
        min_riding_s=MIN_RIDING_S,
        z_limit=Z_LIMIT,
        **counts,
    )


_Values = dict[ScreenFigure, tuple[float, int]]
_Spreads = dict[ScreenFigure, tuple[float, float]]


@dataclass(slots=True)
class _Sum:
    """What the rides of one vehicle add up to."""

    rides: int = 0
    blaming: int = 0
    riding_s: float = 0.0
    batch: str = ""
    model_year: str = ""
    codes: Counter[str] = field(default_factory=Counter)
    faults: Counter[str] = field(default_factory=Counter)
    months: dict[str, bool] = field(default_factory=dict)
    logs: list[ScreenedLog] = field(default_factory=list)
    figures: dict[ScreenFigure, array[float]] = field(default_factory=dict)

    @property
    def ranked(self) -> bool:
        return self.riding_s >= MIN_RIDING_S

    def add(self, item: ScreenedLog, most_logs: int) -> None:
        """Add a ride; the first `most_logs` are kept whole."""
        self.rides += 1
        self.blaming += item.blames
        running_s = item.engine_running_s
        self.riding_s += item.duration_s if running_s is None else running_s
        self.batch = self.batch or item.batch
        self.model_year = self.model_year or item.model_year
        self.codes[item.code] += 1
        if item.blames:
            self.faults[item.code] += 1
        self.months[item.month] = self.months.get(item.month, False) or item.blames
        if len(self.logs) < most_logs:
            self.logs.append(item)
        for figure, value in item.figures.items():
            self.figures.setdefault(figure, array("d")).append(value)

    def values(self) -> _Values:
        """Return the median over rides of each figure, and over how many."""
        return {
            figure: (median(self.figures[figure]), len(self.figures[figure]))
            for figure in ScreenFigure
            if figure in self.figures
        }


def _summed(rides: Iterable[ScreenedLog], most_logs: int) -> _Sum:
    whole = _Sum()
    for item in rides:
        whole.add(item, most_logs)
    return whole


@dataclass(slots=True)
class Survey:
    """The first pass: how many rides vehicles have, and each figure of the ranked ones."""

    rides: Counter[int] = field(default_factory=Counter)
    values: dict[ScreenFigure, array[float]] = field(
        default_factory=lambda: {figure: array("d") for figure in ScreenFigure}
    )

    def listed(self) -> int:
        """Return how many logs of a vehicle are listed, at most: so that the page holds all."""
        room, vehicles, before = MOST_LOGS, self.rides.total(), 0
        for count, having in sorted(self.rides.items()):
            if room < (count - before) * vehicles:
                return max(1, before + room // vehicles)
            room -= (count - before) * vehicles
            vehicles -= having
            before = count
        return MOST_LOGS

    def spreads(self) -> _Spreads:
        """Return middle and usual spread of each figure that enough vehicles carry."""
        return {
            figure: spread_of(np.frombuffer(self.values[figure]), way.floor)
            for figure, way in WAYS.items()
            if len(self.values[figure]) >= MIN_VEHICLES
        }

    def drawn(
        self, figure: ScreenFigure, spreads: _Spreads, placed: Sequence[RiddenVehicle]
    ) -> FigureSpread:
        """Return what the picture of a figure shows."""
        way, every = WAYS[figure], np.sort(np.asarray(self.values[figure]))
        middle, spread = spreads.get(figure, (math.nan, math.nan))
        lowest, highest = _sound_range(figure, spreads.get(figure))
        apart = (every < lowest) | (every > highest)
        usual = every[~apart]
        thinned = usual[:: max(1, math.ceil(len(usual) / MOST_DOTS))]
        listed = (
            (item.vehicle.place, item.vehicle.name, standing.value)
            for item in placed
            for standing in item.vehicle.standings
            if standing.figure is figure and standing.outlier
        )
        return FigureSpread(
            figure=figure,
            words=way.words,
            middle=middle,
            spread=spread,
            vehicles=len(every),
            outliers=int(apart.sum()),
            low=float(every[0]) if len(every) else math.nan,
            high=float(every[-1]) if len(every) else math.nan,
            apart=tuple(listed)[:MOST_DOTS],
            usual=tuple(thinned.tolist()),
        )


def _survey(rides: RidesInOrder) -> Survey:
    survey = Survey()
    for _, logs in rides.by_vehicle():
        whole = _summed(logs, 0)
        survey.rides[whole.rides] += 1
        if whole.ranked:
            for figure, (value, _) in whole.values().items():
                survey.values[figure].append(value)
    return survey


def _sound_range(figure: ScreenFigure, spread: tuple[float, float] | None) -> tuple[float, float]:
    """Return the range outside of which a value stands apart: open on the side that is not bad."""
    if spread is None:
        return -math.inf, math.inf
    middle, reach, bad = spread[0], Z_LIMIT * spread[1], WAYS[figure].bad
    low = -math.inf if bad > 0 else middle - reach
    return low, math.inf if bad < 0 else middle + reach


def _standing(
    figure: ScreenFigure, value: float, rides: int, spread: tuple[float, float] | None
) -> Standing:
    z = None if spread is None else (value - spread[0]) / spread[1]
    low, high = _sound_range(figure, spread)
    outlier = not low <= value <= high
    return Standing(figure=figure, value=value, z=z, outlier=outlier, rides=rides)


def _judged(
    rides: RidesInOrder, most_logs: int, spreads: _Spreads, tally: VehicleCounts
) -> Iterator[RiddenVehicle]:
    for name, logs in rides.by_vehicle():
        whole = _summed(logs, most_logs)
        item = RiddenVehicle(_vehicle(name, whole, spreads if whole.ranked else {}), whole.months)
        tally.add(item)
        yield item


def _vehicle(name: str, whole: _Sum, spreads: _Spreads) -> ScreenedVehicle:
    return ScreenedVehicle(
        place=0,
        name=name,
        batch=whole.batch,
        model_year=whole.model_year,
        logs=tuple(whole.logs),
        rides=whole.rides,
        blaming=whole.blaming,
        riding_s=whole.riding_s,
        codes=dict(whole.codes.most_common()),
        faults=tuple(code for code, _ in whole.faults.most_common()),
        standings=tuple(
            _standing(figure, value, count, spreads.get(figure))
            for figure, (value, count) in whole.values().items()
        ),
        ranked=whole.ranked,
    )


def _at(item: RiddenVehicle, place: int) -> ScreenedVehicle:
    return replace(item.vehicle, place=place)


def _badness(item: RiddenVehicle) -> tuple[bool, bool, float, float, str]:
    """Order: ranked first; a fault before mere standing apart; then how often, how far."""
    vehicle = item.vehicle
    share = vehicle.blaming / vehicle.rides
    far = max((abs(one.z or 0.0) for one in vehicle.standings if one.outlier), default=0.0)
    return (not vehicle.ranked, not vehicle.flagged, -share, -far, vehicle.name)

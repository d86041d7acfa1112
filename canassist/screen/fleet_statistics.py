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
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from statistics import median
from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.model import (
    BlamedPart,
    Code,
    FigureSpread,
    ScreenedLog,
    ScreenedVehicle,
    ScreenFigure,
    Screening,
    Standing,
)
from canassist.screen.affected_rates import RiddenVehicle, VehicleCounts
from canassist.screen.vehicle_ranking import STRENGTH_POINTS, WAYS, Z_LIMIT, suspicion
from canassist.stats import spread_of

if TYPE_CHECKING:
    from canassist.screen.rides_in_order import RidesInOrder

MIN_RIDING_S: Final = 120.0
"""A vehicle with less riding than this in all is not ranked (our choice)."""
MIN_VEHICLES: Final = 8
"""A spread of fewer vehicles says too little to call one of them apart (our choice)."""
MOST_LOGS: Final = 10_000
"""Logs, and so vehicles, that the overview lists: a page of 3 MB. The tables have all."""
MOST_DOTS: Final = 400
"""Sound vehicles that a figure's picture shows: more would hide each other."""


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
    riding_s: float = 0.0
    batch: str = ""
    model_year: str = ""
    codes: Counter[str] = field(default_factory=Counter)
    blamed: Counter[str] = field(default_factory=Counter)
    strengths: dict[str, str] = field(default_factory=dict)
    fit: tuple[float, str] | None = None
    months: dict[str, bool] = field(default_factory=dict)
    logs: list[ScreenedLog] = field(default_factory=list)
    figures: dict[ScreenFigure, array[float]] = field(default_factory=dict)

    @property
    def ranked(self) -> bool:
        return self.riding_s >= MIN_RIDING_S

    def add(self, item: ScreenedLog, most_logs: int) -> None:
        """Add a ride; the first `most_logs` are kept whole."""
        self.rides += 1
        running_s = item.engine_running_s
        self.riding_s += item.duration_s if running_s is None else running_s
        self.batch = self.batch or item.batch
        self.model_year = self.model_year or item.model_year
        self.codes[item.code] += 1
        self._add_blame(item)
        if item.fit_known is not None and (self.fit is None or item.fit_known < self.fit[0]):
            self.fit = (item.fit_known, item.fit_reason)
        self.months[item.month] = self.months.get(item.month, False) or item.blames
        if len(self.logs) < most_logs:
            self.logs.append(item)
        for figure, value in item.figures.items():
            self.figures.setdefault(figure, array("d")).append(value)

    def _add_blame(self, item: ScreenedLog) -> None:
        first = ((item.code, item.strength or "moderate"),) if item.blames else ()
        for code, strength in item.blamed or first:
            self.blamed[code] += 1
            known = self.strengths.get(code, strength)
            self.strengths[code] = max(known, strength, key=lambda one: STRENGTH_POINTS[one])

    def parts(self) -> tuple[BlamedPart, ...]:
        """Return what is blamed, the surest and most frequent first."""
        found = (BlamedPart(code, self.strengths[code], n) for code, n in self.blamed.items())
        return tuple(
            sorted(found, key=lambda one: (-STRENGTH_POINTS[one.strength], -one.rides, one.code))
        )

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
    if bad is None:
        return -math.inf, math.inf
    low = -math.inf if bad > 0 else middle - reach
    return low, math.inf if bad < 0 else middle + reach


def _standing(
    figure: ScreenFigure, value: float, rides: int, spread: tuple[float, float] | None
) -> Standing:
    z = None if spread is None else (value - spread[0]) / spread[1]
    low, high = _sound_range(figure, spread)
    outlier = not low <= value <= high
    others = None if spread is None else spread[0]
    return Standing(figure=figure, value=value, z=z, outlier=outlier, rides=rides, others=others)


def _judged(
    rides: RidesInOrder, most_logs: int, spreads: _Spreads, tally: VehicleCounts
) -> Iterator[RiddenVehicle]:
    for name, logs in rides.by_vehicle():
        whole = _summed(logs, most_logs)
        item = RiddenVehicle(_vehicle(name, whole, spreads if whole.ranked else {}), whole.months)
        tally.add(item)
        yield item


def _vehicle(name: str, whole: _Sum, spreads: _Spreads) -> ScreenedVehicle:
    standings = tuple(
        _standing(figure, value, count, spreads.get(figure))
        for figure, (value, count) in whole.values().items()
    )
    blamed = whole.parts()
    points = suspicion(blamed, standings, whole.rides)
    reduced_s = whole.values().get(ScreenFigure.HEAT_S_PER_SLOW_MIN, (0.0, 0))[0]
    fit_known, fit_reason = whole.fit or (None, "")
    return ScreenedVehicle(
        place=0,
        name=name,
        batch=whole.batch,
        model_year=whole.model_year,
        logs=tuple(whole.logs),
        rides=whole.rides,
        riding_s=whole.riding_s,
        codes=dict(whole.codes.most_common()),
        blamed=blamed,
        standings=standings,
        ranked=whole.ranked,
        points=points,
        designed=points < 1.0 and (reduced_s > 0.0 or bool(_DESIGNED & set(whole.codes))),
        fit_known=fit_known,
        fit_reason=fit_reason,
    )


_DESIGNED: Final = frozenset({Code.THERMAL_PROTECTION, Code.DUTY_PROTECTION})


def _at(item: RiddenVehicle, place: int) -> ScreenedVehicle:
    return replace(item.vehicle, place=place)


def _badness(item: RiddenVehicle) -> tuple[bool, float, float, str]:
    """Order: ranked first; then how far and how surely it is out; hot ones before the rest."""
    vehicle = item.vehicle
    points = vehicle.points if vehicle.flagged else 0.0
    return (not vehicle.ranked, -points, 0.0 if vehicle.designed else 1.0, vehicle.name)

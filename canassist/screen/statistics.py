"""What a fleet's figures say: rates with intervals, and who stands apart. Pure."""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from statistics import median
from types import MappingProxyType
from typing import Final

from canassist.model.screening import (
    FigureSpread,
    Rate,
    ScreenedLog,
    ScreenedVehicle,
    ScreenFigure,
    Screening,
    Standing,
)

MIN_RIDING_S: Final = 120.0
"""A vehicle with less riding than this in all is not ranked (our choice)."""
Z_LIMIT: Final = 3.5
"""Robust z-score from which a vehicle stands apart (Iglewicz and Hoaglin 1993, from memory)."""
MIN_VEHICLES: Final = 8
"""A spread of fewer vehicles says too little to call one of them apart (our choice)."""
MAD_TO_SIGMA: Final = 1.4826
"""1 / 0.6745: makes the median absolute deviation a standard deviation, for normal data."""
NORMAL_95: Final = 1.959964
"""Two-sided 95 % point of the normal distribution."""


@dataclass(frozen=True, slots=True)
class _Way:
    words: str
    unit: str
    bad: int  # +1: high is bad, -1: low is bad, 0: both
    floor: float  # spread of sound vehicles and of the estimate itself, at least (our choice)


WAYS: Final[Mapping[ScreenFigure, _Way]] = MappingProxyType(
    {
        ScreenFigure.PATH_OHM: _Way("Supply path resistance", "Ω", +1, 0.003),
        ScreenFigure.CHARGING_V: _Way("Charging voltage", "V", 0, 0.15),
        ScreenFigure.OFFSET_NM: _Way("Driver torque at rest", "N·m", 0, 0.05),
        ScreenFigure.DERATE_S_PER_SLOW_MIN: _Way(
            "Reduced assist per minute of slow steering", "s/min", +1, 3.0
        ),
        ScreenFigure.ONSET_C: _Way("Module temperature where heat derating began", "°C", -1, 2.0),
    }
)


def wilson(affected: int, of: int) -> tuple[float, float]:
    """Return the 95 % interval of a share.

    Parameters
    ----------
    affected, of : int
        How many of how many.

    Returns
    -------
    low, high : float
        0..1; the whole range where there is nothing to count.

    References
    ----------
    .. [1] E. B. Wilson, "Probable inference, the law of succession, and statistical
       inference", J. Am. Stat. Assoc. 22 (1927): the score interval.
    """
    if not of:
        return 0.0, 1.0
    share, z2 = affected / of, NORMAL_95**2
    middle = (share + z2 / (2 * of)) / (1 + z2 / of)
    half = NORMAL_95 * math.sqrt(share * (1 - share) / of + z2 / (4 * of * of)) / (1 + z2 / of)
    low = 0.0 if affected == 0 else middle - half
    high = 1.0 if affected == of else middle + half
    return max(0.0, low), min(1.0, high)


def spread_of(values: Sequence[float], floor: float) -> tuple[float, float]:
    """Return the median, and the median absolute deviation as a standard deviation.

    The latter is at least `floor`, so that sameness makes no outlier of a trifle.
    """
    middle = median(values)
    deviation = MAD_TO_SIGMA * median(abs(value - middle) for value in values)
    return middle, max(deviation, floor)


def screening(logs: Iterable[ScreenedLog], *, version: str) -> Screening:
    """Put a fleet's logs together by vehicle and rank the vehicles.

    Parameters
    ----------
    logs : iterable of ScreenedLog
        All logs; those without a vehicle stand for themselves.
    version : str
        Of the tool.
    """
    every = list(logs)
    counted = [item for item in every if item.status == "read" and not item.duplicate]
    grouped: dict[str, list[ScreenedLog]] = defaultdict(list)
    for item in counted:
        grouped[item.vehicle or item.log].append(item)
    ranked = {name: _riding_s(rides) >= MIN_RIDING_S for name, rides in grouped.items()}
    figures = {name: _figures(rides) for name, rides in grouped.items()}
    spreads = _spreads([figures[name] for name in grouped if ranked[name]])
    vehicles = [
        _vehicle(name, rides, figures[name], spreads if ranked[name] else {})
        for name, rides in grouped.items()
    ]
    placed = _placed(vehicles)
    able = [item for item in placed if item.ranked]
    return Screening(
        version=version,
        logs=len(every),
        read=sum(item.status == "read" for item in every),
        duplicates=sum(item.duplicate for item in every),
        vehicles=placed,
        by_code=_by_code(able),
        by_batch=_by_group(able, lambda item: item.batch or item.model_year),
        by_month=_by_month(able),
        spreads=tuple(_drawn(figure, spreads, placed) for figure in ScreenFigure),
        unread=tuple(item for item in every if item.status != "read"),
        named=any(item.vehicle for item in every),
        min_riding_s=MIN_RIDING_S,
        z_limit=Z_LIMIT,
    )


def _riding_s(rides: Sequence[ScreenedLog]) -> float:
    return sum(
        item.duration_s if item.engine_running_s is None else item.engine_running_s
        for item in rides
    )


_Values = dict[ScreenFigure, tuple[float, int]]


def _figures(rides: Sequence[ScreenedLog]) -> _Values:
    """Return the median over rides of each figure, and over how many."""
    found: _Values = {}
    for figure in ScreenFigure:
        values = [item.figures[figure] for item in rides if figure in item.figures]
        if values:
            found[figure] = (median(values), len(values))
    return found


def _spreads(vehicles: Sequence[_Values]) -> dict[ScreenFigure, tuple[float, float]]:
    found = {}
    for figure, way in WAYS.items():
        values = [item[figure][0] for item in vehicles if figure in item]
        if len(values) >= MIN_VEHICLES:
            found[figure] = spread_of(values, way.floor)
    return found


def _standing(
    figure: ScreenFigure, value: float, rides: int, spread: tuple[float, float] | None
) -> Standing:
    if spread is None:
        return Standing(figure=figure, value=value, z=None, outlier=False, rides=rides)
    z = (value - spread[0]) / spread[1]
    bad = WAYS[figure].bad
    outlier = (abs(z) if bad == 0 else bad * z) > Z_LIMIT
    return Standing(figure=figure, value=value, z=z, outlier=outlier, rides=rides)


def _vehicle(
    name: str,
    rides: Sequence[ScreenedLog],
    figures: _Values,
    spreads: Mapping[ScreenFigure, tuple[float, float]],
) -> ScreenedVehicle:
    faults = Counter(item.code for item in rides if item.blames)
    return ScreenedVehicle(
        place=0,
        name=name,
        batch=_first(item.batch for item in rides),
        model_year=_first(item.model_year for item in rides),
        logs=tuple(sorted(rides, key=lambda item: (not item.blames, item.log))),
        riding_s=_riding_s(rides),
        codes=dict(Counter(item.code for item in rides).most_common()),
        faults=tuple(code for code, _ in faults.most_common()),
        standings=tuple(
            _standing(figure, value, count, spreads.get(figure))
            for figure, (value, count) in figures.items()
        ),
        ranked=_riding_s(rides) >= MIN_RIDING_S,
    )


def _first(texts: Iterable[str]) -> str:
    return next((text for text in texts if text), "")


def _placed(vehicles: Iterable[ScreenedVehicle]) -> tuple[ScreenedVehicle, ...]:
    ordered = sorted(vehicles, key=_badness)
    return tuple(replace(item, place=place) for place, item in enumerate(ordered, 1))


def _badness(vehicle: ScreenedVehicle) -> tuple[bool, bool, float, float, str]:
    """Order: ranked first; a fault before mere standing apart; then how often, how far."""
    share = sum(item.blames for item in vehicle.logs) / len(vehicle.logs)
    far = max((abs(item.z or 0.0) for item in vehicle.standings if item.outlier), default=0.0)
    return (not vehicle.ranked, not vehicle.flagged, -share, -far, vehicle.name)


def _rate(label: str, affected: Sequence[ScreenedVehicle], of: int) -> Rate:
    low, high = wilson(len(affected), of)
    places = tuple(item.place for item in affected)
    return Rate(label=label, affected=len(affected), vehicles=of, low=low, high=high, places=places)


def _by_code(vehicles: Sequence[ScreenedVehicle]) -> tuple[Rate, ...]:
    codes = sorted({code for item in vehicles for code in item.codes})
    rates = [
        _rate(code, [item for item in vehicles if code in item.codes], len(vehicles))
        for code in codes
    ]
    return tuple(sorted(rates, key=lambda rate: (-rate.affected, rate.label)))


def _by_group(
    vehicles: Sequence[ScreenedVehicle], group_of: Callable[[ScreenedVehicle], str]
) -> tuple[Rate, ...]:
    groups: dict[str, list[ScreenedVehicle]] = defaultdict(list)
    for item in vehicles:
        groups[group_of(item)].append(item)
    if set(groups) <= {""}:
        return ()
    return tuple(
        _rate(label or "not told", [item for item in members if item.flagged], len(members))
        for label, members in sorted(groups.items())
    )


def _by_month(vehicles: Sequence[ScreenedVehicle]) -> tuple[Rate, ...]:
    ridden: dict[str, dict[int, bool]] = defaultdict(dict)
    for vehicle in vehicles:
        for item in vehicle.logs:
            affected = ridden[item.month]
            affected[vehicle.place] = affected.get(vehicle.place, False) or item.blames
    by_place = {item.place: item for item in vehicles}
    return tuple(
        _rate(month, [by_place[place] for place, bad in seen.items() if bad], len(seen))
        for month, seen in sorted(ridden.items())
    )


def _drawn(
    figure: ScreenFigure,
    spreads: Mapping[ScreenFigure, tuple[float, float]],
    vehicles: Sequence[ScreenedVehicle],
) -> FigureSpread:
    middle, spread = spreads.get(figure, (math.nan, math.nan))
    values = tuple(
        (vehicle.place, vehicle.name, standing.value, standing.outlier)
        for vehicle in vehicles
        if vehicle.ranked
        for standing in vehicle.standings
        if standing.figure is figure
    )
    way = WAYS[figure]
    return FigureSpread(
        figure=figure, words=way.words, unit=way.unit, middle=middle, spread=spread, values=values
    )

"""The module's law over temperature and supply, from the envelopes of many rides."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.learning.limit_levels import FAST, fast_name
from canassist.learning.limit_samples import FULL_PCT
from canassist.model import LawPoint, LearnedFigure
from canassist.stats import falling

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from canassist.model import BinnedLevel, FloatArray, RideFigures

Curve = tuple[tuple[float, float], ...]

BAND_LEAST_S: Final = {"temperature": 1.0, "supply": 0.3, "road_speed": 2.0, "engine_speed": 2.0}
"""A band that all rides together spent less in is not drawn."""

BY: Final = {"temperature": "degC", "supply": "V", "road_speed": "km/h", "engine_speed": "rpm"}

SCATTER_MOST_PCT: Final = 10.0
"""Rides that lie apart by more than this in the mean show no law."""

NOT_ONE_WAY_PCT: Final = 5.0
"""Levels of speed that lie this far from any law that rises or falls show none."""

REDUCED_PCT: Final = 95.0
"""A curve that never goes below this was not ridden to where it tells anything."""

NEAR_PCT: Final = 2.0
"""Points that a straight line reproduces this closely are left out."""

LEAST_BANDS: Final = 3
GAP_BANDS: Final = 3.0
SLOPE_BANDS: Final = 6
"""A law of which no band was ridden over so many is begun by the slope of so many (own choice)."""

ALL_PCT: Final = 100.0
SLOPE_LEAST_PCT: Final = 10.0
"""Less than this below full shows no slope to go on with."""


def law(
    rides: Sequence[RideFigures], quantity: str, *, rises: bool
) -> tuple[Curve, LearnedFigure | None, tuple[LawPoint, ...]]:
    """Return the curve of a quantity, its figure, and each vehicle's points.

    In each band the median over vehicles of their rides' time-weighted levels; then the
    nearest sequence that never turns back (least squares); then as few points as tell it.

    Parameters
    ----------
    rises : bool
        Whether assist rises with the quantity (supply) or falls (temperature).
    """
    points, bands = _bands(rides, quantity)
    if len(bands) < LEAST_BANDS or min(level for _, level, _ in bands) >= REDUCED_PCT:
        return (), None, points
    x, level, weight = (np.array(column) for column in zip(*bands, strict=True))
    if level.max() < FULL_PCT:
        return (), None, points
    smooth = _one_way(level, weight, rises)
    if _scatter(rides, quantity, x, smooth) > SCATTER_MOST_PCT:
        return (), None, points
    begun = _begun(x, smooth, rises)
    if begun is None:
        return (), None, points
    curve = _continued(_simplified(*begun), rises)
    return curve, _figure(rides, quantity, curve, level), points


def beside_speed(
    rides: Sequence[RideFigures], quantity: str, laws: Mapping[str, Curve]
) -> list[RideFigures]:
    """Leave out levels that a law of speed may have set.

    Kept is what was read where the laws leave everything, and of the rest what lies below the
    least that they leave.
    """
    floor = min((pct for curve in laws.values() for _, pct in curve), default=ALL_PCT)
    place = next((n for n, speeds in enumerate(FAST) if _all_left(laws, *speeds)), None)
    found = []
    for ride in rides:
        beside = tuple(_beside(ride, quantity, floor, place))
        found.append(replace(ride, levels={**ride.levels, quantity: beside}))
    return found


def _all_left(laws: Mapping[str, Curve], kph: float, rpm: float) -> bool:
    """Tell whether the laws leave everything from these speeds on."""
    at = {"road_speed": kph, "engine_speed": rpm}
    return all(
        pct >= ALL_PCT for name, curve in laws.items() for x, pct in curve if x >= at[name]
    ) and all(np.interp(at[name], *np.array(curve).T) >= ALL_PCT for name, curve in laws.items())


def _beside(
    ride: RideFigures, quantity: str, floor_pct: float, place: int | None
) -> Iterator[BinnedLevel]:
    name = "" if place is None else fast_name(quantity, place)
    fast = {item.x: item for item in ride.levels.get(name, ())}
    yield from fast.values()
    for item in ride.levels.get(quantity, ()):
        if item.x not in fast and (
            item.level_pct >= FULL_PCT or item.level_pct < floor_pct - NEAR_PCT
        ):
            yield item


def speed_law(
    rides: Sequence[RideFigures], quantity: str
) -> tuple[Curve, LearnedFigure | None, tuple[LawPoint, ...]]:
    """Return the curve of road or engine speed, its figure, and each vehicle's points.

    Whether assist rises with speed or falls, the ride says. A law takes that two rides or
    more show it, unless there is one only; it goes on flat beyond what was ridden.
    """
    points, bands = _bands(rides, quantity)
    low = [x for x, level, _ in bands if level < REDUCED_PCT]
    shown = sum(
        any(item.x in low and item.level_pct < REDUCED_PCT for item in ride.levels[quantity])
        for ride in rides
        if quantity in ride.levels
    )
    have = sum(quantity in ride.levels for ride in rides)
    if not low or len(bands) < LEAST_BANDS or shown < min(2, have):
        return (), None, points
    x, level, weight = (np.array(column) for column in zip(*bands, strict=True))
    ways = [_one_way(level, weight, rises) for rises in (True, False)]
    errors = [float((weight * (way - level) ** 2).sum() / weight.sum()) for way in ways]
    place = int(np.argmin(errors))
    if errors[place] > NOT_ONE_WAY_PCT**2 or ways[place].max() < ALL_PCT:
        return (), None, points
    curve = _simplified(x, ways[place])
    return curve, _figure(rides, quantity, curve, level), points


def _scatter(
    rides: Sequence[RideFigures], quantity: str, x: FloatArray, smooth: FloatArray
) -> float:
    """Return how far the rides' levels lie from the law where it reduces, in %, by time.

    What another cause takes away follows no law of this quantity: rides then disagree.
    """
    items = [item for ride in rides for item in ride.levels.get(quantity, ())]
    at, level, weight = (np.array(column) for column in zip(*items, strict=True))
    law_pct = np.interp(at, x, smooth)
    low = (law_pct < REDUCED_PCT) & (at >= x[0]) & (at <= x[-1])
    apart = np.abs(level - law_pct)[low]
    return float(np.average(apart, weights=weight[low])) if low.any() else 0.0


def miss(rides: Sequence[RideFigures], quantity: str, curve: Curve) -> float:
    """Return by how much the rides' levels miss a curve, in %, weighted by time."""
    at, pct = np.array(curve).T
    items = [item for ride in rides for item in ride.levels.get(quantity, ())]
    x, level, weight = (np.array(column) for column in zip(*items, strict=True))
    apart = (level - np.interp(x, at, pct)) ** 2
    return float(np.sqrt((weight * apart).sum() / weight.sum()))


def _bands(
    rides: Sequence[RideFigures], quantity: str
) -> tuple[tuple[LawPoint, ...], list[tuple[float, float, float]]]:
    """Return each vehicle's points, and band by band x, level and seconds."""
    table = by_band(rides, quantity)
    points = tuple(
        LawPoint(vehicle, x, level)
        for x, levels in sorted(table.items())
        for vehicle, (level, _) in sorted(levels.items())
    )
    bands = [
        (x, float(np.median([level for level, _ in levels.values()])), seconds)
        for x, levels in sorted(table.items())
        if (seconds := sum(weight for _, weight in levels.values())) >= BAND_LEAST_S[quantity]
    ]
    return points, bands


def _one_way(level: FloatArray, weight: FloatArray, rises: bool) -> FloatArray:
    """Return the nearest levels that never turn back; near full is full."""
    order = slice(None, None, -1) if rises else slice(None)
    smooth = falling(level[order], weight[order])[order]
    return np.where(smooth >= FULL_PCT, ALL_PCT, smooth)


def _figure(
    rides: Sequence[RideFigures], quantity: str, curve: Curve, level: FloatArray
) -> LearnedFigure:
    have = [ride for ride in rides if quantity in ride.levels]
    return LearnedFigure(
        value=curve,
        low=float(level.min().round(1)),
        high=ALL_PCT,
        unit="%",
        by=BY[quantity],
        rides=len(have),
        vehicles=len({ride.vehicle for ride in have}),
        seconds=round(sum(item.seconds for ride in have for item in ride.levels[quantity]), 1),
    )


def first_reduced(curve: Curve) -> float:
    """Return the last x at which all assist is left before it begins to fall."""
    return max((x for x, level in curve if level >= ALL_PCT), default=float("nan"))


def last_reduced(curve: Curve) -> float:
    """Return the first x from which all assist is left again."""
    return min((x for x, level in curve if level >= ALL_PCT), default=float("nan"))


def _begun(x: FloatArray, level: FloatArray, rises: bool) -> tuple[FloatArray, FloatArray] | None:
    """Say where a law begins of which only a deep part was ridden.

    Across a gap between the last full band and the first reduced one, the law goes on with the
    slope of its reduced part; from one reduced band alone nobody can tell (None).
    """
    side = -1 if rises else 1
    at, pct = (x, level) if side > 0 else (x[::-1], level[::-1])
    first = int(np.argmax(pct < REDUCED_PCT))
    if first == 0 or abs(at[first] - at[first - 1]) <= GAP_BANDS * np.abs(np.diff(x)).min():
        return x, level
    low = slice(first, first + SLOPE_BANDS)
    if len(at[low]) < 2:  # noqa: PLR2004 - a slope takes two
        return None
    slope = float(np.polyfit(at[low], pct[low], 1)[0]) * side
    start = at[first] - side * (ALL_PCT - pct[first]) / max(-slope, np.finfo(float).tiny)
    if not min(at[first - 1], at[first]) < start < max(at[first - 1], at[first]):
        return x, level
    at, pct = np.insert(at, first, start), np.insert(pct, first, ALL_PCT)
    return (at, pct) if side > 0 else (at[::-1], pct[::-1])


def _continued(curve: Curve, rises: bool) -> Curve:
    """Go on beyond what was ridden with the mean slope from full assist, down to none.

    Flat beyond its end, a curve would call every deeper reduction a fault of the module;
    nobody rode there, so the law is taken to go on as it began.
    """
    points = curve[::-1] if rises else curve
    start = [x for x, level in points if level >= ALL_PCT]
    last_x, last = points[-1]
    if not start or last <= 0.0 or last >= ALL_PCT - SLOPE_LEAST_PCT:
        return curve
    run = (last_x - start[-1]) / (ALL_PCT - last)
    end = (float(f"{last_x + run * last:.5g}"), 0.0)
    return (end, *curve) if rises else (*curve, end)


def by_band(
    rides: Sequence[RideFigures], quantity: str
) -> dict[float, dict[str, tuple[float, float]]]:
    """Return band -> vehicle -> (level in %, seconds); a vehicle's rides weighted by time."""
    collected: dict[float, dict[str, list[BinnedLevel]]] = defaultdict(lambda: defaultdict(list))
    for ride in rides:
        for item in ride.levels.get(quantity, ()):
            collected[round(item.x, 6)][ride.vehicle].append(item)
    return {
        x: {vehicle: _joined(items) for vehicle, items in vehicles.items()}
        for x, vehicles in collected.items()
    }


def _joined(items: Sequence[BinnedLevel]) -> tuple[float, float]:
    seconds = sum(item.seconds for item in items)
    return sum(item.level_pct * item.seconds for item in items) / seconds, seconds


def _simplified(x: FloatArray, level: FloatArray) -> Curve:
    """Keep the ends and every point that a straight line between kept ones would miss."""
    kept = {0, len(x) - 1}
    stack = [(0, len(x) - 1)]
    while stack:
        first, last = stack.pop()
        if last - first < 2:  # noqa: PLR2004 - nothing lies between
            continue
        inner = np.arange(first + 1, last)
        line = np.interp(x[inner], x[[first, last]], level[[first, last]])
        miss = np.abs(level[inner] - line)
        if miss.max() > NEAR_PCT:
            worst = int(inner[int(miss.argmax())])
            kept.add(worst)
            stack += [(first, worst), (worst, last)]
    rows = sorted(kept)
    return tuple((float(f"{x[row]:.5g}"), float(round(level[row], 1))) for row in rows)

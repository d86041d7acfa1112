"""The module's law over temperature and supply, from the envelopes of many rides."""

from __future__ import annotations

from collections import defaultdict
from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.learning.limit_levels import FULL_PCT
from canassist.model import LawPoint, LearnedFigure
from canassist.stats import falling

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canassist.model import BinnedLevel, FloatArray, RideFigures

Curve = tuple[tuple[float, float], ...]

BAND_LEAST_S: Final = 1.0
"""A band that all rides together spent less in is not drawn."""

REDUCED_PCT: Final = 95.0
"""A curve that never goes below this was not ridden to where it tells anything."""

NEAR_PCT: Final = 2.0
"""Points that a straight line reproduces this closely are left out."""

LEAST_BANDS: Final = 3
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
    table = _by_band(rides, quantity)
    points = tuple(
        LawPoint(vehicle, x, level)
        for x, levels in sorted(table.items())
        for vehicle, (level, _) in sorted(levels.items())
    )
    bands = [
        (x, float(np.median([level for level, _ in levels.values()])), seconds)
        for x, levels in sorted(table.items())
        if (seconds := sum(weight for _, weight in levels.values())) >= BAND_LEAST_S
    ]
    if len(bands) < LEAST_BANDS or min(level for _, level, _ in bands) >= REDUCED_PCT:
        return (), None, points
    x, level, weight = (np.array(column) for column in zip(*bands, strict=True))
    order = slice(None, None, -1) if rises else slice(None)
    smooth = falling(level[order], weight[order])[order]
    curve = _continued(_simplified(x, np.where(smooth >= FULL_PCT, ALL_PCT, smooth)), rises)
    have = [ride for ride in rides if quantity in ride.levels]
    figure = LearnedFigure(
        value=curve,
        low=float(level.min().round(1)),
        high=ALL_PCT,
        unit="%",
        by="degC" if quantity == "temperature" else "V",
        rides=len(have),
        vehicles=len({ride.vehicle for ride in have}),
    )
    return curve, figure, points


def first_reduced(curve: Curve) -> float:
    """Return the last x at which all assist is left before it begins to fall."""
    return max((x for x, level in curve if level >= ALL_PCT), default=float("nan"))


def last_reduced(curve: Curve) -> float:
    """Return the first x from which all assist is left again."""
    return min((x for x, level in curve if level >= ALL_PCT), default=float("nan"))


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


def _by_band(
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

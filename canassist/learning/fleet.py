"""Figures of several vehicles as one: between vehicles and within one kept apart."""

from __future__ import annotations

from collections import defaultdict
from typing import TYPE_CHECKING, Final, Literal

import numpy as np

from canassist.model import LawPoint, LearnedFigure
from canassist.stats import tolerance_factor

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canassist.model import RideFigures

FEW_VEHICLES: Final = 3
"""From so many on vehicles are taken as a sample of the model."""


BEHIND: Final = {
    "path_ohm": "low_speed_steering_s",
    "rest_torque_nm": "rest_s",
    "charging_v": "charging_s",
    "assist_lag_s": "low_speed_steering_s",
    "side_difference": "low_speed_steering_s",
    "effort_p90_nm": "low_speed_steering_s",
    "heat_tau_s": "engine_running_s",
    "heat_gain_k_per_a2": "engine_running_s",
}
"""Riding that stands behind a figure."""


def seconds_of(rides: Sequence[RideFigures], name: str) -> float | None:
    """Return for how long a figure was ridden, all rides together; None where it is not counted."""
    if name not in BEHIND:
        return None
    have = [ride.seconds.get(BEHIND[name], 0.0) for ride in rides if name in ride.figures]
    return round(sum(have), 1)


def points_of(rides: Sequence[RideFigures], name: str) -> tuple[LawPoint, ...]:
    """Return each ride's figure; x counts the rides."""
    have = [ride for ride in rides if name in ride.figures]
    return tuple(
        LawPoint(ride.vehicle, float(place + 1), ride.figures[name])
        for place, ride in enumerate(have)
    )


def middle(rides: Sequence[RideFigures], name: str, unit: str) -> LearnedFigure | None:
    """Return the median over vehicles of their rides' medians, and the range of vehicles."""
    means = _by_vehicle(rides, name)
    if not means:
        return None
    return LearnedFigure(
        seconds=seconds_of(rides, name),
        value=_rounded(float(np.median(means))),
        low=_rounded(min(means)),
        high=_rounded(max(means)),
        unit=unit,
        rides=len(points_of(rides, name)),
        vehicles=len(means),
    )


def bound(  # noqa: PLR0913 - a bound is said in these words
    rides: Sequence[RideFigures],
    name: str,
    unit: str,
    *,
    side: Literal["upper", "lower"],
    least: float,
    most: float,
    room: float,
    sensor_share: float = 0.0,
    size_only: bool = False,
) -> LearnedFigure | None:
    """Return the value that 95 % of vehicles keep to, with 95 % confidence.

    From three vehicles on, the one-sided normal tolerance bound of the vehicles' means,
    never nearer than the farthest ride seen; with fewer, the farthest ride and `room`
    beyond it. Always within what physics allows (`least`, `most`).

    Parameters
    ----------
    side : {"upper", "lower"}
        On which side values are bad.
    least, most : float
        The physical range of the limit.
    room : float
        How far beyond the farthest ride the bound lies with one vehicle or two, in `unit`
        (own choice: such rides do not tell what another vehicle may do).
    sensor_share : float
        Share of the bound by which sensors' gain errors may move it.
    size_only : bool
        Whether only the size counts, as with an offset.
    """
    points = [abs(p.y) if size_only else p.y for p in points_of(rides, name)]
    means = _by_vehicle(rides, name, size_only=size_only)
    if not means:
        return None
    sign = 1.0 if side == "upper" else -1.0
    farthest = sign * max(sign * value for value in points)
    if len(means) >= FEW_VEHICLES:
        reach = tolerance_factor(len(means)) * float(np.std(means, ddof=1))
        value = float(np.mean(means)) + sign * reach
        value = sign * max(sign * value, sign * farthest)
    else:
        value = farthest + sign * room
    value += sign * sensor_share * abs(value)
    return LearnedFigure(
        seconds=seconds_of(rides, name),
        value=_rounded(min(max(value, least), most)),
        low=_rounded(min(means)),
        high=_rounded(max(means)),
        unit=unit,
        rides=len(points),
        vehicles=len(means),
    )


def _by_vehicle(rides: Sequence[RideFigures], name: str, *, size_only: bool = False) -> list[float]:
    found: dict[str, list[float]] = defaultdict(list)
    for ride in rides:
        if name in ride.figures:
            value = ride.figures[name]
            found[ride.vehicle].append(abs(value) if size_only else value)
    return [float(np.median(values)) for _, values in sorted(found.items())]


def _rounded(value: float) -> float:
    """Return a figure with four significant digits: no ride carries more."""
    return float(f"{value:.4g}")

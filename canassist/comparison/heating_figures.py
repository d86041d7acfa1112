"""Heating of the module per load: both sides fitted together with shared time constants."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from canassist.comparison.air_speed import (
    blown_alike,
    blown_response,
    blown_span,
    shed_of_steps,
)
from canassist.comparison.measured_figure import Measured, NotComparable, all_have, lacking
from canassist.comparison.significance import SpreadDifference, gap_of
from canassist.model import Estimate, Overlay, Points
from canassist.physics import mean_response
from canassist.stats import pooled, t95
from canassist.timeline import with_known_units

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canassist.comparison.margins import Margin
    from canassist.comparison.measured_figure import Side
    from canassist.model import FloatArray, Result

STEP_S: Final = 1.0
"""Heat moves slowly: temperature and the square of current are averaged over this."""

LEAST_STEPS: Final = 60
LEAST_RISE_K: Final = 3.0
"""A temperature that moved less says nothing on what heats it."""

LEAST_KNOWN: Final = 0.8
"""Share of a ride over which current must be known: what is not seen heats too."""

SLOW_S: Final = (30.0, 3000.0)
"""Range in which the time constant of housing and mounting is looked for."""

FAST_S: Final = (0.0, 2.0, 3.0, 4.5, 7.0, 11.0)
"""Time constants tried for the power stage on its housing; 0: none."""

WORTH: Final = 0.98
"""A power stage of its own is kept where it leaves at most this share of the squared error."""

ROUNDS: Final = 24
"""Of the golden section: it narrows the range a hundred thousand times."""

STRETCH_STEPS: Final = 20
"""What is left over hangs together over slow swings: stretches of 20 s count as one."""

NUDGE: Final = 1e-3
"""Step in the logarithm of a time constant by which its effect is measured."""

WORDS: Final = {
    "module_temperature": "module temperature",
    "motor_current": "motor current",
    "module_current": "module current",
}


class _Ride(NamedTuple):
    """One ride in steps: middle times, temperature (NaN unknown), current squared, its side.

    ``shed`` is how well its air took heat away, 1 standing; None where air counts for nothing.
    """

    time_s: FloatArray
    heat_c: FloatArray
    load_a2: FloatArray
    side: int
    shed: FloatArray | None = None

    def decay(self, tau_s: float) -> FloatArray:
        """Return what is left at each step of what the module had at first."""
        if self.shed is None:
            return np.exp(-self.time_s / tau_s)
        return np.exp(-blown_span(self.shed, tau_s)[:-1])

    def response(self, tau_s: float) -> FloatArray:
        """Return the response to the load with this time constant of the housing."""
        if self.shed is None:
            return mean_response(self.load_a2, tau_s, STEP_S)
        return blown_response(self.load_a2, self.shed, tau_s)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Problem:
    """All rides stacked: known rows, stretch of each, and what is to be explained."""

    rides: tuple[_Ride, ...]
    known: np.ndarray
    stretch: np.ndarray
    heat_c: FloatArray

    def design(self, slow_s: float, fast_s: float) -> FloatArray:
        """Return one row a known step; the last columns are the gains, A's then B's."""
        taus = [slow_s] + [fast_s] * (fast_s > 0.0)
        own = 1 + len(taus)
        rows = sum(len(ride.time_s) for ride in self.rides)
        table = np.zeros((rows, own * len(self.rides) + 2 * len(taus)))
        first = 0
        for place, ride in enumerate(self.rides):
            part = slice(first, first + len(ride.time_s))
            table[part, own * place] = 1.0
            for number, tau in enumerate(taus):
                at = ride if number == 0 else ride._replace(shed=None)  # air blows on the housing
                table[part, own * place + 1 + number] = at.decay(tau)
                column = own * len(self.rides) + ride.side * len(taus) + number
                table[part, column] = at.response(tau)
            first = part.stop
        return np.asarray(table[self.known])

    def error(self, slow_s: float, fast_s: float) -> float:
        """Return the squared error of the best fit at these time constants."""
        table = self.design(slow_s, fast_s)
        linear = _solve(table, self.heat_c)
        left = self.heat_c - table @ linear
        return float(left @ left)


def compare_heating(a: Side, b: Side, margin: Margin | None) -> Measured | NotComparable:
    """Compare the settled rise per ampere squared, as far as air cannot have made it differ.

    Without a `margin` both sides are the very same recording, and air was too.

    Both sides share the time constants, so that what one ride cannot tell of its own
    cooling does not blur the comparison; ambient and starting temperature are each
    ride's own. The spread respects that what is left over hangs together in time.

    References
    ----------
    .. [1] First-order heating, ``dT/dt = (ambient + gain * I**2 - T) / tau`` (any text on
       heat transfer), exact for a current that is constant over each step; two nodes in
       a row give a sum of two.
    .. [2] Spread of a fit with correlated errors: K.-Y. Liang and S. L. Zeger (1986),
       Biometrika 73, with stretches of time as clusters.
    """
    names = [name for name in ("motor_current", "module_current") if all_have(a + b, name)]
    if not names or lacking(a, b, "module_temperature", words=WORDS):
        missing = lacking(a, b, "module_temperature", "motor_current", words=WORDS)
        return NotComparable(missing or "the two sides tell different currents")
    still = _compared(a, b, names[0], with_air=False)
    if isinstance(still, NotComparable) or margin is None:
        return still
    return blown_alike(still, _compared(a, b, names[0], with_air=True), margin)


def _compared(a: Side, b: Side, current: str, *, with_air: bool) -> Measured | NotComparable:
    rides = [
        ride
        for number, side in enumerate((a, b))
        for result in side
        if (ride := _steps(result, current, number)) is not None
    ]
    for number, label in enumerate("AB"):
        if not any(ride.side == number for ride in rides):
            return NotComparable(
                f"the module of {{{label}}} warmed too little, or too little was seen"
            )
    if not with_air:
        rides = [ride._replace(shed=None) for ride in rides]
    elif any(ride.shed is None for ride in rides):
        return NotComparable("the road speed of a ride is not known, and air cools the module")
    problem = _stacked(rides)
    slow_s, fast_s = _search(problem)
    if min(abs(math.log(slow_s / end)) for end in SLOW_S) < 0.05:  # noqa: PLR2004 - at an end
        return NotComparable("the rides are too short or too steady to show how the module cools")
    return _judged(problem, slow_s, fast_s, current)


def compare_time_constant(a: Side, b: Side) -> Measured | NotComparable:
    """Compare how slowly the module cools, each side's own estimate."""
    own = [
        pooled([one.physics.thermal.tau_s for one in side if one.physics.thermal is not None])
        for side in (a, b)
    ]
    if own[0] is None or own[1] is None:
        label = "A" if own[0] is None else "B"
        return NotComparable(f"{{{label}}} does not show how its module cools", own[0], own[1])
    if min(own[0].low, own[1].low) <= 0.0:
        return NotComparable("one ride hardly shows how its module cools", own[0], own[1])
    return Measured(
        a=own[0],
        b=own[1],
        gap=gap_of(own[0], own[1], relative=True),
        conditions="each ride's own fit of temperature on load",
    )


def _steps(result: Result, current: str, side: int) -> _Ride | None:
    timeline = with_known_units(result.timeline)
    temperature = timeline.get("module_temperature")
    if temperature is None:
        return None
    count = max(int(timeline.duration_s / STEP_S), 1)
    heat_c = _binned(*temperature.valid(), count)
    time_s, value = timeline.channels[current].valid()
    load_a2 = _binned(time_s, value**2, count)
    known = np.isfinite(heat_c)
    if known.sum() < LEAST_STEPS or np.ptp(heat_c[known]) < LEAST_RISE_K:
        return None
    if np.isfinite(load_a2).mean() < LEAST_KNOWN:
        return None
    middle_s = (np.arange(count, dtype=np.float64) + 0.5) * STEP_S
    shed = shed_of_steps(result, middle_s)
    return _Ride(middle_s, heat_c, np.nan_to_num(load_a2), side, shed)


def _binned(time_s: FloatArray, value: FloatArray, count: int) -> FloatArray:
    """Return means over steps, NaN where a step holds no sample."""
    row = np.minimum((time_s / STEP_S).astype(np.int64), count - 1)
    number = np.bincount(row, minlength=count)
    total = np.bincount(row, weights=value, minlength=count)
    return np.where(number > 0, total / np.maximum(number, 1), np.nan)


def _stacked(rides: Sequence[_Ride]) -> _Problem:
    heat = np.concatenate([ride.heat_c for ride in rides])
    known = np.flatnonzero(np.isfinite(heat))
    stretch = np.concatenate(
        [
            np.arange(len(ride.time_s)) // STRETCH_STEPS + place * 10**6
            for place, ride in enumerate(rides)
        ]
    )
    return _Problem(rides=tuple(rides), known=known, stretch=stretch[known], heat_c=heat[known])


def _search(problem: _Problem) -> tuple[float, float]:
    """Return the time constants with the least squared error."""
    plain, best = None, None
    for fast_s in FAST_S:
        found = (*_golden(problem, fast_s), fast_s)
        if fast_s == 0.0:
            plain = found
        elif best is None or found[0] < best[0]:
            best = found
    if plain is None or best is None:
        message = "no time constant was tried"
        raise ValueError(message)
    chosen = best if best[0] <= WORTH * plain[0] else plain
    return chosen[1], chosen[2]


GOLDEN: Final = (math.sqrt(5.0) - 1.0) / 2.0


def _golden(problem: _Problem, fast_s: float) -> tuple[float, float]:
    """Return the least squared error and the slow time constant that gives it."""
    low, high = (math.log(end) for end in SLOW_S)
    inner = [high - GOLDEN * (high - low), low + GOLDEN * (high - low)]
    error = [problem.error(math.exp(x), fast_s) for x in inner]
    for _ in range(ROUNDS):
        if error[0] < error[1]:
            high, inner[1], error[1] = inner[1], inner[0], error[0]
            inner[0] = high - GOLDEN * (high - low)
            error[0] = problem.error(math.exp(inner[0]), fast_s)
        else:
            low, inner[0], error[0] = inner[0], inner[1], error[1]
            inner[1] = low + GOLDEN * (high - low)
            error[1] = problem.error(math.exp(inner[1]), fast_s)
    return min(error), math.exp((low + high) / 2.0)


def _judged(
    problem: _Problem, slow_s: float, fast_s: float, current: str
) -> Measured | NotComparable:
    table = problem.design(slow_s, fast_s)
    linear = _solve(table, problem.heat_c)
    nodes = 2 if fast_s > 0.0 else 1
    gains = linear[-2 * nodes :].reshape(2, nodes).sum(axis=1)
    if gains.min() <= 0.0:
        return NotComparable("temperature does not follow the load on one side")
    left = problem.heat_c - table @ linear
    full = np.column_stack((table, *_slopes(problem, slow_s, fast_s, linear)))
    covariance, degrees = _covariance(full, left, problem.stretch)
    places = [
        slice(len(linear) - 2 * nodes, len(linear) - nodes),
        slice(len(linear) - nodes, len(linear)),
    ]
    weights = np.zeros((2, full.shape[1]))
    for side, place in enumerate(places):
        weights[side, place] = 1.0 / gains[side]
    spread = np.sqrt(np.einsum("ij,jk,ik->i", weights, covariance, weights))
    apart = weights[1] - weights[0]
    wide = float(np.sqrt(max(apart @ covariance @ apart, 0.0)))
    own = [
        _estimate(float(gain), float(gain * share), degrees)
        for gain, share in zip(gains, spread, strict=True)
    ]
    gap = SpreadDifference(
        value=float(math.log(gains[1] / gains[0])),
        spread_low=wide,
        spread_high=wide,
        degrees=degrees,
        count=degrees + 1,
        relative=True,
    )
    return Measured(
        a=own[0],
        b=own[1],
        gap=gap,
        conditions=f"the same square of {current.replace('_', ' ')}, shared time constants",
        overlays=_overlays(problem, linear, table, nodes),
    )


def _slopes(
    problem: _Problem, slow_s: float, fast_s: float, linear: FloatArray
) -> list[FloatArray]:
    """Return how the fit moves with the logarithm of each time constant."""
    table = problem.design(slow_s, fast_s)
    nudged = [(slow_s * math.exp(NUDGE), fast_s)]
    nudged += [(slow_s, fast_s * math.exp(NUDGE))] * (fast_s > 0.0)
    return [(problem.design(*taus) @ linear - table @ linear) / NUDGE for taus in nudged]


def _solve(table: FloatArray, value: FloatArray) -> FloatArray:
    """Return least squares by the normal equations of scaled columns."""
    scale = np.linalg.norm(table, axis=0)
    scale[scale == 0.0] = 1.0
    scaled = table / scale
    linear, *_ = np.linalg.lstsq(scaled.T @ scaled, scaled.T @ value, rcond=1e-13)
    return np.asarray(linear / scale)


def _covariance(full: FloatArray, left: FloatArray, stretch: np.ndarray) -> tuple[FloatArray, int]:
    scale = np.linalg.norm(full, axis=0)
    scale[scale == 0.0] = 1.0
    scaled = full / scale
    bread = np.linalg.pinv(scaled.T @ scaled)
    _, place = np.unique(stretch, return_inverse=True)
    scores = np.zeros((int(place.max()) + 1, full.shape[1]))
    np.add.at(scores, place, scaled * left[:, None])
    degrees = max(len(scores) - full.shape[1], 1)
    correction = len(scores) / degrees
    covariance = bread @ (scores.T @ scores) @ bread * correction / np.outer(scale, scale)
    return covariance, degrees


def _estimate(value: float, spread: float, degrees: int) -> Estimate:
    half = t95(degrees) * spread
    return Estimate(
        value=value, low=value - half, high=value + half, unit="K/A²", count=degrees + 1
    )


def _overlays(
    problem: _Problem, linear: FloatArray, table: FloatArray, nodes: int
) -> tuple[Overlay, ...]:
    """Return the rise that load brings about against the load that the module has felt."""
    own = (1 + nodes) * len(problem.rides)
    cut = np.cumsum([0] + [len(ride.time_s) for ride in problem.rides])
    curves = []
    for side in (0, 1):
        felt, rise = [], []
        for place, ride in enumerate(problem.rides):
            if ride.side != side:
                continue
            rows = (problem.known >= cut[place]) & (problem.known < cut[place + 1])
            start = (1 + nodes) * place
            base = table[rows][:, start : start + 1 + nodes] @ linear[start : start + 1 + nodes]
            felt.append(table[rows][:, own + side * nodes])
            rise.append(problem.heat_c[rows] - base)
        curves.append(_by_load(np.concatenate(felt), np.concatenate(rise)))
    if any(len(curve.x) < 2 for curve in curves):  # noqa: PLR2004 - a curve takes two
        return ()
    return (
        Overlay(
            name="heating",
            message="Rise over the surroundings against the load that the module has felt",
            x_words="Mean square of current, as the module has felt it",
            x_unit="A²",
            y_words="Rise by load",
            y_unit="K",
            a=curves[0],
            b=curves[1],
        ),
    )


BANDS: Final = 12


def _by_load(felt: FloatArray, rise: FloatArray) -> Points:
    edges = np.linspace(0.0, float(felt.max()) + 1e-9, BANDS + 1)
    place = bin_places(felt, edges)
    count = np.bincount(place, minlength=BANDS)
    held = count > 0
    x = np.bincount(place, weights=felt, minlength=BANDS)[held] / count[held]
    y = np.bincount(place, weights=rise, minlength=BANDS)[held] / count[held]
    return Points(x=x, y=y)


def bin_places(value: FloatArray, edges: FloatArray) -> np.ndarray:
    """Return the band of each value, the ends included."""
    return np.clip(np.searchsorted(edges, value, side="right") - 1, 0, len(edges) - 2)

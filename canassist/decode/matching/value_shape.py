"""How a signal's values behave in a log: figures of one signal, and of two side by side."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from canassist.model import FloatArray

FEW_SAMPLES: Final = 8
"""Fewer valid samples show no behaviour."""
_ROUGH_FROM: Final = 16
"""Different values from which a signal can be told from noise."""
_NOISE: Final = 0.7
"""Von Neumann's ratio (mean squared step over twice the variance): near 1 for white noise."""
_COUNTER_SHARE: Final = 0.8
_COUNTER_WRAPS: Final = 2
_SLOPE_OVER_S: Final = 0.1
"""Slopes are taken over at least this long, so one coarse step is no cliff."""
_STEEP_PERCENTILE: Final = 98.0
"""Leaves room for the first frames after waking, before values are true."""
_GRID_S: Final = 0.1
_GRID_POINTS: Final = 12_000
_MEASURED: Final = 10_000
_FOLLOWED: Final = 5_000
_HUGE: Final = 1e12
_HOLD_S: Final = 1.0
"""A value older than this is not compared."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Shape:
    """Figures of one signal's valid values, in the channel's unit.

    Attributes
    ----------
    samples : int
        Valid ones.
    valid : float
        Their share of all samples.
    low, p1, p5, median, p95, p99, high : float
        Extremes and percentiles; NaN where there is no valid sample.
    different : int
        Number of different values.
    at_zero : float
        Share of samples at zero.
    steepest : float
        98th percentile of the slope's amount, per second.
    repeats : float
        Share of samples equal to the one before.
    counter, noise : bool
        Whether it counts up and wraps, or jumps about like a checksum.
    """

    samples: int
    valid: float
    low: float
    p1: float
    p5: float
    median: float
    p95: float
    p99: float
    high: float
    different: int
    at_zero: float
    steepest: float
    repeats: float
    counter: bool
    noise: bool

    @property
    def constant(self) -> bool:
        """Whether it never changes."""
        return self.different <= 1

    @property
    def reach(self) -> float:
        """Largest amount that 99 % of the samples stay within."""
        return max(abs(self.p1), abs(self.p99))

    @property
    def spread(self) -> float:
        """From the first to the 99th percentile."""
        return self.p99 - self.p1


class Likeness(NamedTuple):
    """Two signals on one grid: correlation, ratio of the second to the first, difference."""

    correlation: float
    ratio: float
    typical_gap: float
    points: int


def shape_of(time_s: FloatArray, value: FloatArray) -> Shape:
    """Measure one signal.

    Parameters
    ----------
    time_s, value : array of float64, shape (n,)
        Seconds, not decreasing, and values; NaN is "no value".
    """
    t, x = _valid(time_s, value)
    if len(x) == 0:
        return nothing(len(value))
    low, high = float(x.min()), float(x.max())
    ordered = np.sort(_thinned(x))
    p1, p5, median, p95, p99 = _percentiles(ordered)
    different = max(1 + int(np.count_nonzero(np.diff(ordered))), 1 + (low != high))
    steps = np.diff(x)
    return Shape(
        samples=len(x),
        valid=len(x) / len(value),
        low=low,
        p1=p1,
        p5=p5,
        median=median,
        p95=p95,
        p99=p99,
        high=high,
        different=different,
        at_zero=np.count_nonzero(x == 0.0) / len(x),
        steepest=_steepest(t, x),
        repeats=np.count_nonzero(steps == 0.0) / len(steps) if len(steps) else 1.0,
        counter=_counts(_middle(steps), different),
        noise=_is_noise(x, steps, different),
    )


def _valid(time_s: FloatArray, value: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return times and tamed values of the valid samples; no copy where all are valid."""
    empty = np.isnan(value)
    if empty.any():
        time_s, value = time_s[~empty], value[~empty]
    return time_s, tamed(value)


def _thinned(value: FloatArray) -> FloatArray:
    """Return at most `_MEASURED` values, evenly spaced: percentiles need no more."""
    return value[:: _each(len(value))]


def _each(count: int) -> int:
    """Return the stride that leaves at most `_MEASURED` of so many values."""
    return max(1, -(-count // _MEASURED))


def _middle(steps: FloatArray) -> FloatArray:
    """Return at most `_FOLLOWED` steps that follow each other: a counter counts throughout."""
    first = max(0, (len(steps) - _FOLLOWED) // 2)
    return steps[first : first + _FOLLOWED]


def _percentiles(
    ordered: FloatArray, percents: tuple[float, ...] = (1.0, 5.0, 50.0, 95.0, 99.0)
) -> list[float]:
    """Return percentiles of sorted values, linear between neighbours."""
    place = np.array(percents) / 100.0 * (len(ordered) - 1)
    below = place.astype(np.int64)
    above = np.minimum(below + 1, len(ordered) - 1)
    share = place - below
    found = ordered[below] * (1.0 - share) + ordered[above] * share
    return [float(one) for one in found]


def tamed(value: FloatArray) -> FloatArray:
    """Return values cut off where arithmetic on them could overflow (a stray 64-bit float)."""
    if not len(value) or (value.max() <= _HUGE and value.min() >= -_HUGE):
        return value
    return np.clip(value, -_HUGE, _HUGE)


def nothing(samples: int) -> Shape:
    """Return the shape of a signal without a valid sample."""
    nan = float("nan")
    return Shape(
        samples=0,
        valid=0.0 if samples else nan,
        low=nan,
        p1=nan,
        p5=nan,
        median=nan,
        p95=nan,
        p99=nan,
        high=nan,
        different=0,
        at_zero=nan,
        steepest=nan,
        repeats=nan,
        counter=False,
        noise=False,
    )


def _steepest(time_s: FloatArray, value: FloatArray) -> float:
    if len(value) < FEW_SAMPLES:
        return float("nan")
    period = (time_s[-1] - time_s[0]) / (len(time_s) - 1)
    stride = max(1, int(np.ceil(_SLOPE_OVER_S / period))) if period > 0 else 1
    stride = min(stride, len(value) - 1)
    each = _each(len(value) - stride)
    rise = np.abs(value[stride::each] - value[:-stride:each])
    run = np.maximum(time_s[stride::each] - time_s[:-stride:each], _SLOPE_OVER_S / 2.0)
    return _percentiles(np.sort(rise / run), (_STEEP_PERCENTILE,))[0]


def _counts(steps: FloatArray, different: int) -> bool:
    """Tell whether nearly every step is the same and the rest are wraps."""
    if different < FEW_SAMPLES or len(steps) < _ROUGH_FROM:
        return False
    sizes, times = np.unique(steps, return_counts=True)
    main = int(np.argmax(times))
    usual = float(sizes[main])
    if usual == 0.0 or times[main] < _COUNTER_SHARE * len(steps):
        return False
    wraps = np.count_nonzero((np.sign(steps) == -np.sign(usual)) & (np.abs(steps) > abs(usual)))
    return bool(wraps >= _COUNTER_WRAPS)


def _is_noise(value: FloatArray, steps: FloatArray, different: int) -> bool:
    if different < _ROUGH_FROM:
        return False
    spread = float(np.var(value))
    return spread > 0.0 and float(np.mean(steps * steps)) > 2.0 * spread * _NOISE


def on_grid(grid_s: FloatArray, time_s: FloatArray, value: FloatArray) -> FloatArray:
    """Return the last valid value at each grid time, NaN where it is too old; shape (m,)."""
    t, x = _valid(time_s, value)
    if len(t) == 0:
        return np.full(len(grid_s), np.nan)
    place = np.searchsorted(t, grid_s, side="right") - 1
    last = np.maximum(place, 0)
    held, age = x[last], grid_s - t[last]
    period = float(np.median(np.diff(t[:_FOLLOWED]))) if len(t) > 1 else 0.0
    return np.where((place >= 0) & (age <= max(_HOLD_S, 3.0 * period)), held, np.nan)


def common_grid(*times: FloatArray) -> FloatArray:
    """Return grid times over the stretch that all signals cover, shape (m,); may be empty."""
    filled = [t for t in times if len(t)]
    if len(filled) < len(times) or not filled:
        return np.empty(0)
    start, end = max(t[0] for t in filled), min(t[-1] for t in filled)
    if end <= start:
        return np.empty(0)
    step = max(_GRID_S, (end - start) / _GRID_POINTS)
    return np.arange(start, end, step)


def likeness(first: FloatArray, second: FloatArray) -> Likeness:
    """Compare two signals that lie on one grid.

    Parameters
    ----------
    first, second : array of float64, shape (m,)
        Values at the same times; NaN is left out.

    Returns
    -------
    Likeness
        `correlation` is NaN where one of them does not move; `ratio` is the median of
        second over first where the first is not near zero; `typical_gap` the median
        amount of the difference.
    """
    both = ~(np.isnan(first) | np.isnan(second))
    a, b = first[both], second[both]
    if len(a) < FEW_SAMPLES:
        return Likeness(float("nan"), float("nan"), float("nan"), len(a))
    return Likeness(correlation(a, b), _ratio(a, b), float(np.median(np.abs(a - b))), len(a))


def correlation(a: FloatArray, b: FloatArray) -> float:
    """Return Pearson's correlation; NaN where one does not move."""
    a, b = a - a.mean(), b - b.mean()
    size = float(np.sqrt(np.dot(a, a) * np.dot(b, b)))
    return float(np.dot(a, b)) / size if size > 0.0 else float("nan")


def _ratio(a: FloatArray, b: FloatArray) -> float:
    """Median of b over a where a is in the upper half of its amount."""
    amount = np.abs(a)
    floor = max(0.25 * float(amount.max()), 1e-9)
    clear = amount >= floor
    return float(np.median(b[clear] / a[clear])) if clear.any() else float("nan")

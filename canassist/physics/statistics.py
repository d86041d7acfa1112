"""Robust lines, and intervals that respect that neighbouring samples are not independent."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from canassist.model import Estimate

if TYPE_CHECKING:
    from canassist.model import FloatArray, IntArray

LEVEL: Final = 0.90
"""Share of intervals that hold the truth."""

_T95: Final = (
    6.313752, 2.919986, 2.353363, 2.131847, 2.015048, 1.943180, 1.894579, 1.859548, 1.833113,
    1.812461, 1.795885, 1.782288, 1.770933, 1.761310, 1.753050, 1.745884, 1.739607, 1.734064,
    1.729133, 1.724718, 1.720743, 1.717144, 1.713872, 1.710882, 1.708141, 1.705618, 1.703288,
    1.701131, 1.699127, 1.697261,
)  # fmt: skip
"""95th percentile of Student's t for 1 to 30 degrees of freedom (common table)."""

_Z95: Final = 1.6448536269514722
"""95th percentile of the normal distribution."""


def t95(degrees: int) -> float:
    """Return the 95th percentile of Student's t.

    Beyond the table, the expansion in ``1 / degrees`` of Abramowitz and Stegun 26.7.5.

    Raises
    ------
    ValueError
        If there is no degree of freedom.
    """
    if degrees < 1:
        raise ValueError("Student's t needs at least one degree of freedom")
    if degrees <= len(_T95):
        return _T95[degrees - 1]
    z = _Z95
    first = (z**3 + z) / 4.0
    second = (5.0 * z**5 + 16.0 * z**3 + 3.0 * z) / 96.0
    return float(z + first / degrees + second / degrees**2)


class FittedLine(NamedTuple):
    """``y = level + slope * x``."""

    slope: float
    level: float


def theil_sen(x: FloatArray, y: FloatArray) -> FittedLine:
    """Fit a line as the median of all slopes between two points; level by the medians.

    Parameters
    ----------
    x, y : array of float64, shape (n,)
        Points; pairs of equal x are left out. Cost grows with n squared.

    Raises
    ------
    ValueError
        If fewer than two different x are given.

    References
    ----------
    .. [1] P. K. Sen (1968), J. Amer. Statist. Assoc. 63; level as median(y) less slope
       times median(x), one of the two usual definitions.
    """
    first, second = np.triu_indices(len(x), k=1)
    run = x[second] - x[first]
    apart = run != 0.0
    if not apart.any():
        raise ValueError("a line needs two different x")
    slope = float(np.median((y[second] - y[first])[apart] / run[apart]))
    return FittedLine(slope, float(np.median(y) - slope * np.median(x)))


def least_squares(x: FloatArray, y: FloatArray) -> FittedLine:
    """Fit a line by ordinary least squares.

    Raises
    ------
    ValueError
        If all x are equal.
    """
    mean_x, mean_y = float(x.mean()), float(y.mean())
    spread = float(((x - mean_x) ** 2).sum())
    if spread == 0.0:
        raise ValueError("a line needs two different x")
    slope = float(((x - mean_x) * (y - mean_y)).sum()) / spread
    return FittedLine(slope, mean_y - slope * mean_x)


def deming(x: FloatArray, y: FloatArray, *, variance_ratio: float) -> FittedLine:
    """Fit a line where both x and y carry errors.

    Parameters
    ----------
    x, y : array of float64, shape (n,)
        Points.
    variance_ratio : float
        Error variance of y over error variance of x.

    Raises
    ------
    ValueError
        If x and y do not vary together at all.

    References
    ----------
    .. [1] W. E. Deming (1943), Statistical Adjustment of Data, chapter XI.
    """
    sxx = float(((x - x.mean()) ** 2).sum())
    syy = float(((y - y.mean()) ** 2).sum())
    sxy = float(((x - x.mean()) * (y - y.mean())).sum())
    if sxy == 0.0:
        raise ValueError("x and y do not vary together")
    slope = deming_slope(np.array([sxx, syy, sxy]), variance_ratio=variance_ratio)
    return FittedLine(slope, float(y.mean()) - slope * float(x.mean()))


def mean_of_blocks(value: FloatArray, block: IntArray, unit: str) -> Estimate:
    """Return the mean of block means, with its 90 % interval by Student's t.

    Neighbouring samples hang together, blocks do not, so their number is what counts.

    Parameters
    ----------
    value : array of float64, shape (n,)
        Samples without NaN.
    block : array of int64, shape (n,)
        Which stretch each belongs to.
    unit : str
        Of the values.

    Raises
    ------
    ValueError
        If there are fewer than two blocks.
    """
    _, place = np.unique(block, return_inverse=True)
    count = np.bincount(place)
    if len(count) < 2:  # noqa: PLR2004 - a spread needs two
        raise ValueError("an interval needs two blocks")
    means = np.bincount(place, weights=value) / count
    centre = float(means.mean())
    half = t95(len(means) - 1) * float(means.std(ddof=1)) / math.sqrt(len(means))
    return Estimate(
        value=centre, low=centre - half, high=centre + half, unit=unit, count=len(means)
    )


def block_sums(x: FloatArray, y: FloatArray, block: IntArray) -> FloatArray:
    """Return sums of squares and products about each block's own means.

    Parameters
    ----------
    x, y : array of float64, shape (n,)
        Points without NaN.
    block : array of int64, shape (n,)
        Which stretch each belongs to.

    Returns
    -------
    array of float64, shape (blocks, 3)
        Columns xx, yy and xy.
    """
    _, place = np.unique(block, return_inverse=True)
    count = np.bincount(place)
    x = x - (np.bincount(place, weights=x) / count)[place]
    y = y - (np.bincount(place, weights=y) / count)[place]
    return np.column_stack([np.bincount(place, weights=part) for part in (x * x, y * y, x * y)])


def deming_slope(sums: FloatArray, *, variance_ratio: float) -> float:
    """Return the slope of Deming's line from sums xx, yy and xy (see `deming`).

    An infinite ratio (x without error) is ordinary least squares. Where x and y do not vary
    together the slope is 0.
    """
    xx, yy, xy = (float(part) for part in sums)
    if xy == 0.0:
        return 0.0
    if math.isinf(variance_ratio):
        return xy / xx
    gap = yy - variance_ratio * xx
    return (gap + math.sqrt(gap * gap + 4.0 * variance_ratio * xy * xy)) / (2.0 * xy)


def jackknife_slope(sums: FloatArray, *, variance_ratio: float, unit: str) -> Estimate | None:
    """Return Deming's slope over all blocks, with its 90 % interval.

    The spread comes from leaving out one block at a time, so what hangs together within
    a block counts once. The degrees of freedom are those of blocks that really carry
    the line: the effective number of blocks by their share of the spread in x.

    Parameters
    ----------
    sums : array of float64, shape (blocks, 3)
        From `block_sums`.
    variance_ratio : float
        Error variance of y over error variance of x.

    Returns
    -------
    Estimate or None
        None where fewer than three blocks carry it.

    References
    ----------
    .. [1] R. G. Miller (1974), The jackknife, Biometrika 61; blocks after H. R. Künsch
       (1989), Annals of Statistics 17.
    """
    total = sums.sum(axis=0)
    if total[0] <= 0.0 or total[2] == 0.0:
        return None
    share = sums[:, 0] / total[0]
    effective = 1.0 / float((share * share).sum())
    if effective < LEAST_EFFECTIVE:
        return None
    slope = deming_slope(total, variance_ratio=variance_ratio)
    left_out = np.array(
        [deming_slope(total - part, variance_ratio=variance_ratio) for part in sums]
    )
    blocks = len(sums)
    spread = math.sqrt((blocks - 1) / blocks * float(((left_out - left_out.mean()) ** 2).sum()))
    half = t95(max(int(effective) - 1, 1)) * spread
    return Estimate(
        value=slope, low=slope - half, high=slope + half, unit=unit, count=round(effective)
    )


def noise_variance(value: FloatArray) -> float:
    """Return the variance of white noise on evenly spaced samples of something smooth.

    Second differences cancel what is smooth; their median size is robust against steps.

    Parameters
    ----------
    value : array of float64, shape (n,)
        Samples without NaN.
    """
    if len(value) < 3:  # noqa: PLR2004 - a second difference takes three samples
        return 0.0
    bend = np.abs(value[:-2] - 2.0 * value[1:-1] + value[2:])
    return float((MEDIAN_TO_SPREAD * np.median(bend)) ** 2 / SECOND_DIFFERENCE_GAIN)


def rounding_variance(value: FloatArray) -> float:
    """Return the variance of the rounding error of values sent in steps: step squared over 12.

    Parameters
    ----------
    value : array of float64, shape (n,)
        Samples without NaN; the step is the smallest difference between two of them.

    References
    ----------
    .. [1] W. R. Bennett (1948), Spectra of Quantized Signals, Bell System Technical
       Journal 27 (from memory).
    """
    levels = np.unique(value[:: max(1, len(value) // ENOUGH_VALUES)])
    return float(np.diff(levels).min() ** 2 / ROUNDING) if len(levels) > 1 else 0.0


ENOUGH_VALUES: Final = 20_000
"""So many values show every step that matters."""

ROUNDING: Final = 12.0
"""A rounding error is spread evenly over one step: its variance is a twelfth of the square."""

MEDIAN_TO_SPREAD: Final = 1.4826
"""Standard deviation of normal values over their median size."""

SECOND_DIFFERENCE_GAIN: Final = 6.0
"""Variance of a second difference over that of the noise: 1 + 4 + 1."""

LEAST_EFFECTIVE: Final = 3.0
"""Fewer blocks that carry a line give no interval worth the name."""


def falling(value: FloatArray, weight: FloatArray) -> FloatArray:
    """Return the nearest sequence, by weighted least squares, that never rises.

    Parameters
    ----------
    value, weight : array of float64, shape (n,)
        Values in order, and how much each counts.

    References
    ----------
    .. [1] Pooling of adjacent violators: Ayer, Brunk, Ewing, Reid and Silverman (1955),
       Annals of Mathematical Statistics 26.
    """
    pools: list[tuple[float, float, int]] = []
    for level, mass in zip(value.tolist(), weight.tolist(), strict=True):
        pools.append((level, mass, 1))
        while len(pools) > 1 and pools[-2][0] < pools[-1][0]:
            (one, one_mass, one_count), (two, two_mass, two_count) = pools[-2:]
            total = one_mass + two_mass
            mean = (one * one_mass + two * two_mass) / total
            pools[-2:] = [(mean, total, one_count + two_count)]
    return np.repeat([level for level, _, _ in pools], [count for _, _, count in pools])


def rank_share(one: FloatArray, other: FloatArray) -> float:
    """Return how often a value of `one` is above one of `other`, ties counting half.

    Parameters
    ----------
    one, other : array of float64, shapes (n,) and (m,)
        Values without NaN, at least one in each.

    Returns
    -------
    float
        U / (n m): 0.5 where neither tends to be larger, 1 where every one is.

    References
    ----------
    .. [1] H. B. Mann and D. R. Whitney (1947), Annals of Mathematical Statistics 18.
    """
    ordered = np.sort(other)
    below = np.searchsorted(ordered, one, side="left")
    up_to = np.searchsorted(ordered, one, side="right")
    return float((below + up_to).sum() / 2.0 / (len(one) * len(other)))


class Split(NamedTuple):
    """Where a sequence changes: rows before, squared error left, and its share of the whole."""

    before: int
    error: float
    share: float


def best_split(value: FloatArray) -> Split:
    """Find the split into two levels that leaves the least squared error.

    Parameters
    ----------
    value : array of float64, shape (n,)
        In order, without NaN.

    Returns
    -------
    Split
        ``share`` is of the squared error about one level; 1 where all are equal.

    Raises
    ------
    ValueError
        If fewer than two values are given.

    References
    ----------
    .. [1] W. D. Fisher (1958), J. Amer. Statist. Assoc. 53: grouping for homogeneity.
    """
    count = len(value)
    if count < 2:  # noqa: PLR2004 - a split needs two
        raise ValueError("a split needs two values")
    centred = value - value.mean()
    whole = float(centred @ centred)
    before = np.arange(1, count)
    total = np.cumsum(centred)[:-1]
    taken = total**2 * (1.0 / before + 1.0 / (count - before))
    row = int(np.argmax(taken))
    left = whole - float(taken[row])
    return Split(int(before[row]), left, left / whole if whole > 0.0 else 1.0)

"""Lines through points: robust, by least squares, and with errors in both variables."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from canassist.model import FloatArray


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
    root = math.hypot(gap, 2.0 * math.sqrt(variance_ratio) * xy)
    if gap < 0.0:  # the difference of two nearly equal numbers would leave nothing
        return 2.0 * variance_ratio * xy / (root - gap)
    return (gap + root) / (2.0 * xy)

"""Intervals that respect that neighbouring samples are not independent."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.model import Estimate
from canassist.stats.lines import deming_slope
from canassist.stats.student_t import t95

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canassist.model import FloatArray, IntArray


LEVEL: Final = 0.90
"""Share of intervals that hold the truth."""


LEAST_EFFECTIVE: Final = 3.0
"""Fewer blocks that carry a line give no interval worth the name."""


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


def pooled(estimates: Sequence[Estimate]) -> Estimate | None:
    """Return several rides' estimates of one figure as one.

    Weighted by their intervals, and widened by what they disagree beyond them (Birge's
    ratio: R. T. Birge (1932), Physical Review 40).
    """
    if len(estimates) < 2:  # noqa: PLR2004 - nothing to pool
        return estimates[0] if estimates else None
    spreads = [max(e.high - e.low, 1e-12) / 2.0 / t95(max(e.count - 1, 1)) for e in estimates]
    weights = [1.0 / spread**2 for spread in spreads]
    total = sum(weights)
    value = sum(w * e.value for w, e in zip(weights, estimates, strict=True)) / total
    chi2 = sum(w * (e.value - value) ** 2 for w, e in zip(weights, estimates, strict=True))
    widened = math.sqrt(max(chi2 / (len(estimates) - 1), 1.0))
    count = sum(e.count for e in estimates)
    half = t95(max(count - 1, 1)) * widened / math.sqrt(total)
    return Estimate(
        value=value, low=value - half, high=value + half, unit=estimates[0].unit, count=count
    )

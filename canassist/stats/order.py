"""What the order of values tells: falling sequences, ranks, splits, robust middles."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canassist.model import FloatArray


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


def shorth(value: FloatArray) -> float:
    """Return the middle of the shortest interval that holds half of the values.

    Parameters
    ----------
    value : array of float64, shape (n,)
        At least one.

    References
    ----------
    .. [1] The shorth: D. F. Andrews and others (1972), Robust Estimates of Location.
    """
    ordered = np.sort(value)
    half = len(ordered) // 2 + 1
    width = ordered[half - 1 :] - ordered[: len(ordered) - half + 1]
    first = int(np.argmin(width))
    return float(ordered[first : first + half].mean())


MAD_TO_SIGMA: Final = 1.4826
"""1 / 0.6745: makes the median absolute deviation a standard deviation, for normal data."""


def spread_of(values: Sequence[float] | FloatArray, floor: float) -> tuple[float, float]:
    """Return the median, and the median absolute deviation as a standard deviation.

    The latter is at least `floor`, so that sameness makes no outlier of a trifle.
    """
    every = np.asarray(values, dtype=np.float64)
    middle = float(np.median(every))
    deviation = MAD_TO_SIGMA * float(np.median(np.abs(every - middle)))
    return middle, max(deviation, floor)

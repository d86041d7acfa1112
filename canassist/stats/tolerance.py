"""How far a bound must lie from the mean of a few to hold most of all."""

from __future__ import annotations

import math
from functools import cache
from typing import Final

import numpy as np

_NODES: Final = 400
_WIDEST: Final = 200.0
_STEPS: Final = 80


@cache
def tolerance_factor(
    count: int, *, z_coverage: float = 1.6448536, confidence: float = 0.95
) -> float:
    """Return k so that mean + k standard deviations holds a share of a normal population.

    Parameters
    ----------
    count : int
        Values that mean and standard deviation were taken from; two or more.
    z_coverage : float
        Normal quantile of the share to hold; 1.645 is 95 %.
    confidence : float
        How often the bound holds it.

    Raises
    ------
    ValueError
        If there are fewer than two values.

    Notes
    -----
    Given the sample's spread S (in units of the true one), the mean misses by at most
    k S - z with probability Phi(sqrt(n) (k S - z)); the mean of that over S, whose square
    times n - 1 is chi-squared, is the confidence. Solved by halving.

    References
    ----------
    .. [1] NIST/SEMATECH e-Handbook, 7.2.6.3 (from memory); values in the tests by the
       noncentral t distribution.
    """
    if count < 2:  # noqa: PLR2004 - a spread needs two
        raise ValueError("a tolerance bound needs two values")
    degrees = count - 1
    top = 1.0 + 12.0 / math.sqrt(2.0 * degrees)
    nodes, weights = np.polynomial.legendre.leggauss(_NODES)
    spread = (nodes + 1.0) * top / 2.0
    log_density = (
        math.log(2.0)
        + (degrees / 2.0) * math.log(degrees / 2.0)
        - math.lgamma(degrees / 2.0)
        + (degrees - 1.0) * np.log(spread)
        - degrees * spread**2 / 2.0
    )
    share = np.exp(log_density) * weights * top / 2.0

    def held(factor: float) -> float:
        reach = math.sqrt(count) * (factor * spread - z_coverage)
        normal = np.array([0.5 * math.erfc(-item / math.sqrt(2.0)) for item in reach.tolist()])
        return float((share * normal).sum())

    low, high = 0.0, _WIDEST
    for _ in range(_STEPS):
        middle = (low + high) / 2.0
        low, high = (middle, high) if held(middle) < confidence else (low, middle)
    return (low + high) / 2.0

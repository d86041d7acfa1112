"""Several tests at once, and the interval of a share."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Sequence


def holm(chances: Sequence[float]) -> list[float]:
    """Return chances with Holm's allowance for testing all of them at once.

    Rejecting where the adjusted chance is below a level keeps the chance of even one
    false rejection below it, however the tests hang together.

    References
    ----------
    .. [1] S. Holm (1979), Scandinavian Journal of Statistics 6.
    """
    order = sorted(range(len(chances)), key=lambda place: chances[place])
    adjusted, highest = [0.0] * len(chances), 0.0
    for rank, place in enumerate(order):
        highest = max(highest, min(chances[place] * (len(chances) - rank), 1.0))
        adjusted[place] = highest
    return adjusted


NORMAL_95: Final = 1.959964
"""Two-sided 95 % point of the normal distribution."""


def wilson(affected: int, of: int) -> tuple[float, float]:
    """Return the 95 % interval of a share.

    Parameters
    ----------
    affected, of : int
        How many of how many.

    Returns
    -------
    low, high : float
        0..1; the whole range where there is nothing to count.

    References
    ----------
    .. [1] E. B. Wilson, "Probable inference, the law of succession, and statistical
       inference", J. Am. Stat. Assoc. 22 (1927): the score interval.
    """
    if not of:
        return 0.0, 1.0
    share, z2 = affected / of, NORMAL_95**2
    middle = (share + z2 / (2 * of)) / (1 + z2 / of)
    half = NORMAL_95 * math.sqrt(share * (1 - share) / of + z2 / (4 * of * of)) / (1 + z2 / of)
    low = 0.0 if affected == 0 else middle - half
    high = 1.0 if affected == of else middle + half
    return max(0.0, low), min(1.0, high)

"""Student's t: percentiles, tails, and the degrees of freedom of a sum."""

from __future__ import annotations

import math
from typing import Final

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


MOST_DEGREES: Final = 400
"""Beyond this Student's t is the normal distribution for every purpose here."""


def t_tail(t: float, degrees: int) -> float:
    """Return the chance that Student's t exceeds `t`.

    Parameters
    ----------
    t : float
        Any sign; infinite is allowed.
    degrees : int
        Degrees of freedom, 1 or more; beyond 400 taken as 400.

    Raises
    ------
    ValueError
        If there is no degree of freedom.

    References
    ----------
    .. [1] Abramowitz and Stegun, 26.7.3 and 26.7.4: finite sums for whole degrees.
    """
    if degrees < 1:
        raise ValueError("Student's t needs at least one degree of freedom")
    if math.isinf(t):
        return 0.0 if t > 0 else 1.0
    degrees = min(degrees, MOST_DEGREES)
    angle = math.atan(abs(t) / math.sqrt(degrees))
    sine, cosine = math.sin(angle), math.cos(angle)
    term = cosine if degrees % 2 else 1.0
    total = term if degrees > 1 else 0.0
    for step in range(3 if degrees % 2 else 2, degrees - 1, 2):
        term *= cosine * cosine * (step - 1) / step
        total += term
    inside = 2.0 / math.pi * (angle + sine * total) if degrees % 2 else sine * total
    tail = max((1.0 - inside) / 2.0, 0.0)
    return tail if t >= 0 else 1.0 - tail


def welch(*parts: tuple[float, int]) -> int:
    """Return the degrees of freedom of a sum, from (standard error, degrees) of its parts."""
    most = max(spread for spread, _ in parts)
    if most == 0.0:
        return min(degrees for _, degrees in parts)
    shares = [((spread / most) ** 2, degrees) for spread, degrees in parts]
    total = sum(share for share, _ in shares)
    return max(int(total**2 / sum(share**2 / degrees for share, degrees in shares)), 1)

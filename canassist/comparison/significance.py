"""Chance: tails of Student's t, several tests at once, and differences of two estimates."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from canassist.model import Estimate
from canassist.physics import t95

if TYPE_CHECKING:
    from collections.abc import Sequence

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


@dataclass(frozen=True, slots=True, kw_only=True)
class Gap:
    """A difference with its spread, on the scale on which it is judged.

    Attributes
    ----------
    value : float
        B less A; for a relative one the logarithm of B over A.
    spread_low, spread_high : float
        Standard error towards lower and towards higher values.
    degrees : int
        Degrees of freedom of the spread.
    count : int
        The smaller number of independent stretches.
    """

    value: float
    spread_low: float
    spread_high: float
    degrees: int
    count: int
    relative: bool = False

    def estimate(self, unit: str) -> Estimate:
        """Return the difference with its 90 % interval; a share where relative."""
        wide = t95(max(self.degrees, 1))
        ends = [
            self.value,
            self.value - wide * self.spread_low,
            self.value + wide * self.spread_high,
        ]
        if self.relative:
            ends = [math.expm1(min(end, 50.0)) for end in ends]
        return Estimate(
            value=ends[0],
            low=ends[1],
            high=ends[2],
            unit="share" if self.relative else unit,
            count=self.count,
        )

    def beyond(self, margin: float) -> float:
        """Return how likely a difference this large is where the true one is within `margin`.

        Parameters
        ----------
        margin : float
            Largest difference that counts as none; a share where relative.

        Returns
        -------
        float
            Both tails, for the true difference that makes it likeliest.
        """
        up, down = (
            (math.log1p(margin), -math.log1p(-min(margin, 0.99)))
            if self.relative
            else (margin, margin)
        )
        near, far = (up, down) if self.value > 0 else (down, up)
        spread = self.spread_low if self.value > 0 else self.spread_high
        size = abs(self.value)
        if size <= near:
            return 1.0
        if spread == 0.0:
            return 0.0
        degrees = max(self.degrees, 1)
        return t_tail((size - near) / spread, degrees) + t_tail((size + far) / spread, degrees)


def gap_of(a: Estimate, b: Estimate, *, relative: bool = False, floor: float = 0.0) -> Gap:
    """Return the difference of two independent estimates with 90 % intervals.

    Parameters
    ----------
    relative : bool
        Compare as a ratio; both must be above zero.
    floor : float
        Standard error that both share besides what their intervals say.

    Notes
    -----
    Half intervals add as the root of their squares, each side of its own; degrees of
    freedom after Welch and Satterthwaite.
    """
    scale = (lambda x: math.log(max(x, 1e-300))) if relative else (lambda x: x)
    degrees = [max(one.count - 1, 1) for one in (a, b)]
    lower = [
        (scale(one.value) - scale(one.low)) / t95(d) for one, d in zip((a, b), degrees, strict=True)
    ]
    upper = [
        (scale(one.high) - scale(one.value)) / t95(d)
        for one, d in zip((a, b), degrees, strict=True)
    ]
    return Gap(
        value=scale(b.value) - scale(a.value),
        spread_low=math.hypot(lower[1], upper[0], floor),
        spread_high=math.hypot(upper[1], lower[0], floor),
        degrees=welch((upper[0], degrees[0]), (lower[1], degrees[1])),
        count=min(a.count, b.count),
        relative=relative,
    )


def welch(*parts: tuple[float, int]) -> int:
    """Return the degrees of freedom of a sum, from (standard error, degrees) of its parts."""
    most = max(spread for spread, _ in parts)
    if most == 0.0:
        return min(degrees for _, degrees in parts)
    shares = [((spread / most) ** 2, degrees) for spread, degrees in parts]
    total = sum(share for share, _ in shares)
    return max(int(total**2 / sum(share**2 / degrees for share, degrees in shares)), 1)


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

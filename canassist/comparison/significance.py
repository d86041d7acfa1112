"""Chance: tails of Student's t, several tests at once, and differences of two estimates."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from canassist.model import Estimate
from canassist.stats import t95, t_tail, welch

if TYPE_CHECKING:
    pass


@dataclass(frozen=True, slots=True, kw_only=True)
class SpreadDifference:
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


def gap_of(
    a: Estimate, b: Estimate, *, relative: bool = False, floor: float = 0.0
) -> SpreadDifference:
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
    return SpreadDifference(
        value=scale(b.value) - scale(a.value),
        spread_low=math.hypot(lower[1], upper[0], floor),
        spread_high=math.hypot(upper[1], lower[0], floor),
        degrees=welch((upper[0], degrees[0]), (lower[1], degrees[1])),
        count=min(a.count, b.count),
        relative=relative,
    )

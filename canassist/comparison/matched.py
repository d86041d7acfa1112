"""Figures under matched conditions: bins, stretches, and bootstrap over whole stretches."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.comparison.significance import SpreadDifference
from canassist.model import Estimate
from canassist.stats import rank_share, t95, welch

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canassist.model import BoolArray, FloatArray, IntArray

RESAMPLES: Final = 600
"""Draws of the bootstrap: its own error of a spread is then about 3 %."""

SEED: Final = 20250510
"""The draws are the same each time, so that a comparison repeats to the last digit."""

LEAST_STRETCHES: Final = 4
"""Fewer independent stretches on a side give no interval worth the name."""

LEAST_SHARE: Final = 0.1
"""A stretch counts where it holds this share of what the fullest quarter of them hold."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cells:
    """Sums of one side: one row a stretch, one column a bin of conditions.

    Attributes
    ----------
    total, weight : array of float64, shape (stretches, bins)
        The figure in a bin is total over weight.
    """

    total: FloatArray
    weight: FloatArray

    @staticmethod
    def sums(
        stretch: IntArray, bin_: IntArray, value: FloatArray, weight: FloatArray, *, bins: int
    ) -> Cells:
        """Add up samples.

        Parameters
        ----------
        stretch, bin_ : array of int64, shape (n,)
            Where each sample belongs; a negative bin is left out.
        value, weight : array of float64, shape (n,)
            What to add up; without NaN in the bins that count.
        """
        use = bin_ >= 0
        _, place = np.unique(stretch[use], return_inverse=True)
        rows = int(place.max()) + 1 if len(place) else 0
        flat = place * bins + bin_[use]

        def table(parts: FloatArray) -> FloatArray:
            sums = np.bincount(flat, weights=parts[use], minlength=rows * bins)
            return sums.astype(np.float64).reshape(rows, bins)

        return Cells(total=table(value), weight=table(weight))

    @staticmethod
    def joined(parts: Sequence[Cells], bins: int) -> Cells:
        """Put the stretches of several rides under each other."""
        if not parts:
            return Cells(total=np.zeros((0, bins)), weight=np.zeros((0, bins)))
        return Cells(
            total=np.concatenate([part.total for part in parts]),
            weight=np.concatenate([part.weight for part in parts]),
        )

    def only(self, bins: IntArray) -> Cells:
        """Return some bins alone, without stretches that hold little of them."""
        total, weight = self.total[:, bins], self.weight[:, bins]
        held = weight.sum(axis=1)
        full = np.quantile(held[held > 0.0], 0.75) if (held > 0.0).any() else 0.0
        keep = held > LEAST_SHARE * full
        return Cells(total=total[keep], weight=weight[keep])

    def held(self, bins: BoolArray) -> Cells:
        """Return some bins alone, without stretches that hold nothing of them."""
        keep = self.weight[:, bins].sum(axis=1) > 0.0
        return Cells(total=self.total[:, bins][keep], weight=self.weight[:, bins][keep])


@dataclass(frozen=True, slots=True, kw_only=True)
class Matched:
    """One figure of both sides under the same conditions.

    ``means_a`` and ``means_b`` are the figure in each bin that both sides have, and
    ``bins`` says which; ``stretches_a`` and ``_b`` are each stretch's own value.
    """

    a: Estimate
    b: Estimate
    gap: SpreadDifference
    effect: float
    bins: IntArray
    means_a: FloatArray
    means_b: FloatArray
    stretches_a: FloatArray
    stretches_b: FloatArray


def matched(
    a: Cells, b: Cells, unit: str, *, relative: bool = False, floor: float = 0.0
) -> Matched | None:
    """Compare a figure over the bins that both sides have.

    Each bin weighs by the harmonic mean of what both sides have of it, so that neither
    side's habits decide. The spread comes from drawing whole stretches anew, each side
    apart; what hangs together within a stretch counts once.

    Parameters
    ----------
    relative : bool
        Compare as a ratio (figures above zero).
    floor : float
        Standard error that a single side has besides: its reading's resolution.

    Returns
    -------
    Matched or None
        None where a side has fewer than `LEAST_STRETCHES` in the shared conditions.

    References
    ----------
    .. [1] H. R. Künsch (1989), Annals of Statistics 17: resampling of blocks.
    """
    shared = np.flatnonzero((a.weight.sum(axis=0) > 0.0) & (b.weight.sum(axis=0) > 0.0))
    a, b = a.only(shared), b.only(shared)
    both = _harmonic(a.weight.sum(axis=0), b.weight.sum(axis=0))
    usable = both > 0.0
    shared, both = shared[usable], both[usable]
    a, b = a.held(usable), b.held(usable)
    if not len(shared) or min(len(a.total), len(b.total)) < LEAST_STRETCHES:
        return None
    dice = np.random.default_rng(SEED)
    one, other = (_figure(cells, both, floor, dice) for cells in (a, b))
    if relative and min(one.value, other.value) <= 0.0:
        return None
    own_a, own_b = (_own(cells, both) for cells in (a, b))
    return Matched(
        a=one.estimate(unit),
        b=other.estimate(unit),
        gap=_gap(one, other, relative=relative),
        effect=rank_share(own_b, own_a),
        bins=shared,
        means_a=a.total.sum(axis=0) / a.weight.sum(axis=0),
        means_b=b.total.sum(axis=0) / b.weight.sum(axis=0),
        stretches_a=own_a,
        stretches_b=own_b,
    )


@dataclass(frozen=True, slots=True)
class _OneSide:
    """A figure of one side: its value, standard error, degrees of freedom, stretches."""

    value: float
    spread: float
    degrees: int
    count: int

    def estimate(self, unit: str) -> Estimate:
        half = t95(self.degrees) * self.spread
        return Estimate(
            value=self.value,
            low=self.value - half,
            high=self.value + half,
            unit=unit,
            count=self.count,
        )


def _figure(cells: Cells, both: FloatArray, floor: float, dice: np.random.Generator) -> _OneSide:
    drawn = _drawn(cells, both, dice)
    count = _effective(cells.weight.sum(axis=1))
    spread = float(np.nanstd(drawn, ddof=1)) * math.sqrt(count / max(count - 1.0, 1.0))
    return _OneSide(
        value=_mean(cells.total.sum(axis=0), cells.weight.sum(axis=0), both),
        spread=math.hypot(spread, floor),
        degrees=max(int(count) - 1, 1),
        count=len(cells.total),
    )


def _gap(a: _OneSide, b: _OneSide, *, relative: bool) -> SpreadDifference:
    parts = [(side.spread / side.value if relative else side.spread) for side in (a, b)]
    wide = math.hypot(*parts)
    return SpreadDifference(
        value=math.log(b.value / a.value) if relative else b.value - a.value,
        spread_low=wide,
        spread_high=wide,
        degrees=welch((parts[0], a.degrees), (parts[1], b.degrees)),
        count=min(a.count, b.count),
        relative=relative,
    )


def _harmonic(one: FloatArray, other: FloatArray) -> FloatArray:
    total = one + other
    both = np.divide(2.0 * one * other, total, out=np.zeros_like(total), where=total > 0.0)
    return np.asarray(both)


def _mean(total: FloatArray, weight: FloatArray, both: FloatArray) -> float:
    held = weight > 0.0
    return float((total[held] / weight[held] * both[held]).sum() / both[held].sum())


def _drawn(cells: Cells, both: FloatArray, dice: np.random.Generator) -> FloatArray:
    """Return the figure of each resample, shape (RESAMPLES,); NaN where nothing was drawn."""
    rows = len(cells.total)
    times = dice.multinomial(rows, np.full(rows, 1.0 / rows), size=RESAMPLES).astype(np.float64)
    total, weight = times @ cells.total, times @ cells.weight
    held = weight > 0.0
    mean = np.divide(total, weight, out=np.zeros_like(total), where=held)
    weighed = held * both
    mass = weighed.sum(axis=1)
    drawn = (mean * weighed).sum(axis=1)
    unknown = np.full(RESAMPLES, np.nan)
    return np.asarray(np.divide(drawn, mass, out=unknown, where=mass > 0.0))


def _effective(weight: FloatArray) -> float:
    """Return how many equal stretches would carry as much as these unequal ones."""
    share = weight / weight.sum()
    return 1.0 / float((share * share).sum())


def _own(cells: Cells, both: FloatArray) -> FloatArray:
    """Return each stretch's own value, its bins weighed as in the whole."""
    held = cells.weight > 0.0
    mean = np.divide(cells.total, cells.weight, out=np.zeros_like(cells.total), where=held)
    weighed = cells.weight * (both > 0.0)
    return np.asarray((mean * weighed).sum(axis=1) / weighed.sum(axis=1))


def bin_of(value: FloatArray, edges: Sequence[float]) -> IntArray:
    """Return which bin each value falls into, -1 for none (outside or NaN)."""
    place = np.searchsorted(np.asarray(edges), value, side="right") - 1
    outside = np.isnan(value) | (place >= len(edges) - 1)
    return np.where(outside, -1, place).astype(np.int64)


def crossed(*parts: tuple[IntArray, int]) -> tuple[IntArray, int]:
    """Cross several binnings, each with its number of bins, into one."""
    code, bins = parts[0]
    for other, count in parts[1:]:
        code = np.where((code < 0) | (other < 0), -1, code * count + other)
        bins *= count
    return code, bins


def stretches(time_s: FloatArray, seconds: float) -> IntArray:
    """Return which stretch of the ride each time belongs to."""
    return np.floor(time_s / seconds).astype(np.int64)

"""Whether a recorder drops frames of all identifiers by turns, and how many.

A slow interface between bus and recorder loses frames whichever they are. Its mark is that
(nearly) every cyclic identifier of the bus misses frames again and again, each at other
moments, while the others go on. A unit that falls silent takes its own identifiers along and
leaves the rest whole; a hole of the recording takes all at once.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from canassist.model import Thinning

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from canassist.model import IntArray

# All limits here are own choice, set on recordings of 12 vehicles and rides thinned on purpose.
_FEWEST_INTERVALS: Final = 20
_SHORTEST_NS: Final = 1_000_000  # frames handed over together say nothing of a period
_FAST_SHARE: Final = 5.0  # percentile of the times between frames near which the period lies
_NEAR: Final = (0.7, 1.45)  # times that count as one period
_FITS: Final = 0.3  # of a period off a whole number of periods
_CYCLIC_SHARE: Final = 0.8  # of the times between frames that must fit
_FEWEST_IDS: Final = 5
_FEWEST_LOST: Final = 6.0  # frames, at the common rate, for an identifier to count
_FEWEST_RUNS: Final = 3  # a loss that comes once or twice is no turn-taking
_IN_PROPORTION: Final = 0.25  # of the common share
_SHARE_OF_IDS: Final = 0.8
_RAREST: Final = 5e-4  # share lost; below, nothing is spoilt by it
_STANDS_OUT: Final = 20  # mean times between frames, from which on a hole is one
_TOGETHER: Final = 0.5  # share of identifiers silent at once that is no turn-taking ...
_MORE_THAN_CHANCE: Final = 1.5  # ... where it is so many times what chance gives


class _Losses(NamedTuple):
    """What one identifier misses."""

    period_ns: float
    frames: int
    lost: float
    runs: int

    @property
    def share(self) -> float:
        """Share of its frames that is missing."""
        return self.lost / (self.lost + self.frames)


def find_thinning(
    intervals: Sequence[IntArray],
    silences: Sequence[tuple[int, int, int]],
    holes: NDArray[np.int64],
    span_ns: int,
    frames: int,
) -> Thinning | None:
    """Tell whether the recorder of a bus drops frames of all identifiers by turns.

    Parameters
    ----------
    intervals : sequence of arrays of int64
        Times between frames of each identifier of the bus, in nanoseconds.
    silences : sequence of (number, begin, end)
        Long times without a frame of an identifier, by its place in `intervals`.
    holes : array of int64, shape (k, 2)
        Times without any frame; they are told by themselves and do not count here.
    span_ns : int
        Length of the recording.
    frames : int
        All frames of the bus.
    """
    mean_ns = span_ns / max(1, frames)
    holes = holes[holes[:, 1] - holes[:, 0] > _STANDS_OUT * mean_ns]  # else all is holes
    losses = {n: found for n, one in enumerate(intervals) if (found := _losses(one, len(holes)))}
    common = _common_share(list(losses.values()))
    if common < _RAREST:
        return None
    asked = {
        n: one
        for n, one in losses.items()
        if common * one.frames / max(1.0 - common, _RAREST) >= _FEWEST_LOST
    }
    hit = {
        n
        for n, one in asked.items()
        if one.share >= _IN_PROPORTION * common and one.runs >= _FEWEST_RUNS
    }
    if len(asked) < _FEWEST_IDS or len(hit) < _SHARE_OF_IDS * len(asked):
        return None
    if _fall_together([one for one in silences if one[0] in hit], holes, len(hit), span_ns):
        return None
    lost = sum(asked[n].lost for n in hit)
    share = lost / (lost + sum(asked[n].frames for n in hit))
    again = [1.0 - asked[n].runs / max(asked[n].lost, 1.0) for n in sorted(hit)]
    return Thinning(
        lost=share,
        lost_again=max(share, float(np.percentile(again, 75.0))),
        period_s={},
    )


def period_of(interval: IntArray) -> float:
    """Return the period of a cyclic identifier in nanoseconds, also where most frames miss.

    NaN where the times between its frames are no whole numbers of one period.
    """
    steps = interval[interval >= _SHORTEST_NS]
    if len(steps) < _FEWEST_INTERVALS:
        return float("nan")
    fast = float(np.percentile(steps, _FAST_SHARE))
    near = steps[(steps >= _NEAR[0] * fast) & (steps <= _NEAR[1] * fast)]
    if not len(near):
        return float("nan")
    period = float(near.mean())
    off = np.abs(steps / period - np.maximum(np.rint(steps / period), 1.0))
    return period if float((off < _FITS).mean()) >= _CYCLIC_SHARE else float("nan")


def missed_share(interval: IntArray, period: float) -> float:
    """Return the share of times between frames in which frames are missing, however many."""
    return float((np.rint(interval / period) >= 2.0).mean())  # noqa: PLR2004 - two periods


def _losses(interval: IntArray, holes: int) -> _Losses | None:
    period = period_of(interval)
    if np.isnan(period):
        return None
    missing = np.rint(interval / period) - 1.0
    runs = np.sort(missing[missing >= 1.0])[: max(0, int((missing >= 1.0).sum()) - holes)]
    return _Losses(period, len(interval), float(runs.sum()), len(runs))


def _common_share(losses: list[_Losses]) -> float:
    """Return the share lost that the identifiers of half of all frames reach."""
    if len(losses) < _FEWEST_IDS:
        return 0.0
    shares = np.array([one.share for one in losses])
    order = np.argsort(shares)
    frames = np.cumsum(np.array([one.frames for one in losses])[order])
    return float(shares[order][np.searchsorted(frames, frames[-1] / 2)])


def _fall_together(
    silences: list[tuple[int, int, int]], holes: NDArray[np.int64], ids: int, span_ns: int
) -> bool:
    """Tell whether identifiers fall silent at the same moments, more than chance gives."""
    if not silences:
        return False
    begin = np.array([a for _, a, _ in silences], dtype=np.int64)
    end = np.array([b for _, _, b in silences], dtype=np.int64)
    middle = (begin + end) // 2
    inside = np.searchsorted(holes[:, 0], middle) - np.searchsorted(holes[:, 1], middle)
    middle = middle[inside == 0] if len(holes) else middle
    if not len(middle):
        return True  # all of them are holes of the recording
    silent = np.searchsorted(np.sort(begin), middle, side="right")
    silent = silent - np.searchsorted(np.sort(end), middle, side="right")
    together = float(silent.mean()) / ids
    chance = float((end - begin).sum()) / (ids * max(span_ns, 1))
    return together > _TOGETHER and together > _MORE_THAN_CHANCE * chance

"""Judging assist sample by sample, and stretches of one verdict."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from canassist.timeline import TIME_STEP_S, seen_s, window_extremes

if TYPE_CHECKING:
    from canassist.model import BoolArray, FloatArray, IntArray
    from canassist.physics import AssistSamples

JUDGED_NM: Final = 3.0
"""Assist is judged where expected or delivered is this or more (the contract's figure)."""

AROUND_S: Final = 0.06
"""Delivered assist is held against the lowest and the highest that was called for within this
time, so that what is left of the lag after its removal is no deviation."""

AVERAGE_S: Final = 0.3
"""A verdict stands on the judged samples of one side within this time, so that noise, a stone
or a stitch in the lag makes none."""

AVERAGE_LEAST_S: Final = 0.1
"""Less than this to judge within `AVERAGE_S` gives no verdict."""

BREAK_S: Final = 0.3
"""Only steering that is as it should be for this long parts two stretches."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """A verdict on each sample, each array of shape (n,).

    Attributes
    ----------
    seconds : array of float64
        How long each sample stands for, gaps left out.
    verdict : array of int64
        -1 too low, 0 as it should be, 1 too high; only where `known`.
    side : array of int64
        1 right, -1 left.
    """

    time_s: FloatArray
    seconds: FloatArray
    known: BoolArray
    verdict: IntArray
    side: IntArray


class AssistStretch(NamedTuple):
    """Rows of one finding: first and last of it, and the first after it (None: not seen)."""

    first: int
    last: int
    stop: int | None
    seconds: float


def judge(
    samples: AssistSamples, *, tolerance: float, leave_out: BoolArray, allowance_nm: float = 0.0
) -> Judged:
    """Hold delivered assist against what was called for.

    Parameters
    ----------
    samples : AssistSamples
        Delivered and expected assist.
    tolerance : float
        Share of the expected assist.
    leave_out : array of bool, shape (n,)
        Samples that another finding explains.
    allowance_nm : float
        Torque that the module adds or takes by design, in N·m.
    """
    expected, delivered = samples.expected_nm, samples.delivered_nm
    time_s = samples.time_s
    side = np.where(expected != 0.0, np.sign(np.nan_to_num(expected)), np.sign(delivered))
    lowest, highest = window_extremes(time_s, expected, before_s=AROUND_S, after_s=AROUND_S)
    least = np.maximum(np.where(side > 0, lowest, -highest) - allowance_nm, 0.0)
    most = np.maximum(np.where(side > 0, highest, -lowest), 0.0) + allowance_nm
    most[samples.open_top] = np.inf
    large = np.maximum(np.abs(expected), np.abs(delivered)) >= JUDGED_NM
    usable = large & ~np.isnan(expected) & samples.settled & ~leave_out
    seconds = np.diff(seen_s(time_s, stale_after_s=samples.stale_after_s), append=np.nan)
    seconds[-1:] = 0.0
    known = np.zeros(len(time_s), dtype=np.bool_)
    verdict = np.zeros(len(time_s), dtype=np.int64)
    for which in (-1, 1):
        rows = np.flatnonzero(usable & (side == which))
        part = _Part(time_s[rows], seconds[rows], which * delivered[rows], least[rows], most[rows])
        known[rows], verdict[rows] = _verdicts(part, tolerance)
    return Judged(
        time_s=time_s,
        seconds=seconds,
        known=known,
        verdict=verdict,
        side=side.astype(np.int64),
    )


class _Part(NamedTuple):
    """Usable samples of one side, each shape (m,); assist counts towards that side."""

    time_s: FloatArray
    seconds: FloatArray
    given: FloatArray
    least: FloatArray
    most: FloatArray


def _verdicts(part: _Part, tolerance: float) -> tuple[BoolArray, IntArray]:
    """Return which samples can be judged, and their verdicts, from averages around them.

    Too low is below the least that was called for within the lag, too high above the
    most, and as it should be what is neither too low for the most nor too high for the
    least. Whatever lies between is not judged.
    """
    first = np.searchsorted(part.time_s, part.time_s - AVERAGE_S / 2.0 - TIME_STEP_S)
    stop = np.searchsorted(part.time_s, part.time_s + AVERAGE_S / 2.0 + TIME_STEP_S)

    def around(value: FloatArray) -> FloatArray:
        total = np.concatenate(([0.0], np.cumsum(value * part.seconds)))
        return np.asarray(total[stop] - total[first])

    unknown = around(np.isinf(part.most).astype(np.float64)) > 0.0

    given, least = around(part.given), around(part.least)
    most = np.where(unknown, np.inf, around(np.where(np.isinf(part.most), 0.0, part.most)))
    low = given < (1.0 - tolerance) * least
    high = given > (1.0 + tolerance) * most
    right = (given >= (1.0 - tolerance) * most) & (given <= (1.0 + tolerance) * least)
    enough = around(np.ones(len(part.time_s))) >= AVERAGE_LEAST_S
    return enough & (low | high | right), high.astype(np.int64) - low.astype(np.int64)


def stretches(judged: Judged, wanted: BoolArray, among: BoolArray) -> list[AssistStretch]:
    """Find stretches of wanted samples with nothing else to judge between them.

    Parameters
    ----------
    wanted : array of bool, shape (n,)
        Samples that show the finding.
    among : array of bool, shape (n,)
        Samples that can be judged for it; all others part nothing.

    Returns
    -------
    list of AssistStretch
        In time order; ``seconds`` counts the wanted samples only.
    """
    rows = np.flatnonzero(among)
    if not len(rows):
        return []
    hit = wanted[rows]
    turns = np.flatnonzero(np.diff(hit, prepend=not hit[0], append=not hit[-1]))
    found: list[AssistStretch] = []
    open_first: int | None = None
    last, total = 0, 0.0
    for start, stop in itertools.pairwise(turns):
        part = rows[start:stop]
        seconds = float(judged.seconds[part].sum())
        if hit[start]:
            open_first = int(part[0]) if open_first is None else open_first
            last, total = int(part[-1]), total + seconds
        elif open_first is not None and seconds >= BREAK_S - TIME_STEP_S:
            found.append(AssistStretch(open_first, last, int(part[0]), total))
            open_first, total = None, 0.0
    if open_first is not None:
        found.append(AssistStretch(open_first, last, None, total))
    return found

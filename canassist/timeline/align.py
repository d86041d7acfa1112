"""Values of one channel at the times of another: as-of with bounded age, and lines between."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canassist.timeline.gaps import TIME_STEP_S

if TYPE_CHECKING:
    from canassist.model import FloatArray, Timeline


def as_of(
    time_s: FloatArray, value: FloatArray, at_s: FloatArray, *, max_age_s: float
) -> FloatArray:
    """Return the last value at or before each time, if it is young enough.

    Never looks ahead. NaN samples carry no value and are passed over, so what came
    before them holds until it is too old.

    Parameters
    ----------
    time_s, value : array of float64, shape (n,)
        Samples in time order.
    at_s : array of float64, shape (m,)
        Times asked for, in any order.
    max_age_s : float
        Older values are unknown.

    Returns
    -------
    array of float64, shape (m,)
        NaN where there is no value or only an old one.
    """
    known = ~np.isnan(value)
    if not known.all():
        time_s, value = time_s[known], value[known]
    if not len(time_s):
        return np.full(len(at_s), np.nan)
    row = np.searchsorted(time_s, at_s, side="right") - 1
    safe = np.maximum(row, 0)
    fresh = (row >= 0) & (at_s - time_s[safe] <= max_age_s + TIME_STEP_S)
    return np.where(fresh, value[safe], np.nan)


def between(
    time_s: FloatArray, value: FloatArray, at_s: FloatArray, *, max_gap_s: float
) -> FloatArray:
    """Return values on the straight line between neighbouring samples.

    Looks one sample ahead, so it is for fits and comparisons, never for onsets.

    Parameters
    ----------
    time_s, value : array of float64, shape (n,)
        Samples in time order; NaN is passed over.
    at_s : array of float64, shape (m,)
        Times asked for.
    max_gap_s : float
        Between samples further apart than this nothing is known.

    Returns
    -------
    array of float64, shape (m,)
        NaN outside the samples and inside gaps.
    """
    known = ~np.isnan(value)
    if not known.all():
        time_s, value = time_s[known], value[known]
    if not len(time_s):
        return np.full(len(at_s), np.nan)
    straight = np.interp(at_s, time_s, value, left=np.nan, right=np.nan)
    after = np.clip(np.searchsorted(time_s, at_s, side="left"), 0, len(time_s) - 1)
    before = np.maximum(after - 1, 0)
    on_sample = time_s[after] == at_s
    near = on_sample | (time_s[after] - time_s[before] <= max_gap_s + TIME_STEP_S)
    return np.where(near, straight, np.nan)


def value_at(timeline: Timeline, name: str, at_s: FloatArray) -> FloatArray:
    """Return a channel as of each time, NaN where it is missing, silent or stale.

    Parameters
    ----------
    name : str
        A key of `model.CHANNEL_UNITS`; all NaN where the log lacks it.
    at_s : array of float64, shape (m,)
        Times asked for, in s.
    """
    channel = timeline.get(name)
    if channel is None:
        return np.full(len(at_s), np.nan)
    return as_of(channel.time_s, channel.value, at_s, max_age_s=channel.stale_after_s)


def window_extremes(
    time_s: FloatArray, value: FloatArray, *, before_s: float, after_s: float
) -> tuple[FloatArray, FloatArray]:
    """Return the lowest and highest value around each sample.

    Parameters
    ----------
    time_s, value : array of float64, shape (n,)
        Samples in time order; NaN is passed over.
    before_s, after_s : float
        The window reaches from ``t - before_s`` to ``t + after_s``, both included.

    Returns
    -------
    lowest, highest : array of float64, shape (n,)
        NaN where the window holds no value.

    Notes
    -----
    Doubling tables: extremes of 2, 4, 8 .. samples, and each window as the union of
    two such stretches, so the cost grows with ``n log(window)`` only.
    """
    first = np.searchsorted(time_s, time_s - before_s - TIME_STEP_S, side="left")
    last = np.searchsorted(time_s, time_s + after_s + TIME_STEP_S, side="right")
    lowest = _range_extreme(np.where(np.isnan(value), np.inf, value), first, last, np.minimum)
    highest = _range_extreme(np.where(np.isnan(value), -np.inf, value), first, last, np.maximum)
    return (
        np.where(np.isinf(lowest), np.nan, lowest),
        np.where(np.isinf(highest), np.nan, highest),
    )


def _range_extreme(
    value: FloatArray, first: np.ndarray, last: np.ndarray, pick: np.ufunc
) -> FloatArray:
    """Return `pick` over ``value[first:last]`` for each row; no stretch may be empty."""
    result = np.empty(len(value))
    length = last - first
    level = np.zeros(len(value), dtype=np.int64)
    if len(value):
        level = np.floor(np.log2(length)).astype(np.int64)
    table = value
    for step in range(int(level.max(initial=0)) + 1):
        rows = np.flatnonzero(level == step)
        if len(rows):
            result[rows] = pick(table[first[rows]], table[last[rows] - (1 << step)])
        if len(table) > (1 << step):
            table = pick(table[: -(1 << step)], table[(1 << step) :])
    return result

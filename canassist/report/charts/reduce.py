"""Fewer points for drawing, with every minimum and maximum kept."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterable

    from canassist.model import Channel, FloatArray, IntArray


def bucket_edges(
    start: float,
    end: float,
    count: int,
    *,
    windows: Iterable[tuple[float, float]] = (),
    window_count: int = 0,
) -> FloatArray:
    """Return bucket edges over a span, closer together inside the windows.

    Parameters
    ----------
    start, end : float
        The span, in any unit.
    count : int
        Buckets over the whole span.
    windows : iterable of (start, end)
        Stretches with more detail; they may overlap.
    window_count : int
        Further buckets in each window.

    Returns
    -------
    array of float64, shape (m,)
        Strictly increasing, from `start` to `end`.
    """
    edges = [np.linspace(start, end, count + 1)]
    for first, last in windows:
        low, high = max(first, start), min(last, end)
        if high > low and window_count:
            edges.append(np.linspace(low, high, window_count + 1))
    return np.unique(np.concatenate(edges))


def reduce_min_max(
    x: FloatArray, y: FloatArray, edges: FloatArray, *, gap: float
) -> tuple[FloatArray, FloatArray]:
    """Keep the lowest and highest sample of each bucket, and every gap.

    Parameters
    ----------
    x : array of float64, shape (n,)
        Not decreasing.
    y : array of float64, shape (n,)
        NaN means "no value".
    edges : array of float64, shape (m,)
        Bucket edges, strictly increasing; samples outside are left out.
    gap : float
        A step in x longer than this is a gap.

    Returns
    -------
    x, y : arrays of float64, shape (k,)
        At most two samples a bucket, in order of x; y is NaN in a gap.

    Notes
    -----
    The first and the last sample of the span are kept too, so that a line reaches
    its true ends.
    """
    run = _runs(x, y, gap)
    inside = np.flatnonzero((run >= 0) & (x >= edges[0]) & (x <= edges[-1]))
    if not len(inside):
        return np.empty(0), np.empty(0)
    rows = inside[_keep(x[inside], y[inside], edges)]
    return _with_breaks(x[rows], y[rows], run[rows])


def _runs(x: FloatArray, y: FloatArray, gap: float) -> IntArray:
    """Return the number of each sample's stretch without a gap; -1 where it has no value."""
    missing = np.isnan(y)
    starts = np.diff(x, prepend=x[:1]) > gap
    starts |= missing
    run = np.cumsum(starts, dtype=np.int64)
    run[missing] = -1
    return run


def _keep(x: FloatArray, y: FloatArray, edges: FloatArray) -> IntArray:
    # x is in order, so it is the few edges that are looked up among the samples.
    begins = np.searchsorted(x, edges[1:-1], side="left")
    first = np.unique(np.concatenate([[0], begins[begins < len(x)]]))
    counts = np.diff(first, append=len(x))
    if counts.max() <= 2:  # noqa: PLR2004 - a bucket of two keeps both
        return np.arange(len(x))
    bucket = np.repeat(np.arange(len(first)), counts)
    low = _first_equal(y, np.repeat(np.minimum.reduceat(y, first), counts), bucket)
    high = _first_equal(y, np.repeat(np.maximum.reduceat(y, first), counts), bucket)
    ends = np.array([0, len(x) - 1])
    return np.unique(np.concatenate([low, high, ends]))


def _first_equal(y: FloatArray, extreme: FloatArray, bucket: IntArray) -> IntArray:
    """Return the first row in each bucket that holds the bucket's extreme."""
    rows = np.flatnonzero(y == extreme)
    return rows[np.flatnonzero(np.diff(bucket[rows], prepend=-1))]


def _with_breaks(x: FloatArray, y: FloatArray, run: IntArray) -> tuple[FloatArray, FloatArray]:
    breaks = np.flatnonzero(np.diff(run)) + 1
    return np.insert(x, breaks, x[breaks]), np.insert(y, breaks, np.nan)


def reduce_channel(channel: Channel, edges: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Reduce a channel's samples for drawing; a gap is what the channel calls stale."""
    if not len(channel):
        return np.empty(0), np.empty(0)
    return reduce_min_max(channel.time_s, channel.value, edges, gap=channel.stale_after_s)

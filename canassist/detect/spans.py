"""Hysteresis and minimum duration, shared by all detectors."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from canassist.timeline import TIME_STEP_S, seen_s

if TYPE_CHECKING:
    from canassist.model import BoolArray, FloatArray, IntArray


class Span(NamedTuple):
    """Rows of samples: the first inside, and the first of the recovery (None: not seen)."""

    first: int
    end: int | None


class Runs(NamedTuple):
    """Runs of neighbouring true samples: ``first[i]`` to before ``stop[i]``, and how long."""

    first: IntArray
    stop: IntArray
    seconds: FloatArray


def true_runs(time_s: FloatArray, state: BoolArray, *, stale_after_s: float) -> Runs:
    """Find runs of true samples.

    A run is measured from its first sample to the first sample that is not part of
    it, or to the last sample where the log ends first; gaps count nothing.

    Parameters
    ----------
    time_s : array of float64, shape (n,)
        Times of the samples that carry a value, in s.
    state : array of bool, shape (n,)
        Which samples are part of a run.
    stale_after_s : float
        A longer step is a gap.
    """
    turns = np.flatnonzero(np.diff(state, prepend=False, append=False))
    first, stop = turns[::2], turns[1::2]
    if not len(first):
        return Runs(first, stop, np.empty(0))
    seen = seen_s(time_s, stale_after_s=stale_after_s)
    seconds = seen[np.minimum(stop, len(time_s) - 1)] - seen[first]
    return Runs(first, stop, seconds)


def find_spans(  # noqa: PLR0913 - three columns and three durations, the latter by name
    time_s: FloatArray,
    inside: BoolArray,
    outside: BoolArray,
    *,
    at_least_s: float = 0.0,
    hold_s: float = 0.0,
    stale_after_s: float,
    followed_s: float | None = None,
) -> list[Span]:
    """Find spans that start by one condition and end by another.

    Parameters
    ----------
    time_s : array of float64, shape (n,)
        Times of the samples that carry a value, in s; unknown ones are left out, so
        a gap changes no state.
    inside, outside : array of bool, shape (n,)
        Which samples start a span and which end one. Samples of neither kind (between
        two thresholds) change nothing.
    at_least_s : float
        A span starts at the first sample of a run of `inside` that lasts this long.
    hold_s : float
        It ends at the first sample of a run of `outside` that lasts this long.
    stale_after_s : float
        A longer step between samples is a gap, and counts towards neither.
    followed_s : float, optional
        The same for starts alone, where it is shorter.

    Returns
    -------
    list of Span
        In time order; ``end`` is None where the log ends before the end is certain.
    """
    start_step_s = stale_after_s if followed_s is None else followed_s
    starts = true_runs(time_s, inside, stale_after_s=start_step_s)
    ends = true_runs(time_s, outside, stale_after_s=stale_after_s)
    start_rows = starts.first[starts.seconds >= at_least_s - TIME_STEP_S]
    end_rows = ends.first[ends.seconds >= hold_s - TIME_STEP_S]
    found: list[Span] = []
    after = 0
    while True:
        place = np.searchsorted(start_rows, after)
        if place == len(start_rows):
            return found
        first = int(start_rows[place])
        place = np.searchsorted(end_rows, first)
        if place == len(end_rows):
            found.append(Span(first, None))
            return found
        after = int(end_rows[place])
        found.append(Span(first, after))


def last_row(span: Span, count: int) -> int:
    """Return the row after the span's last one, for slices; `count` is all samples."""
    return count if span.end is None else span.end

"""Where a channel fell silent, and how much time it was really seen."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from canassist.model import FloatArray

TIME_STEP_S = 1e-6
"""Recorders stamp in microseconds: durations closer than this are equal."""


def seen_s(time_s: FloatArray, *, stale_after_s: float) -> FloatArray:
    """Return the seconds seen up to each sample, gaps left out.

    Parameters
    ----------
    time_s : array of float64, shape (n,)
        Times of the samples that carry a value, not decreasing.
    stale_after_s : float
        A step longer than this is a gap and counts nothing.

    Returns
    -------
    array of float64, shape (n,)
        Starts at 0; the difference of two entries is a duration without gaps.
    """
    steps = np.diff(time_s, prepend=time_s[:1])
    steps[steps > stale_after_s + TIME_STEP_S] = 0.0
    return np.cumsum(steps)


def silences(
    time_s: FloatArray, *, longer_than_s: float, log_end_s: float
) -> list[tuple[float, float | None]]:
    """Find where no sample came for longer than `longer_than_s`.

    Parameters
    ----------
    time_s : array of float64, shape (n,)
        Times of the samples that carry a value, in s, not decreasing.
    log_end_s : float
        End of the log, in s; the time from the last sample to it counts too.

    Returns
    -------
    list of (last_s, next_s)
        Last sample before and first one after; None where none came any more.
    """
    if not len(time_s):
        return []
    steps = np.diff(time_s)
    found: list[tuple[float, float | None]] = [
        (float(time_s[row]), float(time_s[row + 1]))
        for row in np.flatnonzero(steps > longer_than_s + TIME_STEP_S)
    ]
    if log_end_s - time_s[-1] > longer_than_s + TIME_STEP_S:
        found.append((float(time_s[-1]), None))
    return found


def present_share(time_s: FloatArray, *, stale_after_s: float, log_end_s: float) -> float:
    """Return the share of the log in which a sample at most `stale_after_s` old exists.

    Parameters
    ----------
    time_s : array of float64, shape (n,)
        Times of the samples that carry a value, in s, not decreasing.
    log_end_s : float
        Length of the log in s; NaN is returned where it is not above zero.
    """
    if log_end_s <= 0.0:
        return float("nan")
    if not len(time_s):
        return 0.0
    until = np.append(time_s[1:], log_end_s)
    return float(np.minimum(until - time_s, stale_after_s).sum() / log_end_s)

"""What the periods of the identifiers say of a step in the clock: pure functions on arrays.

Cyclic messages go on in their period whatever the recorder's clock does. So the step that
brings most identifiers back into their period is the error of the clock, and a step that
leaves them in it is none.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from canassist.model import BoolArray, ByteArray, IdArray, IntArray

_REACH: Final = 4096
"""So many frames on either side of a step are looked at."""
_FEWEST_FRAMES: Final = 4  # of an identifier, for a period
_MOST_SOURCES: Final = 24  # the fastest ones tell a step best
_NEAR_PERIOD: Final = 0.5  # a frame this near, in periods, takes the place of another
_MOST_TAKEN: Final = 0.5  # share of places taken from which on frames do not belong there


def source_numbers(bus: ByteArray, key: IdArray) -> IntArray:
    """Return one number for each identifier on each bus, shape (n,)."""
    return (bus.astype(np.int64) << 32) | key.astype(np.int64)


def shift_into_period(
    time_ns: IntArray, source: IntArray, begin: int, end: int | None = None
) -> int | None:
    """Return what to add to the times from `begin` on so that the identifiers go on.

    Parameters
    ----------
    time_ns : array of int64, shape (n,)
    source : array of int64, shape (n,)
        Tells identifiers and buses apart.
    begin, end : int
        Rows from the step on that share one clock.

    Returns
    -------
    int or None
        The median over the fastest identifiers that stand on both sides; None where none does.
    """
    first = max(0, begin - _REACH)
    last = min(len(time_ns) if end is None else end, begin + _REACH)
    before, after = slice(first, begin), slice(begin, last)
    periods = _periods(time_ns[before], source[before])
    found: list[tuple[float, float]] = []
    starts, place = np.unique(source[after], return_index=True)
    for one, at in zip(starts.tolist(), place.tolist(), strict=True):
        if one in periods:
            period_ns, last_ns = periods[one]
            found.append((period_ns, last_ns + period_ns - int(time_ns[begin + at])))
    if not found:
        return None
    fastest = sorted(found)[:_MOST_SOURCES]
    return round(float(np.median([shift for _, shift in fastest])))


def places_are_taken(time_ns: IntArray, source: IntArray, rows: IntArray, before: int) -> bool:
    """Tell whether frames would stand beside others of their identifier where their times say.

    Frames that came late left their places free; those with a wrong time find them taken.

    Parameters
    ----------
    time_ns, source : arrays of int64, shape (n,)
    rows : array of int64
        The frames in question.
    before : int
        Rows up to here are asked.
    """
    first = max(0, before - 4 * _REACH)
    periods = _periods(time_ns[first:before], source[first:before])
    asked = taken = 0
    for one in np.unique(source[rows]).tolist():
        if one not in periods:
            continue
        own = np.sort(time_ns[first:before][source[first:before] == one])
        mine = time_ns[rows[source[rows] == one]]
        right = np.searchsorted(own, mine)
        nearest = np.minimum(
            np.abs(own[np.minimum(right, len(own) - 1)] - mine),
            np.abs(own[np.maximum(right - 1, 0)] - mine),
        )
        asked += len(mine)
        taken += int((nearest < _NEAR_PERIOD * periods[one][0]).sum())
    return asked > 0 and taken > _MOST_TAKEN * asked


def _periods(time_ns: IntArray, source: IntArray) -> dict[int, tuple[float, int]]:
    """Return median period and last time of each identifier, times in file order."""
    order = np.argsort(source, kind="stable")
    sorted_source, sorted_ns = source[order], time_ns[order]
    steps = np.diff(sorted_ns)
    same: BoolArray = sorted_source[1:] == sorted_source[:-1]
    found = {}
    edges = np.flatnonzero(~same) + 1
    begins = np.concatenate(([0], edges))
    ends = np.concatenate((edges, [len(sorted_ns)]))
    for begin, end in zip(begins.tolist(), ends.tolist(), strict=True):
        if end - begin >= _FEWEST_FRAMES:
            period = float(np.median(steps[begin : end - 1]))
            if period > 0.0:
                found[int(sorted_source[begin])] = (period, int(sorted_ns[end - 1]))
    return found

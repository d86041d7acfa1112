"""What is wrong with a run of time stamps: pure functions on arrays in file order.

A bus gives its frames in the order in which they came, so within one bus a time that lies
before an earlier one is a fault. Between two buses it is not: a recorder may hand over a
bundle of one and then a bundle of the other.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum, auto
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from canassist.model import BoolArray, ByteArray, IntArray

_NS: Final = 1_000_000_000
LATE_FRAMES: Final = 32
"""So many frames of one bus may stand behind later ones; they are sorted. Own choice."""
LATE_NS: Final = 2 * _NS
"""A frame further back than this has a wrong time stamp, it was not merely late."""
SPIKE_FRAMES: Final = 4
"""So few frames ahead of all that follow have wrong time stamps; more are a clock set back."""
FAR_NS: Final = 60 * _NS
"""A few frames this far off those before and behind have wrong time stamps. Own choice."""
JUMP_NS: Final = 24 * 3600 * _NS
"""No recording pauses this long within one file: the clock was set."""
_MOST_SPIKES: Final = 64  # looked at in one run; with more its clock means nothing
_NEAR_WRAP_NS: Final = 60 * _NS

# Counters that start again at zero: what they count to.
WRAPS: Final = {
    "a 32-bit count of nanoseconds": 1 << 32,
    "a 16-bit count of milliseconds": (1 << 16) * 1_000_000,
    "a 32-bit count of microseconds": (1 << 32) * 1_000,
    "a 32-bit count of ten microseconds": (1 << 32) * 10_000,
    "a 32-bit count of milliseconds": (1 << 32) * 1_000_000,
    "an hour": 3600 * _NS,
    "a day": 24 * 3600 * _NS,
}
_SHARE_OF_WRAP: Final = 0.02  # a wrap happens this close to the counter's end, and to zero


class Kind(Enum):
    """Kinds of fault that sorting does not put right."""

    SET_BACK = auto()
    WRAPPED = auto()
    JUMPED_AHEAD = auto()
    TOO_HIGH = auto()  # a few frames
    TOO_LOW = auto()
    REPEATED = auto()  # a bundle of frames was written twice


@dataclass(frozen=True, slots=True)
class ClockFault:
    """A fault in a run of time stamps.

    Attributes
    ----------
    kind : Kind
    row : int
        Where it begins.
    by_ns : int
        For a clock that was set, wrapped or jumped: what to add to this time and all
        that follow.
    rows : array of int64
        For frames with wrong times or written twice: which.
    name : str
        For a wrapped clock: what wrapped.
    """

    kind: Kind
    row: int
    by_ns: int = 0
    rows: IntArray | None = None
    name: str = ""


@dataclass(frozen=True, slots=True)
class ClockVerdict:
    """What a look at a run of time stamps found.

    Attributes
    ----------
    fault : ClockFault or None
        The first one that sorting does not put right.
    late : int
        Frames before it that are late within their bus.
    unsure : bool
        The run ends before it can be told; more frames are needed.
    """

    fault: ClockFault | None
    late: int = 0
    unsure: bool = False


def look(
    time_ns: IntArray, bus: ByteArray, marks: IntArray, raw_offset_ns: int, *, final: bool
) -> ClockVerdict:
    """Find the first fault in a run of time stamps.

    Parameters
    ----------
    time_ns : array of int64, shape (n,)
        In file order.
    bus : array of uint8, shape (n,)
    marks : array of int64, shape (n,)
        What tells frames apart besides time and bus, for finding repeats.
    raw_offset_ns : int
        What was added to the times of the file up to now.
    final : bool
        Whether the file ends with this run.
    """
    if spike := _first_spike(time_ns):
        return ClockVerdict(spike)
    jump = _first_jump(time_ns)
    late, unsure = 0, False
    first: tuple[int, IntArray, int, int] | None = None
    for one in np.flatnonzero(np.bincount(bus)).tolist():
        rows = np.flatnonzero(bus == one)
        own = time_ns[rows]
        counted, begin, end, open_end = _first_deep_run(own, final=final)
        late += counted
        unsure |= open_end
        if begin is not None and (first is None or rows[begin] < first[0]):
            first = (int(rows[begin]), rows, begin, end)
    if first is None and jump is None:
        return ClockVerdict(None, late, unsure)
    if first is None or (jump is not None and jump < first[0]):
        return _judge_jump(time_ns, bus, jump or 0, late, final=final)
    fault = _repeat(time_ns, bus, marks, first[0]) or _judge(time_ns, first, raw_offset_ns)
    return ClockVerdict(fault, late)


def _first_spike(time_ns: IntArray) -> ClockFault | None:
    """Find a few frames, on whatever bus, far off the times of those before and behind them."""
    steps = np.diff(time_ns)
    if not len(steps) or int(np.abs(steps).max()) <= FAR_NS:
        return None
    begins = np.flatnonzero(np.abs(steps) > FAR_NS)[:_MOST_SPIKES] + 1
    for begin in begins.tolist():
        before = int(time_ns[begin - 1])
        behind = time_ns[begin + 1 : begin + 1 + SPIKE_FRAMES]
        back = np.flatnonzero(np.abs(behind - before) <= FAR_NS)
        if len(back):
            kind = Kind.TOO_HIGH if time_ns[begin] > before else Kind.TOO_LOW
            return ClockFault(kind, begin, rows=np.arange(begin, begin + 1 + int(back[0])))
    return None


def _first_jump(time_ns: IntArray) -> int | None:
    at = np.flatnonzero(np.diff(time_ns) > JUMP_NS)
    return int(at[0]) + 1 if len(at) else None


def _first_deep_run(own: IntArray, *, final: bool) -> tuple[int, int | None, int, bool]:
    """Look for the first run of times below an earlier one that is more than a few late frames.

    Returns
    -------
    late : int
        Frames of shallow runs before it.
    begin : int or None
    end : int
        Where it begins and ends, the end being the length where it does not.
    open_end : bool
        A run that is still shallow goes on to the end of what is known.
    """
    highest = np.maximum.accumulate(own)
    below = np.zeros(len(own), dtype=np.bool_)
    below[1:] = own[1:] < highest[:-1]
    if not below.any():
        return 0, None, 0, False
    edges = np.flatnonzero(np.diff(below, prepend=False, append=False))
    begins, ends = edges[::2], edges[1::2]
    deep = ends - begins > LATE_FRAMES
    depth = highest - own
    deep |= np.maximum.reduceat(depth, begins) > LATE_NS  # runs are parted by rows of depth 0
    open_end = ends == len(own)
    if not final:
        deep &= ~open_end | (ends - begins > LATE_FRAMES)
    found = np.flatnonzero(deep)
    if not len(found):
        return int(below.sum()), None, 0, bool(open_end.any()) and not final
    at = int(found[0])
    return int(below[: begins[at]].sum()), int(begins[at]), int(ends[at]), False


def _judge(
    time_ns: IntArray, first: tuple[int, IntArray, int, int], raw_offset_ns: int
) -> ClockFault:
    row, rows, begin, end = first
    own = time_ns[rows]
    now, before = int(own[begin]), int(own[:begin].max())
    ahead = begin - int(np.searchsorted(np.maximum.accumulate(own[:begin]), now, side="right"))
    if 0 < ahead <= SPIKE_FRAMES and end - begin > ahead and before - now > LATE_NS:
        return ClockFault(Kind.TOO_HIGH, int(rows[begin - ahead]), rows=rows[begin - ahead : begin])
    if end - begin <= LATE_FRAMES and end < len(own):
        return ClockFault(Kind.TOO_LOW, row, rows=rows[begin:end])
    raw_now, raw_before = now - raw_offset_ns, before - raw_offset_ns
    for name, size in WRAPS.items():
        near = min(_NEAR_WRAP_NS, int(_SHARE_OF_WRAP * size))
        if size - near <= raw_before < size and 0 <= raw_now < near:
            return ClockFault(Kind.WRAPPED, row, by_ns=size, name=name)
    by_ns = before + typical_step(time_ns[:row]) - now
    return ClockFault(Kind.SET_BACK, row, by_ns=by_ns)


def _judge_jump(
    time_ns: IntArray, bus: ByteArray, row: int, late: int, *, final: bool
) -> ClockVerdict:
    """Tell a few wrong time stamps from a clock that was set ahead."""
    if len(time_ns) - row <= LATE_FRAMES and not final:
        return ClockVerdict(None, late, unsure=True)
    behind = time_ns[row : row + LATE_FRAMES]
    back = np.flatnonzero(behind < time_ns[row] - JUMP_NS // 2)
    if len(back) and back[0] <= SPIKE_FRAMES:
        return ClockVerdict(
            ClockFault(Kind.TOO_HIGH, row, rows=np.arange(row, row + int(back[0]))), late
        )
    before = int(time_ns[:row].max())
    by_ns = before + typical_step(time_ns[:row]) - int(time_ns[row])
    return ClockVerdict(ClockFault(Kind.JUMPED_AHEAD, row, by_ns=by_ns), late)


def _repeat(time_ns: IntArray, bus: ByteArray, marks: IntArray, row: int) -> ClockFault | None:
    """Tell whether the frames from `row` on were all there before, with the same times."""
    same = np.flatnonzero((time_ns[:row] == time_ns[row]) & (marks[:row] == marks[row]))
    if not len(same):
        return None
    start = int(same[0])
    most = min(row - start, len(time_ns) - row)
    equal: BoolArray = (
        (time_ns[start : start + most] == time_ns[row : row + most])
        & (marks[start : start + most] == marks[row : row + most])
        & (bus[start : start + most] == bus[row : row + most])
    )
    count = most if equal.all() else int(np.argmin(equal))
    if count <= SPIKE_FRAMES:
        return None
    return ClockFault(Kind.REPEATED, row, rows=np.arange(row, row + count))


def typical_step(time_ns: IntArray) -> int:
    """Return the median time between frames, 0 where nothing is known."""
    steps = np.diff(time_ns)
    steps = steps[steps >= 0]
    return int(np.median(steps)) if len(steps) else 0

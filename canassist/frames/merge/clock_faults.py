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

from canassist.frames.merge.period_fit import places_are_taken, shift_into_period, source_numbers

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canassist.model import BoolArray, FrameBlock, IntArray

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
LAST_NS: Final = 10 * _NS
"""The last few frames of a file, this far behind all others, have wrong times. Own choice."""
_STANDS_OUT: Final = 200  # ... and so many mean steps
_SHALLOW_NS: Final = 50_000_000
"""A bundle set back by less than this is sorted; no channel is spoilt by it. Own choice."""
_COMES_BACK: Final = 0.05
"""The way forward equals the way back within this share of it, or `_SHALLOW_NS`. Own choice."""
_APART: Final = 5
"""A way forward that equals the way back but for a step of the bus, and is so many times any such
step, is the clock's whatever the periods say: a recorder that drops frames hides them. Own
choice."""
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
    CAME_FORWARD = auto()  # a clock that was set back is right again
    BUNDLE_AHEAD = auto()  # a bundle of frames with times too high by a constant
    LAST_WRONG = auto()  # the last few frames of a file


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
        that follow; for a bundle ahead, to its own times.
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


@dataclass(frozen=True, slots=True)
class ClockState:
    """What was done to a file's times up to now.

    Attributes
    ----------
    offset_ns : int
        What is being added to them.
    set_back_ns : sequence of int
        Parts of it for which the clock may yet come forward again.
    """

    offset_ns: int = 0
    set_back_ns: Sequence[int] = ()


def look(block: FrameBlock, marks: IntArray, state: ClockState, *, final: bool) -> ClockVerdict:
    """Find the first fault in a run of time stamps.

    Parameters
    ----------
    block : FrameBlock
        In file order.
    marks : array of int64, shape (n,)
        What tells frames apart besides time and bus, for finding repeats.
    state : ClockState
    final : bool
        Whether the file ends with this run.
    """
    time_ns = block.time_ns
    spike = _first_spike(time_ns) or (_wrong_at_end(time_ns) if final else None)
    if spike:
        return ClockVerdict(spike)
    run = _Run(time_ns, source_numbers(block.bus, block.key), block, marks, state)
    jump = _first_jump(time_ns)
    late, unsure = 0, False
    first: tuple[int, IntArray, int, int] | None = None
    for one in np.flatnonzero(np.bincount(block.bus)).tolist():
        rows = np.flatnonzero(block.bus == one)
        counted, begin, end, open_end = _first_deep_run(run, rows, final=final)
        late += counted
        unsure |= open_end
        if begin is not None and (first is None or rows[begin] < first[0]):
            first = (int(rows[begin]), rows, begin, end)
    candidates = [place for place in (jump, first[0] if first else None) if place is not None]
    came = _came_forward(run, min(candidates, default=len(time_ns)))
    if came is not None:
        return ClockVerdict(came, late)
    if first is None and jump is None:
        return ClockVerdict(None, late, unsure)
    if first is None or (jump is not None and jump < first[0]):
        return _judge_jump(run, jump or 0, late, final=final)
    fault = _repeat(run, first[0]) or _judge(run, first)
    return ClockVerdict(fault, late)


@dataclass(frozen=True, slots=True)
class _Run:
    """A run of frames in file order, and what tells them apart."""

    time_ns: IntArray
    source: IntArray
    block: FrameBlock
    marks: IntArray
    state: ClockState


def _wrong_at_end(time_ns: IntArray) -> ClockFault | None:
    """Find the last few frames of a file far behind all others, which makes no pause."""
    if len(time_ns) <= 2 * SPIKE_FRAMES:
        return None
    steps = np.diff(time_ns[-SPIKE_FRAMES - 1 :])
    far = np.flatnonzero(steps > LAST_NS)
    if not len(far):
        return None
    begin = len(time_ns) - SPIKE_FRAMES + int(far[0])
    mean = (int(time_ns[begin - 1]) - int(time_ns[0])) / max(begin - 1, 1)
    if int(steps[far[0]]) < _STANDS_OUT * mean:
        return None
    return ClockFault(Kind.LAST_WRONG, begin, rows=np.arange(begin, len(time_ns)))


_MOST_ASKED: Final = 20
"""Steps of a set-back's size that are held against the periods in one run of frames: where more
of them are no way back, such steps are the manner of the file, and each costs time."""


def _came_forward(run: _Run, before: int) -> ClockFault | None:
    """Find where a clock that was set back is right again."""
    if not run.state.set_back_ns:
        return None
    steps = np.diff(run.time_ns[:before])
    least = max(min(run.state.set_back_ns) * (1.0 - _COMES_BACK) - _SHALLOW_NS, 0.0)
    bus_ns = int(steps[steps <= least].max(initial=0))
    asked = 0
    for row in (np.flatnonzero(steps > least) + 1).tolist():
        step_ns = int(steps[row - 1])
        may_miss = bus_ns if step_ns > _APART * bus_ns else 0
        alike = [
            one
            for one in run.state.set_back_ns
            if abs(step_ns - one) <= max(_tolerance(one), may_miss)
        ]
        if not alike:
            continue
        shift = shift_into_period(run.time_ns, run.source, row)
        for back_ns in reversed(alike):
            fits = shift is not None and abs(shift + back_ns) <= _tolerance(back_ns)
            equals = may_miss and abs(step_ns - back_ns) <= max(_SHALLOW_NS, may_miss)
            if fits or equals:
                return ClockFault(Kind.CAME_FORWARD, row, by_ns=-back_ns)
        asked += 1
        if asked == _MOST_ASKED:
            break
    return None


def _tolerance(back_ns: int) -> int:
    return max(_SHALLOW_NS, int(_COMES_BACK * back_ns))


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


def _first_deep_run(run: _Run, rows: IntArray, *, final: bool) -> tuple[int, int | None, int, bool]:
    """Look for the first run of times below an earlier one that is more than a few late frames.

    Returns
    -------
    late : int
        Frames of shallow runs before it.
    begin : int or None
    end : int
        Where it begins and ends among `rows`, the end being their number where it does not.
    open_end : bool
        A run that is still shallow goes on to the end of what is known.
    """
    own = run.time_ns[rows]
    highest = np.maximum.accumulate(own)
    below = np.zeros(len(own), dtype=np.bool_)
    below[1:] = own[1:] < highest[:-1]
    if not below.any():
        return 0, None, 0, False
    edges = np.flatnonzero(np.diff(below, prepend=False, append=False))
    begins, ends = edges[::2], edges[1::2]
    depth = np.maximum.reduceat(highest - own, begins)  # runs are parted by rows of depth 0
    deep = (ends - begins > LATE_FRAMES) | (depth > LATE_NS)
    open_end = ends == len(own)
    if not final:
        deep &= ~open_end | (ends - begins > LATE_FRAMES)
    asked = ~deep & (ends - begins > SPIKE_FRAMES) & (depth > _SHALLOW_NS)
    for at in np.flatnonzero(asked).tolist():
        some = rows[begins[at] : ends[at]]
        if not open_end[at] or final:
            deep[at] = places_are_taken(run.time_ns, run.source, some, int(some[0]))
    found = np.flatnonzero(deep)
    if not len(found):
        return int(below.sum()), None, 0, bool(open_end.any()) and not final
    at = int(found[0])
    return int(below[: begins[at]].sum()), int(begins[at]), int(ends[at]), False


def _judge(run: _Run, first: tuple[int, IntArray, int, int]) -> ClockFault:
    row, rows, begin, end = first
    own = run.time_ns[rows]
    now, before = int(own[begin]), int(own[:begin].max())
    ahead = begin - int(np.searchsorted(np.maximum.accumulate(own[:begin]), now, side="right"))
    if 0 < ahead <= SPIKE_FRAMES and end - begin > ahead and before - now > LATE_NS:
        return ClockFault(Kind.TOO_HIGH, int(rows[begin - ahead]), rows=rows[begin - ahead : begin])
    if end - begin <= SPIKE_FRAMES and end < len(own):
        return ClockFault(Kind.TOO_LOW, row, rows=rows[begin:end])
    if bundle := _bundle_ahead(run, rows, begin, ahead):
        return bundle
    raw_now, raw_before = now - run.state.offset_ns, before - run.state.offset_ns
    for name, size in WRAPS.items():
        near = min(_NEAR_WRAP_NS, int(_SHARE_OF_WRAP * size))
        if size - near <= raw_before < size and 0 <= raw_now < near:
            return ClockFault(Kind.WRAPPED, row, by_ns=size, name=name)
    return ClockFault(Kind.SET_BACK, row, by_ns=_going_on(run, row, before))


def _going_on(run: _Run, row: int, before: int) -> int:
    """Return what to add from `row` on so that the identifiers go on in their periods."""
    plain = before + typical_step(run.time_ns[:row]) - int(run.time_ns[row])
    shift = shift_into_period(run.time_ns, run.source, row, _end_of_run(run.time_ns, row))
    if shift is None or abs(shift - plain) > _tolerance(abs(plain)):
        return plain
    return max(shift, before - int(run.time_ns[row]))


def _end_of_run(time_ns: IntArray, row: int) -> int:
    """Return where the clock next makes a step that is none of a bus."""
    steps = np.abs(np.diff(time_ns[row:]))
    far = np.flatnonzero(steps > LATE_NS // 2)
    return row + 1 + int(far[0]) if len(far) else len(time_ns)


def _bundle_ahead(run: _Run, rows: IntArray, begin: int, ahead: int) -> ClockFault | None:
    """Find a bundle of frames that stepped ahead, just before a step back by as much."""
    own = run.time_ns[rows]
    first = begin - ahead
    if ahead <= SPIKE_FRAMES or first <= 0:
        return None
    back_ns = int(own[begin - 1]) - int(own[begin])
    forward_ns = int(own[first]) - int(own[first - 1])
    if back_ns <= _SHALLOW_NS or abs(forward_ns - back_ns) > _tolerance(back_ns):
        return None
    row = int(rows[first])
    shift = shift_into_period(run.time_ns, run.source, row, int(rows[begin]))
    if shift is None or abs(shift + back_ns) > _tolerance(back_ns):
        return None
    return ClockFault(Kind.BUNDLE_AHEAD, row, by_ns=shift, rows=rows[first:begin])


def _judge_jump(run: _Run, row: int, late: int, *, final: bool) -> ClockVerdict:
    """Tell a few wrong time stamps from a clock that was set ahead."""
    time_ns = run.time_ns
    if len(time_ns) - row <= LATE_FRAMES and not final:
        return ClockVerdict(None, late, unsure=True)
    behind = time_ns[row : row + LATE_FRAMES]
    back = np.flatnonzero(behind < time_ns[row] - JUMP_NS // 2)
    if len(back) and back[0] <= SPIKE_FRAMES:
        return ClockVerdict(
            ClockFault(Kind.TOO_HIGH, row, rows=np.arange(row, row + int(back[0]))), late
        )
    by_ns = _going_on(run, row, int(time_ns[:row].max()))
    return ClockVerdict(ClockFault(Kind.JUMPED_AHEAD, row, by_ns=by_ns), late)


def _repeat(run: _Run, row: int) -> ClockFault | None:
    """Tell whether the frames from `row` on were all there before, with the same times."""
    time_ns, bus, marks = run.time_ns, run.block.bus, run.marks
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

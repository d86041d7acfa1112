"""The parts of a ride on one time base, and their frames in one order.

Parts are placed by what their files say of the time: UTC where all of them know it, else
the recorder's local date, else one after the other in the order given; or side by side where
each holds other buses from about the same time on.
"""

from __future__ import annotations

from collections import deque
from contextlib import ExitStack
from dataclasses import dataclass, field
from itertools import combinations
from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.frames.block_tools import closed_at_end, in_time_order, joined, picked, rows_of
from canassist.model import Problem

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from canassist.frames.base import ReadRequest
    from canassist.frames.merge.part_stream import PartStream, Start
    from canassist.model import FrameBlock

_NS: Final = 1_000_000_000
_PARALLEL_NS: Final = _NS
"""Parts that overlap by more than this ran side by side; by less, one follows the other."""
_SAME_SHARE: Final = 0.8
"""Share of equal frames that tells one bus recorded twice from two buses; own choice."""
_SEAM_NS: Final = 1_000_000
"""Between parts without any common time: about one frame; nothing is known of a gap there."""
_TOGETHER_NS: Final = 10 * _NS
"""Files of different buses that begin this close by their own clocks count from one zero; own
choice."""
_SAME_ZERO_NS: Final = 600 * _NS
"""A part that begins this soon after the end of the one before counts on from its zero."""


@dataclass(slots=True)
class JoinPlan:
    """In which order the parts come, and where each begins; `start_ns` None: after the last."""

    streams: list[PartStream]
    start_ns: list[int | None]


def place_parts(streams: Sequence[PartStream], problems: list[Problem]) -> JoinPlan:
    """Put the parts of a ride on one time base.

    Parameters
    ----------
    streams : sequence of PartStream
        In the order given; their `offset_ns` is set where it is known beforehand.
    problems : list of Problem
        What had to be assumed is added.
    """
    if len(streams) == 1:
        streams[0].offset_ns = 0
        return JoinPlan(list(streams), [None])
    starts: list[tuple[PartStream, Start]] = []
    for stream in streams:
        start = stream.peek()
        if start is None:
            problems.append(Problem(stream.part.name, "holds no CAN frame; left out"))
        else:
            starts.append((stream, start))
    for clock in ("utc_ns", "local_ns"):
        times = [getattr(start, clock) for _, start in starts]
        if all(at is not None for at in times):
            return _by_clock(starts, times)
    if len(starts) > 1:
        return _without_clock(starts, problems)
    starts[0][0].offset_ns = 0
    return JoinPlan([starts[0][0]], [None])


def _without_clock(starts: list[tuple[PartStream, Start]], problems: list[Problem]) -> JoinPlan:
    names = ", ".join(stream.part.name for stream, _ in starts)
    if _of_one_recorder([start for _, start in starts]):
        what = "have no common clock; taken side by side, for each holds other buses"
        problems.append(Problem(names, what))
        return _by_clock(starts, [start.first_ns for _, start in starts])
    problems.append(
        Problem(names, "have no common clock; taken one after the other in the order given")
    )
    for stream, start in starts:
        stream.offset_ns = 0
        stream.first_ns = start.first_ns
    return JoinPlan([stream for stream, _ in starts], [None] * len(starts))


def _of_one_recorder(starts: Sequence[Start]) -> bool:
    """Tell whether logs are one recorder's files for one bus each, or a few, begun together."""
    first = [start.first_ns for start in starts]
    together = bool(first) and max(first) - min(first) <= _TOGETHER_NS
    return together and all(one.buses.isdisjoint(two.buses) for one, two in combinations(starts, 2))


def _by_clock(starts: list[tuple[PartStream, Start]], times: list[int]) -> JoinPlan:
    for (stream, start), at in zip(starts, times, strict=True):
        stream.offset_ns = at - start.first_ns
    order = sorted(range(len(starts)), key=times.__getitem__)
    return JoinPlan([starts[n][0] for n in order], [times[n] for n in order])


@dataclass(slots=True)
class _Head:
    """A part that is being read, and the frames of it that wait."""

    stream: PartStream
    source: Iterator[FrameBlock]
    waiting: deque[FrameBlock] = field(default_factory=deque)

    def fill(self) -> bool:
        """Have a block waiting; False at the end of the part."""
        while not self.waiting:
            block = next(self.source, None)
            if block is None:
                return False
            if len(block):
                self.waiting.append(block)
        return True

    def reaches(self, time_ns: int) -> bool:
        """Tell whether the part goes on at least until a time."""
        while self.waiting[-1].time_ns[-1] < time_ns:
            block = next(self.source, None)
            if block is None:
                return False
            if len(block):
                self.waiting.append(block)
        return True

    def take_until(self, time_ns: int) -> FrameBlock | None:
        """Take the frames of the first waiting block up to and including a time."""
        block = self.waiting.popleft()
        if block.time_ns[-1] <= time_ns:  # whole, also where its buses are not in one order
            return block
        count = int(np.searchsorted(block.time_ns, time_ns, side="right"))
        if count < len(block):
            self.waiting.appendleft(rows_of(block, count, len(block)))
        return rows_of(block, 0, count) if count else None


class Joiner:
    """Reads the parts of a ride and weaves their frames together.

    Parameters
    ----------
    plan : JoinPlan
    request : ReadRequest
    buses : list of str
        Filled with the ride's bus names.
    problems : list of Problem
        What had to be assumed is added.
    """

    def __init__(
        self, plan: JoinPlan, request: ReadRequest, buses: list[str], problems: list[Problem]
    ) -> None:
        self._request = request
        self._buses = buses
        self._problems = problems
        self._pending = deque(zip(plan.streams, plan.start_ns, strict=True))
        self._heads: list[_Head] = []
        self._used: dict[int, set[str]] = {}  # bus names of a part, by the stream's id
        self._twice = False
        self._dropped = 0
        self._last_ns = 0

    def blocks(self) -> Iterator[FrameBlock]:
        """Yield all frames in time order; those of a bus only where its buses lie far apart."""
        with ExitStack() as stack:
            while self._heads or self._pending:
                if not self._heads:
                    self._open_next(stack)
                    continue
                block = self._step(stack)
                self._heads = [head for head in self._heads if head.fill()]
                if block is not None and len(block):
                    self._last_ns = max(self._last_ns, int(block.time_ns.max()))
                    yield block
        if self._dropped:
            what = f"the files overlap: {self._dropped} frames were in two of them, kept once"
            self._problems.append(Problem("where the files join", what))

    def _step(self, stack: ExitStack) -> FrameBlock | None:
        bound = self._pending[0][1] if self._pending else None
        last = min(int(head.waiting[0].time_ns[-1]) for head in self._heads)
        if bound is not None and last >= bound:
            block = self._take(bound - 1)
            self._open_next(stack)
            return block
        return self._take(last)

    def _take(self, until_ns: int) -> FrameBlock | None:
        pieces = [head.take_until(until_ns) for head in self._heads]
        found = [piece for piece in pieces if piece is not None]
        if not found:
            return None
        if len(found) == 1:
            return found[0]
        block = in_time_order(joined(found))
        return self._once(block) if self._twice else block

    def _once(self, block: FrameBlock) -> FrameBlock:
        """Drop the second of frames that two files have in common."""
        order = np.lexsort((block.length, block.key, block.bus, block.time_ns))
        ordered = [column[order] for column in (block.time_ns, block.bus, block.key, block.length)]
        same = np.ones(len(order) - 1, dtype=np.bool_)
        for column in ordered:
            same &= column[1:] == column[:-1]
        if not same.any():
            return block
        keep = np.ones(len(block), dtype=np.bool_)
        keep[order[1:][same]] = False
        self._dropped += int(same.sum())
        return picked(block, np.flatnonzero(keep))

    def _open_next(self, stack: ExitStack) -> None:
        stream, start_ns = self._pending.popleft()
        if start_ns is None and self._last_ns and not self._heads:
            self._place_after(stream)
        namer = self._namer(stream, start_ns)
        source = stack.enter_context(closed_at_end(stream.blocks(self._request, namer)))
        head = _Head(stream, source)
        if head.fill():
            self._heads.append(head)

    def _place_after(self, stream: PartStream) -> None:
        if 0 <= stream.first_ns - self._last_ns <= _SAME_ZERO_NS:
            return  # its times count on from where the part before ended
        stream.offset_ns = self._last_ns + _SEAM_NS - stream.first_ns

    def _namer(self, stream: PartStream, start_ns: int | None) -> Callable[[str], int]:
        taken = self._taken(stream, start_ns)
        used = self._used.setdefault(id(stream), set())

        def index(name: str) -> int:
            label = name
            if name in taken:
                label = f"{name} ({stream.part.name})"
                what = f"has bus {name} at the same time as another file; taken as another bus"
                self._problems.append(Problem(stream.part.name, what))
            used.add(label)
            if label not in self._buses:
                self._buses.append(label)
            return self._buses.index(label)

        return index

    def _taken(self, stream: PartStream, start_ns: int | None) -> set[str]:
        """Return bus names that belong to parts running side by side with this one."""
        taken: set[str] = set()
        if start_ns is None:
            return taken
        for head in self._heads:
            if not head.fill():
                continue
            parallel = head.reaches(start_ns + _PARALLEL_NS)
            if _same_frames(stream, head, start_ns):
                self._twice = True
            elif parallel:
                taken |= self._used[id(head.stream)]
        return taken


def _same_frames(stream: PartStream, head: _Head, start_ns: int) -> bool:
    """Tell whether the first frames of a part are also in another one, to the nanosecond.

    Only those count that came before the other part's end, as far as that was read.
    """
    sample = stream.sample
    if sample is None:
        return False
    known_ns = int(head.waiting[-1].time_ns[-1])
    mine = {
        (time_ns + stream.offset_ns, key)
        for time_ns, key in zip(sample.time_ns.tolist(), sample.key.tolist(), strict=True)
        if time_ns + stream.offset_ns <= known_ns
    }
    other = {
        pair
        for block in head.waiting
        for pair in zip(block.time_ns.tolist(), block.key.tolist(), strict=True)
        if pair[0] >= start_ns
    }
    return bool(mine) and len(mine & other) >= _SAME_SHARE * len(mine)

"""The frames of a ride's parts in one order, each bus under one name, each frame once."""

from __future__ import annotations

from collections import deque
from contextlib import ExitStack
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from canassist.errors import UsageError
from canassist.frames.block_tools import (
    closed_at_end,
    in_time_order,
    joined,
    marks_of,
    picked,
    rows_of,
)
from canassist.frames.merge.bus_identity import (
    SAME_TIME_NS,
    are_apart,
    best_match,
    frames_agree,
    values_agree,
)
from canassist.frames.merge.place_parts import FAR_APART_NS
from canassist.model import Problem

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from canassist.frames.base import ReadRequest
    from canassist.frames.merge.part_stream import PartStream
    from canassist.frames.merge.place_parts import JoinPlan
    from canassist.model import BoolArray, FrameBlock, IntArray

_NS: Final = 1_000_000_000
_PARALLEL_NS: Final = _NS
"""Parts that overlap by more than this ran side by side; by less, one follows the other."""
_SEAM_NS: Final = 1_000_000
"""Between parts without any common time: about one frame; nothing is known of a gap there."""
_SAME_ZERO_NS: Final = 600 * _NS
"""A part that begins this soon after the end of the one before counts on from its zero."""


class Seam(NamedTuple):
    """Where a bus goes on in another file: its last frame before, its first frame after."""

    bus: int
    begin_ns: int
    end_ns: int


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
    one_ride : bool
        Whether files that overlap with other values or lie far apart are one ride all the same.

    Attributes
    ----------
    seams : list of Seam
        Where a bus goes on in another file; known after the last block.
    """

    def __init__(
        self,
        plan: JoinPlan,
        request: ReadRequest,
        buses: list[str],
        problems: list[Problem],
        *,
        one_ride: bool = False,
    ) -> None:
        self._request = request
        self._buses = buses
        self._problems = problems
        self._one_ride = one_ride
        self._pending = deque(zip(plan.streams, plan.start_ns, strict=True))
        self._several = len(plan.streams) > 1
        self._heads: list[_Head] = []
        self._ids: dict[str, frozenset[int]] = {}  # of every bus, as first seen
        self._last_of: dict[int, int] = {}  # bus to its last frame
        self._opening: dict[int, set[int]] = {}  # buses of a part whose first frame is awaited
        self._twice = False
        self._dropped = 0
        self._given: dict[str, int] = {}
        self._last_ns = 0
        self._last_name = ""
        self.seams: list[Seam] = []

    def blocks(self) -> Iterator[FrameBlock]:
        """Yield all frames in time order; those of a bus only where its buses lie far apart.

        Raises
        ------
        UsageError
            If two files are different rides.
        """
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
        self._tell()

    def _tell(self) -> None:
        if self._dropped:
            what = f"the files overlap: {self._dropped} frames were in two of them, kept once"
            self._problems.append(Problem("where the files join", what))
        for name, frames in self._given.items():
            if not frames:
                what = "adds no frame: all of its frames stand in the other files"
                self._problems.append(Problem(name, what, grave=True))

    def _step(self, stack: ExitStack) -> FrameBlock | None:
        bound = self._pending[0][1] if self._pending else None
        last = min(int(head.waiting[0].time_ns[-1]) for head in self._heads)
        if bound is not None and last >= bound:
            block = self._take(bound - 1)
            self._open_next(stack)
            return block
        return self._take(last)

    def _take(self, until_ns: int) -> FrameBlock | None:
        taken = [(head, head.take_until(until_ns)) for head in self._heads]
        pieces = [(head.stream, piece) for head, piece in taken if piece is not None]
        if not pieces:
            return None
        if self._several:
            self._note_seams(pieces)
        found = [piece for _, piece in pieces]
        if self._twice and len(found) > 1:
            return self._once(pieces)
        for stream, piece in pieces:
            self._given[stream.part.name] += len(piece)
        return found[0] if len(found) == 1 else in_time_order(joined(found))

    def _once(self, pieces: list[tuple[PartStream, FrameBlock]]) -> FrameBlock:
        """Drop the second of frames that two files have in common."""
        file = np.concatenate([np.full(len(one), n) for n, (_, one) in enumerate(pieces)])
        whole = joined([piece for _, piece in pieces])
        keep = ~_second_ones(whole, file)
        self._dropped += int((~keep).sum())
        for number, (stream, _) in enumerate(pieces):
            self._given[stream.part.name] += int(keep[file == number].sum())
        return in_time_order(picked(whole, np.flatnonzero(keep)))

    def _note_seams(self, pieces: list[tuple[PartStream, FrameBlock]]) -> None:
        for stream, piece in pieces:
            waiting = self._opening.get(id(stream))
            last = self._last_of
            for bus in np.unique(piece.bus).tolist():
                rows = np.flatnonzero(piece.bus == bus)
                stream.sources.update((bus, key) for key in np.unique(piece.key[rows]).tolist())
                if waiting is not None and bus in waiting:
                    waiting.discard(bus)
                    begin_ns, end_ns = last.get(bus), int(piece.time_ns[rows[0]])
                    if begin_ns is not None and end_ns > begin_ns:
                        self.seams.append(Seam(bus, begin_ns, end_ns))
                last[bus] = max(last.get(bus, 0), int(piece.time_ns[rows[-1]]))

    def _open_next(self, stack: ExitStack) -> None:
        stream, start_ns = self._pending.popleft()
        self._given.setdefault(stream.part.name, 0)
        behind = self._last_ns and not self._heads
        if start_ns is None and behind:
            self._place_after(stream)
        elif start_ns is not None and behind and start_ns - self._last_ns > FAR_APART_NS:
            apart_s = (start_ns - self._last_ns) / _NS
            self._refuse(stream, self._last_name, f"lie {_in_words(apart_s)} apart")
        namer = self._namer(stream, start_ns)
        source = stack.enter_context(closed_at_end(stream.blocks(self._request, namer)))
        head = _Head(stream, source)
        self._opening[id(stream)] = set()
        if head.fill():
            self._heads.append(head)
        self._last_name = stream.part.name

    def _refuse(self, stream: PartStream, other: str, why: str) -> None:
        if not self._one_ride:
            raise UsageError(
                f"{other} and {stream.part.name}: different rides ({why}).",
                "Give the files of one ride, or --one-ride if you know that they are one.",
            )

    def _place_after(self, stream: PartStream) -> None:
        if 0 <= stream.first_ns - self._last_ns <= _SAME_ZERO_NS:
            return  # its times count on from where the part before ended
        stream.offset_ns = self._last_ns + _SEAM_NS - stream.first_ns

    def _namer(self, stream: PartStream, start_ns: int | None) -> Callable[[str], int]:
        taken = self._taken(stream, start_ns) if self._several else set()
        mine: set[str] = set()

        def index(name: str) -> int:
            label = self._label(stream, name, taken | mine) if self._several else name
            mine.add(label)
            if label not in self._buses:
                self._buses.append(label)
                self._ids[label] = stream.ids.get(name, frozenset())
            bus = self._buses.index(label)
            self._opening.setdefault(id(stream), set()).add(bus)
            return bus

        return index

    def _label(self, stream: PartStream, name: str, taken: set[str]) -> str:
        """Return the ride's name of a bus: that of the bus with the same identifiers."""
        ids = stream.ids.get(name, frozenset())
        match = best_match(ids, self._ids, name, taken)
        if match is not None:
            if match != name:
                what = f"bus {name} goes on from bus {match} of the other files: same identifiers"
                self._problems.append(Problem(stream.part.name, what))
            return match
        if name not in self._buses:
            return name
        what = f"has bus {name} at the same time as another file; taken as another bus"
        self._problems.append(Problem(stream.part.name, what))
        return f"{name} ({stream.part.name})"

    def _taken(self, stream: PartStream, start_ns: int | None) -> set[str]:
        """Return names of buses that other files give while this one runs, and that are not its.

        Raises
        ------
        UsageError
            If the other files hold the same identifiers with other values.
        """
        taken: set[str] = set()
        if start_ns is None or stream.sample is None:
            return taken
        for head in self._heads:
            if not head.fill():
                continue
            names = {self._buses[bus] for bus in head.stream.ride_buses}
            parallel = head.reaches(start_ns + _PARALLEL_NS)
            if self._are_apart(stream, names):
                taken |= names if parallel else set()
                continue
            mine, theirs = _over_the_same_time(stream, head)
            if frames_agree(mine, theirs):
                self._twice = True
            elif parallel:
                if not values_agree(mine, theirs):
                    why = "they overlap in time with the same identifiers and other values"
                    self._refuse(stream, head.stream.part.name, why)
                taken |= names
        return taken

    def _are_apart(self, stream: PartStream, names: set[str]) -> bool:
        theirs = frozenset[int]().union(*(self._ids[name] for name in names))
        return are_apart(frozenset[int]().union(*stream.ids.values()), theirs)


def _over_the_same_time(stream: PartStream, head: _Head) -> tuple[FrameBlock, list[FrameBlock]]:
    """Return a part's first frames, as far as the other goes, and the other's of that time."""
    sample = stream.sample
    if sample is None:
        raise ValueError("a part is compared after its first frames were read")
    time_ns = sample.time_ns + stream.offset_ns
    begin_ns, end_ns = int(time_ns[0]), int(time_ns[-1])
    theirs = list(head.stream.between(begin_ns - _NS, end_ns + _NS))
    last_ns = max((int(one.time_ns.max()) for one in theirs), default=begin_ns)
    rows = np.flatnonzero(time_ns <= last_ns + SAME_TIME_NS)
    mine = picked(sample, rows)
    return replace(mine, time_ns=time_ns[rows]), theirs


def _second_ones(block: FrameBlock, file: IntArray) -> BoolArray:
    """Tell which frames another file gave already: same time, bus, identifier and data."""
    marks = marks_of(block)
    order = np.lexsort((block.time_ns, marks, block.bus))
    time_ns, mark, bus, source = (x[order] for x in (block.time_ns, marks, block.bus, file))
    same = (mark[1:] == mark[:-1]) & (bus[1:] == bus[:-1]) & (source[1:] != source[:-1])
    same &= time_ns[1:] - time_ns[:-1] <= SAME_TIME_NS
    second = np.zeros(len(block), dtype=np.bool_)
    second[order[1:][same]] = True
    return second


def _in_words(seconds: float) -> str:
    if seconds < 2 * 3600:
        return f"{seconds / 60:.0f} min"
    return f"{seconds / 3600:.0f} h" if seconds < 2 * 86_400 else f"{seconds / 86_400:.0f} days"

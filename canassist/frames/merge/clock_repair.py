"""Time stamps that step back, jump or wrap, put right while a log streams by."""

from __future__ import annotations

from collections import deque
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.frames.block_tools import in_time_order, joined, marks_of, moved, picked, rows_of
from canassist.frames.frame_rows import EARLIEST_UTC_NS
from canassist.frames.merge.clock_faults import (
    JUMP_NS,
    ClockFault,
    ClockState,
    Kind,
    look,
)

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canassist.model import FrameBlock, IntArray, ReadReport

_NS: Final = 1_000_000_000
_HELD_FRAMES: Final = 1024
"""So many frames are always held back, for what comes next may show that they are wrong."""
_MOST_HELD_FRAMES: Final = 1 << 18
"""Frames held back while it is not sure what their times mean."""
_MOST_SET_BACK: Final = 8  # steps back that the clock may yet take forward again
_MOST_FAULTS: Final = 200
"""Faults of one run that are put right one by one; with more its clock means nothing."""
_APART_NS: Final = 5 * _NS
"""Buses handed over in bundles longer than this stay in file order, each in itself in order."""


class ClockRepair:
    """Gives the blocks of one file in time order.

    Parameters
    ----------
    report : ReadReport
        Where repairs are reported.
    """

    def __init__(self, report: ReadReport) -> None:
        self._report = report
        self._held: deque[FrameBlock] = deque()
        self._held_frames = 0
        self._in_doubt = False
        self._offset_ns = 0
        self._set_back: list[int] = []
        self._start_ns: int | None = None
        self._late = _Count()
        self._bundles = _Count()
        self._apart = _Count()
        self._twice = _Count()

    @property
    def offset_ns(self) -> int:
        """What is being added to the file's times now."""
        return self._offset_ns

    def feed(self, block: FrameBlock) -> Iterator[FrameBlock]:
        """Take the next block in file order; give what is certain of its place in time."""
        block = moved(block, self._offset_ns)
        if self._start_ns is None:
            self._start_ns = int(block.time_ns[0])
        follows = not self._held or self._follows(self._held[-1], block)
        if follows and not self._in_doubt and self._is_fine(block):
            self._count_twice(block)
            self._hold(block)
            yield from self._release()
            return
        self._count_bundles(block)
        yield from self._untangle(joined((*self._held, block)), final=False)

    def finish(self) -> Iterator[FrameBlock]:
        """Give what was held back, and report what was sorted."""
        if self._held:
            yield from self._untangle(joined([*self._held]), final=True)
        self._report_counts()

    def _hold(self, block: FrameBlock) -> None:
        self._held.append(block)
        self._held_frames += len(block)

    def _hold_only(self, block: FrameBlock) -> None:
        self._held = deque([block] if len(block) else [])
        self._held_frames = len(block)

    def _release(self) -> Iterator[FrameBlock]:
        """Give the oldest blocks as long as enough frames stay."""
        while self._held and self._held_frames - len(self._held[0]) >= _HELD_FRAMES:
            block = self._held.popleft()
            self._held_frames -= len(block)
            yield block

    def _untangle(self, whole: FrameBlock, *, final: bool) -> Iterator[FrameBlock]:
        """Put a run of frames right and give the part that nothing can come before any more."""
        sure = final or len(whole) > _MOST_HELD_FRAMES
        for _ in range(_MOST_FAULTS):
            marks = marks_of(whole)
            state = ClockState(self._offset_ns, tuple(self._set_back[-_MOST_SET_BACK:]))
            verdict = look(whole, marks, state, final=sure)
            if verdict.fault is None:
                break
            whole = self._repaired(whole, verdict.fault)
        else:
            whole, verdict = self._given_up(whole), None
        self._in_doubt = verdict is not None and verdict.unsure
        if self._in_doubt:
            self._hold_only(whole)
            return
        if verdict is not None:
            self._late.add(verdict.late, self._at(whole, 0))
        yield from self._sorted(whole, final=final)

    def _sorted(self, whole: FrameBlock, *, final: bool) -> Iterator[FrameBlock]:
        steps = np.diff(whole.time_ns)
        back = np.flatnonzero(steps < 0)
        if len(back) and int(-steps.min()) > _APART_NS:
            self._apart.add(len(back), self._at(whole, int(back[0])))
            self._hold_only(rows_of(whole, 0, 0))
            yield _each_bus_in_order(whole)
            return
        ordered = in_time_order(whole)
        count = len(ordered)
        if not final:
            newest = [int(whole.time_ns[whole.bus == one].max()) for one in np.unique(whole.bus)]
            safe_ns = max(min(newest), max(newest) - _APART_NS)
            safe = int(np.searchsorted(ordered.time_ns, safe_ns, side="left"))
            count = max(min(safe, count - _HELD_FRAMES), 0)
        self._hold_only(rows_of(ordered, count, len(ordered)))
        if count:
            yield rows_of(ordered, 0, count)

    def _repaired(self, whole: FrameBlock, fault: ClockFault) -> FrameBlock:
        where = self._at(whole, fault.row)
        if fault.rows is not None:
            return self._without_wrong(whole, fault, fault.rows, where)
        time_ns = whole.time_ns.copy()
        before = int(time_ns[fault.row - 1]) if fault.row else int(time_ns[fault.row])
        step_s = (int(time_ns[fault.row]) - before) / _NS
        time_ns[fault.row :] += fault.by_ns
        if fault.kind is Kind.JUMPED_AHEAD:
            self._learn_date(before, int(whole.time_ns[fault.row]), fault.by_ns)
        self._offset_ns += fault.by_ns
        if fault.kind is Kind.CAME_FORWARD:
            self._set_back.remove(-fault.by_ns)
            self._tell_bundle(where, -fault.by_ns)
        else:
            self._report.add_problem(where, _describe(fault, step_s))
        if fault.kind is Kind.SET_BACK:
            self._set_back.append(fault.by_ns)
        return replace(whole, time_ns=time_ns)

    def _tell_bundle(self, until: str, by_ns: int) -> None:
        """Put what was told of a clock set back right: it came forward again."""
        told = self._report.problems
        opening = [n for n, one in enumerate(told) if "the clock steps back by" in one.what]
        if opening and told[opening[-1]].what.endswith(_NO_PAUSE_SEEN):
            what = f"times {by_ns / _NS:.6f} s too low up to {until}; those frames were moved"
            told[opening[-1]] = told[opening[-1]]._replace(what=what)

    def _without_wrong(
        self, whole: FrameBlock, fault: ClockFault, rows: IntArray, where: str
    ) -> FrameBlock:
        several = f"{len(rows)} frames" if len(rows) > 1 else "a frame"
        if fault.kind is Kind.REPEATED:
            self._report.add_problem(where, f"{several} written a second time; dropped")
            keep = np.ones(len(whole), dtype=np.bool_)
            keep[rows] = False
            return picked(whole, np.flatnonzero(keep))
        first = int(rows[0])
        time_ns = whole.time_ns.copy()
        near = first - 1 if first else min(int(rows[-1]) + 1, len(time_ns) - 1)
        wrong_s = (int(time_ns[first]) - int(time_ns[near])) / _NS
        if fault.kind is Kind.BUNDLE_AHEAD:
            time_ns[rows] += fault.by_ns
            what = f"{several} with times {-fault.by_ns / _NS:.6f} s too high; moved"
        else:
            time_ns[rows] = time_ns[near]
            what = f"{several} with a time {wrong_s:+.6f} s off; set to that of the frame beside"
        self._report.add_problem(where, what)
        return replace(whole, time_ns=time_ns)

    def _learn_date(self, before_ns: int, after_ns: int, by_ns: int) -> None:
        """Take the date from a clock that was set while recording, if it had none before."""
        raw_before, raw_after = before_ns - self._offset_ns, after_ns - self._offset_ns
        if self._report.epoch == "file" and raw_before < EARLIEST_UTC_NS <= raw_after:
            zero_ns = -(self._offset_ns + by_ns)
            self._report.start_utc = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(
                microseconds=zero_ns // 1000
            )

    def _given_up(self, whole: FrameBlock) -> FrameBlock:
        """Hold the clock of a run whose time stamps are in hopeless disorder."""
        time_ns = np.maximum.accumulate(whole.time_ns)
        changed = int((time_ns != whole.time_ns).sum())
        self._report.add_problem(
            self._at(whole, 0), f"time stamps in disorder; {changed} of them held at the one before"
        )
        return replace(whole, time_ns=time_ns)

    def _largest_step(self) -> int:
        """Return the step in time above which a look is needed."""
        return min(self._set_back[-_MOST_SET_BACK:], default=2 * JUMP_NS) // 2

    def _is_fine(self, block: FrameBlock) -> bool:
        if len(block) == 1:
            return True
        steps = np.diff(block.time_ns)
        return int(steps.min()) >= 0 and int(steps.max()) <= self._largest_step()

    def _follows(self, held: FrameBlock, block: FrameBlock) -> bool:
        return 0 <= int(block.time_ns[0]) - int(held.time_ns[-1]) <= self._largest_step()

    def _count_bundles(self, block: FrameBlock) -> None:
        """Count where a frame of one bus stands behind a later one of another bus."""
        time_ns, bus = block.time_ns, block.bus
        if self._held and len(self._held[-1]):
            time_ns = np.concatenate((self._held[-1].time_ns[-1:], time_ns))
            bus = np.concatenate((self._held[-1].bus[-1:], bus))
        steps = np.diff(time_ns)
        back = np.flatnonzero((steps < 0) & (steps >= -_APART_NS) & (bus[1:] != bus[:-1]))
        if len(back):
            self._bundles.add(len(back), self._at(block, int(back[0])))

    def _count_twice(self, block: FrameBlock) -> None:
        """Count frames that are the same as the one before, time and all."""
        same = np.flatnonzero(block.time_ns[1:] == block.time_ns[:-1])
        if not len(same):
            return
        key = block.key
        same = same[key[same] == key[same + 1]]
        same = same[
            (block.bus[same] == block.bus[same + 1])
            & (block.length[same] == block.length[same + 1])
            & (block.flags[same] == block.flags[same + 1])
        ]
        if len(same):
            self._twice.add(len(same), self._at(block, int(same[0])))

    def _at(self, block: FrameBlock, row: int) -> str:
        start = self._start_ns or 0
        return f"{(int(block.time_ns[max(row - 1, 0)]) - start) / _NS:.6f} s after its start"

    def _report_counts(self) -> None:
        for count, what in (
            (self._late, "frames behind later ones, sorted by time"),
            (self._bundles, "steps back between buses handed over in bundles, sorted by time"),
            (self._apart, "steps back of more than 5 s between buses, each kept in its order"),
            (self._twice, "frames equal to the one before, time stamp and all, kept"),
        ):
            if count.number:
                self._report.add_problem(count.where, f"{what}; from here on {count.number}")


class _Count:
    """How often something was met, and where first."""

    def __init__(self) -> None:
        self.number = 0
        self.where = ""

    def add(self, number: int, where: str) -> None:
        if number and not self.number:
            self.where = where
        self.number += number


def _each_bus_in_order(block: FrameBlock) -> FrameBlock:
    """Return the frames with every bus in order of time, the buses in turns as they were."""
    order = np.arange(len(block))
    for one in np.unique(block.bus).tolist():
        rows = np.flatnonzero(block.bus == one)
        order[rows] = rows[np.argsort(block.time_ns[rows], kind="stable")]
    return picked(block, order)


_NO_PAUSE_SEEN: Final = "and a pause there cannot be seen"


def _describe(fault: ClockFault, step_s: float) -> str:
    if fault.kind is Kind.WRAPPED:
        return f"the clock started again at zero ({fault.name}); later times moved on by as much"
    if fault.kind is Kind.SET_BACK:
        return (
            f"the clock steps back by {-step_s:.6f} s; later times moved so that they go on,"
            f" {_NO_PAUSE_SEEN}"
        )
    return (
        f"the clock jumps ahead by {step_s:.0f} s; later times moved so that they go on,"
        f" {_NO_PAUSE_SEEN}"
    )

"""A ring of the last minutes on the disk, written out where somebody marks a moment."""

from __future__ import annotations

import errno
import os
import tempfile
from collections import deque
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Final

from canassist.record.capture.block_file import BlockFile

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from canassist.record.capture.log_writer import PackedBlock

SEGMENT_S: Final = 30.0
"""Old blocks are dropped in pieces of this length."""
AFTER_S: Final = 60.0
"""So long after a mark is kept with it."""
_NO_ROOM: Final = frozenset({errno.ENOSPC, errno.EDQUOT})


@dataclass(slots=True)
class _Segment:
    """One file of the ring; where each of its blocks lies and when it came."""

    file: BlockFile
    blocks: list[tuple[int, int, float, float]] = field(default_factory=list)

    def span_s(self) -> float:
        return self.blocks[-1][3] - self.blocks[0][2] if self.blocks else 0.0


@dataclass(frozen=True, slots=True)
class WrittenOut:
    """A stretch of the ring that became a log; raw time stamps of its first and last frame."""

    path: Path
    start_log_s: float
    end_log_s: float


def segment_path(log: Path, number: int) -> Path:
    """Return the name of a piece of a ring."""
    return log.with_name(f"{log.name.removesuffix('.log.gz')}.ring-{number:06d}.log.gz")


class RingLog:
    """Keeps the last minutes, and writes them out on a mark and at the end.

    Parameters
    ----------
    log : Path
        ``RIDE.log.gz``; marks become ``RIDE-1.log.gz``, ``RIDE-2.log.gz``, ...
    keep_s : float
        How much before a mark is kept.
    on_written : callable
        Called with each stretch that was written out.
    """

    def __init__(self, log: Path, keep_s: float, on_written: Callable[[WrittenOut], None]) -> None:
        self._log = log
        self._keep_s = keep_s
        self._on_written = on_written
        self._number = 0
        self._segments: deque[_Segment] = deque([self._new_segment()])
        self._wanted: tuple[float, float] | None = None
        self._saved_until = float("-inf")
        self._marks = 0
        self._undeleted: list[Path] = []

    @property
    def size(self) -> int:
        """Return the bytes that the ring takes."""
        return sum(one.file.size for one in tuple(self._segments))

    def write_out(self, at_log_s: float) -> None:
        """Ask for the minutes before a moment, and what follows it for a while.

        Moments that come before the first one's stretch has ended share its log.
        """
        wanted = self._wanted
        start = at_log_s - self._keep_s if wanted is None else wanted[0]
        self._wanted = (start, at_log_s + AFTER_S)

    def append(self, block: PackedBlock) -> None:
        """Add a block; where the disk is full the oldest piece makes room."""
        segment = self._segments[-1]
        if segment.span_s() >= SEGMENT_S:
            segment = self._new_segment()
            self._segments.append(segment)
        place = segment.file.size
        try:
            segment.file.append(block.member)
        except OSError as error:
            if error.errno in _NO_ROOM and len(self._segments) > 1 and self._wanted is None:
                self._drop_oldest()
            raise
        segment.blocks.append((place, len(block.member), block.start_log_s, block.end_log_s))
        wanted = self._wanted
        if wanted is not None and block.end_log_s >= wanted[1]:
            self._write_out()
        self._drop_old(block.end_log_s)

    def _new_segment(self) -> _Segment:
        self._number += 1
        return _Segment(BlockFile(segment_path(self._log, self._number)))

    def _drop_old(self, now_log_s: float) -> None:
        oldest = now_log_s - self._keep_s
        if self._wanted is not None:
            oldest = min(oldest, self._wanted[0])
        while len(self._segments) > 1 and self._segments[0].blocks[-1][3] < oldest:
            self._drop_oldest()

    def _drop_oldest(self) -> None:
        segment = self._segments.popleft()
        segment.file.close()
        self._undeleted.append(segment.file.path)
        self._delete()

    def _delete(self) -> None:
        """Delete what was dropped; a reader may still hold it on some systems."""
        for path in tuple(self._undeleted):
            with suppress(OSError):
                path.unlink(missing_ok=True)
                self._undeleted.remove(path)

    def _write_out(self) -> None:
        wanted, self._wanted = self._wanted, None
        if wanted is not None:
            self._marks += 1
            name = f"{self._log.name.removesuffix('.log.gz')}-{self._marks}.log.gz"
            self._copy(self._log.with_name(name), *wanted)

    def _copy(self, path: Path, start_s: float, end_s: float) -> None:
        chosen = [
            (segment.file.path, place, size, begin, end)
            for segment in self._segments
            for place, size, begin, end in segment.blocks
            if end >= start_s and begin <= end_s
        ]
        if not chosen:
            return
        _join(path, [one[:3] for one in chosen])
        self._saved_until = chosen[-1][4]
        self._on_written(WrittenOut(path, chosen[0][3], chosen[-1][4]))

    def close(self) -> None:
        """Write out what a mark asked for, or else the last minutes, and remove the ring.

        Where that fails the pieces of the ring stay: they are logs like any other.
        """
        try:
            self._write_out()
            newest = max((one.blocks[-1][3] for one in self._segments if one.blocks), default=None)
            if newest is not None and newest > self._saved_until:
                self._copy(self._log, newest - self._keep_s, newest)
        except OSError:
            for one in self._segments:
                one.file.close()
            return
        while self._segments:
            self._drop_oldest()


def _join(path: Path, pieces: Iterable[tuple[Path, int, int]]) -> None:
    """Write pieces of files into one that appears whole."""
    handle, name = tempfile.mkstemp(prefix=f".{path.name[:40]}.", dir=path.parent)
    try:
        with os.fdopen(handle, "wb") as target:
            for source, place, size in pieces:
                with source.open("rb") as stream:
                    stream.seek(place)
                    target.write(stream.read(size))
            target.flush()
            os.fsync(target.fileno())
        Path(name).chmod(0o644)
        Path(name).replace(path)
    except OSError:
        Path(name).unlink(missing_ok=True)
        raise

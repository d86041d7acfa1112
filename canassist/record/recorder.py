"""A ride being recorded: receivers, blocks, disk, marks and the case file, joined."""

from __future__ import annotations

import threading
import time
from collections import deque
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Final

from canassist.atomic_write import write_whole
from canassist.errors import OutputError
from canassist.record.capture.block_file import BlockFile
from canassist.record.capture.bus_traffic import BusTraffic
from canassist.record.capture.log_writer import BLOCK_S, BlockThread, DiskThread
from canassist.record.case_file import case_text
from canassist.record.log_annotations import Mark, MarkKind, RecorderHole, RecorderLoss

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canassist.record.capture.log_writer import BlockStore, PackedBlock
    from canassist.record.capture.receiving import Intake, Receiver

_KEEP_S: Final = 1.0
"""The case file is written anew at most this often, and at each mark."""
_MOST_LISTED: Final = 10_000
"""So many losses and holes are listed one by one."""


class PlainLog:
    """One growing file."""

    def __init__(self, path: Path) -> None:
        try:
            self._file = BlockFile(path)
        except FileExistsError:
            raise OutputError(
                f"{path}: is there already; a log is never written over.",
                "Choose another name with -o.",
            ) from None
        except OSError as error:
            problem = f"{path}: cannot be written ({error.strerror or error})."
            raise OutputError(
                problem, "Choose a folder that exists, is yours and has room."
            ) from error
        self.path = path

    @property
    def size(self) -> int:
        """Return the bytes written."""
        return self._file.size

    def append(self, block: PackedBlock) -> None:
        """Add a block."""
        self._file.append(block.member)

    def close(self) -> None:
        """Close the file."""
        self._file.close()


@dataclass(slots=True)
class Annotations:
    """What is written down beside the frames."""

    marks: list[Mark]
    losses: list[RecorderLoss]
    holes: list[RecorderHole]


class RideRecorder:
    """Records until told to stop.

    Parameters
    ----------
    log : Path
        The log's name, ending in ``.log.gz``.
    store : BlockStore
        Where its blocks go.
    receivers : sequence of Receiver
        Not yet started.
    intake : Intake
        Theirs.
    bit_rates : sequence of int or None
        One for each receiver.
    listening : sequence of str
        Sentences for the case file: what was asked to listen only.
    block_s : float
        Length of a block, s.
    writes_case : bool
        Whether the case file stands beside the log; a ring has one for each stretch.
    """

    def __init__(  # noqa: PLR0913 - a recording's parts
        self,
        log: Path,
        store: BlockStore,
        receivers: Sequence[Receiver],
        intake: Intake,
        *,
        bit_rates: Sequence[int | None] = (),
        listening: Sequence[str] = (),
        block_s: float = BLOCK_S,
        writes_case: bool = True,
    ) -> None:
        self.log = log
        self._writes_case = writes_case
        self.case_path = log.with_name(log.name.removesuffix(".log.gz") + ".case.toml")
        self.traffic: dict[str, BusTraffic] = {}
        rates = [*bit_rates, *[None] * len(receivers)]
        for one, rate in zip(receivers, rates, strict=False):
            if not one.takes_bus_names:
                self.traffic[one.bus_name] = BusTraffic(one.bus_name, rate)
        self.listed = Annotations([], [], [])
        self.case_trouble = ""
        self._receivers = tuple(receivers)
        self._intake = intake
        self._listening = tuple(listening)
        self._disk = DiskThread(store)
        self._blocks = BlockThread(
            intake, self._disk, self.traffic, block_s=block_s, on_lost=self._no_room
        )
        self._lock = threading.Lock()
        self._unplaced: list[tuple[MarkKind, str]] = []
        self._stale = True
        self._written_s = 0.0
        self._begun_s = 0.0
        self._no_room_lost: deque[RecorderLoss] = deque()

    def start(self) -> None:
        """Begin to record."""
        self._begun_s = time.monotonic()
        self._disk.start()
        self._blocks.start()
        for one in self._receivers:
            one.start()

    @property
    def passed_s(self) -> float:
        """Return how long the recording has run, s."""
        return time.monotonic() - self._begun_s

    @property
    def frames(self) -> int:
        """Return all frames received, error frames among them."""
        return sum(one.frames + one.error_frames for one in tuple(self.traffic.values()))

    @property
    def first_log_s(self) -> float | None:
        """Return the raw time stamp of the first frame."""
        return self._blocks.first_log_s

    @property
    def trouble(self) -> str:
        """Return why nothing can be written now; "" where all is well."""
        return self._disk.trouble

    @property
    def frames_lost(self) -> int:
        """Return how many frames the drivers or this program lost, as far as they say."""
        return sum(one.frames or 0 for one in tuple(self.listed.losses))

    @property
    def all_ended(self) -> bool:
        """Whether every receiver has come to its end, as a replayed log does."""
        return all(one.ended for one in self._receivers)

    def absent(self) -> list[tuple[str, float]]:
        """Return the channels that are unplugged, and for how long, s."""
        now = time.monotonic()
        return [
            (one.bus_name, now - since)
            for one in self._receivers
            if (since := one.absent_since_s) is not None
        ]

    def log_now_s(self) -> float | None:
        """Return what the log's clock shows now."""
        times = [now for one in self._receivers if (now := one.log_now_s()) is not None]
        return max(times, default=None)

    def mark(self, kind: MarkKind, text: str = "", at_log_s: float | None = None) -> Mark | None:
        """Mark this moment, or one that was taken before; None before the first frame.

        A mark set before the first frame counts for the first frame.
        """
        now = self.log_now_s() if at_log_s is None else at_log_s
        first = self._blocks.first_log_s
        with self._lock:
            if now is None or first is None:
                self._unplaced.append((kind, text))
                return None
            mark = Mark(kind=kind, at_s=max(now - first, 0.0), at_log_s=now, text=text)
            self.listed.marks.append(mark)
            self._stale = True
        self.keep(at_once=True)
        return mark

    def tick(self) -> None:
        """Take up what was lost, and keep the case file true; called a few times a second."""
        self._take_up()
        self.keep()

    def _take_up(self) -> None:
        for source in (self._intake.losses, self._no_room_lost):
            while source:
                self._add_loss(source.popleft())
        holes = self._intake.holes
        while holes:
            self._add_hole(holes.popleft())
        first = self._blocks.first_log_s
        if first is not None and self._unplaced:
            with self._lock:
                waiting, self._unplaced = self._unplaced, []
                self.listed.marks += [
                    Mark(kind=kind, at_s=0.0, at_log_s=first, text=text) for kind, text in waiting
                ]
                self._stale = True

    def _add_loss(self, loss: RecorderLoss) -> None:
        self._stale = True
        if len(self.listed.losses) < _MOST_LISTED:
            self.listed.losses.append(loss)
            return
        last = self.listed.losses[-1]
        frames = (last.frames or 0) + (loss.frames or 0)
        self.listed.losses[-1] = replace(last, frames=frames)

    def _add_hole(self, hole: RecorderHole) -> None:
        self._stale = True
        for place in range(len(self.listed.holes) - 1, -1, -1):
            known = self.listed.holes[place]
            if (known.channel, known.start_log_s) == (hole.channel, hole.start_log_s):
                self.listed.holes[place] = hole
                return
        if len(self.listed.holes) < _MOST_LISTED:
            self.listed.holes.append(hole)

    def _no_room(self, block: PackedBlock) -> None:
        self._no_room_lost.append(
            RecorderLoss(
                channel="all",
                at_log_s=block.start_log_s,
                why="nothing could be written, and no memory was left",
                frames=block.frames,
            )
        )

    def keep(self, *, at_once: bool = False) -> None:
        """Write the case file where something is new."""
        now = time.monotonic()
        if (
            not self._writes_case
            or not self._stale
            or (not at_once and now - self._written_s < _KEEP_S)
        ):
            return
        with self._lock:
            self._written_s, self._stale = now, False
            text = self.case_text(self.log.name)
        try:
            write_whole({self.case_path: text.encode("utf-8")})
        except OutputError as error:
            self.case_trouble, self._stale = error.problem, True
        else:
            self.case_trouble = ""

    def write_case_of(self, log: Path, first_log_s: float, last_log_s: float) -> None:
        """Write the case file of a stretch that became a log of its own."""
        name = log.name.removesuffix(".log.gz") + ".case.toml"
        text = self.case_text(log.name, first_log_s=first_log_s, last_log_s=last_log_s)
        try:
            write_whole({log.with_name(name): text.encode("utf-8")})
        except OutputError as error:
            self.case_trouble = error.problem

    def case_text(
        self, log: str, *, first_log_s: float | None = None, last_log_s: float | None = None
    ) -> str:
        """Return the case file of the log, or of a stretch of it."""
        chosen = self.listed.marks
        if first_log_s is not None and last_log_s is not None:
            chosen = [
                replace(one, at_s=one.at_log_s - first_log_s)
                for one in chosen
                if first_log_s <= one.at_log_s <= last_log_s
            ]
        return case_text(
            log=log,
            marks=chosen,
            losses=self.listed.losses,
            holes=self.listed.holes,
            figures={
                "frames": self.frames,
                "lost_frames": self.frames_lost,
                "channels": list(self.traffic),
                "listening": list(self._listening),
            },
        )

    def stop(self) -> None:
        """Stop receiving, write everything, and write the case file a last time."""
        for one in self._receivers:
            one.stop()
        for one in self._receivers:
            one.join()
        self._blocks.finish()
        self._disk.finish()
        self._take_up()
        unwritten = self._disk.frames_lost - sum(
            one.frames or 0 for one in self.listed.losses if one.channel == "all"
        )
        if unwritten > 0:
            at = self._disk.last_log_s or self._blocks.first_log_s or 0.0
            why = f"could not be written ({self._disk.trouble})"
            self._add_loss(RecorderLoss(channel="all", at_log_s=at, why=why, frames=unwritten))
        self._stale = True
        self.keep(at_once=True)

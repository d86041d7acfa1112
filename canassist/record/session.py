"""One recording from its first frame to its last: what a command or a page deals with."""

from __future__ import annotations

import shutil
import time
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from canassist.record.capture.log_writer import BLOCK_S
from canassist.record.capture.receiving import Intake, Receiver
from canassist.record.capture.ring import RingLog, WrittenOut
from canassist.record.live.watching import Watcher, WatchOrder
from canassist.record.log_annotations import MarkKind
from canassist.record.recorder import PlainLog, RideRecorder
from canassist.record.state import BusNow, LiveAnswer, RecordingState

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from canassist.model import Profile
    from canassist.record.capture.sources import Source
    from canassist.record.log_annotations import Mark, RecorderLoss

ALERT_BLOCK_S: Final = 0.25
"""With alerts a block ends four times a second: whoever moves a plug must hear it at once."""
_LITTLE_ROOM_BYTES: Final = 500 << 20


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordingPlan:
    """What is recorded, for how long, and what is watched meanwhile.

    Attributes
    ----------
    log : Path
        ``RIDE.log.gz``.
    minutes, size_bytes : float or None
        Bounds after which the recording ends.
    keep_s : float or None
        Length of a ring; None keeps everything.
    """

    log: Path
    databases: tuple[Path, ...]
    profile: Profile
    minutes: float | None = None
    size_bytes: int | None = None
    keep_s: float | None = None
    alert: bool = False
    watched: bool = True


@dataclass(slots=True)
class RecordingSession:
    """A recording that runs.

    Parameters
    ----------
    plan : RecordingPlan
    sources : sequence of Source
        Opened already.
    """

    plan: RecordingPlan
    sources: Sequence[Source]
    written_out: list[Path] = field(default_factory=list)
    _recorder: RideRecorder = field(init=False)
    _store: PlainLog | RingLog = field(init=False)
    _watcher: Watcher | None = field(init=False, default=None)

    def __post_init__(self) -> None:
        plan, intake = self.plan, Intake()
        if plan.keep_s is None:
            self._store = PlainLog(plan.log)
        else:
            self._store = RingLog(plan.log, plan.keep_s, self._on_written)
        receivers = [
            Receiver(
                one.name,
                one.bus,
                one.reopen,
                intake,
                takes_bus_names=one.takes_bus_names,
                keep_class=one.keep_class,
                keeps_time=one.keeps_time,
            )
            for one in self.sources
        ]
        self._recorder = RideRecorder(
            plan.log,
            self._store,
            receivers,
            intake,
            bit_rates=[one.bit_rate for one in self.sources],
            listening=[one.listening for one in self.sources],
            block_s=ALERT_BLOCK_S if plan.alert else BLOCK_S,
            writes_case=plan.keep_s is None,
        )

    def start(self) -> None:
        """Begin to record, and to watch."""
        self._recorder.start()
        plan = self.plan
        if plan.watched:
            self._watcher = Watcher(
                WatchOrder(
                    log=plan.log,
                    databases=plan.databases,
                    profile=plan.profile,
                    ring=plan.keep_s is not None,
                    recipe=plan.keep_s is None,
                    alert=plan.alert,
                )
            )

    def abandon(self) -> None:
        """Close what was opened for a recording that was never started; leave no empty log."""
        self._store.close()
        for one in self.sources:
            one.bus.shutdown()
        for path in self.plan.log.parent.glob(f"{self._stem()}*.log.gz"):
            if path.stat().st_size == 0:
                path.unlink()

    def _stem(self) -> str:
        return self.plan.log.name.removesuffix(".log.gz")

    def _on_written(self, stretch: WrittenOut) -> None:
        """Write the case file of a stretch of the ring."""
        self.written_out.append(stretch.path)
        self._recorder.write_case_of(stretch.path, stretch.start_log_s, stretch.end_log_s)

    def tick(self) -> None:
        """Keep everything going; called a few times a second."""
        self._recorder.tick()

    def mark(self, kind: MarkKind, text: str = "", at_log_s: float | None = None) -> Mark | None:
        """Mark a moment, now or one that was taken before."""
        made = self._recorder.mark(kind, text, at_log_s)
        if made is not None and kind is MarkKind.HEAVY and isinstance(self._store, RingLog):
            self._store.write_out(made.at_log_s)
        return made

    def log_now_s(self) -> float | None:
        """Return what the log's clock shows now, for a note that is still being written."""
        return self._recorder.log_now_s()

    def is_over(self) -> str:
        """Return why the recording has come to its end; "" while it goes on."""
        plan, recorder = self.plan, self._recorder
        if plan.minutes is not None and recorder.passed_s >= plan.minutes * 60.0:
            return f"{plan.minutes:g} minutes are recorded."
        if plan.size_bytes is not None and self._store.size >= plan.size_bytes:
            return "The log has the size that was asked for."
        if recorder.all_ended:
            return "The replayed log has ended."
        return ""

    def state(self) -> RecordingState:
        """Return what there is to show now."""
        recorder, now = self._recorder, time.monotonic()
        traffic = tuple(recorder.traffic.values())
        absent = dict(recorder.absent())
        first, newest = recorder.first_log_s, recorder.log_now_s()
        room = self._room()
        return RecordingState(
            name=self.plan.log.name,
            passed_s=recorder.passed_s,
            first_log_s=first or 0.0,
            log_s=0.0 if first is None or newest is None else max(newest - first, 0.0),
            frames=recorder.frames,
            lost=recorder.frames_lost,
            errors=sum(one.error_frames for one in traffic),
            written_bytes=self._store.size,
            room_bytes=room,
            buses=tuple(
                BusNow(
                    name=one.name,
                    rate=one.rate(),
                    load=one.load(),
                    frames=one.frames,
                    errors=one.error_frames,
                    ids=len(one.ids),
                    absent_s=absent.get(one.name),
                )
                for one in traffic
            ),
            warnings=tuple(self._warnings(absent, room, now)),
            marks=tuple(recorder.listed.marks),
            answer=self._watcher.answer if self._watcher else None,
            watches_recipe=self.plan.keep_s is None and self.plan.watched,
            alert=self.plan.alert,
        )

    def _room(self) -> int | None:
        try:
            return shutil.disk_usage(self.plan.log.absolute().parent).free
        except OSError:
            return None

    def _warnings(self, absent: dict[str, float], room: int | None, now: float) -> list[str]:
        recorder = self._recorder
        found = []
        if recorder.trouble:
            found.append(
                f"Nothing can be written now: {recorder.trouble}. What comes is kept in memory:"
                " make room, or end."
            )
        found += [
            f"{name}: the interface is gone for {seconds:.0f} s. Plug it in; recording goes on."
            for name, seconds in absent.items()
        ]
        found += [
            text
            for one in tuple(recorder.traffic.values())
            if one.name not in absent and (text := one.suspicion(now))
        ]
        if recorder.frames_lost:
            found.append(f"{recorder.frames_lost} frames were lost; noted in the case file.")
        if not recorder.trouble and room is not None and room < _LITTLE_ROOM_BYTES:
            found.append(f"Only {room >> 20} MB of room are left on the disk.")
        if recorder.case_trouble:
            found.append(recorder.case_trouble)
        return found

    def stop(self) -> LiveAnswer | None:
        """End the recording, write everything, and return the last live answer."""
        self._recorder.stop()
        return self._watcher.finish() if self._watcher else None

    @property
    def unwritten(self) -> str:
        """Return why part of what was received is not in the log; "" where all of it is."""
        return self._recorder.trouble

    @property
    def losses(self) -> tuple[RecorderLoss, ...]:
        """Return what was lost so far, and when."""
        return tuple(self._recorder.listed.losses)

    @property
    def marks(self) -> tuple[Mark, ...]:
        """Return the marks so far."""
        return tuple(self._recorder.listed.marks)

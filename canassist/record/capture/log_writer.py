"""Two threads behind the receivers: one makes blocks of text, one puts them on the disk."""

from __future__ import annotations

import queue
import threading
import time
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Protocol

from canassist.record.capture.block_file import pack
from canassist.record.capture.bus_traffic import BusTraffic
from canassist.record.capture.candump_text import line_of

if TYPE_CHECKING:
    from collections.abc import Callable

    from canassist.record.capture.receiving import Intake

BLOCK_S: Final = 1.0
"""A block ends each second: what stands in whole blocks can be read after any end."""
_POLL_S: Final = 0.02
_MOST_BLOCK_LINES: Final = 100_000
_MOST_WAITING_BYTES: Final = 256 << 20
"""Packed blocks that wait for a slow or full disk: about half an hour of a full bus."""
_RETRY_S: Final = 0.5


@dataclass(frozen=True, slots=True)
class PackedBlock:
    """About a second of frames, packed."""

    member: bytes
    frames: int
    start_log_s: float
    end_log_s: float


class BlockStore(Protocol):
    """Where blocks go: one file, or a ring of them."""

    def append(self, block: PackedBlock) -> None:
        """Write a block; an `OSError` leaves everything as it was."""

    def close(self) -> None:
        """Let go of what is open."""


class DiskThread(threading.Thread):
    """Writes blocks in their order; a slow or full disk holds up nobody else.

    Attributes
    ----------
    trouble : str
        Why nothing can be written now; "" where all is well.
    frames_written, frames_lost : int
        Lost are those for which no memory was left while nothing could be written.
    """

    def __init__(self, store: BlockStore) -> None:
        super().__init__(name="write the log", daemon=True)
        self.trouble = ""
        self.frames_written = self.frames_lost = 0
        self.last_log_s: float | None = None
        self._store = store
        self._waiting: queue.SimpleQueue[PackedBlock | None] = queue.SimpleQueue()
        self._waiting_bytes = 0
        self._lock = threading.Lock()
        self._ending = threading.Event()

    def take(self, block: PackedBlock) -> bool:
        """Take a block; False where there is no memory for it."""
        with self._lock:
            if self._waiting_bytes + len(block.member) > _MOST_WAITING_BYTES:
                self.frames_lost += block.frames
                return False
            self._waiting_bytes += len(block.member)
        self._waiting.put(block)
        return True

    @property
    def waiting_bytes(self) -> int:
        """Return how much waits to be written."""
        return self._waiting_bytes

    def finish(self) -> None:
        """Write what waits, and end; what cannot be written by then is lost and counted."""
        self._ending.set()
        self._waiting.put(None)
        self.join()

    def run(self) -> None:
        """Write until told to finish."""
        while (block := self._waiting.get()) is not None:
            self._write(block)
            with self._lock:
                self._waiting_bytes -= len(block.member)
        self._store.close()

    def _write(self, block: PackedBlock) -> None:
        while True:
            try:
                self._store.append(block)
            except OSError as error:
                self.trouble = error.strerror or str(error)
                if self._ending.is_set():
                    self.frames_lost += block.frames
                    return
                self._ending.wait(_RETRY_S)
                continue
            self.trouble = ""
            self.frames_written += block.frames
            self.last_log_s = block.end_log_s
            return


class BlockThread(threading.Thread):
    """Makes lines of the frames received, counts them, and ends a block each second.

    Parameters
    ----------
    intake : Intake
    disk : DiskThread
    traffic : dict of str to BusTraffic
        Filled; a bus that nobody expected is added.
    block_s : float
    on_lost : callable
        Called with a block for which no memory was left.

    Attributes
    ----------
    first_log_s : float or None
        Raw time stamp of the first frame.
    """

    def __init__(
        self,
        intake: Intake,
        disk: DiskThread,
        traffic: dict[str, BusTraffic],
        *,
        block_s: float = BLOCK_S,
        on_lost: Callable[[PackedBlock], None] | None = None,
    ) -> None:
        super().__init__(name="make blocks", daemon=True)
        self.first_log_s: float | None = None
        self.frames = 0
        self._intake = intake
        self._disk = disk
        self._traffic = traffic
        self._block_s = block_s
        self._on_lost = on_lost
        self._lines: list[str] = []
        self._start_s = self._end_s = 0.0
        self._ending = threading.Event()

    def finish(self) -> None:
        """Take what was received, end the last block, and end."""
        self._ending.set()
        self.join()

    def run(self) -> None:
        """Make blocks until told to finish."""
        block_ends = time.monotonic() + self._block_s
        while True:
            ending = self._ending.is_set()  # asked before taking, so that nothing is left behind
            self._take_all()
            now = time.monotonic()
            if now >= block_ends or ending:
                self._end_block()
                block_ends = now + self._block_s
                for one in tuple(self._traffic.values()):
                    one.tick(now)
            if ending:
                return
            self._ending.wait(_POLL_S)

    def _take_all(self) -> None:
        frames, now = self._intake.frames, time.monotonic()
        lines, traffic = self._lines, self._traffic
        while frames:
            receiver, message, offset_s = frames.popleft()
            bus = receiver.bus_name if message.channel is None else receiver.name_of(message)
            line = line_of(message, bus, offset_s, keep_class=receiver.keep_class)
            stamp_s = message.timestamp + offset_s
            if not lines:
                self._start_s = stamp_s
                if self.first_log_s is None:
                    self.first_log_s = stamp_s
            self._end_s = stamp_s
            lines.append(line)
            counted = traffic.get(bus)
            if counted is None:
                counted = traffic[bus] = BusTraffic(bus)
            counted.count(message)
            if not message.is_error_frame:
                counted.newest_s = now
            if len(lines) >= _MOST_BLOCK_LINES:
                self._end_block()
                lines = self._lines

    def _end_block(self) -> None:
        if not self._lines:
            return
        lines, self._lines = self._lines, []
        self.frames += len(lines)
        block = PackedBlock(
            pack("".join(lines).encode("ascii")), len(lines), self._start_s, self._end_s
        )
        if not self._disk.take(block) and self._on_lost is not None:
            self._on_lost(block)

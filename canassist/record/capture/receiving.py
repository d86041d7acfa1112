"""One channel: received in a thread of its own, waited for where it is unplugged."""

from __future__ import annotations

import threading
import time
from collections import deque
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

import can

from canassist.record.capture.candump_text import bus_word
from canassist.record.capture.driver_losses import DriverLosses
from canassist.record.log_annotations import RecorderHole, RecorderLoss

if TYPE_CHECKING:
    from collections.abc import Callable

_PATIENCE_S: Final = 0.2
"""A receiver looks up this often where nothing comes."""
_RETRY_S: Final = 0.5
"""An interface that is gone is tried again this often."""
_EPOCH_S: Final = 946_684_800.0
"""1 January 2000: an interface whose time stamps lie before it counts from a zero of its own."""
_LOOK_FRAMES: Final = 4096
"""The driver is asked for what it lost at least each so many frames."""


@dataclass(slots=True)
class Intake:
    """What the receivers hand over: frames in the order received, and what they lost.

    Appending to a deque needs no lock, so that no receiver ever waits for another thread.
    """

    frames: deque[tuple[Receiver, can.Message, float]] = field(default_factory=deque)
    losses: deque[RecorderLoss] = field(default_factory=deque)
    holes: deque[RecorderHole] = field(default_factory=deque)
    """Each hole twice: when it begins, and again with its end."""


class Receiver(threading.Thread):
    """Receives one channel until it is told to stop.

    Parameters
    ----------
    name : str
        The bus's name in the log.
    bus : can.BusABC
        Opened already, so that a wrong setting is told at once.
    reopen : callable
        Opens it again after it was lost.
    intake : Intake
    takes_bus_names : bool
        Whether each frame's own channel names its bus, as in a replayed log.
    keep_class : bool
        Whether error frames carry their class in the identifier.
    keeps_time : bool
        Whether the interface's time stamps are taken as they are, whatever they count from.

    Attributes
    ----------
    offset_s : float
        Added to the interface's time stamps: 0 where they are dates.
    """

    def __init__(  # noqa: PLR0913 - what a channel is
        self,
        name: str,
        bus: can.BusABC,
        reopen: Callable[[], can.BusABC],
        intake: Intake,
        *,
        takes_bus_names: bool = False,
        keep_class: bool = True,
        keeps_time: bool = False,
    ) -> None:
        super().__init__(name=f"receive {name}", daemon=True)
        self.bus_name = name
        self.takes_bus_names = takes_bus_names
        self.keep_class = keep_class
        self.offset_s = 0.0
        self.absent_since_s: float | None = None
        self.ended = False
        self._bus = bus
        self._losses = DriverLosses(bus)
        self._reopen = reopen
        self._intake = intake
        self._keeps_time = keeps_time
        self._newest: tuple[float, float] | None = None
        self._stopping = threading.Event()
        self._knows_offset = keeps_time

    def name_of(self, message: can.Message) -> str:
        """Return the bus's name in the log."""
        if not self.takes_bus_names:
            return self.bus_name
        return bus_word(str(message.channel))

    def log_now_s(self) -> float | None:
        """Return what the log's clock shows now; None before the first frame."""
        newest = self._newest
        if newest is None:
            return None
        stamp, at = newest
        passed = 0.0 if self._keeps_time else time.monotonic() - at
        return stamp + self.offset_s + passed

    def stop(self) -> None:
        """Ask the thread to end soon."""
        self._stopping.set()

    def run(self) -> None:
        """Receive, and wait for the interface where it fails."""
        bus: can.BusABC | None = self._bus
        while bus is not None:
            why = self._receive(bus)
            _close(bus)
            bus = None if why is None else self._wait_for_return(why)
            if bus is not None:
                self._losses = DriverLosses(bus)
        self.ended = True

    def _receive(self, bus: can.BusABC) -> str | None:
        """Receive until told to stop (None) or until it fails (why)."""
        try:
            self._pass_on(bus)
        except (can.CanError, OSError, ValueError) as error:
            return " ".join(str(error).split())[:200] or type(error).__name__
        finally:
            self._note_losses()
        return None

    def _pass_on(self, bus: can.BusABC) -> None:
        receive, add = bus.recv, self._intake.frames.append
        stopping, clock = self._stopping.is_set, time.monotonic
        until_look, next_look = _LOOK_FRAMES, clock() + 1.0
        while not stopping():
            message = receive(_PATIENCE_S)
            now = clock()
            if message is not None:
                if not self._knows_offset:
                    self._learn_offset(message)
                self._newest = (message.timestamp, now)
                add((self, message, self.offset_s))
                until_look -= 1
            elif getattr(bus, "at_end", False):
                return
            if until_look <= 0 or now >= next_look:
                until_look, next_look = _LOOK_FRAMES, now + 1.0
                self._note_losses()

    def _learn_offset(self, message: can.Message) -> None:
        """Place the interface's zero on this computer's clock, once for each time it is opened."""
        self._knows_offset = True
        self.offset_s = 0.0 if message.timestamp >= _EPOCH_S else time.time() - message.timestamp

    def _note_losses(self) -> None:
        for frames, why in self._losses.new():
            at = self.log_now_s()
            self._intake.losses.append(
                RecorderLoss(
                    channel=self.bus_name,
                    at_log_s=time.time() if at is None else at,
                    why=why,
                    frames=frames,
                )
            )

    def _wait_for_return(self, why: str) -> can.BusABC | None:
        """Try to open the interface again, for as long as it takes."""
        now = self.log_now_s()
        begun = time.time() if now is None else now
        begun_at = time.monotonic()
        self.absent_since_s = begun_at
        hole = RecorderHole(channel=self.bus_name, start_log_s=begun, why=why)
        self._intake.holes.append(hole)
        while not self._stopping.wait(_RETRY_S):
            try:
                bus = self._reopen()
            except Exception:  # noqa: S112 - whatever a driver raises, it is not there yet
                continue
            self._end_hole(hole, begun + time.monotonic() - begun_at)
            return bus
        self._end_hole(hole, begun + time.monotonic() - begun_at)
        return None

    def _end_hole(self, hole: RecorderHole, end_s: float) -> None:
        self.absent_since_s = None
        self._knows_offset = self._keeps_time
        self._intake.holes.append(
            RecorderHole(
                channel=hole.channel, start_log_s=hole.start_log_s, why=hole.why, end_log_s=end_s
            )
        )


def _close(bus: can.BusABC) -> None:
    try:
        bus.shutdown()
    except Exception:
        return

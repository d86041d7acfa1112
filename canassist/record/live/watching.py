"""A process beside the recording that reads the growing log; the recording never waits for it."""

from __future__ import annotations

import contextlib
import os
import pickle
import signal
import subprocess
import sys
import threading
import time
from dataclasses import dataclass, replace
from importlib import import_module
from typing import IO, TYPE_CHECKING, Final

from canassist.errors import CanassistError
from canassist.record.capture.ring import segment_path
from canassist.record.live.alarms import AlarmWatch
from canassist.record.live.channel_values import channels_now
from canassist.record.live.growing_log import GrowingLog
from canassist.record.live.live_reading import LiveReading
from canassist.record.live.recipe import recipe_rows, ridden_so_far
from canassist.record.state import LiveAnswer

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from canassist.model import Profile

_POLL_S: Final = 0.1
_SHORTEST_S: Final = 1.0
_SHARE: Final = 8.0
"""The log so far is decoded anew at most once in this many times what that takes, so that the
cost stays below an eighth of one core however long the ride is."""
_FINISH: Final = "finish"
NOT_ARMED: Final = "Nothing rings yet: it is not known which messages carry what."
_PATIENCE_S: Final = 120.0


@dataclass(frozen=True, slots=True, kw_only=True)
class WatchOrder:
    """What is watched, and for what.

    Attributes
    ----------
    log : Path
        The log that grows, or the name that a ring's pieces are made from.
    recipe : bool
        Whether the ride's recipe is counted.
    """

    log: Path
    databases: tuple[Path, ...]
    profile: Profile
    ring: bool = False
    recipe: bool = True
    alert: bool = False

    def path_of(self, number: int) -> Path | None:
        """Return the name of the log's file of a number."""
        if self.ring:
            return segment_path(self.log, number + 1)
        return self.log if number == 0 else None


class Watcher:
    """The watching process as the recording sees it.

    Attributes
    ----------
    answer : LiveAnswer or None
        The newest that it said.
    """

    def __init__(self, order: WatchOrder) -> None:
        self.answer: LiveAnswer | None = None
        self._ended = threading.Event()
        self._process = subprocess.Popen(
            [sys.executable, "-m", "canassist.record.live.watching"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
        )
        self._tell(order)
        threading.Thread(target=self._listen, name="hear the watch", daemon=True).start()

    def _tell(self, what: object) -> None:
        with contextlib.suppress(OSError):  # it has ended already
            pickle.dump(what, self._stream(self._process.stdin))
            self._stream(self._process.stdin).flush()

    @staticmethod
    def _stream(stream: IO[bytes] | None) -> IO[bytes]:
        if stream is None:
            raise ValueError("the process was started with pipes")
        return stream

    def _listen(self) -> None:
        stream = self._stream(self._process.stdout)
        try:
            while True:
                self.answer = pickle.load(stream)  # noqa: S301 - from this program itself
        except (EOFError, OSError, pickle.UnpicklingError):
            self._ended.set()

    def finish(self) -> LiveAnswer | None:
        """Let it read to the log's end, and return its last answer."""
        self._tell(_FINISH)
        self._ended.wait(_PATIENCE_S)
        self._process.kill()
        self._process.wait()
        for stream in (self._process.stdin, self._process.stdout):
            with contextlib.suppress(OSError):
                self._stream(stream).close()
        return self.answer


def watch_from_pipes() -> None:
    """Read an order from standard input, and answer it on standard output."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the recording ends this process
    with contextlib.suppress(OSError, AttributeError):
        os.nice(10)
    answers, orders = sys.stdout.buffer, sys.stdin.buffer
    sys.stdout = sys.stderr  # what a library prints must not go between the answers

    def send(answer: LiveAnswer) -> None:
        pickle.dump(answer, answers)
        answers.flush()

    try:
        order: WatchOrder = pickle.load(orders)  # noqa: S301 - from this program itself
        _Watch(order, send, _finish_asked(orders)).run()
    except (BrokenPipeError, EOFError):
        return
    except CanassistError as error:
        send(LiveAnswer(until_s=0.0, note=str(error)))
    except Exception as error:
        what = f"{type(error).__name__}: {error}"
        send(LiveAnswer(until_s=0.0, note=f"the live view has failed ({what})"))


def _finish_asked(orders: IO[bytes]) -> threading.Event:
    """Return an event that is set when the log has ended; end with the recording's process."""
    asked = threading.Event()

    def listen() -> None:
        try:
            pickle.load(orders)  # noqa: S301 - from this program itself
        except (EOFError, OSError, pickle.UnpicklingError):
            os._exit(0)
        asked.set()

    threading.Thread(target=listen, daemon=True).start()
    return asked


class _Watch:
    """What the process does."""

    def __init__(
        self, order: WatchOrder, send: Callable[[LiveAnswer], None], finish: threading.Event
    ) -> None:
        self._order = order
        self._send = send
        self._finish = finish
        self._log = GrowingLog(order.path_of)
        self._reading = LiveReading(order.databases, order.profile)
        self._alarms = AlarmWatch(order.databases, order.profile) if order.alert else None
        self._answer = LiveAnswer(until_s=0.0)
        self._next_s = 0.0

    def run(self) -> None:
        while not self._finish.wait(_POLL_S):
            if self._read_on():
                self._look()
        while self._read_on():
            pass
        self._reading.finish()
        self._decode()
        self._look()

    def _read_on(self) -> bool:
        text = self._log.read()
        if text:
            self._reading.feed(text)
            if self._alarms is not None:
                self._alarms.feed(self._reading.fresh)
        return bool(text)

    def _look(self) -> None:
        if time.monotonic() >= self._next_s:
            begun = time.process_time()
            self._decode()
            cost_s = time.process_time() - begun
            self._next_s = time.monotonic() + max(_SHORTEST_S, _SHARE * cost_s)
        first_ns = self._reading.first_fresh_ns
        if self._alarms is not None and first_ns is not None:
            alarms = self._alarms.look(first_ns, self._reading.buses)
            note = "" if self._alarms.armed else NOT_ARMED
            self._answer = replace(self._answer, alarms=alarms, note=self._answer.note or note)
        self._send(self._answer)

    def _decode(self) -> None:
        """Decode the whole log so far."""
        reading, order = self._reading, self._order
        so_far = None if reading.is_full else reading.so_far()
        if so_far is None:
            if reading.is_full:
                note = "the log is too long to be counted live; the report counts all of it"
                self._answer = replace(self._answer, note=note)
            return
        if self._alarms is not None:
            self._alarms.learn(so_far)
        ridden = ridden_so_far(so_far.timeline, order.profile)
        until_s = so_far.timeline.duration_s
        self._answer = LiveAnswer(
            until_s=until_s,
            recipe=recipe_rows(ridden, order.profile, log_s=until_s) if order.recipe else (),
            channels=channels_now(so_far.timeline),
            alarms=self._answer.alarms,
            coverage=ridden,
        )


if __name__ == "__main__":
    # By its full name, so that what is pickled is found again.
    import_module("canassist.record.live.watching").watch_from_pipes()

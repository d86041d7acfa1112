"""A process beside the recording that reads the growing log; the recording never waits for it."""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import signal
import threading
import time
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final

from canassist.errors import CanassistError
from canassist.record.alarms import AlarmWatch
from canassist.record.channel_values import channels_now
from canassist.record.growing_log import GrowingLog
from canassist.record.live_reading import LiveReading
from canassist.record.recipe import recipe_rows
from canassist.record.ridden import count_ridden
from canassist.record.ring import segment_path
from canassist.record.state import LiveAnswer

if TYPE_CHECKING:
    from multiprocessing.connection import Connection
    from pathlib import Path

    from canassist.profile import Profile

_POLL_S: Final = 0.1
_SHORTEST_S: Final = 1.0
_SHARE: Final = 8.0
"""The log so far is decoded anew at most once in this many times what that takes, so that the
cost stays below an eighth of one core however long the ride is."""
_FINISH: Final = "finish"
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
        context = multiprocessing.get_context("spawn")
        self._own, theirs = context.Pipe()
        self._process = context.Process(target=watch, args=(order, theirs), daemon=True)
        self.answer: LiveAnswer | None = None
        self._ended = threading.Event()
        self._process.start()
        theirs.close()
        threading.Thread(target=self._listen, name="hear the watch", daemon=True).start()

    def _listen(self) -> None:
        try:
            while True:
                self.answer = self._own.recv()
        except (EOFError, OSError):
            self._ended.set()

    def finish(self) -> LiveAnswer | None:
        """Let it read to the log's end, and return its last answer."""
        with contextlib.suppress(OSError):
            self._own.send(_FINISH)
            self._ended.wait(_PATIENCE_S)
        self.end()
        return self.answer

    def end(self) -> None:
        """End the process."""
        if self._process.is_alive():
            self._process.terminate()
        self._process.join()


def watch(order: WatchOrder, connection: Connection) -> None:
    """Read the log as it grows, and send what it says; runs in a process of its own."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the recording ends this process
    with contextlib.suppress(OSError, AttributeError):
        os.nice(10)
    try:
        _Watch(order, connection).run()
    except CanassistError as error:
        _send(connection, LiveAnswer(until_s=0.0, note=str(error)))
    except (BrokenPipeError, EOFError):
        return
    except Exception as error:  # noqa: BLE001 - the log goes on, and somebody must be told
        what = f"{type(error).__name__}: {error}"
        _send(connection, LiveAnswer(until_s=0.0, note=f"the live view has failed ({what})"))
    finally:
        connection.close()


def _send(connection: Connection, answer: LiveAnswer) -> None:
    with contextlib.suppress(BrokenPipeError):
        connection.send(answer)


class _Watch:
    """What the process does."""

    def __init__(self, order: WatchOrder, connection: Any) -> None:  # Any: generic in 3.12 only
        self._order = order
        self._connection = connection
        self._log = GrowingLog(order.path_of)
        self._reading = LiveReading(order.databases, order.profile)
        self._alarms = AlarmWatch(order.databases, order.profile) if order.alert else None
        self._answer = LiveAnswer(until_s=0.0)
        self._next_s = 0.0

    def run(self) -> None:
        while not self._asked_to_finish():
            if self._read_on():
                self._look()
        while self._read_on():
            pass
        self._reading.finish()
        self._decode()
        self._look()

    def _asked_to_finish(self) -> bool:
        """Wait a little; the other side's end ends this one with `EOFError`."""
        return bool(self._connection.poll(_POLL_S)) and self._connection.recv() == _FINISH

    def _read_on(self) -> bool:
        text = self._log.read()
        if text:
            blocks = self._reading.feed(text)
            if self._alarms is not None:
                self._alarms.feed(blocks)
        return bool(text)

    def _look(self) -> None:
        now = time.monotonic()
        zero_ns = self._reading.zero_ns
        if zero_ns is None:
            return
        if now >= self._next_s:
            begun = time.process_time()
            self._decode()
            cost_s = time.process_time() - begun
            self._next_s = time.monotonic() + max(_SHORTEST_S, _SHARE * cost_s)
        if self._alarms is not None:
            alarms = self._alarms.look(zero_ns, self._reading.buses)
            self._answer = replace(self._answer, alarms=alarms)
        _send(self._connection, self._answer)

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
        ridden = count_ridden(so_far.timeline, order.profile)
        until_s = so_far.timeline.duration_s
        self._answer = LiveAnswer(
            until_s=until_s,
            recipe=recipe_rows(ridden, order.profile, log_s=until_s) if order.recipe else (),
            channels=channels_now(so_far.timeline),
            alarms=self._answer.alarms,
            coverage=ridden.coverage,
        )

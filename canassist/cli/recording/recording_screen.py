"""The terminal while recording: keys in one thread, drawing in another, the log in neither."""

from __future__ import annotations

import signal
import sys
import threading
import time
from contextlib import contextmanager, suppress
from typing import TYPE_CHECKING, Final

from canassist.cli.exit_status import harmless, tell

if TYPE_CHECKING:
    from collections.abc import Iterator

    from rich.console import Console
    from rich.text import Text

    from canassist.record import LiveAnswer, RecordingSession, RecordingState, ScreenLine

_TICK_S: Final = 0.05
_DRAW_S: Final = 0.5
_TELL_S: Final = 10.0
_NOTICE_S: Final = 5.0
_ENDING_SIGNALS: Final = ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK")
_NOTE_KEYS: Final = 200


class _Keys:
    """What the keys do; a mark's moment is that of the key, however slow the screen is."""

    def __init__(self, session: RecordingSession) -> None:
        self._session = session
        self.notice = ""
        self.writing: str | None = None
        self.ending = False
        self._noticed_s = 0.0
        self._note_at_s: float | None = None

    def take(self, key: str) -> None:
        """Take one key."""
        if self.writing is not None:
            self._write(key)
        elif key in {" ", "h", "H"}:
            self._mark()
        elif key in {"n", "N"}:
            self.writing, self._note_at_s = "", self._session.log_now_s()
        elif key in {"q", "Q", "\x03"}:
            self.ending = True

    def _mark(self) -> None:
        from canassist.record import MarkKind, minutes

        made = self._session.mark(MarkKind.HEAVY)
        self._say("heavy|" + (minutes(made.at_s) if made else "at the start"))

    def _write(self, key: str) -> None:
        from canassist.record import MarkKind

        written = self.writing or ""
        if key in {"\r", "\n"}:
            self._session.mark(MarkKind.NOTE, written.strip(), self._note_at_s)
            self.writing = None
            self._say("note|kept")
        elif key == "\x1b":
            self.writing = None
        elif key in {"\x7f", "\b"}:
            self.writing = written[:-1]
        elif key.isprintable() and len(written) < _NOTE_KEYS:
            self.writing = written + key

    def _say(self, notice: str) -> None:
        self.notice, self._noticed_s = notice, time.monotonic()

    def forget(self) -> None:
        """Drop a notice that was seen long enough."""
        if self.notice and time.monotonic() - self._noticed_s > _NOTICE_S:
            self.notice = ""


def run_with_screen(session: RecordingSession) -> LiveAnswer | None:
    """Record until a key, a signal or a bound ends it; everything is written then."""
    from canassist.record import NEVER, keys

    handled = _Keys(session)
    tell(NEVER)
    session.start()
    try:
        with _ended_by_signals(handled), keys() as next_key, _drawn(session, handled):
            while not handled.ending and not session.is_over():
                while key := next_key():
                    handled.take(key)
                handled.forget()
                session.tick()
                time.sleep(_TICK_S)
            why = session.is_over()
    finally:
        tell("Ending: the log is being closed.")
        answer = session.stop()
    if why:
        tell(why)
    return answer


@contextmanager
def _ended_by_signals(handled: _Keys) -> Iterator[None]:
    """Let an interrupt, a closed terminal or a polite kill end the recording as a key does."""
    before = {}

    def end(*_: object) -> None:
        handled.ending = True

    for name in _ENDING_SIGNALS:
        number = getattr(signal, name, None)
        if number is not None:
            before[number] = signal.signal(number, end)
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


@contextmanager
def _drawn(session: RecordingSession, handled: _Keys) -> Iterator[None]:
    """Draw in a thread of its own: a terminal that takes nothing holds up nothing."""
    over = threading.Event()
    draw = _draw_screen if sys.stdout.isatty() else _tell_lines
    thread = threading.Thread(target=draw, args=(session, handled, over), daemon=True)
    thread.start()
    try:
        yield
    finally:
        over.set()
        thread.join(timeout=2.0)


def _draw_screen(session: RecordingSession, handled: _Keys, over: threading.Event) -> None:
    from rich.console import Console
    from rich.live import Live

    from canassist.record import screen_lines

    console, rung = Console(), set[tuple[str, float]]()
    with suppress(OSError), Live(console=console, screen=True, auto_refresh=False) as live:
        while True:
            state = session.state()
            size = console.size
            lines = screen_lines(
                state, size.width, size.height, notice=handled.notice, writing=handled.writing
            )
            live.update(_text(lines), refresh=True)
            _ring(console, state, rung)
            if over.wait(_DRAW_S if not state.alert else _DRAW_S / 2):
                return


def _text(lines: list[ScreenLine]) -> Text:
    from rich.text import Text

    whole = Text(no_wrap=True, overflow="crop")
    for place, line in enumerate(lines):
        style = "reverse" if line.inverse else "bold" if line.strong else ""
        whole.append(harmless(line.text) + ("\n" if place < len(lines) - 1 else ""), style=style)
    return whole


def _ring(console: Console, state: RecordingState, rung: set[tuple[str, float]]) -> bool:
    """Ring once for each alarm that is new."""
    alarms = state.answer.alarms if state.answer and state.alert else ()
    new = {(one.text, one.at_s) for one in alarms} - rung
    rung |= new
    if new:
        console.bell()
    return bool(new)


def _tell_lines(session: RecordingSession, handled: _Keys, over: threading.Event) -> None:
    """Tell the state now and then, and alarms at once, where nobody watches a screen."""
    from canassist.record import alarm_text, minutes, notice_or_next

    told, next_s = set[tuple[str, float]](), time.monotonic() + _TELL_S
    warned: tuple[str, ...] = ()
    while not over.wait(_DRAW_S):
        state = session.state()
        for one in state.answer.alarms if state.answer and state.alert else ():
            if (one.text, one.at_s) not in told:
                told.add((one.text, one.at_s))
                tell(f"\a{alarm_text(one)}")
        if time.monotonic() >= next_s or state.warnings[:1] != warned[:1]:
            next_s, warned = time.monotonic() + _TELL_S, state.warnings
            first, second = notice_or_next(state, handled.notice)
            tell(
                f"{minutes(state.log_s)}  frames {state.frames}, lost {state.lost},"
                f" errors {state.errors}; {first} {second}"
            )
            for text in state.warnings:
                tell(f"  {text}")

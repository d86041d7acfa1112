"""Where every ride in work stands, and who wants to hear of it."""

from __future__ import annotations

import asyncio
import json
import time
from contextlib import suppress
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from canassist.web.http.page_texts import grouped, say

if TYPE_CHECKING:
    from collections.abc import AsyncIterator

_SHARES: Final = {
    "starting": (0.0, 0.02),
    "matching": (0.02, 0.05),
    "reading": (0.05, 0.6),
    "judging": (0.6, 0.8),
    "asking": (0.8, 0.85),
    "writing": (0.85, 1.0),
    "comparing": (0.02, 0.9),
}
"""Which part of the work a stage is, roughly; measured on rides of ten minutes to an hour."""

_GUESS_AFTER_S: Final = 1.0
_IN_MINUTES_S: Final = 100.0
_MB: Final = 1e6
HEARTBEAT_S: Final = 15.0
_WAITING: Final = 256


@dataclass(slots=True)
class RideProgress:
    """How far one ride is."""

    begun_s: float = field(default_factory=time.monotonic)
    stage: str = "starting"
    done: float = 0.0
    total: float = 0.0
    frames: int | None = None

    @property
    def share(self) -> float:
        """How much of the work is done, 0 to 1."""
        low, high = _SHARES.get(self.stage, (0.0, 1.0))
        part = min(1.0, self.done / self.total) if self.total else 0.0
        return low + (high - low) * part

    @property
    def left_s(self) -> float | None:
        """Seconds that it will probably take; None while too early to say."""
        spent, share = time.monotonic() - self.begun_s, self.share
        if spent < _GUESS_AFTER_S or share < 0.06:  # noqa: PLR2004 - not before reading began
            return None
        return spent * (1.0 - share) / share

    def words(self) -> str:
        """Say what is being done and how long it will take."""
        return " ".join(part for part in (self._doing(), self._left()) if part)

    def _doing(self) -> str:
        if self.stage == "comparing":
            return say("stages.comparing", number=int(self.done) + 1, count=int(self.total))
        if self.stage == "reading" and self.total:
            values = {"done": self.done / _MB, "total": self.total / _MB}
            if self.frames is None:
                return say("stages.reading_part", **values)
            return say("stages.reading_frames", **values, frames=grouped(self.frames))
        return say(f"stages.{self.stage}" if self.stage in _SHARES else "states.working")

    def _left(self) -> str:
        left = self.left_s
        if left is None:
            return ""
        if left > _IN_MINUTES_S:
            return say("stages.left_minutes", minutes=round(left / 60))
        return say("stages.left", seconds=max(1, round(left)))


class ProgressBoard:
    """Tells listeners what changes; belongs to the event loop's thread."""

    def __init__(self, most_listeners: int) -> None:
        self._most = most_listeners
        self._standing: dict[str, RideProgress] = {}
        self._listeners: set[asyncio.Queue[str]] = set()
        self._closed = False

    def standing(self, ride: str) -> RideProgress | None:
        """Return how far a ride is, if it is worked on."""
        return self._standing.get(ride)

    def in_work(self) -> list[RideProgress]:
        """Return how far every ride in work is."""
        return list(self._standing.values())

    def begin(self, ride: str) -> None:
        """Note that work on a ride began."""
        self._standing[ride] = RideProgress()
        self.changed(ride)

    def step(
        self, ride: str, stage: str, done: float, total: float, frames: int | None = None
    ) -> None:
        """Note how far a ride is."""
        standing = self._standing.get(ride)
        if standing is None:
            return
        standing.stage, standing.done, standing.total = stage, done, total
        standing.frames = frames
        message = {"ride": ride, "share": round(standing.share, 4), "words": standing.words()}
        self._send("progress", message)

    def end(self, ride: str) -> None:
        """Note that work on a ride ended."""
        self._standing.pop(ride, None)
        self.changed(ride)

    def changed(self, ride: str) -> None:
        """Say that a ride's row looks different now."""
        self._send("changed", {"ride": ride})

    def close(self) -> None:
        """Let every listener go; none is kept from now on."""
        self._closed = True
        self._send("closed", {})

    @property
    def is_full(self) -> bool:
        """Whether there are as many listeners as allowed."""
        return len(self._listeners) >= self._most

    async def listen(self) -> AsyncIterator[str]:
        """Yield server-sent events until the server stops."""
        queue: asyncio.Queue[str] = asyncio.Queue(_WAITING)
        self._listeners.add(queue)
        try:
            yield "retry: 2000\n\n"
            while not self._closed:
                try:
                    text = await asyncio.wait_for(queue.get(), HEARTBEAT_S)
                except TimeoutError:
                    yield ": still here\n\n"
                    continue
                if self._closed:
                    return
                yield text
        finally:
            self._listeners.discard(queue)

    def _send(self, event: str, message: dict[str, object]) -> None:
        text = f"event: {event}\ndata: {json.dumps(message)}\n\n"
        for queue in self._listeners:
            if queue.full():
                with suppress(asyncio.QueueEmpty):
                    queue.get_nowait()  # a slow listener misses old news, not the last
            queue.put_nowait(text)

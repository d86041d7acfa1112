"""What a driver says that it lost: asked of it in each way that it offers."""

from __future__ import annotations

import logging
import re
import socket
import struct
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from collections.abc import Iterator

    import can

_SO_MEMINFO: Final = 55
"""Linux, asm-generic/socket.h: nine 32-bit counters of a socket (linux/sock_diag.h)."""
_COUNTERS: Final = struct.Struct("=9I")
_DROPS: Final = 8
"""SK_MEMINFO_DROPS: frames that found the socket's queue full."""
_QUEUE_BYTES: Final = 8 << 20
"""Queue asked for at a socket; the system gives what it allows. Its usual one holds a few
hundred frames, less than a tenth of a second of a full bus."""
_TOLD: Final = re.compile(r"overrun|overflow|data lost|queue full|messages? lost", re.IGNORECASE)


class DriverLosses:
    """Asks a bus what was lost since it was asked last.

    Parameters
    ----------
    bus : can.BusABC
        One that was just opened.
    """

    def __init__(self, bus: can.BusABC) -> None:
        found: Any = getattr(bus, "socket", None)  # Any: python-can's own, and only some have one
        self._socket = found if isinstance(found, socket.socket) else None
        self._statistics: Any = getattr(bus, "get_stats", None)  # Any: the same
        self._dropped = self._overruns = 0
        self._told = _told_by_the_library()
        self._told_before = self._told.count
        if self._socket is not None:
            _widen(self._socket)  # a new socket has dropped nothing: what it counts is this ride's
        self._overruns = self._driver_overruns()

    def new(self) -> Iterator[tuple[int | None, str]]:
        """Give how many frames were lost since the last call, and by whom; None: not how many."""
        dropped = self._drops() - self._dropped
        if dropped > 0:
            self._dropped += dropped
            yield dropped, "the socket's queue was full"
        overruns = self._driver_overruns() - self._overruns
        if overruns > 0:
            self._overruns += overruns
            yield overruns, "the driver's queue overflowed"
        told = self._told.count - self._told_before
        if told > 0:
            self._told_before += told
            yield None, "the driver says so"

    def _drops(self) -> int:
        if self._socket is None:
            return 0
        try:
            raw = self._socket.getsockopt(socket.SOL_SOCKET, _SO_MEMINFO, _COUNTERS.size)
        except OSError:  # not Linux, or closed
            return self._dropped
        return int(_COUNTERS.unpack(raw)[_DROPS]) if len(raw) == _COUNTERS.size else 0

    def _driver_overruns(self) -> int:
        if self._statistics is None:
            return 0
        try:
            return int(getattr(self._statistics(), "overruns", 0))
        except Exception:
            return self._overruns


def _widen(found: socket.socket) -> None:
    try:
        found.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, _QUEUE_BYTES)
    except OSError:
        return


class _Told(logging.Handler):
    """Counts what drivers say of losses in python-can's own log."""

    def __init__(self) -> None:
        super().__init__(logging.WARNING)
        self.count = 0

    def emit(self, record: logging.LogRecord) -> None:
        """Look at one message."""
        if _TOLD.search(record.getMessage()):
            self.count += 1


def _told_by_the_library() -> _Told:
    """Return the one handler, put in place at first use."""
    logger = logging.getLogger("can")
    for handler in logger.handlers:
        if isinstance(handler, _Told):
            return handler
    handler = _Told()
    logger.addHandler(handler)
    return handler

"""The server beneath the page: it does not wait for ever, and tells when it is there."""

from __future__ import annotations

import socket
from typing import TYPE_CHECKING, Any, ClassVar

import h11
import uvicorn
from uvicorn.protocols.http.h11_impl import H11Protocol

if TYPE_CHECKING:
    import asyncio
    from collections.abc import Callable


class TimedProtocol(H11Protocol):
    """Speaks HTTP, and closes a connection which does not ask for anything in time.

    The server below it bounds the size of a request's head, but not how long that takes to
    come; connections that never ask would use up all there are.

    Attributes
    ----------
    head_s : float
        Time for a request's head, from the connection's or the request's first byte on.
    linger_s : float
        Time that a client may go on to send what was refused already. A browser shows why it
        was refused only when it got rid of all of it.
    """

    head_s: ClassVar[float]
    places: ClassVar[ConnectionSlots | None] = None
    linger_s: ClassVar[float] = 120.0
    _head_timer: asyncio.TimerHandle | None = None
    _source: str = ""

    def connection_made(self, transport: Any) -> None:  # noqa: ANN401 - as asyncio gives it
        """Take a connection."""
        super().connection_made(transport)
        self._source = str((transport.get_extra_info("peername") or ("",))[0])
        if self.places is not None and not self.places.take(self._source, self):
            transport.close()
            return
        self._wait_for_head()

    def data_received(self, data: bytes) -> None:
        """Take what came."""
        if self._is_between():
            self._wait_for_head()
        super().data_received(data)
        if not self._is_between():
            self._stop_waiting()

    def connection_lost(self, exc: Exception | None) -> None:
        """Let a connection go."""
        self._stop_waiting()
        if self.places is not None:
            self.places.leave(self._source, self)
        super().connection_lost(exc)

    def _is_between(self) -> bool:
        """Tell whether no request is being answered."""
        cycle: Any = self.cycle  # Any: None before the first request
        return cycle is None or cycle.response_complete

    def _wait_for_head(self) -> None:
        if self._head_timer is None:
            is_refused = self.conn.their_state is h11.SEND_BODY
            seconds = self.linger_s if is_refused else self.head_s
            self._head_timer = self.loop.call_later(seconds, self._is_late)
            if self.places is not None:
                self.places.begin_waiting(self._source, self)

    def _stop_waiting(self) -> None:
        if self._head_timer is not None:
            self._head_timer.cancel()
            self._head_timer = None
            if self.places is not None:
                self.places.end_waiting(self._source, self)

    def give_way(self) -> None:
        """Close a connection that has not asked for anything yet."""
        self.transport.close()

    def _is_late(self) -> None:
        self._head_timer = None
        if self._is_between():
            self.transport.close()


class ConnectionSlots:
    """Who holds connections: no address can hold all of them.

    Parameters
    ----------
    most : int
        Connections of one address.
    most_waiting : int
        Of these, connections that have not asked for anything; one more closes the oldest.
    """

    def __init__(self, most: int, most_waiting: int) -> None:
        self._most = most
        self._most_waiting = most_waiting
        self._held: dict[str, set[TimedProtocol]] = {}
        self._waiting: dict[str, dict[TimedProtocol, None]] = {}

    def take(self, source: str, connection: TimedProtocol) -> bool:
        """Count a new connection, and tell whether it may stay."""
        held = self._held.setdefault(source, set())
        if len(held) >= self._most:
            return False
        held.add(connection)
        return True

    def leave(self, source: str, connection: TimedProtocol) -> None:
        """Forget a connection that is gone."""
        self.end_waiting(source, connection)
        held = self._held.get(source, set())
        held.discard(connection)
        if not held:
            self._held.pop(source, None)

    def begin_waiting(self, source: str, connection: TimedProtocol) -> None:
        """Count a connection that has yet to ask."""
        waiting = self._waiting.setdefault(source, {})
        waiting[connection] = None
        if len(waiting) > self._most_waiting:
            oldest = next(iter(waiting))
            del waiting[oldest]
            oldest.give_way()

    def end_waiting(self, source: str, connection: TimedProtocol) -> None:
        """Count it no longer: it asked, or is gone."""
        waiting = self._waiting.get(source, {})
        waiting.pop(connection, None)
        if not waiting:
            self._waiting.pop(source, None)


def patient_for(seconds: float, places: ConnectionSlots | None = None) -> type[TimedProtocol]:
    """Return the protocol with a time for a request's head, and places for each address."""
    return type("PatientForAWhile", (TimedProtocol,), {"head_s": seconds, "places": places})


class PageServer(uvicorn.Server):
    """Tells when it answers, and before it stops.

    Parameters
    ----------
    config : uvicorn.Config
    ready : callable
        Called once the page can be opened.
    stopping : callable
        Called before open connections are waited for.
    """

    def __init__(
        self, config: uvicorn.Config, *, ready: Callable[[], None], stopping: Callable[[], None]
    ) -> None:
        super().__init__(config)
        self._ready = ready
        self._stopping = stopping

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        """Start to listen."""
        await super().startup(sockets)
        if self.started:
            self._ready()

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        """Stop to listen, and let go who is listening."""
        self._stopping()
        await super().shutdown(sockets)


def listening_socket(host: str, port: int) -> socket.socket:
    """Return a socket bound to an address that no other server shares.

    Raises
    ------
    OSError, OverflowError
        If the address cannot be had.
    """
    found = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE)
    family, kind, protocol, _, address = found[0]
    listening = socket.socket(family, kind, protocol)
    exclusive = getattr(socket, "SO_EXCLUSIVEADDRUSE", None)
    # On Windows "reuse" would let two servers share the port; elsewhere it means a quick restart.
    listening.setsockopt(socket.SOL_SOCKET, exclusive or socket.SO_REUSEADDR, 1)
    try:
        listening.bind(address)
    except (OSError, OverflowError):
        listening.close()
        raise
    return listening

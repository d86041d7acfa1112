"""Serves the tablet's page from a thread of the recording's process."""

from __future__ import annotations

import secrets
import threading
from contextlib import contextmanager
from typing import TYPE_CHECKING, Final

from canassist.errors import UsageError
from canassist.web.http.listening import PageServer
from canassist.web.recording.tablet_page import make_tablet_app
from canassist.web.run_server import configured, open_listening, shown_host
from canassist.web.settings import PageLimits, PageSettings, is_loopback

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from canassist.record import RecordingSession

_END_S: Final = 5.0
_HIGHEST_PORT: Final = 65_535


@contextmanager
def tablet_page(
    recording: RecordingSession, where: str, *, data: Path, tell: Callable[[str], None]
) -> Iterator[None]:
    """Serve the page while a recording runs.

    Parameters
    ----------
    recording : RecordingSession
    where : str
        ``HOST:PORT``; any host but a loopback one asks for a login.
    data : Path
        Folder of the recording; nothing is written there.
    tell : callable
        Called with what the person at the terminal should know.

    Raises
    ------
    UsageError
        If it is no such address, or cannot be listened on.
    """
    host, port = _parted(where)
    token = "" if is_loopback(host) else secrets.token_urlsafe(9)
    listening = open_listening(host, port)
    settings = PageSettings(
        data=data, host=host, port=listening.getsockname()[1], token=token, limits=PageLimits()
    )
    app = make_tablet_app(settings, recording)
    config = configured(app, settings.limits)
    config.lifespan = "off"
    server = PageServer(config, ready=lambda: None, stopping=lambda: None)
    thread = threading.Thread(target=server.run, args=([listening],), daemon=True)
    with listening:
        thread.start()
        tell(f"Page for a tablet: http://{shown_host(host)}:{settings.port}/")
        if token:
            tell(f"Its login's secret: {token}")
        try:
            yield
        finally:
            server.should_exit = True
            thread.join(_END_S)


def _parted(where: str) -> tuple[str, int]:
    host, colon, port = where.rpartition(":")
    plain = host.removeprefix("[").removesuffix("]")
    is_port = port.isascii() and port.isdigit() and int(port) <= _HIGHEST_PORT
    if not colon or not plain or not is_port:
        problem = f'--page "{where}" is no address.'
        raise UsageError(problem, "Write it as 127.0.0.1:8322, or 0.0.0.0:8322 for a tablet.")
    return plain, int(port)

"""Starts the page: the folder's lock, the log, the login's secret, the server."""

from __future__ import annotations

import logging
import os
import secrets
import socket
import threading
import webbrowser
from dataclasses import asdict
from logging.handlers import RotatingFileHandler
from pathlib import Path
from typing import TYPE_CHECKING, Final
from urllib.parse import urlsplit

import platformdirs
import uvicorn

from canassist.errors import InputError, OutputError, UsageError
from canassist.web.app import make_app
from canassist.web.http.listening import ConnectionSlots, PageServer, listening_socket, patient_for
from canassist.web.http.page_texts import say
from canassist.web.settings import PageLimits, PageSettings, is_loopback
from canassist.web.store.folder_lock import FolderLock
from canassist.web.store.rebuild import rebuild

if TYPE_CHECKING:
    from collections.abc import Callable

    from starlette.applications import Starlette

_HEAD_BYTES: Final = 16 << 10
_LOG_BYTES: Final = 4 << 20
_STOP_S: Final = 5
_SHORTEST_TOKEN: Final = 16


def default_folder() -> Path:
    """Return where this system keeps a program's data."""
    return Path(platformdirs.user_data_dir("canassist", appauthor=False))


def read_token(path: Path) -> str:
    """Return the secret in a file.

    Raises
    ------
    InputError
        If it cannot be read or is too short to be one.
    """
    try:
        token = path.read_text("utf-8").strip()
    except (OSError, UnicodeDecodeError) as error:
        problem = f"{path.name}: the token file cannot be read ({type(error).__name__})."
        raise InputError(problem, "Check its name, and that it is a text file.") from error
    if len(token) < _SHORTEST_TOKEN:
        problem = f"{path.name}: the token in it is shorter than {_SHORTEST_TOKEN} characters."
        raise InputError(problem, "Write a long random text into it.")
    return token


def serve(  # noqa: PLR0913 - the command's options, by name
    *,
    host: str,
    port: int,
    data: Path | None,
    token_file: Path | None,
    browser: bool,
    address: str = "",
    again: bool = False,
    tell: Callable[[str], None],
) -> None:
    """Serve the page until it is interrupted.

    Parameters
    ----------
    host, port : str, int
        Where to listen. Any host but a loopback one asks for a secret.
    data : path, optional
        Folder of index and files; the system's own place otherwise.
    token_file : path, optional
        File with the secret; one is made and told otherwise.
    browser : bool
        Open a browser on the page.
    address : str
        The page's own address, ``https://name``, where a proxy with TLS stands before it.
    again : bool
        Make the index again from what is kept, first.
    tell : callable
        Called with what the person at the terminal should know.

    Raises
    ------
    CanassistError
        If the folder is in use or cannot be used, the token is no good, or the port is taken.
    """
    own_name = https_name(address) if address else ""
    os.umask(0o077)  # what the page and its workers write is for its owner alone
    folder = _folder(data or default_folder())
    token = _token("" if own_name else host, token_file, tell)
    lock = FolderLock(folder)
    try:
        if again:
            tell(say("terminal.rebuilt", **asdict(rebuild(folder))))
        listening = open_listening(host, port)
        settings = PageSettings(
            data=folder,
            host=host,
            port=listening.getsockname()[1],
            token=token,
            address=own_name,
            limits=PageLimits(),
        )
        _log_to(folder / "canassist.log")
        here = f"http://{shown_host(host)}:{settings.port}/"

        def ready() -> None:
            tell(say("terminal.open", address=here))
            if own_name:
                tell(say("terminal.behind", address=f"https://{own_name}/"))
            tell(say("terminal.folder", folder=folder))
            if browser:  # it may take long to come, and the page must not wait for it
                threading.Thread(target=webbrowser.open, args=[here], daemon=True).start()

        _run(settings, listening, ready)
    finally:
        lock.release()


def _run(settings: PageSettings, listening: socket.socket, ready: Callable[[], None]) -> None:
    app = make_app(settings)
    with listening:
        PageServer(
            configured(app, settings.limits, proxy=bool(settings.address)),
            ready=ready,
            stopping=app.state.services.board.close,
        ).run(sockets=[listening])


def configured(app: Starlette, limits: PageLimits, *, proxy: bool = False) -> uvicorn.Config:
    """Return how the app is served.

    Forwarded headers are believed only where a proxy on this machine was declared; that one
    stands for many addresses, and bounds their connections itself.
    """
    places = None if proxy else ConnectionSlots(limits.connections_each, limits.waiting_each)
    return uvicorn.Config(
        app,
        http=patient_for(limits.head_s, places),
        proxy_headers=proxy,
        forwarded_allow_ips=["127.0.0.1", "::1"] if proxy else [],
        ws="none",
        lifespan="on",
        log_config=None,
        access_log=False,
        server_header=False,
        h11_max_incomplete_event_size=_HEAD_BYTES,
        limit_concurrency=limits.connections,
        timeout_keep_alive=15,
        timeout_graceful_shutdown=_STOP_S,
    )


def https_name(address: str) -> str:
    """Return name and port of ``https://name[:port]``, in small letters.

    Raises
    ------
    UsageError
        If it is anything else.
    """
    parts = urlsplit(address)
    try:
        rest = parts.port is not None and not parts.port
    except ValueError:
        rest = True
    rest = rest or bool(parts.path.strip("/") or parts.query or parts.fragment or parts.username)
    if parts.scheme != "https" or not parts.hostname or rest:
        problem = f'--address "{address}" is not of the form https://name.'
        raise UsageError(problem, "Give the address that people type, such as https://rides.shop.")
    return parts.netloc.lower().removesuffix(":443")


def _folder(folder: Path) -> Path:
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    except OSError as error:
        problem = f"{folder}: cannot be made ({error.strerror})."
        raise OutputError(problem, "Choose another folder with --data.") from error
    return folder.resolve()


def _token(host: str, file: Path | None, tell: Callable[[str], None]) -> str:
    if file is not None:
        return read_token(file)
    if is_loopback(host):
        return ""
    token = secrets.token_urlsafe(24)
    tell(say("terminal.token", token=token))
    return token


def open_listening(host: str, port: int) -> socket.socket:
    """Return a socket that listens on an address.

    Raises
    ------
    UsageError
        If the address cannot be had.
    """
    try:
        return listening_socket(host, port)
    except (OSError, OverflowError) as error:
        problem = f"{host}:{port}: cannot be listened on ({error})."
        raise UsageError(problem, "Choose another --port, or end what uses this one.") from error


def shown_host(host: str) -> str:
    """Return a host as it stands in an address that a browser takes."""
    if host in {"0.0.0.0", "::"}:  # noqa: S104 - compared only
        return socket.gethostname()
    return f"[{host}]" if ":" in host else host


def _log_to(path: Path) -> None:
    handler = RotatingFileHandler(path, maxBytes=_LOG_BYTES, backupCount=2, encoding="utf-8")
    handler.setFormatter(logging.Formatter("%(asctime)s %(levelname)s %(message)s"))
    for name in ("canassist.web", "uvicorn.error", "asyncio"):
        logger = logging.getLogger(name)
        logger.addHandler(handler)
        logger.setLevel(logging.INFO)
        logger.propagate = False

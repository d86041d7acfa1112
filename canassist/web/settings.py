"""What the page is started with."""

from __future__ import annotations

import ipaddress
import os
import socket
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

MIB: Final = 1 << 20
GIB: Final = 1 << 30
_ASSUMED_MEMORY: Final = 8 * GIB
_MOST_WORKERS: Final = 4
_LEAST_WORK: Final = 2 * GIB
_MOST_WORK: Final = 6 * GIB


def memory_bytes() -> int:
    """Return how much memory this machine has; an assumed size where the system does not tell."""
    try:
        return os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES")
    except (AttributeError, ValueError, OSError):
        return _ASSUMED_MEMORY


def _workers() -> int:
    return max(1, min(_MOST_WORKERS, os.cpu_count() or 1, memory_bytes() // _LEAST_WORK))


def _work_bytes() -> int:
    return min(_MOST_WORK, max(_LEAST_WORK, memory_bytes() * 3 // 4))


@dataclass(frozen=True, slots=True, kw_only=True)
class PageLimits:
    """Bounds of everything that comes in or is worked on; all are our own choice.

    Attributes
    ----------
    upload_bytes : int
        Most bytes of one upload: a day of recording with room to spare.
    database_bytes, profile_bytes : int
        Most bytes of one signal database or profile.
    upload_files : int
        Most files of one upload.
    uploads, uploads_each : int
        Uploads at the same time, in all and from one address.
    connections, connections_each, waiting_each : int
        Connections at the same time, in all and from one address; of these, such as have not
        asked for anything yet.
    idle_s : float
        An upload that sends nothing for this long is dropped.
    slowest_bytes_s, patience_s : float
        An upload slower than this on the whole, judged after `patience_s`, is dropped.
    upload_s : float
        An upload that takes longer is dropped, however steadily it comes.
    form_bytes, form_s : int, float
        Most bytes of a plain form, and the longest time that it may take to come.
    head_s : float
        A connection that has not asked for anything after this long is closed.
    reserve_bytes : int
        Room on the disk that uploads leave free.
    workers : int
        Analyses at the same time: as many as processors and memory allow.
    work_s : float
        Longest time of one analysis.
    work_bytes : int
        Most memory of one analysis, where the system can bound it. A log of 2 GB took
        0.8 GB, and 1.0 GB of addresses, which is what is bounded.
    attempts : int
        Times that an analysis is begun before it counts as failed.
    undo_s : float
        A deleted ride can be brought back for this long.
    bin_s : float
        What nothing refers to any more stays in the bin for this long.
    logins, login_window_s : int, float
        Attempts to log in from one address within this time.
    listeners : int
        Pages that are told of progress at the same time.
    """

    upload_bytes: int = 16 * GIB
    database_bytes: int = 64 * MIB
    profile_bytes: int = MIB
    upload_files: int = 200
    uploads: int = 32
    uploads_each: int = 24
    connections: int = 256
    connections_each: int = 192
    waiting_each: int = 48
    idle_s: float = 30.0
    slowest_bytes_s: float = 2048.0
    patience_s: float = 60.0
    upload_s: float = 6 * 3600.0
    form_bytes: int = 64 << 10
    form_s: float = 30.0
    head_s: float = 20.0
    reserve_bytes: int = 256 * MIB
    workers: int = field(default_factory=_workers)
    work_s: float = 1800.0
    work_bytes: int = field(default_factory=_work_bytes)
    attempts: int = 3
    undo_s: float = 86_400.0
    bin_s: float = 14 * 86_400.0
    logins: int = 8
    login_window_s: float = 60.0
    listeners: int = 64


@dataclass(frozen=True, slots=True, kw_only=True)
class PageSettings:
    """Where the page listens, where its data lies, and what a login demands.

    Attributes
    ----------
    data : path
        Folder of index and files.
    host, port : str, int
        Address that it listens on.
    token : str
        Secret for the login; empty only on loopback.
    address : str
        The page's own name and port where a proxy with TLS stands before it: what follows
        ``https://``; empty without one.
    """

    data: Path
    host: str = "127.0.0.1"
    port: int = 8321
    token: str = ""
    address: str = ""
    limits: PageLimits = field(default_factory=PageLimits)

    @property
    def cookie(self) -> str:
        """Name of the session cookie; cookies do not tell ports apart, names do."""
        return f"canassist_{self.port}"

    def is_own_name(self, host: str) -> bool:
        """Tell whether a Host header names this server.

        Names are compared one by one. An address is accepted where the server listens on
        every address: a hostile site cannot bring its own name with it that way.
        """
        if self.address and host.lower() == self.address:
            return True
        name, port = _split(host)
        if port != self.port and not (port is None and self.port == 80):  # noqa: PLR2004 - http
            return False
        if is_loopback(self.host):
            return name in {"localhost", "127.0.0.1", "::1", self.host.lower()}
        if name in {self.host.lower(), socket.gethostname().lower()}:
            return True
        return self.host in {"0.0.0.0", "::"} and _is_address(name)  # noqa: S104 - compared only


def is_loopback(host: str) -> bool:
    """Tell whether an address is reached from this machine alone."""
    if host.lower() == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def _split(host: str) -> tuple[str, int | None]:
    name, colon, port = host.lower().rpartition(":")
    if not colon or name.count(":") == 1 or host.endswith("]"):
        name, port = host.lower(), ""
    plain = name.removeprefix("[").removesuffix("]")
    if not port:
        return plain, None
    return plain, int(port) if port.isascii() and port.isdigit() else -1


def _is_address(name: str) -> bool:
    try:
        ipaddress.ip_address(name)
    except ValueError:
        return False
    return True

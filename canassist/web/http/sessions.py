"""Who is logged in: a signed cookie, the login's secret, and how often it may be tried."""

from __future__ import annotations

import base64
import hashlib
import hmac
import secrets
import time
from collections import deque
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from canassist.atomic_write import OWNER_ONLY, write_whole

if TYPE_CHECKING:
    from pathlib import Path

    from canassist.web.store.ended_sessions import EndedSessions

_LASTS_S: Final = 30 * 86_400
_KEY_BYTES: Final = 32
_MOST_ADDRESSES: Final = 4096


@dataclass(frozen=True, slots=True)
class Session:
    """One browser: its random name, and whether it gave the secret."""

    name: str
    logged_in: bool


class Sessions:
    """Makes and checks session cookies; nothing is kept but one key and what was ended.

    Parameters
    ----------
    key : bytes
        Signs cookies and form tokens.
    token : str
        The login's secret; with another one earlier logins no longer count.
    ended : EndedSessions, optional
        Sessions that were logged out.
    """

    def __init__(self, key: bytes, token: str, ended: EndedSessions | None = None) -> None:
        self._key = key
        self._token = token
        self._ended = ended

    def new(self, *, logged_in: bool = False) -> tuple[Session, str]:
        """Return a session and the value of its cookie."""
        session = Session(secrets.token_urlsafe(18), logged_in)
        expiry = int(time.time()) + _LASTS_S
        body = f"{session.name}.{expiry}.{int(logged_in)}"
        return session, f"{body}.{self._sign(f'session {body}')}"

    def read(self, cookie: str) -> Session | None:
        """Return the session that a cookie stands for, or None where it is not one of ours."""
        body, _, signature = cookie.rpartition(".")
        parts = body.split(".")
        if len(parts) != 3 or not self._is_signed(f"session {body}", signature):  # noqa: PLR2004 - name, expiry, login
            return None
        if int(parts[1]) < time.time() or (self._ended and self._ended.has(parts[0])):
            return None
        return Session(parts[0], parts[2] == "1")

    def end(self, session: Session) -> None:
        """Let a session count no more, whoever still has its cookie."""
        if self._ended is not None:
            self._ended.add(session.name, time.time() + _LASTS_S)

    def form_token(self, session: Session) -> str:
        """Return what forms of this session must bring."""
        return self._sign(f"form {session.name}")

    def is_form_token(self, session: Session, text: str) -> bool:
        """Tell whether a form was made for this session."""
        return self._is_signed(f"form {session.name}", text)

    def is_secret(self, text: str) -> bool:
        """Tell whether this is the login's secret, in the same time however wrong it is."""
        mine, other = (hashlib.sha256(part.encode()).digest() for part in (self._token, text))
        return bool(self._token) and hmac.compare_digest(mine, other)

    def _sign(self, text: str) -> str:
        whole = f"{text} {hashlib.sha256(self._token.encode()).hexdigest()}"
        digest = hmac.new(self._key, whole.encode(), hashlib.sha256).digest()
        return base64.urlsafe_b64encode(digest).decode().rstrip("=")

    def _is_signed(self, text: str, signature: str) -> bool:
        return hmac.compare_digest(self._sign(text).encode(), signature.encode("utf-8", "replace"))


def signing_key(folder: Path) -> bytes:
    """Return the folder's key; made at the first start, readable by its owner only."""
    path = folder / "sessions.key"
    if path.is_file() and len(found := path.read_bytes()) == _KEY_BYTES:
        return found
    key = secrets.token_bytes(_KEY_BYTES)
    write_whole({path: key}, secret={path})
    path.chmod(OWNER_ONLY)
    return key


class RateLimiter:
    """Lets each address try something so many times in a while.

    Parameters
    ----------
    most : int
        Tries in a window.
    window_s : float
        Length of the window.
    """

    def __init__(self, most: int, window_s: float) -> None:
        self._most = most
        self._window_s = window_s
        self._tries: dict[str, deque[float]] = {}

    def passes(self, address: str) -> bool:
        """Count a try, and tell whether it is allowed."""
        if self.is_spent(address):
            return False
        tries = self._tries.pop(address, deque())
        tries.append(time.monotonic())
        self._tries[address] = tries  # the latest last
        if len(self._tries) > _MOST_ADDRESSES:
            del self._tries[next(iter(self._tries))]
        return True

    def is_spent(self, address: str) -> bool:
        """Tell whether an address has had its tries; counts nothing."""
        tries = self._tries.get(address, deque())
        while tries and time.monotonic() - tries[0] > self._window_s:
            tries.popleft()
        return len(tries) >= self._most

"""Every request passes here: who asks, from where, and under what rules the answer is shown."""

from __future__ import annotations

import hmac
import logging
from http.cookies import CookieError, SimpleCookie
from typing import TYPE_CHECKING, Final

from starlette.datastructures import Headers, MutableHeaders
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect
from starlette.responses import RedirectResponse

from canassist.errors import CanassistError
from canassist.web.http.refusal import Refused, is_disk_full, new_number, refused
from canassist.web.http.responses import refusal_response
from canassist.web.http.sessions import Session

if TYPE_CHECKING:
    from starlette.responses import Response
    from starlette.types import ASGIApp, Message, Receive, Scope, Send

    from canassist.web.http.sessions import RateLimiter, Sessions
    from canassist.web.settings import PageSettings

log = logging.getLogger("canassist.web")

SAFE_METHODS: Final = frozenset({"GET", "HEAD"})
METHODS: Final = SAFE_METHODS | {"POST"}
OPEN_PATHS: Final = ("/login", "/static/")
POLICY: Final = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; "
    "connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
REPORT_POLICY: Final = (
    "sandbox allow-scripts allow-modals allow-popups allow-downloads; default-src 'none'; "
    "script-src 'unsafe-inline'; style-src 'unsafe-inline'; img-src data:; connect-src 'none'; "
    "form-action 'none'; base-uri 'none'; frame-ancestors 'self'"
)
"""A report runs its own scripts, but as a page from nowhere: it has no cookie, reaches nothing."""

VIEW_POLICY: Final = f"{POLICY}; frame-src 'self'"
"""The page that shows a report in a frame, with the way back above it."""

HEADERS: Final = {
    "content-security-policy": POLICY,
    "x-content-type-options": "nosniff",
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "x-frame-options": "DENY",
    "permissions-policy": "camera=(), microphone=(), geolocation=()",
    "cache-control": "no-store",
}


class AccessMiddleware:
    """Checks requests before they reach the app, and answers what goes wrong in it.

    Parameters
    ----------
    app : ASGI app
    settings : PageSettings
    sessions : Sessions
    logins : RateLimiter
        Bounds how often an address may try a secret.
    """

    def __init__(
        self, app: ASGIApp, *, settings: PageSettings, sessions: Sessions, logins: RateLimiter
    ) -> None:
        self._app = app
        self._settings = settings
        self._sessions = sessions
        self._logins = logins

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one request."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        sender = _Sender(send)
        try:
            response = self._admit(scope, sender)
            if response is None:
                await self._app(scope, receive, sender)
                return
        except ClientDisconnect:
            return
        except Exception as error:
            if sender.begun:
                log.exception("error %s: after the answer had begun", new_number())
                raise
            response = answer_error(scope, error)
        await response(scope, receive, sender)

    def _admit(self, scope: Scope, sender: _Sender) -> Response | None:
        """Let a request in, refuse it, or send it to the login."""
        headers = Headers(scope=scope)
        if not self._settings.is_own_name(headers.get("host", "")):
            raise refused(421, "host")
        if scope["method"] not in METHODS:
            raise refused(405, "method")
        _check_origin(scope["method"], headers)
        session = self._session(headers)
        is_bearer = self._is_bearer(headers, asking_address(scope))
        if session is None:
            session, cookie = self._sessions.new()
            sender.cookie = session_cookie(self._settings, cookie)
        scope["session"] = session
        if not self._settings.token or session.logged_in or is_bearer:
            return None
        if scope["path"].startswith(OPEN_PATHS):
            return None
        if scope["method"] == "GET" and "text/html" in headers.get("accept", ""):
            return RedirectResponse("/login", 303)
        raise refused(401, "login")

    def _session(self, headers: Headers) -> Session | None:
        try:
            cookies = SimpleCookie(headers.get("cookie", ""))
        except CookieError:
            return None
        found = cookies.get(self._settings.cookie)
        return self._sessions.read(found.value) if found else None

    def _is_bearer(self, headers: Headers, address: str) -> bool:
        """Tell whether a program brings the secret; wrong ones are counted as tries to log in."""
        kind, _, text = headers.get("authorization", "").partition(" ")
        if not self._settings.token or kind.lower() != "bearer":
            return False
        if self._sessions.is_secret(text.strip()):
            return True
        if not self._logins.passes(address):
            raise refused(429, "logins")
        return False


def asking_address(scope: Scope) -> str:
    """Return the address that a request comes from."""
    client = scope.get("client")
    return str(client[0]) if client else ""


def session_cookie(settings: PageSettings, value: str) -> str:
    """Return the header that sets a session's cookie."""
    secure = "; Secure" if settings.address else ""
    return f"{settings.cookie}={value}; HttpOnly; SameSite=Strict; Path=/{secure}"


def _check_origin(method: str, headers: Headers) -> None:
    """Refuse what another site's page makes a browser send.

    A browser names the page's origin on every post; programs that are no browser send none,
    nor do they send the fetch headers.
    """
    site = headers.get("sec-fetch-site", "")
    if method in SAFE_METHODS:
        outside = site in {"cross-site", "same-site"}
        if outside and headers.get("sec-fetch-mode") != "navigate":
            raise refused(403, "origin")
        return
    origin = headers.get("origin")
    if origin is None:
        if site not in {"", "same-origin", "none"}:
            raise refused(403, "origin")
        return
    own = headers.get("host", "")
    if not any(_same(origin, f"{scheme}://{own}") for scheme in ("http", "https")):
        raise refused(403, "origin")


def _same(one: str, other: str) -> bool:
    return hmac.compare_digest(one.lower().encode(), other.lower().encode())


class _Sender:
    """Adds the headers that every answer carries."""

    def __init__(self, send: Send) -> None:
        self._send = send
        self.begun = False
        self.cookie = ""

    async def __call__(self, message: Message) -> None:
        if message["type"] == "http.response.start":
            self.begun = True
            headers = MutableHeaders(scope=message)
            for name, value in HEADERS.items():
                headers.setdefault(name, value)
            if self.cookie and "set-cookie" not in headers:
                headers.append("set-cookie", self.cookie)
        await self._send(message)


def answer_error(scope: Scope, error: Exception) -> Response:
    """Turn whatever was raised into plain words, with a number that the log has too."""
    refusal, number = _refusal(error), new_number()
    if refusal is None:
        log.error("error %s: %s %r", number, scope["method"], scope["path"], exc_info=error)
        refusal = refused(500, "own")
    else:
        place = (scope["method"], scope["path"])
        log.info("error %s: %s %r: %d %r", number, *place, refusal.status, refusal.problem)
    return refusal_response(scope, refusal, number)


def _refusal(error: Exception) -> Refused | None:
    if isinstance(error, Refused):
        return error
    if isinstance(error, CanassistError):
        return Refused(400, error.problem, error.fix)
    if isinstance(error, HTTPException):
        name = {404: "missing", 405: "method"}.get(error.status_code, "request")
        return refused(error.status_code, name)
    if is_disk_full(error):
        return refused(507, "disk_full")
    return None

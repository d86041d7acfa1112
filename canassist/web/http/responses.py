"""How answers are put: pages from templates, refusals in two sentences, plain forms read."""

from __future__ import annotations

import asyncio
import json
import time
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Any, Final
from urllib.parse import parse_qsl

import jinja2
from starlette.datastructures import Headers
from starlette.responses import HTMLResponse, JSONResponse, Response

from canassist.version import VERSION
from canassist.web.http.page_texts import grouped, say, words
from canassist.web.http.refusal import refused
from canassist.web.http.safe_names import plain_text

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.types import Scope

    from canassist.web.http.refusal import Refused
    from canassist.web.http.sessions import Session
    from canassist.web.services import Services

_MOST_FIELDS: Final = 400
_WAIT: Final = {"retry-after": "60"}
_MORE_HEADERS: Final = {
    401: {"www-authenticate": "Bearer"},
    405: {"allow": "GET, HEAD, POST"},
    408: {"connection": "close"},  # what is still to come would come too slowly
    429: _WAIT,
    503: _WAIT,
}


@cache
def templates() -> jinja2.Environment:
    """Return the templates; every text is escaped."""
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("canassist.web"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.globals |= {"w": words(), "say": say, "version": VERSION}
    environment.filters |= {"length": _length, "day": _day, "size": _size, "grouped": grouped}
    return environment


def page(request: Request, template: str, **values: Any) -> HTMLResponse:  # noqa: ANN401 - templates take any value
    """Return a page with what every page shows."""
    services: Services = request.app.state.services
    session: Session = request.scope["session"]
    shown = {
        "form_token": services.sessions.form_token(session),
        "here": request.url.path + (f"?{request.url.query}" if request.url.query else ""),
        "may_leave": bool(services.settings.token) and session.logged_in,
        **values,
    }
    return HTMLResponse(templates().get_template(template).render(shown))


def wants_json(headers: Headers) -> bool:
    """Tell whether a program asks, not a person."""
    return "text/html" not in headers.get("accept", "")


def refusal_response(scope: Scope, refusal: Refused, number: str) -> Response:
    """Return a refusal as a page or as JSON, whichever was asked for."""
    headers = _MORE_HEADERS.get(refusal.status, {})
    if wants_json(Headers(scope=scope)):
        told = {"problem": refusal.problem, "fix": refusal.fix, "number": number}
        return JSONResponse(told, refusal.status, headers)
    shown = templates().get_template("refusal.html")
    text = shown.render(refusal=refusal, number=number, may_leave=False, form_token="")
    return HTMLResponse(text, refusal.status, headers)


def json_response(value: object, status: int = 200) -> Response:
    """Return plain values as JSON."""
    return Response(json.dumps(value), status, media_type="application/json")


@dataclass(frozen=True, slots=True)
class Form:
    """A plain form: its fields in order."""

    fields: tuple[tuple[str, str], ...]

    def one(self, name: str) -> str:
        """Return a field's text, or an empty one."""
        return next((value for key, value in self.fields if key == name), "")

    def has(self, name: str) -> bool:
        """Tell whether a field came, empty or not."""
        return any(key == name for key, _ in self.fields)

    def many(self, name: str) -> list[str]:
        """Return every text of a field that comes several times."""
        return [value for key, value in self.fields if key == name]


async def read_form(request: Request) -> Form:
    """Read a plain form and check that it was made for this session.

    Raises
    ------
    Refused
        If it is too long, too slow, not a form, or not of this session.
    """
    services: Services = request.app.state.services
    limits = services.settings.limits
    try:
        async with asyncio.timeout(limits.form_s):
            body = await _body(request, limits.form_bytes)
    except TimeoutError:
        raise refused(408, "form_slow") from None
    try:
        text = body.decode("utf-8")
        pairs = parse_qsl(text, keep_blank_values=True, max_num_fields=_MOST_FIELDS)
    except ValueError:
        raise refused(400, "request") from None
    form = Form(tuple((name, plain_text(value)) for name, value in pairs))
    check_form_token(request, form.one("form_token") or request.headers.get("x-form-token", ""))
    return form


async def _body(request: Request, most_bytes: int) -> bytes:
    body = bytearray()
    async for piece in request.stream():
        body += piece
        if len(body) > most_bytes:
            raise refused(413, "form_size")
    return bytes(body)


def check_form_token(request: Request, token: str) -> None:
    """Refuse a form that was not made for this session.

    Raises
    ------
    Refused
        If the token does not fit.
    """
    services: Services = request.app.state.services
    if not services.sessions.is_form_token(request.scope["session"], token):
        raise refused(403, "form")


def _length(seconds: float | None) -> str:
    if seconds is None:
        return ""
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02}:{rest:02}" if hours else f"{minutes}:{rest:02}"


def _day(seconds: float) -> str:
    return time.strftime("%Y-%m-%d %H:%M", time.localtime(seconds))


def _size(count: int) -> str:
    if count >= 1e9:  # noqa: PLR2004 - where GB reads better
        return f"{count / 1e9:.1f} GB"
    return f"{count / 1e6:.1f} MB" if count >= 1e5 else f"{count / 1e3:.1f} kB"  # noqa: PLR2004 - where kB reads better

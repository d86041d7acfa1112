"""Who sits at a browser: a name, asked once, kept in a cookie; no proof of anything."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final
from urllib.parse import quote, unquote

from canassist.web.http.safe_names import one_line

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.responses import Response

_COOKIE: Final = "canassist_who"
_YEAR_S: Final = 365 * 86_400
LONGEST_NAME: Final = 60


def visitor(request: Request) -> str:
    """Return the name given at this browser; empty where none was."""
    return one_line(unquote(request.cookies.get(_COOKIE, "")))[:LONGEST_NAME]


def remember_visitor(response: Response, name: str) -> None:
    """Keep a name at this browser."""
    value = quote(one_line(name)[:LONGEST_NAME], safe="")
    response.set_cookie(_COOKIE, value, max_age=_YEAR_S, httponly=True, samesite="strict")

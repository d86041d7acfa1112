"""The login: the secret that the server showed at its start."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING

from starlette.responses import RedirectResponse, Response

from canassist.web.http.middleware import asking_address, session_cookie
from canassist.web.http.refusal import refused
from canassist.web.http.responses import page, read_form

if TYPE_CHECKING:
    from starlette.requests import Request

    from canassist.web.services import Desk


def show(request: Request) -> Response:
    """Ask for the secret."""
    desk: Desk = request.app.state.desk
    if not desk.settings.token or request.scope["session"].logged_in:
        return RedirectResponse("/", 303)
    return page(request, "login.html", wrong=False)


async def login(request: Request) -> Response:
    """Check the secret; the brake is for wrong ones alone."""
    desk: Desk = request.app.state.desk
    form = await read_form(request)
    if not desk.sessions.is_secret(form.one("secret")):
        if not desk.logins.passes(asking_address(request.scope)):
            raise refused(429, "logins")
        shown = page(request, "login.html", wrong=True)
        shown.status_code = 403
        return shown
    _, cookie = desk.sessions.new(logged_in=True)
    return RedirectResponse("/", 303, headers={"set-cookie": session_cookie(desk.settings, cookie)})


async def logout(request: Request) -> Response:
    """End the session: its cookie counts no more, wherever it is."""
    desk: Desk = request.app.state.desk
    await read_form(request)
    await asyncio.to_thread(desk.sessions.end, request.scope["session"])
    _, cookie = desk.sessions.new()
    return RedirectResponse(
        "/login", 303, headers={"set-cookie": session_cookie(desk.settings, cookie)}
    )

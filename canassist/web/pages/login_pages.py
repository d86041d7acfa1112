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

    from canassist.web.services import Services


def show(request: Request) -> Response:
    """Ask for the secret."""
    services: Services = request.app.state.services
    if not services.settings.token or request.scope["session"].logged_in:
        return RedirectResponse("/", 303)
    return page(request, "login.html", wrong=False)


async def login(request: Request) -> Response:
    """Check the secret; the brake is for wrong ones alone."""
    services: Services = request.app.state.services
    form = await read_form(request)
    if not services.sessions.is_secret(form.one("secret")):
        if not services.logins.passes(asking_address(request.scope)):
            raise refused(429, "logins")
        shown = page(request, "login.html", wrong=True)
        shown.status_code = 403
        return shown
    _, cookie = services.sessions.new(logged_in=True)
    return RedirectResponse(
        "/", 303, headers={"set-cookie": session_cookie(services.settings, cookie)}
    )


async def logout(request: Request) -> Response:
    """End the session: its cookie counts no more, wherever it is."""
    services: Services = request.app.state.services
    await read_form(request)
    await asyncio.to_thread(services.sessions.end, request.scope["session"])
    _, cookie = services.sessions.new()
    return RedirectResponse(
        "/login", 303, headers={"set-cookie": session_cookie(services.settings, cookie)}
    )

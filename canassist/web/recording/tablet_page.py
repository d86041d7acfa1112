"""The tablet's page: what the ride still lacks, in large letters, and one button."""

from __future__ import annotations

import secrets
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.responses import HTMLResponse, RedirectResponse, Response
from starlette.routing import Route

from canassist.record import MarkKind, alarm_text, amount, minutes, notice_or_next
from canassist.web.http.middleware import AccessMiddleware, answer_error
from canassist.web.http.refusal import refused
from canassist.web.http.responses import read_form, templates
from canassist.web.http.sessions import RateLimiter, Sessions
from canassist.web.pages import downloads, login_pages

if TYPE_CHECKING:
    from starlette.requests import Request

    from canassist.record import RecipeRow, RecordingSession, RecordingState
    from canassist.web.settings import PageSettings

_NOTE_LETTERS: Final = 200
_ALARMS_SHOWN: Final = 12


@dataclass(slots=True)
class RecordingServices:
    """What the tablet's requests need: who may ask, and the recording."""

    settings: PageSettings
    recording: RecordingSession
    sessions: Sessions = field(init=False)
    logins: RateLimiter = field(init=False)

    def __post_init__(self) -> None:
        limits = self.settings.limits
        self.sessions = Sessions(secrets.token_bytes(32), self.settings.token)
        self.logins = RateLimiter(limits.logins, limits.login_window_s)


def make_tablet_app(settings: PageSettings, recording: RecordingSession) -> Starlette:
    """Return the app; every request passes the checks of the local page."""
    services = RecordingServices(settings, recording)
    app = Starlette(
        routes=[
            Route("/", _show, methods=["GET"]),
            Route("/now", _now, methods=["GET"]),
            Route("/mark", _mark, methods=["POST"]),
            Route("/login", login_pages.show, methods=["GET"]),
            Route("/login", login_pages.login, methods=["POST"]),
            Route("/static/{name:str}", downloads.static, methods=["GET"]),
        ],
        middleware=[
            Middleware(
                AccessMiddleware,
                settings=settings,
                sessions=services.sessions,
                logins=services.logins,
            )
        ],
        exception_handlers={HTTPException: _no_such},
    )
    app.state.services = services
    return app


async def _no_such(request: Request, error: Exception) -> Response:
    return answer_error(request.scope, error)


async def _show(request: Request) -> Response:
    """Give the whole page."""
    services: RecordingServices = request.app.state.services
    token = services.sessions.form_token(request.scope["session"])
    return _filled("recording.html", services.recording.state(), token)


async def _now(request: Request) -> Response:
    """Give the part that changes."""
    services: RecordingServices = request.app.state.services
    return _filled("recording_now.html", services.recording.state(), "")


async def _mark(request: Request) -> Response:
    """Mark this moment; answer with the time that was noted."""
    services: RecordingServices = request.app.state.services
    at_log_s = services.recording.log_now_s()  # before anything that may take time
    form = await read_form(request)
    try:
        kind = MarkKind(form.one("kind"))
    except ValueError:
        raise refused(400, "request") from None
    text = form.one("text")[:_NOTE_LETTERS]
    made = services.recording.mark(kind, text, at_log_s)
    if form.one("quiet"):
        return Response(minutes(made.at_s if made else 0.0), media_type="text/plain")
    return RedirectResponse("/", 303)


def _filled(template: str, state: RecordingState, token: str) -> HTMLResponse:
    first, second = notice_or_next(state)
    heavy = [minutes(one.at_s) for one in state.marks if one.kind is MarkKind.HEAVY]
    alarms = state.answer.alarms if state.answer and state.alert else ()
    return HTMLResponse(
        templates()
        .get_template(template)
        .render(
            state=state,
            form_token=token,
            log_time=minutes(state.log_s),
            first=first,
            second=second,
            rows=[_row(one) for one in (state.answer.recipe if state.answer else ())],
            channels=state.answer.channels if state.answer else (),
            note=state.answer.note if state.answer else "",
            heavy=heavy,
            alarms=[alarm_text(one) for one in alarms[::-1][:_ALARMS_SHOWN]],
        )
    )


def _row(row: RecipeRow) -> dict[str, str]:
    had = f"{row.ridden:.0f} of {row.needed:.0f} {row.unit}".rstrip()
    return {"name": row.name, "state": row.state.value, "had": had, "how": row.how,
            "left": amount(row)}  # fmt: skip

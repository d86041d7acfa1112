"""The app: which address leads where."""

from __future__ import annotations

from contextlib import asynccontextmanager
from typing import TYPE_CHECKING, Final

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.routing import Route

from canassist.web.http.middleware import Doors, answer_error
from canassist.web.pages import (
    api_pages,
    compare_pages,
    downloads,
    kept_pages,
    login_pages,
    ride_pages,
    shelf_pages,
    vehicle_pages,
)
from canassist.web.services import make_desk

if TYPE_CHECKING:
    from collections.abc import AsyncIterator

    from starlette.requests import Request
    from starlette.responses import Response

    from canassist.web.settings import PageSettings

_GET: Final = ["GET"]
_POST: Final = ["POST"]


def make_app(settings: PageSettings) -> Starlette:
    """Return the app on a data folder, which must be this process's own.

    Raises
    ------
    CanassistError
        If the folder's index cannot be used.
    """
    desk = make_desk(settings)

    @asynccontextmanager
    async def life(app: Starlette) -> AsyncIterator[None]:
        del app
        desk.jobs.start()
        try:
            yield
        finally:
            await desk.making.stop()
            await desk.jobs.stop()
            desk.database.close()

    app = Starlette(
        routes=_routes(),
        middleware=[
            Middleware(Doors, settings=settings, sessions=desk.sessions, logins=desk.logins)
        ],
        lifespan=life,
        exception_handlers={HTTPException: _no_such},
    )
    app.state.desk = desk
    return app


async def _no_such(request: Request, error: Exception) -> Response:
    """Answer an address or a method that leads nowhere."""
    return answer_error(request.scope, error)


def _routes() -> list[Route]:
    ride = "/rides/{ride:str}"
    vehicle = "/vehicles/{vehicle:str}"
    return [
        Route("/", shelf_pages.shelf, methods=_GET),
        Route("/rows/{ride:str}", shelf_pages.row, methods=_GET),
        Route("/events", shelf_pages.events, methods=_GET),
        Route("/upload", shelf_pages.upload, methods=_POST),
        Route("/sample", shelf_pages.sample, methods=_POST),
        Route("/delete", shelf_pages.delete, methods=_POST),
        Route("/restore", shelf_pages.restore, methods=_POST),
        Route("/compare", compare_pages.compare, methods=_POST),
        Route(ride, ride_pages.ride, methods=_GET),
        Route(ride, ride_pages.save, methods=_POST),
        Route(f"{ride}/cancel", ride_pages.cancel, methods=_POST),
        Route(f"{ride}/again", ride_pages.again, methods=_POST),
        Route(f"{ride}/vehicle", ride_pages.vehicle, methods=_POST),
        Route(f"{ride}/questions", ride_pages.answer, methods=_POST),
        Route(f"{ride}/report", downloads.report, methods=_GET),
        Route(f"{ride}/report.html", downloads.report_file, methods=_GET),
        Route(f"{ride}/report.json", downloads.result_file, methods=_GET),
        Route(f"{ride}/report.pdf", downloads.pdf_file, methods=_GET),
        Route(f"{ride}/export.zip", downloads.export_file, methods=_GET),
        Route("/vehicles", vehicle_pages.vehicles, methods=_GET),
        Route(vehicle, vehicle_pages.vehicle, methods=_GET),
        Route(vehicle, vehicle_pages.save, methods=_POST),
        Route(f"{vehicle}/delete", vehicle_pages.delete, methods=_POST),
        Route(f"{vehicle}/restore", vehicle_pages.restore, methods=_POST),
        Route(f"{vehicle}/files/{{place:int}}", vehicle_pages.file, methods=_GET),
        Route("/login", login_pages.show, methods=_GET),
        Route("/login", login_pages.login, methods=_POST),
        Route("/logout", login_pages.logout, methods=_POST),
        Route("/static/{name:str}", downloads.static, methods=_GET),
        Route("/kept", kept_pages.kept, methods=_GET),
        Route("/api", api_pages.about, methods=_GET),
        Route("/api/openapi.json", api_pages.document, methods=_GET),
        Route("/api/reports", api_pages.make, methods=_POST),
        Route("/api/reports", api_pages.listing, methods=_GET),
        Route("/api/reports/{ride:str}", api_pages.one, methods=_GET),
    ]

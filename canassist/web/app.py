"""The app: which address leads where."""

from __future__ import annotations

from contextlib import asynccontextmanager
from typing import TYPE_CHECKING, Final

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.routing import Route

from canassist.web.http.middleware import AccessMiddleware, answer_error
from canassist.web.http.openapi import CALLS
from canassist.web.pages import (
    api_changes,
    api_lists,
    api_pages,
    bulk_pages,
    compare_pages,
    downloads,
    job_pages,
    learn_pages,
    login_pages,
    ride_pages,
    settings_pages,
    shelf_pages,
    vehicle_pages,
)
from canassist.web.services import make_services

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
    services = make_services(settings)

    @asynccontextmanager
    async def life(app: Starlette) -> AsyncIterator[None]:
        del app
        services.jobs.start()
        try:
            yield
        finally:
            await services.making.stop()
            await services.jobs.stop()
            services.database.close()

    app = Starlette(
        routes=_routes(),
        middleware=[
            Middleware(
                AccessMiddleware,
                settings=settings,
                sessions=services.sessions,
                logins=services.logins,
            )
        ],
        lifespan=life,
        exception_handlers={HTTPException: _no_such},
    )
    app.state.services = services
    return app


async def _no_such(request: Request, error: Exception) -> Response:
    """Answer an address or a method that leads nowhere."""
    return answer_error(request.scope, error)


def _routes() -> list[Route]:
    ride = "/rides/{ride:str}"
    vehicle = "/vehicles/{vehicle:str}"
    job = "/jobs/{job:str}"
    return [
        Route("/", shelf_pages.shelf, methods=_GET),
        Route("/rows", shelf_pages.rows, methods=_GET),
        Route("/events", shelf_pages.events, methods=_GET),
        Route("/upload", shelf_pages.upload, methods=_POST),
        Route("/sample", shelf_pages.sample, methods=_POST),
        Route("/delete", bulk_pages.delete, methods=_POST),
        Route("/restore", bulk_pages.restore, methods=_POST),
        Route("/export", bulk_pages.export, methods=_POST),
        Route("/move", bulk_pages.move, methods=_POST),
        Route("/call-off", bulk_pages.call_off, methods=_POST),
        Route("/read-anew", bulk_pages.read_anew, methods=_POST),
        Route("/compare", compare_pages.compare, methods=_POST),
        Route("/learn", learn_pages.learn, methods=_POST),
        Route(ride, ride_pages.ride, methods=_GET),
        Route(ride, ride_pages.save, methods=_POST),
        Route(f"{ride}/cancel", ride_pages.cancel, methods=_POST),
        Route(f"{ride}/first", ride_pages.first, methods=_POST),
        Route(f"{ride}/again", ride_pages.again, methods=_POST),
        Route(f"{ride}/vehicle", ride_pages.vehicle, methods=_POST),
        Route(f"{ride}/questions", ride_pages.answer, methods=_POST),
        Route(f"{ride}/view", downloads.view, methods=_GET),
        Route(f"{ride}/report", downloads.report, methods=_GET),
        Route(f"{ride}/picture.svg", downloads.picture, methods=_GET),
        Route(f"{ride}/earlier/{{place:int}}", downloads.earlier, methods=_GET),
        Route(f"{ride}/report.html", downloads.report_file, methods=_GET),
        Route(f"{ride}/report.json", downloads.result_file, methods=_GET),
        Route(f"{ride}/profile.toml", learn_pages.profile, methods=_GET),
        Route(f"{ride}/profile", learn_pages.use, methods=_POST),
        Route(f"{ride}/report.pdf", downloads.pdf_file, methods=_GET),
        Route(f"{ride}/export.zip", downloads.export_file, methods=_GET),
        Route("/jobs", job_pages.jobs, methods=_GET),
        Route("/jobs", job_pages.open_job, methods=_POST),
        Route(job, job_pages.job, methods=_GET),
        Route(job, job_pages.save, methods=_POST),
        Route(f"{job}/claim", job_pages.claim, methods=_GET),
        Route(f"{job}/prove", job_pages.prove, methods=_POST),
        Route(f"{job}/close", job_pages.close, methods=_POST),
        Route(f"{job}/delete", job_pages.delete, methods=_POST),
        Route("/vehicles", vehicle_pages.vehicles, methods=_GET),
        Route(vehicle, vehicle_pages.vehicle, methods=_GET),
        Route(vehicle, vehicle_pages.save, methods=_POST),
        Route(f"{vehicle}/files", vehicle_pages.replace, methods=_POST),
        Route(f"{vehicle}/merge", vehicle_pages.merge, methods=_POST),
        Route(f"{vehicle}/answers", vehicle_pages.forget, methods=_POST),
        Route(f"{vehicle}/anew", vehicle_pages.anew, methods=_POST),
        Route(f"{vehicle}/delete", vehicle_pages.delete, methods=_POST),
        Route(f"{vehicle}/restore", vehicle_pages.restore, methods=_POST),
        Route(f"{vehicle}/files/{{place:int}}", vehicle_pages.file, methods=_GET),
        Route("/login", login_pages.show, methods=_GET),
        Route("/login", login_pages.login, methods=_POST),
        Route("/logout", login_pages.logout, methods=_POST),
        Route("/static/{name:str}", downloads.static, methods=_GET),
        Route("/settings", settings_pages.settings, methods=_GET),
        Route("/kept", settings_pages.settings, methods=_GET),
        Route("/settings", settings_pages.save, methods=_POST),
        Route("/settings/who", settings_pages.name, methods=_POST),
        Route("/settings/key", settings_pages.make_key, methods=_POST),
        Route("/settings/key.pub", settings_pages.public_key, methods=_GET),
        Route("/settings/everything.zip", settings_pages.everything, methods=_POST),
        Route("/api", api_pages.about, methods=_GET),
        Route("/api/openapi.json", api_pages.document, methods=_GET),
        *_calls(),
    ]


def _calls() -> list[Route]:
    """Return the routes of the interface for programs, each by its name in the description."""
    served = {
        "makeReport": api_pages.make,
        "listReports": api_lists.rides,
        "getReport": api_pages.one,
        "findRides": api_lists.rides,
        "readAnew": api_changes.again,
        "deleteRides": api_changes.delete,
        "restoreRides": api_changes.restore,
        "getRide": api_lists.ride,
        "getRideFile": api_lists.ride_file,
        "keepNotes": api_lists.note,
        "findJobs": api_lists.jobs,
        "openJob": api_changes.open_job,
        "getJob": api_lists.job,
        "changeJob": api_changes.change_job,
        "putRidesIntoJob": api_changes.put_into_job,
        "proveJob": api_changes.prove,
        "listVehicles": api_lists.vehicles,
        "addVehicle": api_changes.add_vehicle,
        "getVehicle": api_lists.vehicle,
        "changeVehicle": api_changes.change_vehicle,
        "replaceFiles": api_changes.replace_files,
        "compare": api_lists.compare,
        "learn": api_changes.learn,
        "useLearned": api_changes.use,
    }
    return [
        Route(call.path, served[name], methods=[call.method.upper()], name=name)
        for name, call in CALLS.items()
    ]

"""What leaves the page as a file: reports, their data, and the page's own style and script."""

from __future__ import annotations

import asyncio
from importlib import resources
from typing import TYPE_CHECKING, Final

from starlette.responses import FileResponse, Response

from canassist.web.http.middleware import REPORT_POLICY, VIEW_POLICY
from canassist.web.http.refusal import refused
from canassist.web.http.responses import page
from canassist.web.http.safe_names import as_download, download_name
from canassist.web.store.earlier_reports import earlier_reports

if TYPE_CHECKING:
    from starlette.requests import Request

    from canassist.web.services import Services
    from canassist.web.store.records import RideRecord

_STATIC: Final = {
    "style.css": "text/css",
    "page.js": "text/javascript",
    "follow.js": "text/javascript",
    "drafts.js": "text/javascript",
    "recording.css": "text/css",
    "recording.js": "text/javascript",
}


def finished(request: Request) -> RideRecord:
    """Return the ride that an address names, if it has a report.

    Raises
    ------
    Refused
        If there is none.
    """
    services: Services = request.app.state.services
    ride = services.rides.get(request.path_params["ride"])
    if ride is None or ride.deleted or ride.page is None or ride.data is None:
        raise refused(404, "no_report")
    return ride


def report(request: Request) -> Response:
    """Show a report, as a page from nowhere: it has no cookie and reaches nothing."""
    return _page_of(request, finished(request), {})


def view(request: Request) -> Response:
    """Show a report with the way back above it; in its frame it is from nowhere as ever."""
    services: Services = request.app.state.services
    ride = finished(request)
    shown = page(request, "view.html", ride=ride, job=services.repairs.get(ride.job))
    shown.headers["content-security-policy"] = VIEW_POLICY
    return shown


def earlier(request: Request) -> Response:
    """Show a report that a later one replaced."""
    services: Services = request.app.state.services
    ride = finished(request)
    place = request.path_params["place"]
    found = next(
        (one for one in earlier_reports(services.database, ride.id) if one.place == place), None
    )
    if found is None:
        raise refused(404, "no_report")
    return FileResponse(
        services.blobs.path(found.page),
        media_type="text/html",
        headers={"content-security-policy": REPORT_POLICY},
    )


def picture(request: Request) -> Response:
    """Give the picture of a ride's answer; it is drawn by itself and runs nothing."""
    services: Services = request.app.state.services
    ride = finished(request)
    if ride.picture is None:
        raise refused(404, "no_report")
    policy = "default-src 'none'; style-src 'unsafe-inline'; sandbox"
    headers = {"content-security-policy": policy, "cache-control": "private, max-age=86400"}
    path = services.blobs.path(ride.picture)
    return FileResponse(path, media_type="image/svg+xml", headers=headers)


def report_file(request: Request) -> Response:
    """Give a report as a file."""
    ride = finished(request)
    name = as_download(download_name(ride.title, ".report.html"))
    return _page_of(request, ride, {"content-disposition": name})


def _page_of(request: Request, ride: RideRecord, headers: dict[str, str]) -> Response:
    services: Services = request.app.state.services
    return FileResponse(
        services.blobs.path(ride.page or ""),
        media_type="text/html",
        headers={
            "content-security-policy": REPORT_POLICY,
            "x-frame-options": "SAMEORIGIN",
            **headers,
        },
    )


def result_file(request: Request) -> Response:
    """Give a ride's result as JSON."""
    services: Services = request.app.state.services
    ride = finished(request)
    name = as_download(download_name(ride.title, ".report.json"))
    return FileResponse(
        services.blobs.path(ride.data or ""),
        media_type="application/json",
        headers={"content-disposition": name},
    )


async def pdf_file(request: Request) -> Response:
    """Give a report as PDF, printed when first asked for."""
    return await _product(request, "pdf", "application/pdf", ".report.pdf")


async def export_file(request: Request) -> Response:
    """Give a ride's channels and events for other tools, made when first asked for."""
    return await _product(request, "export", "application/zip", ".export.zip")


async def _product(request: Request, kind: str, media_type: str, ending: str) -> Response:
    services: Services = request.app.state.services
    ride = await asyncio.to_thread(finished, request)
    if kind == "export" and ride.kind != "ride":
        raise refused(404, "missing")
    path = await services.making.product(ride, kind)
    name = as_download(download_name(ride.title, ending))
    return FileResponse(path, media_type=media_type, headers={"content-disposition": name})


def static(request: Request) -> Response:
    """Give the page's own style or script; nothing else lies there."""
    name = request.path_params["name"]
    if name not in _STATIC:
        raise refused(404, "missing")
    file = resources.files("canassist.web").joinpath("static", name)
    headers = {"cache-control": "no-cache"}
    return Response(file.read_bytes(), media_type=_STATIC[name], headers=headers)

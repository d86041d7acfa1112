"""What is done with many rides at once: delete, bring back, export, move, call off, read anew."""

from __future__ import annotations

import asyncio
import zipfile
from typing import TYPE_CHECKING, Final
from urllib.parse import parse_qsl, urlencode

from starlette.background import BackgroundTask
from starlette.responses import FileResponse, RedirectResponse, Response

from canassist.web.http.refusal import refused
from canassist.web.http.responses import read_form
from canassist.web.http.safe_names import as_download, download_name
from canassist.web.http.visitors import visitor
from canassist.web.pages.shelf_pages import asked_of
from canassist.web.store.repair_jobs import AFTER, BEFORE
from canassist.web.store.shelf_search import MOST_TICKED, Search

if TYPE_CHECKING:
    from pathlib import Path

    from starlette.requests import Request

    from canassist.web.http.responses import Form
    from canassist.web.services import Services
    from canassist.web.store.records import RideRecord

_MOST_EXPORTED: Final = 400
_SUFFIXES: Final = (("page", ".report.html"), ("data", ".report.json"))


async def delete(request: Request) -> Response:
    """Take the ticked rides off the shelf."""
    services: Services = request.app.state.services
    rides = await ticked(request, await read_form(request))
    when_s = await asyncio.to_thread(services.rides.delete, [ride.id for ride in rides])
    for ride in rides:
        services.jobs.cancel(ride.id)
    await asyncio.to_thread(_note, request, "deleted", rides)
    return RedirectResponse("/?" + urlencode({"deleted_at": when_s}), 303)


async def restore(request: Request) -> Response:
    """Bring deleted rides back: the ticked ones, or what was deleted in one go."""
    services: Services = request.app.state.services
    form = await read_form(request)
    if when := form.one("deleted_at"):
        try:
            names = await asyncio.to_thread(services.rides.deleted_at, float(when))
        except ValueError:
            raise refused(400, "request") from None
    else:
        names = [ride.id for ride in await ticked(request, form)]
    await asyncio.to_thread(services.rides.restore, names)
    for name in names[:1]:
        services.board.changed(name)
    services.jobs.wake()
    return RedirectResponse("/?said=restored", 303)


async def export(request: Request) -> Response:
    """Give reports and results of the ticked rides in one file."""
    services: Services = request.app.state.services
    rides = await ticked(request, await read_form(request))
    done = [ride for ride in rides if ride.page and ride.data]
    if not done:
        raise refused(400, "nothing_to_export")
    if len(done) > _MOST_EXPORTED:
        raise refused(400, "too_many", count=_MOST_EXPORTED)
    folder = await asyncio.to_thread(services.blobs.work_folder)
    path = await asyncio.to_thread(_packed, services, done, folder)
    headers = {"content-disposition": as_download("rides.zip")}
    tidy = BackgroundTask(services.blobs.clear, folder)
    return FileResponse(path, media_type="application/zip", headers=headers, background=tidy)


async def move(request: Request) -> Response:
    """Put the ticked rides into a job, a new one where none is named; or take them out."""
    services: Services = request.app.state.services
    form = await read_form(request)
    rides = await ticked(request, form)
    given, phase = form.one("job"), AFTER if form.one("phase") == AFTER else BEFORE
    names = [ride.id for ride in rides]
    if given == "none":
        await asyncio.to_thread(services.rides.join, names, None, "")
        return RedirectResponse("/?said=moved", 303)
    if given == "new":
        notes = {"complaint": rides[0].complaint, "work_order": rides[0].work_order}
        job = await asyncio.to_thread(
            services.repairs.open, notes, rides[0].vehicle, visitor(request)
        )
    else:
        found = await asyncio.to_thread(services.repairs.get, given)
        if found is None:
            raise refused(400, "no_job")
        job = found
    await asyncio.to_thread(services.rides.join, names, job.id, phase)
    await asyncio.to_thread(_note, request, "moved", rides)
    return RedirectResponse(f"/jobs/{job.id}?said=moved", 303)


async def call_off(request: Request) -> Response:
    """Call off all that waits or is in work."""
    services: Services = request.app.state.services
    await read_form(request)
    for name in await asyncio.to_thread(services.queue.cancel_all):
        services.jobs.cancel(name)
    await asyncio.to_thread(services.changes.note, visitor(request), "called_off", "")
    return RedirectResponse("/?said=stopped", 303)


async def read_anew(request: Request) -> Response:
    """Read rides anew: those ticked, or all that earlier rules read, or a vehicle's."""
    services: Services = request.app.state.services
    form = await read_form(request)
    if form.one("older"):
        names = await asyncio.to_thread(services.rides.ids, Search(state="older"))
    else:
        names = [ride.id for ride in await ticked(request, form)]
    for name in names:
        await asyncio.to_thread(services.queue.again, name)
        services.jobs.cancel(name)
    services.jobs.wake()
    return RedirectResponse("/?said=anew", 303)


async def ticked(request: Request, form: Form) -> list[RideRecord]:
    """Return the rides that a form names: one by one, or all that a search finds.

    Raises
    ------
    Refused
        If there is none.
    """
    services: Services = request.app.state.services
    names = [*form.many("ride"), *(one for one in form.one("rides").split(".") if one)]
    if form.one("all"):
        asked = asked_of(dict(parse_qsl(form.one("search"))))
        names = await asyncio.to_thread(services.rides.ids, asked)
    names = list(dict.fromkeys(names))[:MOST_TICKED]
    found = await asyncio.to_thread(lambda: [services.rides.get(name) for name in names])
    rides = [ride for ride in found if ride is not None]
    if not rides:
        raise refused(400, "nothing_ticked")
    return rides


def _note(request: Request, what: str, rides: list[RideRecord]) -> None:
    services: Services = request.app.state.services
    titles = ", ".join(ride.title for ride in rides[:4])
    more = f" +{len(rides) - 4}" if len(rides) > 4 else ""  # noqa: PLR2004 - as many as are named
    services.changes.note(visitor(request), what, titles + more)


def _packed(services: Services, rides: list[RideRecord], folder: Path) -> Path:
    path = folder / "rides.zip"
    used: set[str] = set()
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as packed:
        for ride in rides:
            stem = download_name(ride.title, "")
            name = stem if stem not in used else f"{stem}-{ride.id[:6]}"
            used.add(stem)
            for column, ending in _SUFFIXES:
                packed.write(services.blobs.path(getattr(ride, column)), f"{name}{ending}")
    return path

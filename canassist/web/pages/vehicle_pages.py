"""Vehicles: what is known of each, kept once."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING, Final

from starlette.responses import FileResponse, RedirectResponse, Response

from canassist.web.http.refusal import refused
from canassist.web.http.responses import check_form_token, page, read_form
from canassist.web.http.safe_names import as_download, one_line
from canassist.web.http.visitors import visitor
from canassist.web.pages.learn_pages import SOUND
from canassist.web.store.records import Stored
from canassist.web.store.shelf_search import Search
from canassist.web.store.vehicles_index import without_channel
from canassist.web.uploads import receive_files

if TYPE_CHECKING:
    from starlette.requests import Request

    from canassist.web.services import Services
    from canassist.web.store.vehicles_index import VehicleRecord

_SAID: Final = frozenset({"saved", "vehicle", "replaced", "merged", "forgotten", "learned"})
_STRAYS: Final = Search(state="stray")
"""Rides that were read, or failed, without any vehicle's database."""


def vehicles(request: Request) -> Response:
    """List the vehicles."""
    services: Services = request.app.state.services
    named = services.vehicles.get(request.query_params.get("deleted", ""))
    gone = named if named is not None and named.deleted else None
    rides = services.vehicles.rides()
    return page(request, "vehicles.html", vehicles=services.vehicles.all(), rides=rides, gone=gone)


def vehicle(request: Request) -> Response:
    """Show a vehicle's files and what was settled about its channels."""
    services, found = vehicle_of(request)
    said = request.query_params.get("said", "")
    return page(
        request,
        "vehicle.html",
        vehicle=found,
        files=_files(found),
        settled=services.vehicles.settled(found.id),
        count=services.vehicles.rides().get(found.id, (0, 0.0))[0],
        sound=len(services.rides.ids(Search(vehicle=found.id, code=SOUND))),
        strays=len(services.rides.ids(_STRAYS)),
        others=[one for one in services.vehicles.all() if one.id != found.id],
        said=said if said in _SAID else "",
    )


async def save(request: Request) -> Response:
    """Give a vehicle another name."""
    services, found = await asyncio.to_thread(vehicle_of, request)
    form = await read_form(request)
    name = one_line(form.one("name")) or found.name
    await asyncio.to_thread(services.vehicles.rename, found.id, name)
    return RedirectResponse(f"/vehicles/{found.id}?said=saved", 303)


async def replace(request: Request) -> Response:
    """Give a vehicle a new or corrected database or profile; its rides can be read anew."""
    services, found = await asyncio.to_thread(vehicle_of, request)

    def may_come_in(fields: dict[str, str]) -> None:
        check_form_token(request, fields.get("form_token", ""))

    new = await receive_files(request, may_come_in)
    await asyncio.to_thread(with_new_files, services, found, new, visitor(request))
    return RedirectResponse(f"/vehicles/{found.id}?said=replaced", 303)


async def merge(request: Request) -> Response:
    """Make this vehicle and another one."""
    services, found = await asyncio.to_thread(vehicle_of, request)
    form = await read_form(request)
    into = await asyncio.to_thread(services.vehicles.get, form.one("into"))
    if into is None or into.deleted or into.id == found.id:
        raise refused(400, "no_vehicle")
    await asyncio.to_thread(services.vehicles.merge, found.id, into.id)
    await asyncio.to_thread(services.changes.note, visitor(request), "merged", found.name)
    return RedirectResponse(f"/vehicles/{into.id}?said=merged", 303)


async def forget(request: Request) -> Response:
    """Take an answer back: the question is asked again when a ride is read."""
    services, found = await asyncio.to_thread(vehicle_of, request)
    form = await read_form(request)
    await asyncio.to_thread(forget_answer, services, found, form.one("channel"))
    return RedirectResponse(f"/vehicles/{found.id}?said=forgotten", 303)


async def anew(request: Request) -> Response:
    """Read a vehicle's rides anew, or those that had no vehicle's database."""
    services, found = await asyncio.to_thread(vehicle_of, request)
    form = await read_form(request)
    asked = _STRAYS if form.one("strays") else Search(vehicle=found.id)
    for ride in await asyncio.to_thread(services.rides.ids, asked):
        await asyncio.to_thread(services.queue.again, ride)
        services.jobs.cancel(ride)
    services.jobs.wake()
    return RedirectResponse("/?said=anew", 303)


async def delete(request: Request) -> Response:
    """Take a vehicle out of the choice."""
    services, found = await asyncio.to_thread(vehicle_of, request)
    await read_form(request)
    await asyncio.to_thread(services.vehicles.delete, found.id)
    return RedirectResponse(f"/vehicles?deleted={found.id}", 303)


async def restore(request: Request) -> Response:
    """Bring a vehicle back into the choice."""
    services, found = await asyncio.to_thread(vehicle_of, request)
    await read_form(request)
    await asyncio.to_thread(services.vehicles.restore, found.id)
    return RedirectResponse(f"/vehicles/{found.id}", 303)


def file(request: Request) -> Response:
    """Give one of a vehicle's files; always as a file, never shown."""
    services, found = vehicle_of(request)
    files, place = _files(found), request.path_params["place"]
    if place >= len(files):
        raise refused(404, "missing")
    _, stored = files[place]
    return FileResponse(
        services.blobs.path(stored.sha256),
        media_type="application/octet-stream",
        headers={"content-disposition": as_download(stored.name)},
    )


def with_new_files(
    services: Services, found: VehicleRecord, new: list[tuple[str, Stored]], who: str
) -> VehicleRecord:
    """Put new files into a vehicle's place; return it as it is now."""
    services.vehicles.replace_files(found.id, *_joined(found, new))
    services.changes.note(who, "vehicle", found.name)
    return services.vehicles.get(found.id) or found


def _joined(
    found: VehicleRecord, new: list[tuple[str, Stored]]
) -> tuple[list[Stored], Stored | None]:
    """Return a vehicle's files with new ones in place of those of the same name or role."""
    databases = [file for role, file in new if role == "dbc"]
    profile = next((file for role, file in new if role == "profile"), found.profile)
    if not databases:
        return list(found.databases), profile
    names = {file.name for file in databases}
    kept = [one for one in found.databases if one.name not in names]
    if len(found.databases) == 1 and len(databases) == 1:
        kept = []  # one for one, also under another name
    return [*kept, *databases], profile


def forget_answer(services: Services, found: VehicleRecord, channel: str) -> None:
    """Take an answer about a channel back, out of the profile too."""
    signal = services.vehicles.settled(found.id).get(channel)
    if signal is None:
        raise refused(404, "missing")
    if signal and found.profile is not None:
        data = services.blobs.path(found.profile.sha256).read_bytes()
        data = without_channel(data, channel, signal)
        with services.blobs.placing():
            sha256 = services.blobs.keep_bytes(data)
            stored = Stored(sha256=sha256, name=found.profile.name, size=len(data))
            services.vehicles.write_profile(found, stored)
    services.vehicles.unsettle(found.id, channel)


def _files(found: VehicleRecord) -> list[tuple[str, Stored]]:
    profile = [("profile", found.profile)] if found.profile else []
    return [*(("dbc", one) for one in found.databases), *profile]


def vehicle_of(request: Request) -> tuple[Services, VehicleRecord]:
    """Return the vehicle that an address names.

    Raises
    ------
    Refused
        If there is none.
    """
    services: Services = request.app.state.services
    found = services.vehicles.get(request.path_params["vehicle"])
    if found is None:
        raise refused(404, "missing")
    return services, found

"""Vehicles: what is known of each, kept once."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING

from starlette.responses import FileResponse, RedirectResponse, Response

from canassist.web.http.refusal import refused
from canassist.web.http.responses import page, read_form
from canassist.web.http.safe_names import as_download, one_line

if TYPE_CHECKING:
    from starlette.requests import Request

    from canassist.web.services import Desk
    from canassist.web.store.records import Stored
    from canassist.web.store.vehicles_index import VehicleRecord


def vehicles(request: Request) -> Response:
    """List the vehicles."""
    desk: Desk = request.app.state.desk
    named = desk.vehicles.get(request.query_params.get("deleted", ""))
    gone = named if named is not None and named.deleted else None
    return page(request, "vehicles.html", vehicles=desk.vehicles.all(), gone=gone)


def vehicle(request: Request) -> Response:
    """Show a vehicle's files and what was settled about its channels."""
    desk, found = _found(request)
    return page(
        request,
        "vehicle.html",
        vehicle=found,
        files=_files(found),
        settled=desk.vehicles.settled(found.id),
        said="saved" if request.query_params.get("said") == "saved" else "",
    )


async def save(request: Request) -> Response:
    """Give a vehicle another name."""
    desk, found = await asyncio.to_thread(_found, request)
    form = await read_form(request)
    name = one_line(form.one("name")) or found.name
    await asyncio.to_thread(desk.vehicles.rename, found.id, name)
    return RedirectResponse(f"/vehicles/{found.id}?said=saved", 303)


async def delete(request: Request) -> Response:
    """Take a vehicle out of the choice."""
    desk, found = await asyncio.to_thread(_found, request)
    await read_form(request)
    await asyncio.to_thread(desk.vehicles.delete, found.id)
    return RedirectResponse(f"/vehicles?deleted={found.id}", 303)


async def restore(request: Request) -> Response:
    """Bring a vehicle back into the choice."""
    desk, found = await asyncio.to_thread(_found, request)
    await read_form(request)
    await asyncio.to_thread(desk.vehicles.restore, found.id)
    return RedirectResponse(f"/vehicles/{found.id}", 303)


def file(request: Request) -> Response:
    """Give one of a vehicle's files; always as a file, never shown."""
    desk, found = _found(request)
    files, place = _files(found), request.path_params["place"]
    if place >= len(files):
        raise refused(404, "missing")
    _, stored = files[place]
    return FileResponse(
        desk.blobs.path(stored.sha256),
        media_type="application/octet-stream",
        headers={"content-disposition": as_download(stored.name)},
    )


def _files(found: VehicleRecord) -> list[tuple[str, Stored]]:
    profile = [("profile", found.profile)] if found.profile else []
    return [*(("dbc", one) for one in found.databases), *profile]


def _found(request: Request) -> tuple[Desk, VehicleRecord]:
    desk: Desk = request.app.state.desk
    found = desk.vehicles.get(request.path_params["vehicle"])
    if found is None:
        raise refused(404, "missing")
    return desk, found

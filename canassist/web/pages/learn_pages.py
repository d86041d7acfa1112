"""Learning what is normal: sound rides into the queue, the profile that comes of it into use."""

from __future__ import annotations

import asyncio
import json
from typing import TYPE_CHECKING, Final

from starlette.responses import RedirectResponse, Response

from canassist.web.http.page_texts import say
from canassist.web.http.refusal import refused
from canassist.web.http.responses import read_form
from canassist.web.http.safe_names import as_download, download_name, file_name
from canassist.web.http.visitors import visitor
from canassist.web.pages.bulk_pages import ticked
from canassist.web.pages.downloads import finished
from canassist.web.store.records import NewRide, Stored
from canassist.web.store.shelf_search import Search

if TYPE_CHECKING:
    from starlette.requests import Request

    from canassist.web.services import Services
    from canassist.web.store.records import RideRecord
    from canassist.web.store.vehicles_index import VehicleRecord

SOUND: Final = "no_fault_found"
MOST_LEARNED: Final = 400


async def learn(request: Request) -> Response:
    """Learn from the ticked rides, or from all sound ones of a vehicle."""
    services: Services = request.app.state.services
    form = await read_form(request)
    if vehicle := form.one("vehicle"):
        asked = Search(vehicle=vehicle, code=SOUND)
        names = await asyncio.to_thread(services.rides.ids, asked)
        found = [one for name in names if (one := services.rides.get(name))]
    else:
        found = await ticked(request, form)
    row = await asyncio.to_thread(queue_learning, services, found, visitor(request))
    services.board.changed(row.id)
    services.jobs.wake()
    return RedirectResponse(f"/rides/{row.id}", 303)


async def use(request: Request) -> Response:
    """Make a learned profile its vehicle's."""
    await read_form(request)
    found = await asyncio.to_thread(use_learned, request)
    return RedirectResponse(f"/vehicles/{found.id}?said=learned", 303)


def profile(request: Request) -> Response:
    """Give a learned profile as a file."""
    text, name = _learned(request, finished(request))
    headers = {"content-disposition": as_download(name)}
    return Response(text, media_type="application/octet-stream", headers=headers)


def queue_learning(services: Services, rides: list[RideRecord], who: str) -> RideRecord:
    """Put learning from rides into the queue, unless it is there already.

    Raises
    ------
    Refused
        If there is no ride, one was not read, or they are not of one vehicle's databases.
    """
    rides = sorted(rides, key=lambda ride: ride.id)
    if not rides:
        raise refused(400, "nothing_to_learn")
    if len(rides) > MOST_LEARNED:
        raise refused(400, "too_many", count=MOST_LEARNED)
    for one in rides:
        if one.kind != "ride" or one.deleted or not one.page:
            raise refused(400, "not_comparable", title=one.title)
    vehicle = services.vehicles.get(rides[0].vehicle)
    if vehicle is None or any(one.vehicle != vehicle.id for one in rides):
        raise refused(400, "learn_vehicle")
    new = NewRide(
        title=say("learned.name_one", vehicle=vehicle.name)
        if len(rides) == 1
        else say("learned.name_many", vehicle=vehicle.name, count=len(rides)),
        files=(),
        kind="learn",
        sides=".".join(one.id for one in rides),
        vehicle=vehicle.id,
        vehicle_by="chosen",
        uploaded_by=who,
    )
    row, is_new = services.rides.put(new)
    if not is_new and row.state in {"failed", "cancelled"}:
        services.queue.again(row.id)
        return services.rides.get(row.id) or row
    if is_new:
        services.changes.note(who, "learned", vehicle.name)
    return row


def use_learned(request: Request) -> VehicleRecord:
    """Put a learned profile in place of its vehicle's; return the vehicle.

    Raises
    ------
    Refused
        If nothing was learned there, or the vehicle is gone.
    """
    services: Services = request.app.state.services
    ride = finished(request)
    text, name = _learned(request, ride)
    vehicle = services.vehicles.get(ride.vehicle)
    if vehicle is None or vehicle.deleted:
        raise refused(400, "no_vehicle")
    data = text.encode("utf-8")
    with services.blobs.placing():
        stored = Stored(sha256=services.blobs.keep_bytes(data), name=name, size=len(data))
        services.vehicles.replace_files(vehicle.id, vehicle.databases, stored)
    services.changes.note(visitor(request), "profile", vehicle.name)
    return services.vehicles.get(vehicle.id) or vehicle


def _learned(request: Request, ride: RideRecord) -> tuple[str, str]:
    """Return the profile that a ride's row holds, and its name as a file."""
    services: Services = request.app.state.services
    if ride.kind != "learn":
        raise refused(404, "missing")
    data = json.loads(services.blobs.path(ride.data or "").read_bytes())
    name = file_name(download_name(ride.vehicle_name or ride.title, ".toml"))
    return str(data["profile"]), name

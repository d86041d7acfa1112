"""Rides, jobs and vehicles for programs, as the page shows them; comparing and notes too."""

from __future__ import annotations

import asyncio
import json
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from starlette.responses import FileResponse

from canassist.web.http.page_texts import say
from canassist.web.http.refusal import refused
from canassist.web.http.responses import json_response
from canassist.web.http.safe_names import as_download, one_line, plain_text
from canassist.web.pages.api_pages import check_program, ride_state
from canassist.web.pages.compare_pages import queue_comparison
from canassist.web.pages.job_pages import job_of, parts
from canassist.web.pages.shelf_pages import asked_of
from canassist.web.pages.vehicle_pages import vehicle_of
from canassist.web.store.records import NOTES

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.responses import Response

    from canassist.web.services import Services
    from canassist.web.store.records import RideRecord
    from canassist.web.store.repair_jobs import RepairJob
    from canassist.web.store.vehicles_index import VehicleRecord

Plain = dict[str, Any]  # Any: plain JSON values
_LONGEST: int = 64 << 10


def rides(request: Request) -> Response:
    """List rides; the same filters as on the shelf."""
    services: Services = request.app.state.services
    found, count = services.rides.search(asked_of(request.query_params))
    return json_response({"count": count, "rides": [ride_state(one) for one in found]})


def ride(request: Request) -> Response:
    """Give what is known of one ride, in work or done."""
    services: Services = request.app.state.services
    return json_response(_whole(services, ride_of(services, request.path_params["ride"])))


async def note(request: Request) -> Response:
    """Keep notes on a ride; those that do not come stay as they are."""
    check_program(request)
    services: Services = request.app.state.services
    found = await asyncio.to_thread(ride_of, services, request.path_params["ride"])
    given = await json_body(request)
    notes: dict[str, str] = {name: plain_text(str(given[name])) for name in NOTES if name in given}
    title = one_line(str(given.get("title", ""))) or found.title
    await asyncio.to_thread(services.rides.note, found.id, title, notes)
    if found.page is not None and any(getattr(found, name) != notes[name] for name in notes):
        await asyncio.to_thread(services.queue.again, found.id)
        services.jobs.wake()
    return json_response(_whole(services, ride_of(services, found.id)))


def jobs(request: Request) -> Response:
    """List jobs, the newest first."""
    services: Services = request.app.state.services
    open_only = request.query_params.get("open") == "1"
    found = services.repairs.all(
        open_only=open_only, text=request.query_params.get("text", "")[:200]
    )
    return json_response({"count": len(found), "jobs": [_job(one) for one in found]})


def job(request: Request) -> Response:
    """Give a job with its rides, checks and proof."""
    return json_response(job_told(*job_of(request)))


def job_told(services: Services, found: RepairJob) -> Plain:
    """Return a job with its rides, checks and proof as plain values."""
    shown = parts(services, found, services.rides.of_job(found.id))
    proof = shown["proof"]
    return _job(found) | {
        "before": [ride_state(one) for one in shown["before"]],
        "after": [ride_state(one) for one in shown["after"]],
        "checks": [asdict(one) for one in shown["checks"]],
        "proof": ride_state(proof) if proof else None,
    }


def vehicles(request: Request) -> Response:
    """List the vehicles with their files."""
    services: Services = request.app.state.services
    found = services.vehicles.all()
    return json_response({"vehicles": [vehicle_told(services, one) for one in found]})


def vehicle(request: Request) -> Response:
    """Give a vehicle with its files."""
    return json_response(vehicle_told(*vehicle_of(request)))


def vehicle_told(services: Services, found: VehicleRecord) -> Plain:
    """Return a vehicle as plain values."""
    return {
        "id": found.id,
        "name": found.name,
        "identity": found.identity or None,
        "databases": [file.name for file in found.databases],
        "profile": found.profile.name if found.profile else None,
        "rides": services.vehicles.rides().get(found.id, (0, 0.0))[0],
        "answers": services.vehicles.settled(found.id),
    }


def ride_file(request: Request) -> Response:
    """Give one of a ride's logs as it came; always as a file, never shown."""
    services: Services = request.app.state.services
    found = ride_of(services, request.path_params["ride"])
    files, text = services.rides.files(found.id), request.path_params["place"]
    if not (text.isascii() and text.isdigit()) or int(text[:4]) >= len(files):
        raise refused(404, "missing")
    one = files[int(text[:4])]
    headers = {"content-disposition": as_download(one.name)}
    path = services.blobs.path(one.sha256)
    return FileResponse(path, media_type="application/octet-stream", headers=headers)


async def compare(request: Request) -> Response:
    """Compare rides: the ids of each side; the same sides give the same comparison."""
    check_program(request)
    services: Services = request.app.state.services
    given = await json_body(request)
    sides = [given.get(side) for side in "ab"]
    if not all(isinstance(side, list) and side for side in sides):
        raise refused(400, "no_sides")
    found = [[ride_of(services, str(name)) for name in side] for side in sides if side]
    for one in (*found[0], *found[1]):
        if one.kind != "ride" or not one.page:
            raise refused(400, "not_comparable", title=one.title)
    row = await asyncio.to_thread(queue_comparison, services, found[0], found[1])
    services.jobs.wake()
    return json_response(ride_state(row), 202 if row.busy else 200)


def _whole(services: Services, found: RideRecord) -> Plain:
    files = [
        {"name": one.name, "sha256": one.sha256, "bytes": one.size}
        for one in services.rides.files(found.id)
    ]
    notes = {name: getattr(found, name) for name in NOTES}
    more = {"files": files, "notes": notes, "words": _words(services, found)}
    if found.page:
        home = f"/rides/{found.id}"
        more["addresses"] = [f"{home}/report.{one}" for one in ("html", "json", "pdf")]
    return ride_state(found) | more


def _words(services: Services, found: RideRecord) -> str:
    """Say what is being done with a ride; empty where nothing is."""
    if not found.busy:
        return ""
    standing = services.board.standing(found.id)
    if found.state == "working" and standing is not None:
        return standing.words()
    before = services.queue.waiting().get(found.id, 0)
    return say("shelf.behind", count=before) if before else say(f"states.{found.state}")


def texts_of(given: Plain, name: str) -> list[str]:
    """Return a list of texts that a program sent.

    Raises
    ------
    Refused
        If it is none, or empty.
    """
    found = given.get(name)
    if not isinstance(found, list) or not found:
        raise refused(400, "request")
    return [str(one) for one in found]


def ride_of(services: Services, name: str) -> RideRecord:
    """Return a ride that is on the shelf.

    Raises
    ------
    Refused
        If there is none of this name.
    """
    found = services.rides.get(name)
    if found is None or found.deleted:
        raise refused(404, "missing")
    return found


def _job(found: RepairJob) -> Plain:
    told = asdict(found)
    del told["deleted_s"]
    return told


async def json_body(request: Request) -> Plain:
    """Return what a program sent as JSON.

    Raises
    ------
    Refused
        If it is too long, or no JSON object.
    """
    body = bytearray()
    async for piece in request.stream():
        body += piece
        if len(body) > _LONGEST:
            raise refused(413, "form_size")
    try:
        given = json.loads(body)
    except (ValueError, RecursionError):
        raise refused(400, "request") from None
    if not isinstance(given, dict):
        raise refused(400, "request")
    return given

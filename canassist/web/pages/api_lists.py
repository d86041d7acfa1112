"""Rides, jobs and vehicles for programs, as the page shows them; comparing and notes too."""

from __future__ import annotations

import asyncio
import json
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from canassist.web.http.page_texts import say
from canassist.web.http.refusal import refused
from canassist.web.http.responses import json_response
from canassist.web.http.safe_names import one_line, plain_text
from canassist.web.pages.api_pages import check_program, ride_state
from canassist.web.pages.compare_pages import queue_comparison
from canassist.web.pages.job_pages import job_of, parts
from canassist.web.pages.shelf_pages import asked_of
from canassist.web.store.records import NOTES

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.responses import Response

    from canassist.web.services import Services
    from canassist.web.store.records import RideRecord
    from canassist.web.store.repair_jobs import RepairJob

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
    return json_response(_whole(services, _ride_of(services, request.path_params["ride"])))


async def note(request: Request) -> Response:
    """Keep notes on a ride; those that do not come stay as they are."""
    check_program(request)
    services: Services = request.app.state.services
    found = await asyncio.to_thread(_ride_of, services, request.path_params["ride"])
    given = await _body(request)
    notes: dict[str, str] = {name: plain_text(str(given[name])) for name in NOTES if name in given}
    title = one_line(str(given.get("title", ""))) or found.title
    await asyncio.to_thread(services.rides.note, found.id, title, notes)
    if found.page is not None and any(getattr(found, name) != notes[name] for name in notes):
        await asyncio.to_thread(services.queue.again, found.id)
        services.jobs.wake()
    return json_response(_whole(services, _ride_of(services, found.id)))


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
    services, found = job_of(request)
    shown = parts(services, found, services.rides.of_job(found.id))
    proof = shown["proof"]
    return json_response(
        _job(found)
        | {
            "before": [ride_state(one) for one in shown["before"]],
            "after": [ride_state(one) for one in shown["after"]],
            "checks": [asdict(one) for one in shown["checks"]],
            "proof": ride_state(proof) if proof else None,
        }
    )


def vehicles(request: Request) -> Response:
    """List the vehicles with their files."""
    services: Services = request.app.state.services
    counts = services.vehicles.rides()
    return json_response(
        {
            "vehicles": [
                {
                    "id": one.id,
                    "name": one.name,
                    "identity": one.identity or None,
                    "databases": [file.name for file in one.databases],
                    "profile": one.profile.name if one.profile else None,
                    "rides": counts.get(one.id, (0, 0.0))[0],
                    "answers": services.vehicles.settled(one.id),
                }
                for one in services.vehicles.all()
            ]
        }
    )


async def compare(request: Request) -> Response:
    """Compare rides: the ids of each side; the same sides give the same comparison."""
    check_program(request)
    services: Services = request.app.state.services
    given = await _body(request)
    sides = [given.get(side) for side in "ab"]
    if not all(isinstance(side, list) and side for side in sides):
        raise refused(400, "no_sides")
    found = [[_ride_of(services, str(name)) for name in side] for side in sides if side]
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


def _ride_of(services: Services, name: str) -> RideRecord:
    found = services.rides.get(name)
    if found is None or found.deleted:
        raise refused(404, "missing")
    return found


def _job(found: RepairJob) -> Plain:
    told = asdict(found)
    del told["deleted_s"]
    return told


async def _body(request: Request) -> Plain:
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

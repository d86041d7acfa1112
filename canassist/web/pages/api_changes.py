"""What programs may change: jobs, vehicles, rides; each call does what the page's form does."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING, Final

from canassist.web.http.refusal import refused
from canassist.web.http.responses import json_response
from canassist.web.http.safe_names import one_line, plain_text, stem
from canassist.web.http.visitors import visitor
from canassist.web.pages.api_lists import job_told, json_body, ride_of, texts_of, vehicle_told
from canassist.web.pages.api_pages import check_program, may_come_in, ride_state
from canassist.web.pages.job_pages import job_of, queue_proof
from canassist.web.pages.learn_pages import queue_learning, use_learned
from canassist.web.pages.vehicle_pages import forget_answer, vehicle_of, with_new_files
from canassist.web.store.repair_jobs import AFTER, BEFORE, JOB_NOTES, MOST_CHECKS, JobCheck
from canassist.web.store.vehicles_index import profile_name
from canassist.web.uploads import receive_files

if TYPE_CHECKING:
    from collections.abc import Mapping

    from starlette.requests import Request
    from starlette.responses import Response

    from canassist.web.pages.api_lists import Plain
    from canassist.web.services import Services
    from canassist.web.store.records import RideRecord
    from canassist.web.store.repair_jobs import RepairJob

_STILL: Final = 202


async def open_job(request: Request) -> Response:
    """Open a job; an open one with the same work order, or the same words, is given again."""
    check_program(request)
    services: Services = request.app.state.services
    given = await json_body(request)
    notes = _notes(given)
    if not any(notes.values()):
        raise refused(400, "empty_job")
    vehicle = _known_vehicle(services, given)
    found = await asyncio.to_thread(_same_job, services, notes)
    if found is None:
        who = visitor(request)
        found = await asyncio.to_thread(services.repairs.open, notes, vehicle, who)
        await asyncio.to_thread(services.changes.note, who, "opened", found.name)
    return json_response(await asyncio.to_thread(job_told, services, found))


async def change_job(request: Request) -> Response:
    """Write down on a job; what does not come stays as it is."""
    check_program(request)
    services, found = await asyncio.to_thread(job_of, request)
    given = await json_body(request)
    notes: dict[str, str] = {
        name: plain_text(str(given[name])) for name in JOB_NOTES if name in given
    }
    vehicle = _known_vehicle(services, given) if "vehicle" in given else found.vehicle
    checks = _checks(given["checks"]) if "checks" in given else []
    await asyncio.to_thread(services.repairs.note, found.id, notes, vehicle)
    if checks:
        await asyncio.to_thread(services.repairs.keep_checks, found.id, checks)
    if isinstance(given.get("open"), bool):
        await asyncio.to_thread(services.repairs.close, found.id, closed=not given["open"])
    await asyncio.to_thread(services.changes.note, visitor(request), "job", found.name)
    return json_response(await asyncio.to_thread(job_told, services, job_of(request)[1]))


async def put_into_job(request: Request) -> Response:
    """Put rides into a job."""
    check_program(request)
    services, found = await asyncio.to_thread(job_of, request)
    given = await json_body(request)
    rides = await asyncio.to_thread(_rides, services, given)
    phase = AFTER if given.get("phase") == AFTER else BEFORE
    await asyncio.to_thread(services.rides.join, [one.id for one in rides], found.id, phase)
    return json_response(await asyncio.to_thread(job_told, services, found))


async def prove(request: Request) -> Response:
    """Compare a job's rides before the repair with those after it."""
    check_program(request)
    services, found = await asyncio.to_thread(job_of, request)
    row = await asyncio.to_thread(queue_proof, services, found, visitor(request))
    services.jobs.wake()
    return _queued(row)


async def again(request: Request) -> Response:
    """Read rides anew."""
    check_program(request)
    services: Services = request.app.state.services
    rides = await asyncio.to_thread(_rides, services, await json_body(request))
    for one in rides:
        await asyncio.to_thread(services.queue.again, one.id)
        services.jobs.cancel(one.id)
    services.jobs.wake()
    return await asyncio.to_thread(_states, services, rides)


async def delete(request: Request) -> Response:
    """Take rides off the shelf."""
    check_program(request)
    services: Services = request.app.state.services
    rides = await asyncio.to_thread(_rides, services, await json_body(request))
    await asyncio.to_thread(services.rides.delete, [one.id for one in rides])
    for one in rides:
        services.jobs.cancel(one.id)
    titles = ", ".join(one.title for one in rides[:4])
    await asyncio.to_thread(services.changes.note, visitor(request), "deleted", titles)
    return await asyncio.to_thread(_states, services, rides)


async def restore(request: Request) -> Response:
    """Bring deleted rides back."""
    check_program(request)
    services: Services = request.app.state.services
    names = texts_of(await json_body(request), "rides")
    found = await asyncio.to_thread(lambda: [services.rides.get(name) for name in names])
    rides = [one for one in found if one is not None]
    if not rides:
        raise refused(404, "missing")
    await asyncio.to_thread(services.rides.restore, [one.id for one in rides])
    services.jobs.wake()
    return await asyncio.to_thread(_states, services, rides)


async def add_vehicle(request: Request) -> Response:
    """Keep a vehicle's databases and profile."""
    services: Services = request.app.state.services
    fields: dict[str, str] = {}

    def may(given: dict[str, str]) -> None:
        may_come_in(request, given)
        fields.update(given)

    new = await receive_files(request, may)
    databases = [file for role, file in new if role == "dbc"]
    profile = next((file for role, file in new if role == "profile"), None)
    if not databases:
        raise refused(400, "no_database_file")
    name = one_line(fields.get("name", ""))
    if not name and profile is not None:
        data = await asyncio.to_thread(services.blobs.path(profile.sha256).read_bytes)
        name = one_line(profile_name(data, profile.name))
    name = name or stem(databases[0].name.rsplit(".", 1)[0])
    found = await asyncio.to_thread(services.vehicles.add, name, databases, profile)
    await asyncio.to_thread(services.changes.note, visitor(request), "vehicle", found.name)
    return json_response(await asyncio.to_thread(vehicle_told, services, found))


async def change_vehicle(request: Request) -> Response:
    """Rename a vehicle, take answers back, or make it and another one."""
    check_program(request)
    services, found = await asyncio.to_thread(vehicle_of, request)
    given = await json_body(request)
    if name := one_line(str(given.get("name", ""))):
        await asyncio.to_thread(services.vehicles.rename, found.id, name)
    for channel in texts_of(given, "forget") if "forget" in given else ():
        now = services.vehicles.get(found.id) or found
        await asyncio.to_thread(forget_answer, services, now, channel)
    if "same_as" in given:
        into = services.vehicles.get(str(given["same_as"]))
        if into is None or into.deleted or into.id == found.id:
            raise refused(400, "no_vehicle")
        await asyncio.to_thread(services.vehicles.merge, found.id, into.id)
        await asyncio.to_thread(services.changes.note, visitor(request), "merged", found.name)
        found = into
    now = services.vehicles.get(found.id) or found
    return json_response(await asyncio.to_thread(vehicle_told, services, now))


async def replace_files(request: Request) -> Response:
    """Give a vehicle a new or corrected database or profile."""
    services, found = await asyncio.to_thread(vehicle_of, request)
    new = await receive_files(request, lambda given: may_come_in(request, given))
    now = await asyncio.to_thread(with_new_files, services, found, new, visitor(request))
    return json_response(await asyncio.to_thread(vehicle_told, services, now))


async def learn(request: Request) -> Response:
    """Learn what is normal from sound rides."""
    check_program(request)
    services: Services = request.app.state.services
    rides = await asyncio.to_thread(_rides, services, await json_body(request))
    row = await asyncio.to_thread(queue_learning, services, rides, visitor(request))
    services.jobs.wake()
    return _queued(row)


async def use(request: Request) -> Response:
    """Make a learned profile its vehicle's."""
    check_program(request)
    services: Services = request.app.state.services
    found = await asyncio.to_thread(use_learned, request)
    return json_response(await asyncio.to_thread(vehicle_told, services, found))


def _queued(row: RideRecord) -> Response:
    return json_response(ride_state(row), _STILL if row.busy else 200)


def _states(services: Services, rides: list[RideRecord]) -> Response:
    now = [services.rides.get(one.id) or one for one in rides]
    return json_response({"count": len(now), "rides": [ride_state(one) for one in now]})


def _rides(services: Services, given: Plain) -> list[RideRecord]:
    return [ride_of(services, name) for name in dict.fromkeys(texts_of(given, "rides"))]


def _known_vehicle(services: Services, given: Plain) -> str | None:
    vehicle = str(given.get("vehicle") or "")
    if vehicle and services.vehicles.get(vehicle) is None:
        raise refused(400, "no_vehicle")
    return vehicle or None


def _notes(given: Plain) -> dict[str, str]:
    return {name: plain_text(str(given.get(name, ""))) for name in JOB_NOTES}


def _same_job(services: Services, notes: Mapping[str, str]) -> RepairJob | None:
    if notes["work_order"]:
        return services.repairs.of_order(notes["work_order"])
    same = (
        one
        for one in services.repairs.all(open_only=True)
        if all(getattr(one, name) == text for name, text in notes.items())
    )
    return next(same, None)


def _checks(given: object) -> list[JobCheck]:
    if not isinstance(given, list) or not all(isinstance(one, dict) for one in given):
        raise refused(400, "request")
    return [
        JobCheck(
            text=plain_text(str(one.get("text", ""))),
            expect=plain_text(str(one.get("expect", ""))),
            measured=plain_text(str(one.get("measured", ""))),
            is_done=one.get("is_done") is True,
        )
        for one in given[:MOST_CHECKS]
    ]

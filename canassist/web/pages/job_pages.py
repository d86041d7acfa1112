"""A job: the complaint, its rides, the checks, the repair, the proof, the claim."""

from __future__ import annotations

import asyncio
import json
from typing import TYPE_CHECKING, Any, Final

from starlette.responses import RedirectResponse, Response

from canassist.web.http.page_texts import say
from canassist.web.http.refusal import refused
from canassist.web.http.responses import page, read_form
from canassist.web.http.visitors import visitor
from canassist.web.pages.shelf_pages import drop_fields
from canassist.web.store.records import NewRide
from canassist.web.store.repair_jobs import AFTER, BEFORE, JOB_NOTES, JobCheck, with_results

if TYPE_CHECKING:
    from starlette.requests import Request

    from canassist.web.http.responses import Form
    from canassist.web.services import Services
    from canassist.web.store.records import RideRecord
    from canassist.web.store.repair_jobs import RepairJob

_SAID: Final = frozenset({"uploaded", "known", "moved", "saved", "opened"})


def jobs(request: Request) -> Response:
    """List the jobs, the open ones first."""
    services: Services = request.app.state.services
    text = request.query_params.get("text", "")[:200]
    found = services.repairs.all(text=text)
    found.sort(key=lambda job: not job.is_open)
    return page(request, "jobs.html", jobs=found, text=text)


async def open_job(request: Request) -> Response:
    """Open a job by hand."""
    services: Services = request.app.state.services
    form = await read_form(request)
    notes = {name: form.one(name) for name in JOB_NOTES}
    if not any(notes.values()):
        raise refused(400, "empty_job")
    job = await asyncio.to_thread(services.repairs.open, notes, None, visitor(request))
    await asyncio.to_thread(services.changes.note, visitor(request), "opened", job.name)
    return RedirectResponse(f"/jobs/{job.id}?said=opened", 303)


def job(request: Request) -> Response:
    """Show a job as the workshop's own paper: complaint, answer, checks, repair, proof, claim."""
    services, found = job_of(request)
    rides = services.rides.of_job(found.id)
    proof = _proof(rides)
    said = request.query_params.get("said", "")
    return page(
        request,
        "job.html",
        job=found,
        **parts(services, found, rides),
        **(drop_fields(request) | _dropping(found)),
        standings={ride.id: services.board.standing(ride.id) for ride in rides},
        befores=services.queue.waiting(),
        queue=any(ride.busy for ride in rides),
        can_prove=_can_prove(rides, proof),
        said=said if said in _SAID else "",
    )


def claim(request: Request) -> Response:
    """Show the claim sheet, made to be printed: both rides and the proof on one paper."""
    services, found = job_of(request)
    rides = services.rides.of_job(found.id)
    files = {ride.id: services.rides.files(ride.id) for ride in rides}
    shop = services.shop.get()
    return page(
        request, "claim.html", job=found, files=files, shop=shop, **parts(services, found, rides)
    )


async def save(request: Request) -> Response:
    """Keep what the workshop says of a job, and the results of its checks."""
    services, found = await asyncio.to_thread(job_of, request)
    form = await read_form(request)
    notes = {name: form.one(name) for name in JOB_NOTES if form.has(name)}
    vehicle = (form.one("vehicle") or None) if form.has("vehicle") else found.vehicle
    if vehicle is not None and services.vehicles.get(vehicle) is None:
        raise refused(400, "no_vehicle")
    await asyncio.to_thread(services.repairs.note, found.id, notes, vehicle)
    checks = _checks(form)
    if checks:
        await asyncio.to_thread(services.repairs.keep_checks, found.id, checks)
    await asyncio.to_thread(services.changes.note, visitor(request), "job", found.name)
    return RedirectResponse(f"/jobs/{found.id}?said=saved", 303)


async def prove(request: Request) -> Response:
    """Compare the rides before the repair with those after it."""
    services, found = await asyncio.to_thread(job_of, request)
    await read_form(request)
    await asyncio.to_thread(queue_proof, services, found, visitor(request))
    services.jobs.wake()
    return RedirectResponse(f"/jobs/{found.id}#proof", 303)


def queue_proof(services: Services, found: RepairJob, who: str) -> RideRecord:
    """Put a job's comparison into the queue, unless it is there already.

    Raises
    ------
    Refused
        If one side has no ride that is done.
    """
    rides = services.rides.of_job(found.id)
    sides = [[ride for ride in rides if is_side(ride, phase)] for phase in (BEFORE, AFTER)]
    if not all(sides):
        raise refused(400, "no_sides")
    new = NewRide(
        title=say("jobs.proof_name", name=found.name or found.id),
        files=(),
        kind="compare",
        sides="/".join(".".join(ride.id for ride in side) for side in sides),
        vehicle_by="chosen",
        job=found.id,
        uploaded_by=who,
    )
    row, is_new = services.rides.put(new)
    if not is_new and row.state in {"failed", "cancelled"}:
        services.queue.again(row.id)
        return services.rides.get(row.id) or row
    return row


async def close(request: Request) -> Response:
    """Close a job, or open it again."""
    services, found = await asyncio.to_thread(job_of, request)
    await read_form(request)
    await asyncio.to_thread(services.repairs.close, found.id, closed=found.is_open)
    what = "closed" if found.is_open else "reopened"
    await asyncio.to_thread(services.changes.note, visitor(request), what, found.name)
    return RedirectResponse(f"/jobs/{found.id}?said=saved", 303)


async def delete(request: Request) -> Response:
    """Take a job off; its rides stay."""
    services, found = await asyncio.to_thread(job_of, request)
    await read_form(request)
    await asyncio.to_thread(services.repairs.delete, found.id)
    await asyncio.to_thread(services.changes.note, visitor(request), "job_deleted", found.name)
    return RedirectResponse("/jobs", 303)


def parts(
    services: Services, found: RepairJob, rides: list[RideRecord]
) -> dict[str, Any]:  # Any: what templates take
    """Return what a job consists of: rides by phase, checks, answer and proof."""
    before = [ride for ride in rides if ride.kind == "ride" and ride.phase != AFTER]
    first = next((ride for ride in before if ride.page), None)
    asked = next_checks(services, first)
    return {
        "before": before,
        "after": [ride for ride in rides if ride.kind == "ride" and ride.phase == AFTER],
        "first": first,
        "checks": with_results(asked, services.repairs.checks(found.id)),
        "proof": _proof(rides),
    }


def next_checks(services: Services, ride: RideRecord | None) -> list[JobCheck]:
    """Return the checks that a ride's answer asks for."""
    if ride is None or ride.data is None or ride.kind != "ride":
        return []
    try:
        data = json.loads(services.blobs.path(ride.data).read_bytes())
        told = data["conclusions"][0]["next_checks"]
        return [
            JobCheck(
                text=one["text"],
                expect=one["expect"] or "",
                cautions=tuple(one.get("cautions") or ()),
            )
            for one in told
        ]
    except (OSError, ValueError, KeyError, IndexError, TypeError):
        return []  # a result of an earlier version has none


def is_side(ride: RideRecord, phase: str) -> bool:
    """Tell whether a ride can stand on one side of the proof."""
    own = AFTER if ride.phase == AFTER else BEFORE
    return ride.kind == "ride" and bool(ride.page) and not ride.busy and own == phase


def job_of(request: Request) -> tuple[Services, RepairJob]:
    """Return the job that an address names.

    Raises
    ------
    Refused
        If there is none.
    """
    services: Services = request.app.state.services
    found = services.repairs.get(request.path_params["job"])
    if found is None:
        raise refused(404, "missing")
    return services, found


def _dropping(found: RepairJob) -> dict[str, object]:
    """Return what the drop field says of a job: before its repair, or after it."""
    if found.correction:
        lead, phase = say("jobs.drop_after"), AFTER
    else:
        lead, phase = say("jobs.drop_before"), BEFORE
    return {"drop_job": found, "drop_phase": phase, "drop_lead": lead}


def _checks(form: Form) -> list[JobCheck]:
    texts, expects = form.many("check"), form.many("expect")
    measured, done = form.many("measured"), set(form.many("done"))
    rows = zip(texts, expects, measured, strict=False)
    return [
        JobCheck(text=text, expect=expect, measured=value, is_done=str(place) in done)
        for place, (text, expect, value) in enumerate(rows)
    ]


def _proof(rides: list[RideRecord]) -> RideRecord | None:
    """Return the newest comparison of a job."""
    found = [ride for ride in rides if ride.kind == "compare"]
    return max(found, key=lambda ride: ride.created_s, default=None)


def _can_prove(rides: list[RideRecord], proof: RideRecord | None) -> bool:
    """Tell whether there are two sides that the newest proof does not cover."""
    sides = [[ride.id for ride in rides if is_side(ride, phase)] for phase in (BEFORE, AFTER)]
    if not all(sides):
        return False
    return proof is None or proof.both_sides != (sides[0], sides[1])

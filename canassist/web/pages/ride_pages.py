"""One ride: its answer, its files, what the workshop says of it, and what is doubtful."""

from __future__ import annotations

import asyncio
import json
from typing import TYPE_CHECKING, Any, Final

from starlette.responses import RedirectResponse, Response

from canassist.web.http.refusal import refused
from canassist.web.http.responses import page, read_form
from canassist.web.http.safe_names import (
    DATABASE_ENDINGS,
    PROFILE_ENDING,
    clock_moments,
    file_name,
    one_line,
)
from canassist.web.http.visitors import visitor
from canassist.web.pages.candidate_pictures import answer_of, drawn
from canassist.web.pages.job_pages import next_checks
from canassist.web.store.earlier_reports import earlier_reports
from canassist.web.store.records import NOTES, Stored
from canassist.web.store.repair_jobs import AFTER, BEFORE
from canassist.web.store.shelf_search import Search
from canassist.web.store.vehicles_index import with_channel

if TYPE_CHECKING:
    from starlette.requests import Request

    from canassist.web.http.responses import Form
    from canassist.web.services import Services
    from canassist.web.store.records import RideRecord

_NOTHING: Final = "none of these"


def ride(request: Request) -> Response:
    """Show a ride."""
    services, found = _found(request)
    questions = _questions(services, found)
    asked = Search(vehicle=found.vehicle or "", sort="ridden")
    others, _ = services.rides.search(asked)
    said = request.query_params.get("said", "") if _is_known(request) else ""
    open_jobs = services.repairs.all(open_only=True)
    return page(
        request,
        "ride.html",
        ride=found,
        standing=services.board.standing(found.id),
        before=services.queue.waiting().get(found.id, 0),
        job=services.repairs.get(found.job),
        jobs=open_jobs,
        near_job=next((one.id for one in open_jobs if found.vehicle == one.vehicle), ""),
        checks=next_checks(services, found),
        earlier=earlier_reports(services.database, found.id),
        others=[one for one in others if _is_comparable(one, found)],
        lacks_database=_lacks_database(found),
        known_endings=" ".join((*DATABASE_ENDINGS, PROFILE_ENDING)),
        open_notes=said == "saved" or found.state == "cancelled",
        bad_moments=bool(found.moments) and not clock_moments(found.moments),
        files=services.rides.files(found.id),
        vehicles=services.vehicles.all(),
        questions=[(one, [drawn(choice, one) for choice in one["choices"]]) for one in questions],
        notes=NOTES,
        sides=_sides(services, found),
        said=said,
        nothing=_NOTHING,
    )


async def save(request: Request) -> Response:
    """Keep name and notes; where the notes changed, the report is written anew."""
    services, found = await asyncio.to_thread(_found, request)
    form = await read_form(request)
    title = one_line(form.one("title")) or found.title
    notes = {name: form.one(name) for name in NOTES}
    await asyncio.to_thread(services.rides.note, found.id, title, notes)
    await asyncio.to_thread(services.changes.note, visitor(request), "notes", title)
    await asyncio.to_thread(_join_by_order, services, found, notes["work_order"])
    changed = any(getattr(found, name) != text for name, text in notes.items())
    if changed and (found.page is not None or found.state == "working"):
        await _queue(services, found)
    return RedirectResponse(f"/rides/{found.id}?said=saved", 303)


async def cancel(request: Request) -> Response:
    """Call the work on a ride off."""
    services, found = await asyncio.to_thread(_found, request)
    await read_form(request)
    await asyncio.to_thread(services.queue.cancel, found.id)
    services.jobs.cancel(found.id)
    return RedirectResponse(f"/#ride-{found.id}", 303)


async def first(request: Request) -> Response:
    """Let a waiting ride be the next."""
    services, found = await asyncio.to_thread(_found, request)
    await read_form(request)
    await asyncio.to_thread(services.queue.first, found.id)
    services.board.changed(found.id)
    return RedirectResponse(f"/#ride-{found.id}", 303)


async def again(request: Request) -> Response:
    """Put a ride into the queue anew."""
    services, found = await asyncio.to_thread(_found, request)
    await read_form(request)
    await _queue(services, found)
    return RedirectResponse(f"/#ride-{found.id}", 303)


async def vehicle(request: Request) -> Response:
    """Say which vehicle a ride belongs to, and analyse it as that."""
    services, found = await asyncio.to_thread(_found, request)
    form = await read_form(request)
    given = form.one("vehicle")
    if given in {"", "none"}:
        chosen, by = None, "" if not given else "chosen"
    else:
        known = await asyncio.to_thread(services.vehicles.get, given)
        if known is None:
            raise refused(400, "no_vehicle")
        chosen, by = known.id, "chosen"
    await asyncio.to_thread(services.rides.choose_vehicle, found.id, chosen, by)
    await _queue(services, found)
    return RedirectResponse(f"/rides/{found.id}", 303)


async def answer(request: Request) -> Response:
    """Take the answers to what was doubtful, remember them with the vehicle, analyse anew."""
    services, found = await asyncio.to_thread(_found, request)
    form = await read_form(request)
    await asyncio.to_thread(_remember, services, found, form)
    await _queue(services, found)
    return RedirectResponse(f"/rides/{found.id}?said=settled", 303)


def _remember(services: Services, found: RideRecord, form: Form) -> None:
    known = services.vehicles.get(found.vehicle)
    if known is None:
        raise refused(409, "no_vehicle")
    answers = _answers(_questions(services, found), form)
    chosen = {channel: signal for channel, signal in answers.items() if signal}
    profile = known.profile
    data = services.blobs.path(profile.sha256).read_bytes() if profile else None
    for channel, signal in chosen.items():
        data = with_channel(data, channel, signal)
    if chosen and data is not None:
        name = profile.name if profile else file_name(f"{known.name}.toml")
        with services.blobs.placing():
            new = Stored(sha256=services.blobs.keep_bytes(data), name=name, size=len(data))
            services.vehicles.write_profile(known, new)
    for channel, signal in answers.items():
        services.vehicles.settle(known.id, channel, signal)


def _answers(questions: list[dict[str, Any]], form: Form) -> dict[str, str]:  # Any: plain JSON
    """Return the signal chosen for each channel that was answered; an empty one for none."""
    answers = {}
    for question in questions:
        signal = form.one(f"signal-{question['channel']}")
        if signal in {answer_of(choice) for choice in question["choices"]}:
            answers[question["channel"]] = signal
        elif signal == _NOTHING:
            answers[question["channel"]] = ""
    if not answers:
        raise refused(400, "nothing_answered")
    chosen = [signal for signal in answers.values() if signal]
    if len(set(chosen)) < len(chosen):
        raise refused(400, "same_twice")
    return answers


async def _queue(services: Services, found: RideRecord) -> None:
    if found.busy:
        services.jobs.cancel(found.id)
    await asyncio.to_thread(services.queue.again, found.id)
    services.jobs.wake()


def _found(request: Request) -> tuple[Services, RideRecord]:
    services: Services = request.app.state.services
    ride = services.rides.get(request.path_params["ride"])
    if ride is None or ride.deleted:
        raise refused(404, "missing")
    return services, ride


def _sides(services: Services, found: RideRecord) -> list[tuple[str, RideRecord]]:
    """Return the rides that a comparison is made of, with their side."""
    return [
        (name, ride)
        for name, side in zip("ab", found.both_sides, strict=True)
        for one in side
        if (ride := services.rides.get(one)) is not None
    ]


def _questions(
    services: Services, found: RideRecord
) -> list[dict[str, Any]]:  # Any: plain JSON values
    if found.questions is None or found.busy:
        return []
    text = services.blobs.path(found.questions).read_text("utf-8")
    read: list[dict[str, Any]] = json.loads(text)  # Any: plain JSON values
    settled = services.vehicles.settled(found.vehicle)
    return [one for one in read if one["channel"] not in settled]


def _join_by_order(services: Services, found: RideRecord, work_order: str) -> None:
    """Put a ride that is alone into the open job of the work order that was written down."""
    job = services.repairs.of_order(work_order) if found.job is None else None
    if job is not None and found.kind == "ride":
        services.rides.join([found.id], job.id, AFTER if job.correction else BEFORE)


def _is_comparable(one: RideRecord, found: RideRecord) -> bool:
    return one.kind == "ride" and one.id != found.id and bool(one.page)


def _lacks_database(found: RideRecord) -> bool:
    """Tell whether a ride was read without any vehicle's database."""
    is_read = found.state in {"done", "failed"}
    return found.kind == "ride" and found.vehicle is None and is_read


def _is_known(request: Request) -> bool:
    return request.query_params.get("said", "") in {"saved", "settled", "mended", "known"}

"""Uploads: from the wire to the disk, then onto the shelf and into the queue."""

from __future__ import annotations

import asyncio
import time
from contextlib import contextmanager
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

from python_multipart.multipart import parse_options_header

from canassist.web.http.middleware import asking_address
from canassist.web.http.multipart_upload import MultipartUpload
from canassist.web.http.refusal import refused
from canassist.web.http.safe_names import one_line, plain_text, stem
from canassist.web.http.visitors import visitor
from canassist.web.jobs.database_check import check_databases
from canassist.web.store.records import NOTES, NewRide, Stored
from canassist.web.store.repair_jobs import AFTER, BEFORE
from canassist.web.store.vehicles_index import profile_name
from canassist.web.zip_uploads import open_zips

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Callable, Iterator

    from starlette.requests import Request

    from canassist.web.http.multipart_upload import UploadedFile
    from canassist.web.services import Services
    from canassist.web.store.records import RideRecord
    from canassist.web.store.repair_jobs import RepairJob
    from canassist.web.store.vehicles_index import VehicleRecord

_PIECE: Final = 1 << 18


@dataclass(frozen=True, slots=True, kw_only=True)
class Placed:
    """What became of an upload.

    ``known`` are rides that were there already, made from the same files; ``sent`` are both in
    the order of their logs; ``left_out`` names
    files of a zip that are neither log nor database; ``who`` is the name that came with it.
    """

    rides: tuple[RideRecord, ...] = ()
    known: tuple[RideRecord, ...] = ()
    vehicle: VehicleRecord | None = None
    job: RepairJob | None = None
    left_out: tuple[str, ...] = ()
    who: str = ""
    mended: str = ""
    sent: tuple[RideRecord, ...] = ()


async def receive(request: Request, may_come_in: Callable[[dict[str, str]], None]) -> Placed:
    """Take an upload in and put its rides into the queue.

    Raises
    ------
    Refused
        If it is no upload, passes a bound, comes too slowly, or brings nothing of use.
    CanassistError
        If the profile in it is not valid.
    """
    services: Services = request.app.state.services
    boundary = _boundary(request)
    _check_length(request, services)
    with _one_of_few(services, asking_address(request.scope)):
        upload = MultipartUpload(
            boundary, blobs=services.blobs, limits=services.settings.limits, may_come_in=may_come_in
        )
        try:
            async for data in _pieces(request, services):
                await asyncio.to_thread(upload.feed, data)
            upload.check_whole()
            may_come_in(upload.fields)
            left_out = await asyncio.to_thread(open_zips, upload, services.settings.limits)
            await check_databases(services, upload.of_role("dbc"))
            who = one_line(upload.fields.get("uploaded_by", "")) or visitor(request)
            placed = await asyncio.to_thread(_place, services, upload, who)
        finally:
            await asyncio.shield(asyncio.to_thread(upload.drop))
    for ride in (*placed.rides, *placed.known):
        services.board.changed(ride.id)
    services.jobs.wake()
    return replace(placed, left_out=left_out, who=upload.fields.get("uploaded_by", ""))


async def receive_files(
    request: Request, may_come_in: Callable[[dict[str, str]], None]
) -> list[tuple[str, Stored]]:
    """Take databases and a profile in for a vehicle that is there; return them with their role.

    Raises
    ------
    Refused
        If nothing of use came, or a database that cannot be used.
    CanassistError
        If a profile is not valid.
    """
    services: Services = request.app.state.services
    boundary, limits = _boundary(request), services.settings.limits
    _check_length(request, services)
    with _one_of_few(services, asking_address(request.scope)):
        upload = MultipartUpload(
            boundary, blobs=services.blobs, limits=limits, may_come_in=may_come_in
        )
        try:
            async for data in _pieces(request, services):
                await asyncio.to_thread(upload.feed, data)
            upload.check_whole()
            may_come_in(upload.fields)
            await check_databases(services, upload.of_role("dbc"))
            return await asyncio.to_thread(_keep_files, services, upload)
        finally:
            await asyncio.shield(asyncio.to_thread(upload.drop))


def _keep_files(services: Services, upload: MultipartUpload) -> list[tuple[str, Stored]]:
    profiles = upload.of_role("profile")
    if not upload.files or upload.of_role("log"):
        raise refused(400, "no_database_file")
    if len(profiles) > 1:
        raise refused(400, "two_profiles")
    for one in profiles:
        profile_name(one.incoming.path.read_bytes(), one.name)
    with services.blobs.placing():
        upload.seal()
    return [(one.role, one.stored()) for one in upload.files]


def _boundary(request: Request) -> bytes:
    kind, options = parse_options_header(request.headers.get("content-type"))
    boundary = options.get(b"boundary", b"")
    if kind != b"multipart/form-data" or not 1 <= len(boundary) <= 200:  # noqa: PLR2004 - RFC 2046 says 70; some send more
        raise refused(415, "upload_form")
    return boundary


def _check_length(request: Request, services: Services) -> None:
    text = request.headers.get("content-length", "0")
    size = int(text) if text.isascii() and text.isdigit() else 0
    limits = services.settings.limits
    if size > limits.upload_bytes:
        raise refused(413, "upload_size", size=limits.upload_bytes / 1e9)
    if size + limits.reserve_bytes > services.blobs.free_bytes():
        raise refused(507, "disk_full")


@contextmanager
def _one_of_few(services: Services, address: str) -> Iterator[None]:
    """Hold one of the places for uploads; one address cannot have all of them."""
    limits, uploads = services.settings.limits, services.uploads
    if uploads.total() >= limits.uploads or uploads[address] >= limits.uploads_each:
        raise refused(503, "uploads")
    uploads[address] += 1
    try:
        yield
    finally:
        uploads[address] -= 1
        if not uploads[address]:
            del uploads[address]


async def _pieces(request: Request, services: Services) -> AsyncIterator[bytes]:
    """Yield the body in pieces worth a thread's while; refuse one that hardly moves."""
    limits, begun_s = services.settings.limits, time.monotonic()
    waiting, total = bytearray(), 0
    stream = request.stream()
    while True:
        try:
            data = await asyncio.wait_for(anext(stream), limits.idle_s)
        except StopAsyncIteration:
            break
        except TimeoutError:
            raise refused(408, "upload_slow") from None
        waiting += data
        total += len(data)
        spent = time.monotonic() - begun_s
        too_slow = spent > limits.patience_s and total / spent < limits.slowest_bytes_s
        if too_slow or spent > limits.upload_s:
            raise refused(408, "upload_slow")
        if len(waiting) >= _PIECE:
            yield bytes(waiting)
            waiting.clear()
    yield bytes(waiting)


def _place(services: Services, upload: MultipartUpload, who: str) -> Placed:
    logs, databases, profiles = (upload.of_role(role) for role in ("log", "dbc", "profile"))
    if not upload.files:
        raise refused(400, "upload_empty")
    if len(profiles) > 1:
        raise refused(400, "two_profiles")
    empty = next((one.name for one in upload.files if not one.incoming.size), None)
    if empty is not None:
        raise refused(400, "empty_file", name=empty)
    vehicle, by = _vehicle_meant(services, upload.fields.get("vehicle", ""))
    job = _job_meant(services, upload.fields)
    name = ""
    if profiles:
        name = profile_name(profiles[0].incoming.path.read_bytes(), profiles[0].name)
    with services.blobs.placing():
        upload.seal()
        if databases or profiles:
            vehicle, by = _keep_vehicle(services, name, databases, profiles, vehicle), "chosen"
            services.changes.note(who, "vehicle", vehicle.name)
        mended = _mend(services, upload.fields.get("ride", ""), vehicle)
        if logs and job is None:
            job = _job_of_order(services, upload.fields, vehicle, who)
        placed = _queue(services, upload, [one.stored() for one in logs], (vehicle, by), (job, who))
    known = (*mended, *placed.known)
    return replace(placed, known=known, mended=mended[0].id if mended else "")


def _vehicle_meant(services: Services, given: str) -> tuple[VehicleRecord | None, str]:
    if given in {"", "none"}:
        return None, "chosen" if given else ""
    vehicle = services.vehicles.get(given)
    if vehicle is None:
        raise refused(400, "no_vehicle")
    return vehicle, "chosen"


def _job_meant(services: Services, fields: dict[str, str]) -> RepairJob | None:
    """Return the job that was chosen; a work order that is not that job's own says more."""
    given, order = fields.get("job", ""), one_line(fields.get("work_order", ""))
    job = services.repairs.get(given) if given else None
    if given and job is None:
        raise refused(400, "no_job")
    return None if job is not None and order and not job.is_of(order) else job


def _job_of_order(
    services: Services, fields: dict[str, str], vehicle: VehicleRecord | None, who: str
) -> RepairJob | None:
    """Return the job that a work order names, opened where it is new."""
    order = one_line(fields.get("work_order", ""))
    if not order:
        return None
    found = services.repairs.of_order(order)
    if found is not None:
        return found
    notes = {name: plain_text(fields.get(name, "")) for name in NOTES}
    return services.repairs.open(notes, vehicle.id if vehicle else None, who)


def _mend(services: Services, given: str, vehicle: VehicleRecord | None) -> tuple[RideRecord, ...]:
    """Read a ride anew with the vehicle that was brought for it."""
    ride = services.rides.get(given) if given else None
    if ride is None or vehicle is None:
        return ()
    services.rides.choose_vehicle(ride.id, vehicle.id, "chosen")
    services.queue.again(ride.id)
    return (ride,)


def _keep_vehicle(
    services: Services,
    name: str,
    databases: list[UploadedFile],
    profiles: list[UploadedFile],
    chosen: VehicleRecord | None,
) -> VehicleRecord:
    """Keep the vehicle that came with an upload; a profile alone goes with the chosen one's."""
    known = [one.stored() for one in databases]
    if not known and chosen is not None:
        known = list(chosen.databases)
    profile = profiles[0].stored() if profiles else None
    title = one_line(name) or stem((databases or profiles)[0].name.rsplit(".", 1)[0])
    return services.vehicles.add(title, known, profile)


def _queue(
    services: Services,
    upload: MultipartUpload,
    logs: list[Stored],
    meant: tuple[VehicleRecord | None, str],
    work: tuple[RepairJob | None, str],
) -> Placed:
    (vehicle, by), (job, who) = meant, work
    notes = {name: plain_text(upload.fields.get(name, "")) for name in NOTES}
    if job is not None:  # what the job says stands on its rides' reports too
        notes = {name: text or getattr(job, name, "") for name, text in notes.items()}
    groups = [tuple(logs)] if upload.fields.get("together") else [(one,) for one in logs]
    added: list[RideRecord] = []
    known: list[RideRecord] = []
    sent: list[RideRecord] = []
    for files in groups:
        if not files:
            continue
        new = NewRide(
            title=one_line(upload.fields.get("title", "")) or stem(files[0].name),
            files=files,
            vehicle=vehicle.id if vehicle else None,
            vehicle_by=by,
            notes=notes,
            job=job.id if job else None,
            phase=_phase(job, upload.fields.get("phase", "")),
            uploaded_by=who,
        )
        ride, is_new = services.rides.put(new)
        if not is_new:
            _again(services, ride, new)
        (added if is_new else known).append(ride)
        sent.append(ride)
    return Placed(
        rides=tuple(added), known=tuple(known), sent=tuple(sent), vehicle=vehicle, job=job
    )


def _again(services: Services, ride: RideRecord, new: NewRide) -> None:
    """Read a ride again that came again, where it had failed; put it into the job meant."""
    if new.job is not None and ride.job is None:
        services.rides.join([ride.id], new.job, new.phase)
    if ride.state in {"failed", "cancelled"}:
        if new.vehicle is not None:
            services.rides.choose_vehicle(ride.id, new.vehicle, new.vehicle_by)
        services.queue.again(ride.id)


def _phase(job: RepairJob | None, given: str) -> str:
    """Tell whether a ride is from before the repair or after it; a repaired job's are after."""
    if job is None:
        return ""
    if given in {BEFORE, AFTER}:
        return given
    return AFTER if job.correction else BEFORE

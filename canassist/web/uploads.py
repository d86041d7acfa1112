"""Uploads: from the wire to the disk, then onto the shelf and into the queue."""

from __future__ import annotations

import asyncio
import time
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from python_multipart.multipart import parse_options_header

from canassist.web.http.middleware import asking_address
from canassist.web.http.multipart_upload import Parcel
from canassist.web.http.refusal import refused
from canassist.web.http.safe_names import one_line, plain_text, stem
from canassist.web.store.records import NOTES, NewRide, Stored
from canassist.web.store.vehicles_index import profile_name

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Callable, Iterator

    from starlette.requests import Request

    from canassist.web.http.multipart_upload import Arrived
    from canassist.web.services import Desk
    from canassist.web.store.records import RideRecord
    from canassist.web.store.vehicles_index import VehicleRecord

_PIECE: Final = 1 << 18


@dataclass(frozen=True, slots=True, kw_only=True)
class Placed:
    """What became of an upload.

    ``known`` are rides that were there already, made from the same files.
    """

    rides: tuple[RideRecord, ...] = ()
    known: tuple[RideRecord, ...] = ()
    vehicle: VehicleRecord | None = None


async def receive(request: Request, may_come_in: Callable[[dict[str, str]], None]) -> Placed:
    """Take an upload in and put its rides into the queue.

    Raises
    ------
    Refused
        If it is no upload, passes a bound, comes too slowly, or brings nothing of use.
    CanassistError
        If the profile in it is not valid.
    """
    desk: Desk = request.app.state.desk
    boundary = _boundary(request)
    _check_length(request, desk)
    with _one_of_few(desk, asking_address(request.scope)):
        parcel = Parcel(
            boundary, blobs=desk.blobs, limits=desk.settings.limits, may_come_in=may_come_in
        )
        try:
            async for data in _pieces(request, desk):
                await asyncio.to_thread(parcel.feed, data)
            placed = await asyncio.to_thread(_place, desk, parcel, may_come_in)
        finally:
            await asyncio.shield(asyncio.to_thread(parcel.drop))
    desk.jobs.wake()
    return placed


def _boundary(request: Request) -> bytes:
    kind, options = parse_options_header(request.headers.get("content-type"))
    boundary = options.get(b"boundary", b"")
    if kind != b"multipart/form-data" or not 1 <= len(boundary) <= 200:  # noqa: PLR2004 - RFC 2046 says 70; some send more
        raise refused(415, "upload_form")
    return boundary


def _check_length(request: Request, desk: Desk) -> None:
    text = request.headers.get("content-length", "0")
    size = int(text) if text.isascii() and text.isdigit() else 0
    limits = desk.settings.limits
    if size > limits.upload_bytes:
        raise refused(413, "upload_size", size=limits.upload_bytes / 1e9)
    if size + limits.reserve_bytes > desk.blobs.free_bytes():
        raise refused(507, "disk_full")


@contextmanager
def _one_of_few(desk: Desk, address: str) -> Iterator[None]:
    """Hold one of the places for uploads; one address cannot have all of them."""
    limits, uploads = desk.settings.limits, desk.uploads
    if uploads.total() >= limits.uploads or uploads[address] >= limits.uploads_each:
        raise refused(503, "uploads")
    uploads[address] += 1
    try:
        yield
    finally:
        uploads[address] -= 1
        if not uploads[address]:
            del uploads[address]


async def _pieces(request: Request, desk: Desk) -> AsyncIterator[bytes]:
    """Yield the body in pieces worth a thread's while; refuse one that hardly moves."""
    limits, begun_s = desk.settings.limits, time.monotonic()
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


def _place(desk: Desk, parcel: Parcel, may_come_in: Callable[[dict[str, str]], None]) -> Placed:
    parcel.check_whole()
    may_come_in(parcel.fields)
    logs, databases, profiles = (parcel.of_role(role) for role in ("log", "dbc", "profile"))
    if not parcel.files:
        raise refused(400, "upload_empty")
    if len(profiles) > 1:
        raise refused(400, "two_profiles")
    empty = next((one.name for one in parcel.files if not one.incoming.size), None)
    if empty is not None:
        raise refused(400, "empty_file", name=empty)
    given = parcel.fields.get("vehicle", "")
    vehicle = desk.vehicles.get(given) if given not in {"", "none"} else None
    if given not in {"", "none"} and vehicle is None:
        raise refused(400, "no_vehicle")
    name = ""
    if profiles:
        name = profile_name(profiles[0].incoming.path.read_bytes(), profiles[0].name)
    with desk.blobs.placing():
        parcel.seal()
        if databases or profiles:
            vehicle = _keep_vehicle(desk, name, databases, profiles, vehicle)
        by = "chosen" if vehicle is not None or given == "none" else ""
        return _queue(desk, parcel, [one.stored() for one in logs], vehicle, by)


def _keep_vehicle(
    desk: Desk,
    name: str,
    databases: list[Arrived],
    profiles: list[Arrived],
    chosen: VehicleRecord | None,
) -> VehicleRecord:
    """Keep the vehicle that came with an upload; a profile alone goes with the chosen one's."""
    known = [one.stored() for one in databases]
    if not known and chosen is not None:
        known = list(chosen.databases)
    profile = profiles[0].stored() if profiles else None
    title = one_line(name) or stem((databases or profiles)[0].name.rsplit(".", 1)[0])
    return desk.vehicles.add(title, known, profile)


def _queue(
    desk: Desk, parcel: Parcel, logs: list[Stored], vehicle: VehicleRecord | None, by: str
) -> Placed:
    notes = {name: plain_text(parcel.fields.get(name, "")) for name in NOTES}
    groups = [tuple(logs)] if parcel.fields.get("together") else [(one,) for one in logs]
    added: list[RideRecord] = []
    known: list[RideRecord] = []
    for files in groups:
        if not files:
            continue
        new = NewRide(
            title=one_line(parcel.fields.get("title", "")) or stem(files[0].name),
            files=files,
            vehicle=vehicle.id if vehicle else None,
            vehicle_by=by,
            notes=notes,
        )
        ride, is_new = desk.rides.put(new)
        (added if is_new else known).append(ride)
    return Placed(rides=tuple(added), known=tuple(known), vehicle=vehicle)

"""The sample ride: an invented vehicle's, made in a process of its own."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from canassist.web.http.refusal import refused
from canassist.web.http.safe_names import file_name
from canassist.web.jobs.worker_process import Worker
from canassist.web.store.records import NewRide, Stored

if TYPE_CHECKING:
    from canassist.web.services import Services
    from canassist.web.store.records import RideRecord

RIDE: Final = "hot_tight_turns"
_TIME_S: Final = 120.0


async def put_sample(services: Services) -> RideRecord:
    """Make the sample ride with its vehicle and put it into the queue.

    Raises
    ------
    Refused
        If it cannot be made.
    """
    folder = await asyncio.to_thread(services.blobs.work_folder)
    order = {
        "kind": "sample",
        "folder": str(folder),
        "ride": RIDE,
        "work_bytes": services.settings.limits.work_bytes,
    }
    try:
        outcome = await Worker(order, _TIME_S).run(lambda *_: None)
        if "done" not in outcome:
            raise refused(503, "product")
        ride = await asyncio.to_thread(_place, services, folder, outcome["done"])
    finally:
        await asyncio.to_thread(services.blobs.clear, folder)
    services.jobs.wake()
    return ride


def _place(
    services: Services, folder: Path, made: dict[str, Any]
) -> RideRecord:  # Any: plain JSON values
    title = str(made["title"])
    with services.blobs.placing():
        log, dbc, profile = (
            _kept(services, folder / made[one]) for one in ("log", "dbc", "profile")
        )
        vehicle = services.vehicles.add(str(made["vehicle"]), [dbc], profile)
        new = NewRide(title=title, files=(log,), vehicle=vehicle.id, vehicle_by="chosen")
        return services.rides.put(new)[0]


def _kept(services: Services, path: Path) -> Stored:
    size = path.stat().st_size
    return Stored(sha256=services.blobs.keep_file(path), name=file_name(path.name), size=size)

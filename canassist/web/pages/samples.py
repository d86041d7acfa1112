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
    from canassist.web.services import Desk
    from canassist.web.store.records import RideRecord

RIDE: Final = "hot_tight_turns"
_TIME_S: Final = 120.0


async def put_sample(desk: Desk) -> RideRecord:
    """Make the sample ride with its vehicle and put it into the queue.

    Raises
    ------
    Refused
        If it cannot be made.
    """
    folder = await asyncio.to_thread(desk.blobs.work_folder)
    order = {
        "kind": "sample",
        "folder": str(folder),
        "ride": RIDE,
        "work_bytes": desk.settings.limits.work_bytes,
    }
    try:
        outcome = await Worker(order, _TIME_S).run(lambda *_: None)
        if "done" not in outcome:
            raise refused(503, "product")
        ride = await asyncio.to_thread(_place, desk, folder, outcome["done"])
    finally:
        await asyncio.to_thread(desk.blobs.clear, folder)
    desk.jobs.wake()
    return ride


def _place(desk: Desk, folder: Path, made: dict[str, Any]) -> RideRecord:  # Any: plain JSON values
    title = str(made["title"])
    with desk.blobs.placing():
        log, dbc, profile = (_kept(desk, folder / made[one]) for one in ("log", "dbc", "profile"))
        vehicle = desk.vehicles.add(str(made["vehicle"]), [dbc], profile)
        new = NewRide(title=title, files=(log,), vehicle=vehicle.id, vehicle_by="chosen")
        return desk.rides.put(new)[0]


def _kept(desk: Desk, path: Path) -> Stored:
    size = path.stat().st_size
    return Stored(sha256=desk.blobs.keep_file(path), name=file_name(path.name), size=size)

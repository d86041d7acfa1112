"""The queue: rides are worked on one after the other, a few at a time."""

from __future__ import annotations

import asyncio
import json
import logging
import os
import sqlite3
import time
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from canassist.web.blobs import place_under_name
from canassist.web.names import clock_moments, file_name, stem
from canassist.web.process import Worker
from canassist.web.refusal import Refused, is_disk_full, new_number
from canassist.web.store import NOTES, Answer
from canassist.web.words import say

if TYPE_CHECKING:
    from canassist.web.blobs import Blobs
    from canassist.web.board import Board
    from canassist.web.process import Order, Outcome
    from canassist.web.settings import Limits
    from canassist.web.store import Ride, Rides
    from canassist.web.vehicles import Vehicle, Vehicles

log = logging.getLogger("canassist.web")

_PAUSE_S: Final = 2.0
_PURGE_EVERY_S: Final = 300.0
_PRINT_S: Final = 180.0


class Jobs:
    """Works through the queue and makes what is asked of finished reports.

    Parameters
    ----------
    rides, vehicles, blobs, board
        The shelf and who is told.
    limits : Limits
    """

    def __init__(
        self, *, rides: Rides, vehicles: Vehicles, blobs: Blobs, board: Board, limits: Limits
    ) -> None:
        self._rides = rides
        self._vehicles = vehicles
        self._blobs = blobs
        self._board = board
        self._limits = limits
        self._workers: dict[str, Worker] = {}
        self._making: dict[tuple[str, str], asyncio.Task[str]] = {}
        self._slots = asyncio.Semaphore(limits.workers)
        self._printing = asyncio.Semaphore(1)
        self._wake = asyncio.Event()
        self._tasks: set[asyncio.Task[None]] = set()
        self._main: asyncio.Task[None] | None = None
        self._stopping = False

    def start(self) -> None:
        """Take up the queue where an earlier process left it."""
        problem, fix = say("refusals.restarts"), say("refusals.restarts_fix")
        self._rides.resume(self._limits.attempts, problem, fix)
        self._forget()
        self._main = asyncio.create_task(self._work_through())

    async def stop(self) -> None:
        """End what is in work; it is taken up again at the next start."""
        self._stopping = True
        for worker in list(self._workers.values()):
            worker.kill()
        waiting = [task for task in (self._main, *self._tasks, *self._making.values()) if task]
        for task in waiting:
            task.cancel()
        await asyncio.gather(*waiting, return_exceptions=True)

    def wake(self) -> None:
        """Look at the queue: something was put into it."""
        self._wake.set()

    def cancel(self, ride: str) -> None:
        """End the work on a ride."""
        worker = self._workers.pop(ride, None)
        if worker is not None:
            worker.kill()
        self._board.end(ride)

    async def product(self, ride: Ride, kind: str) -> Path:
        """Return what is made of a finished report only when asked for: its PDF or export.

        Raises
        ------
        Refused
            If it cannot be made.
        """
        source = ride.page or ""
        kept = await asyncio.to_thread(self._rides.product, source, kind)
        if kept and self._blobs.has(kept):
            return self._blobs.path(kept)
        key = (source, kind)
        task = self._making.get(key)
        if task is None:
            task = self._making[key] = asyncio.create_task(self._make(ride, kind))
            task.add_done_callback(lambda _: self._making.pop(key, None))
        return self._blobs.path(await asyncio.shield(task))

    async def _work_through(self) -> None:
        purged_s = time.monotonic()
        while True:
            await self._slots.acquire()
            ride = await self._next()
            if ride is not None:
                task = asyncio.create_task(self._one(ride))
                self._tasks.add(task)
                task.add_done_callback(self._ended)
                continue
            self._slots.release()
            with suppress(TimeoutError):
                await asyncio.wait_for(self._wake.wait(), _PURGE_EVERY_S)
            self._wake.clear()
            if time.monotonic() - purged_s > _PURGE_EVERY_S and not self._workers:
                purged_s = time.monotonic()
                await asyncio.to_thread(self._purge)

    async def _next(self) -> Ride | None:
        self._wake.clear()
        try:
            return await asyncio.to_thread(self._rides.begin_next, self._limits.attempts)
        except sqlite3.Error:
            log.exception("the queue could not be read")
            await asyncio.sleep(_PAUSE_S)
            return None

    def _ended(self, task: asyncio.Task[None]) -> None:
        self._tasks.discard(task)
        self._slots.release()
        self._wake.set()

    def _purge(self) -> None:
        self._rides.purge(time.time() - self._limits.undo_s)

    def _forget(self) -> None:
        """At the start, when nobody else writes: remove what nothing refers to."""
        self._purge()
        self._blobs.sweep(self._rides.wanted_files())

    async def _one(self, ride: Ride) -> None:
        worker = self._workers[ride.id] = Worker({}, self._limits.work_s)
        self._board.begin(ride.id)
        folder: Path | None = None
        try:
            kind = "report" if ride.kind == "ride" else "compare"
            folder, worker.order = await asyncio.to_thread(self._prepare, ride, kind)
            outcome = await worker.run(lambda *step: self._board.step(ride.id, *step))
            if self._is_at(ride.id, worker) and not self._stopping:
                await asyncio.to_thread(self._settle, ride, Path(worker.order["folder"]), outcome)
        except (OSError, sqlite3.Error, ValueError, KeyError) as error:
            number, name = new_number(), "disk_full" if is_disk_full(error) else "work"
            log.exception("error %s: work on ride %s", number, ride.id)
            told = say(f"refusals.{name}"), say(f"refusals.{name}_fix")
            with suppress(sqlite3.Error):  # it stays in work then, and is taken up at next start
                await asyncio.to_thread(self._rides.fail, ride.id, *told, number)
        finally:
            if folder is not None:
                await asyncio.to_thread(self._blobs.clear, folder)
            if self._is_at(ride.id, worker):
                del self._workers[ride.id]
                self._board.end(ride.id)

    def _is_at(self, ride: str, worker: Worker) -> bool:
        """Tell whether a worker is still the one for a ride: it was not called off meanwhile."""
        return self._workers.get(ride) is worker

    def _prepare(self, ride: Ride, kind: str) -> tuple[Path, Order]:
        """Lay the files of a ride out under their own names."""
        folder = self._blobs.work_folder()
        order = self._order(ride, kind, folder)
        if ride.kind == "compare":
            sides = [[self._rides.get(one) for one in side] for side in ride.both_sides]
            order["sides"] = [
                [
                    self._order(one, "one", folder / f"{place}-{number}")
                    for number, one in enumerate(side)
                    if one is not None
                ]
                for place, side in enumerate(sides)
            ]
        return folder, order

    def _order(self, ride: Ride, kind: str, folder: Path) -> Order:
        logs = [
            self._lay_out(folder / "logs" / str(number), one.sha256, one.name)
            for number, one in enumerate(self._rides.files(ride.id))
        ]
        known = [one for one in (self._vehicles.get(ride.vehicle),) if one]
        if ride.vehicle_by != "chosen" and kind == "report":
            known = self._vehicles.all()
        return {
            "kind": kind,
            "title": ride.title,
            "folder": str(folder),
            "logs": logs,
            "vehicles": [self._lay_out_vehicle(folder, one) for one in known],
            "vehicle": ride.vehicle,
            "vehicle_by": "chosen" if kind != "report" else ride.vehicle_by,
            "settled": {one.id: self._vehicles.settled(one.id) for one in known},
            "case": _case(ride),
            "stem": stem(ride.title),
            "work_bytes": self._limits.work_bytes,
        }

    def _lay_out(self, folder: Path, sha256: str, name: str) -> str:
        target = folder / file_name(name)
        place_under_name(self._blobs.path(sha256), target)
        return str(target)

    def _lay_out_vehicle(self, folder: Path, vehicle: Vehicle) -> dict[str, object]:
        home = folder / "vehicles" / vehicle.id
        profile = vehicle.profile
        return {
            "id": vehicle.id,
            "dbc": [
                self._lay_out(home / str(number), one.sha256, one.name)
                for number, one in enumerate(vehicle.databases)
            ],
            "profile": self._lay_out(home / "p", profile.sha256, profile.name) if profile else None,
        }

    def _settle(self, ride: Ride, folder: Path, outcome: Outcome) -> None:
        """Keep what a worker came to."""
        if "done" in outcome:
            self._rides.finish(ride.id, self._kept(folder, outcome["done"]))
            return
        problem, fix, number = _what_went_wrong(ride, folder, outcome)
        self._rides.fail(ride.id, problem, fix, number)

    def _kept(self, folder: Path, done: dict[str, Any]) -> Answer:  # Any: plain JSON values
        for name in ("page", "data", "questions"):
            if done[name] is not None:
                done[name] = self._blobs.keep_file(folder / Path(done[name]).name)
        return Answer(**done)

    async def _make(self, ride: Ride, kind: str) -> str:
        async with self._printing:
            folder, order = await asyncio.to_thread(self._prepare, ride, kind)
            try:
                if kind == "pdf":
                    order |= {"page": "printed.html", "work_bytes": 0}
                    source = self._blobs.path(ride.page or "")
                    await asyncio.to_thread(place_under_name, source, folder / order["page"])
                limit_s = _PRINT_S if kind == "pdf" else self._limits.work_s
                outcome = await Worker(order, limit_s).run(lambda *_: None)
                if "done" not in outcome:
                    problem, fix, _ = _what_went_wrong(ride, folder, outcome)
                    raise Refused(503, problem, fix)
                made = folder / Path(outcome["done"]["file"]).name
                sha256 = await asyncio.to_thread(self._blobs.keep_file, made)
                await asyncio.to_thread(self._rides.keep_product, ride.page or "", kind, sha256)
                return sha256
            finally:
                await asyncio.to_thread(self._blobs.clear, folder)


def _case(ride: Ride) -> dict[str, object]:
    words = {
        name: getattr(ride, name) for name in NOTES if name not in {"vehicle_words", "moments"}
    }
    return {**words, "vehicle": ride.vehicle_words, "at_s": clock_moments(ride.moments)}


def _what_went_wrong(ride: Ride, folder: Path, outcome: Outcome) -> tuple[str, str, str]:
    """Return problem and fix for the reader, and the number under which the log has more."""
    number = new_number()
    if "refused" in outcome:
        problem, fix = outcome["refused"]
        log.warning("error %s: ride %s: %s", number, ride.id, json.dumps(problem))
        return str(problem).replace(f"{folder}{os.sep}", ""), _for_the_page(str(fix)), number
    for name in ("too_big", "too_long", "disk_full"):
        if name in outcome:
            log.warning("error %s: ride %s: %s", number, ride.id, name)
            return say(f"refusals.{name}"), say(f"refusals.{name}_fix"), number
    log.error("error %s: ride %s: %s", number, ride.id, outcome.get("broken", outcome.get("died")))
    return say("refusals.work"), say("refusals.work_fix"), number


def _for_the_page(fix: str) -> str:
    """Put advice that names an option of the command line into the page's words."""
    if "--dbc" in fix:
        return say("refusals.no_database_fix")
    return fix

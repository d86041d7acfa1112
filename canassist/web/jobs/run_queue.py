"""Works through the queue: rides are worked on one after the other, a few at a time."""

from __future__ import annotations

import asyncio
import logging
import sqlite3
import time
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from canassist.web.http.page_texts import say
from canassist.web.jobs.outcomes import what_failed, what_went_wrong
from canassist.web.jobs.worker_process import Worker
from canassist.web.shop.shop_settings import ShopSettings
from canassist.web.store.records import StoredAnswer

if TYPE_CHECKING:
    from canassist.web.jobs.orders import Orders
    from canassist.web.jobs.progress_board import ProgressBoard
    from canassist.web.jobs.queue_index import Queue
    from canassist.web.jobs.worker_process import Outcome
    from canassist.web.settings import PageLimits
    from canassist.web.shop.shop_settings import ShopStore
    from canassist.web.store.content_files import Blobs
    from canassist.web.store.products import Products
    from canassist.web.store.records import RideRecord
    from canassist.web.store.rides_index import RidesIndex

log = logging.getLogger("canassist.web")

_PAUSE_S: Final = 2.0
_TIDY_EVERY_S: Final = 900.0


class Jobs:
    """Works through the queue.

    Parameters
    ----------
    rides, queue, products, blobs, board, orders, shop
        The shelf, who is told, and how long deleted rides stay.
    limits : PageLimits
    """

    def __init__(  # noqa: PLR0913 - what it joins, by name
        self,
        *,
        rides: RidesIndex,
        queue: Queue,
        products: Products,
        blobs: Blobs,
        board: ProgressBoard,
        orders: Orders,
        shop: ShopStore,
        limits: PageLimits,
    ) -> None:
        self._rides = rides
        self._queue = queue
        self._products = products
        self._blobs = blobs
        self._board = board
        self._orders = orders
        self._shop = shop
        self._limits = limits
        self._workers: dict[str, Worker] = {}
        self._slots = asyncio.Semaphore(limits.workers)
        self._wake = asyncio.Event()
        self._tasks: set[asyncio.Task[None]] = set()
        self._stopping = False

    def start(self) -> None:
        """Take up the queue where an earlier process left it."""
        problem, fix = say("refusals.restarts"), say("refusals.restarts_fix")
        self._queue.resume(self._limits.attempts, problem, fix)
        for work in (self._work_through(), self._tidy_now_and_then()):
            self._begin(work)

    async def stop(self) -> None:
        """End what is in work; it is taken up again at the next start."""
        self._stopping = True
        for worker in list(self._workers.values()):
            worker.kill()
        waiting = list(self._tasks)
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

    def tidy(self) -> None:
        """Forget rides that were deleted long enough ago, and files that nothing refers to."""
        shop, limits = self._shop.get(), self._limits
        standard = ShopSettings()
        undo_s = limits.undo_s * shop.undo_hours / standard.undo_hours
        bin_s = limits.bin_s * shop.bin_days / standard.bin_days
        self._rides.purge(time.time() - undo_s)
        self._products.forget()
        self._blobs.sweep(self._products.wanted_files)
        self._blobs.empty_bin(time.time() - bin_s)

    def _begin(self, work: Any) -> asyncio.Task[None]:  # noqa: ANN401 - a coroutine
        task: asyncio.Task[None] = asyncio.create_task(work)
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)
        return task

    async def _tidy_now_and_then(self) -> None:
        while True:
            try:
                await asyncio.to_thread(self.tidy)
            except (OSError, sqlite3.Error):
                log.exception("the folder could not be tidied")
            await asyncio.sleep(_TIDY_EVERY_S)

    async def _work_through(self) -> None:
        while True:
            await self._slots.acquire()
            ride = await self._next()
            if ride is None:
                self._slots.release()
                await self._wake.wait()
            else:
                self._begin(self._one(ride)).add_done_callback(lambda _: self._slots.release())

    async def _next(self) -> RideRecord | None:
        self._wake.clear()
        try:
            return await asyncio.to_thread(self._queue.begin_next, self._limits.attempts)
        except sqlite3.Error:
            log.exception("the queue could not be read")
            await asyncio.sleep(_PAUSE_S)
            self._wake.set()
            return None

    async def _one(self, ride: RideRecord) -> None:
        worker = self._workers[ride.id] = Worker({}, self._limits.work_s)
        self._board.begin(ride.id)
        try:
            await self._work_on(ride, worker)
        except Exception as error:  # whatever it was, the ride must not seem in work for ever
            told = what_failed(ride.id, error)
            with suppress(sqlite3.Error):  # it stays in work then, and is taken up at next start
                await asyncio.to_thread(self._queue.fail, ride, *told)
        finally:
            if self._is_at(ride.id, worker):
                del self._workers[ride.id]
                self._board.end(ride.id)

    async def _work_on(self, ride: RideRecord, worker: Worker) -> None:
        folder = await asyncio.to_thread(self._blobs.work_folder)
        try:
            kind = "report" if ride.kind == "ride" else ride.kind
            worker.order = await asyncio.to_thread(self._orders.prepare, ride, kind, folder)
            begun_s = time.monotonic()
            outcome = await worker.run(lambda *step: self._board.step(ride.id, *step))
            if "done" in outcome:
                self._queue.took(time.monotonic() - begun_s)
            if self._is_at(ride.id, worker) and not self._stopping:
                await asyncio.to_thread(self._settle, ride, folder, outcome)
                if "died" in outcome:
                    self.wake()  # it may have been put back
        finally:
            await asyncio.to_thread(self._blobs.clear, folder)

    def _is_at(self, ride: str, worker: Worker) -> bool:
        """Tell whether a worker is still the one for a ride: it was not called off meanwhile."""
        return self._workers.get(ride) is worker

    def _settle(self, ride: RideRecord, folder: Path, outcome: Outcome) -> None:
        """Keep what a worker came to."""
        if "done" in outcome:
            with self._blobs.placing():
                identity = outcome["done"].pop("identity", "")
                self._queue.finish(ride, self._kept(folder, outcome["done"]), identity)
            return
        if "died" in outcome and ride.attempts < self._limits.attempts:
            log.warning("work on ride %s ended from outside (%s); again", ride.id, outcome["died"])
            self._queue.try_again(ride)
            return
        self._queue.fail(ride, *what_went_wrong(ride.id, folder, outcome))

    def _kept(self, folder: Path, done: dict[str, Any]) -> StoredAnswer:  # Any: plain JSON values
        files = {
            name: self._blobs.keep_file(folder / Path(done[name]).name)
            for name in ("page", "data", "questions", "picture")
            if done.get(name) is not None
        }
        return StoredAnswer(**(done | files))

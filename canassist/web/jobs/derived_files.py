"""What is made of a finished report only when it is asked for: its PDF, its export."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import TYPE_CHECKING, Final

from canassist.web.http.refusal import Refused
from canassist.web.jobs.outcomes import what_went_wrong
from canassist.web.jobs.worker_process import Worker
from canassist.web.store.content_files import place_under_name

if TYPE_CHECKING:
    from canassist.web.jobs.orders import Orders
    from canassist.web.jobs.worker_process import Order
    from canassist.web.settings import PageLimits
    from canassist.web.store.content_files import Blobs
    from canassist.web.store.products import Products
    from canassist.web.store.records import RideRecord

_PRINT_S: Final = 180.0


class Making:
    """Makes products of reports, one at a time, and keeps them.

    Parameters
    ----------
    orders, products, blobs
        Where things lie.
    limits : PageLimits
    """

    def __init__(
        self, *, orders: Orders, products: Products, blobs: Blobs, limits: PageLimits
    ) -> None:
        self._orders = orders
        self._products = products
        self._blobs = blobs
        self._limits = limits
        self._tasks: dict[tuple[str, str], asyncio.Task[str]] = {}
        self._one_at_a_time = asyncio.Semaphore(1)

    async def product(self, ride: RideRecord, kind: str) -> Path:
        """Return a product's file; whoever asks meanwhile gets the same one.

        Raises
        ------
        Refused
            If it cannot be made.
        """
        source = ride.page or ""
        kept = await asyncio.to_thread(self._products.get, source, kind)
        if kept and self._blobs.has(kept):
            return self._blobs.path(kept)
        key = (source, kind)
        task = self._tasks.get(key)
        if task is None:
            task = self._tasks[key] = asyncio.create_task(self._make(ride, kind))
            task.add_done_callback(lambda _: self._tasks.pop(key, None))
        return self._blobs.path(await asyncio.shield(task))

    async def stop(self) -> None:
        """End what is being made."""
        making = list(self._tasks.values())
        for task in making:
            task.cancel()
        await asyncio.gather(*making, return_exceptions=True)

    async def _make(self, ride: RideRecord, kind: str) -> str:
        async with self._one_at_a_time:
            folder = await asyncio.to_thread(self._blobs.work_folder)
            try:
                order = await asyncio.to_thread(self._order, ride, kind, folder)
                limit_s = _PRINT_S if kind == "pdf" else self._limits.work_s
                outcome = await Worker(order, limit_s).run(lambda *_: None)
                if "done" not in outcome:
                    problem, fix, _ = what_went_wrong(ride.id, folder, outcome)
                    raise Refused(503, problem, fix)
                made = folder / Path(outcome["done"]["file"]).name
                return await asyncio.to_thread(self._keep, ride, kind, made)
            finally:
                await asyncio.to_thread(self._blobs.clear, folder)

    def _order(self, ride: RideRecord, kind: str, folder: Path) -> Order:
        if kind != "pdf":
            return self._orders.prepare(ride, kind, folder)
        page = folder / "printed.html"
        place_under_name(self._blobs.path(ride.page or ""), page)
        # A browser reserves far more addresses than it uses, so its memory is not bounded by them.
        return {"kind": kind, "folder": str(folder), "page": page.name, "work_bytes": 0}

    def _keep(self, ride: RideRecord, kind: str, made: Path) -> str:
        with self._blobs.placing():
            sha256 = self._blobs.keep_file(made)
            self._products.keep(ride.page or "", kind, sha256)
        return sha256

"""What the pages work with, in one place."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from canassist.web.http.sessions import RateLimiter, Sessions, signing_key
from canassist.web.jobs.derived_files import Making
from canassist.web.jobs.orders import Orders
from canassist.web.jobs.progress_board import ProgressBoard
from canassist.web.jobs.queue_index import Queue
from canassist.web.jobs.run_queue import Jobs
from canassist.web.shop.change_log import ChangeLog
from canassist.web.shop.shop_settings import ShopStore
from canassist.web.store.content_files import Blobs
from canassist.web.store.ended_sessions import EndedSessions
from canassist.web.store.open_index import open_index
from canassist.web.store.products import Products
from canassist.web.store.repair_jobs import RepairJobs
from canassist.web.store.rides_index import RidesIndex
from canassist.web.store.vehicles_index import Vehicles

if TYPE_CHECKING:
    from canassist.web.settings import PageSettings
    from canassist.web.store.index_database import Database


@dataclass(slots=True, kw_only=True)
class Services:
    """The rides, the vehicles, the queue, the sessions and the logins."""

    settings: PageSettings
    database: Database
    blobs: Blobs
    rides: RidesIndex
    queue: Queue
    products: Products
    vehicles: Vehicles
    repairs: RepairJobs
    changes: ChangeLog
    shop: ShopStore
    board: ProgressBoard
    jobs: Jobs
    making: Making
    sessions: Sessions
    logins: RateLimiter
    uploads: Counter[str] = field(default_factory=Counter)


def make_services(settings: PageSettings) -> Services:
    """Open the data folder, which must be this process's own by then."""
    limits, folder = settings.limits, settings.data
    database = open_index(folder)
    blobs, rides, vehicles = Blobs(folder), RidesIndex(database), Vehicles(database)
    queue, products, board = (
        Queue(database, rides),
        Products(database),
        ProgressBoard(limits.listeners),
    )
    shop = ShopStore(database, folder)
    orders = Orders(rides=rides, vehicles=vehicles, blobs=blobs, shop=shop, limits=limits)
    return Services(
        settings=settings,
        database=database,
        blobs=blobs,
        rides=rides,
        queue=queue,
        products=products,
        vehicles=vehicles,
        repairs=RepairJobs(database),
        changes=ChangeLog(database),
        shop=shop,
        board=board,
        jobs=Jobs(
            rides=rides,
            queue=queue,
            products=products,
            blobs=blobs,
            board=board,
            orders=orders,
            shop=shop,
            limits=limits,
        ),
        making=Making(orders=orders, products=products, blobs=blobs, limits=limits),
        sessions=Sessions(signing_key(folder), settings.token, EndedSessions(database)),
        logins=RateLimiter(limits.logins, limits.login_window_s),
    )

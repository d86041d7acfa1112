"""What the pages work with, in one place."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from canassist.web.blobs import Blobs
from canassist.web.board import Board
from canassist.web.database import Database
from canassist.web.jobs import Jobs
from canassist.web.making import Making
from canassist.web.orders import Orders
from canassist.web.products import Products
from canassist.web.queue import Queue
from canassist.web.sessions import Sessions, Turnstile, signing_key
from canassist.web.store import Rides
from canassist.web.vehicles import Vehicles

if TYPE_CHECKING:
    from canassist.web.settings import Settings


@dataclass(slots=True, kw_only=True)
class Desk:
    """The shelf, the vehicles, the queue, and the door's keys."""

    settings: Settings
    database: Database
    blobs: Blobs
    rides: Rides
    queue: Queue
    products: Products
    vehicles: Vehicles
    board: Board
    jobs: Jobs
    making: Making
    sessions: Sessions
    logins: Turnstile
    uploads: int = 0


def make_desk(settings: Settings) -> Desk:
    """Open the data folder, which must be this process's own by then."""
    limits, folder = settings.limits, settings.data
    database = Database(folder / "index.sqlite")
    blobs, rides, vehicles = Blobs(folder), Rides(database), Vehicles(database)
    queue, products, board = Queue(database, rides), Products(database), Board(limits.listeners)
    orders = Orders(rides=rides, vehicles=vehicles, blobs=blobs, limits=limits)
    return Desk(
        settings=settings,
        database=database,
        blobs=blobs,
        rides=rides,
        queue=queue,
        products=products,
        vehicles=vehicles,
        board=board,
        jobs=Jobs(
            rides=rides,
            queue=queue,
            products=products,
            blobs=blobs,
            board=board,
            orders=orders,
            limits=limits,
        ),
        making=Making(orders=orders, products=products, blobs=blobs, limits=limits),
        sessions=Sessions(signing_key(folder), settings.token),
        logins=Turnstile(limits.logins, limits.login_window_s),
    )

"""Orders for workers: a ride's files laid out under their own names, and what is to be done."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from canassist.web.http.safe_names import clock_moments, download_name, file_name
from canassist.web.store.content_files import place_under_name
from canassist.web.store.records import NOTES

if TYPE_CHECKING:
    from pathlib import Path

    from canassist.web.jobs.worker_process import Order
    from canassist.web.settings import PageLimits
    from canassist.web.shop.shop_settings import ShopStore
    from canassist.web.store.content_files import Blobs
    from canassist.web.store.records import RideRecord
    from canassist.web.store.rides_index import RidesIndex
    from canassist.web.store.vehicles_index import VehicleRecord, Vehicles


class Orders:
    """Lays out what a worker needs in a folder of its own.

    Parameters
    ----------
    rides, vehicles, blobs, shop
        The shelf, and how the shop wants its reports.
    limits : PageLimits
    """

    def __init__(
        self,
        *,
        rides: RidesIndex,
        vehicles: Vehicles,
        blobs: Blobs,
        shop: ShopStore,
        limits: PageLimits,
    ) -> None:
        self._rides = rides
        self._vehicles = vehicles
        self._blobs = blobs
        self._shop = shop
        self._limits = limits

    def prepare(self, ride: RideRecord, kind: str, folder: Path) -> Order:
        """Lay the files of a ride out and return the order."""
        order = self._order(ride, kind, folder)
        shop = self._shop.get()
        key = self._shop.key if shop.signs else None
        order["look"] = {"units": shop.units, "zone": shop.zone, "key": str(key) if key else None}
        order["same_vehicle"] = bool(ride.job)
        if kind == "learn":
            order["rides"] = self._lay_out_rides(folder / "rides", ride)
        if ride.kind == "compare":
            order["sides"] = [
                [
                    self._order(one, "one", folder / f"{side}-{number}")
                    for number, one in enumerate(self._rides_of(names))
                ]
                for side, names in enumerate(ride.both_sides)
            ]
        return order

    def _lay_out_rides(self, home: Path, learned: RideRecord) -> str:
        """Lay rides out, a folder a machine as the work order names it; return where."""
        names = learned.both_sides[0]
        rides = self._rides_of(names)
        if len(rides) < len(names):
            return ""
        for ride in rides:
            machine = file_name(ride.vehicle_words or ride.vehicle_name)
            for number, one in enumerate(self._rides.files(ride.id)):
                self._lay_out(home / machine / f"{ride.id}-{number}", one.sha256, one.name)
        return str(home)

    def _rides_of(self, names: list[str]) -> list[RideRecord]:
        found = (self._rides.get(name) for name in names)
        return [ride for ride in found if ride is not None]

    def _order(self, ride: RideRecord, kind: str, folder: Path) -> Order:
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
            "stem": download_name(ride.title, ""),
            "work_bytes": self._limits.work_bytes,
        }

    def _lay_out(self, folder: Path, sha256: str, name: str) -> str:
        target = folder / file_name(name)
        place_under_name(self._blobs.path(sha256), target)
        return str(target)

    def _lay_out_vehicle(self, folder: Path, vehicle: VehicleRecord) -> dict[str, object]:
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


def _case(ride: RideRecord) -> dict[str, Any]:  # Any: plain JSON values
    words = {
        name: getattr(ride, name) for name in NOTES if name not in {"vehicle_words", "moments"}
    }
    return {**words, "vehicle": ride.vehicle_words, "at_s": clock_moments(ride.moments)}

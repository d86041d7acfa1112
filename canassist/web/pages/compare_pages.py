"""Rides side by side: which stand on which side, then into the queue like a ride."""

from __future__ import annotations

import asyncio
from importlib import util
from typing import TYPE_CHECKING, Final

from starlette.responses import RedirectResponse, Response

from canassist.web.http.page_texts import say
from canassist.web.http.refusal import refused
from canassist.web.http.responses import page, read_form
from canassist.web.store.records import NewRide

if TYPE_CHECKING:
    from starlette.requests import Request

    from canassist.web.services import Services
    from canassist.web.store.records import RideRecord

_FEWEST: Final = 2
_MOST: Final = 24


def can_compare() -> bool:
    """Tell whether rides can be compared here."""
    found = util.find_spec("canassist.comparison")
    return found is not None and found.origin is not None


async def compare(request: Request) -> Response:
    """Compare the ticked rides; of more than two ask first which side each is on."""
    services: Services = request.app.state.services
    form = await read_form(request)
    if not can_compare():
        raise refused(404, "missing")
    names = [*form.many("ride"), *(one for one in form.one("rides").split(".") if one)]
    rides = await asyncio.to_thread(_ticked, services, names)
    sides = {ride.id: form.one(f"side-{ride.id}") for ride in rides}
    if len(rides) == _FEWEST and not any(sides.values()):
        sides = {rides[0].id: "a", rides[1].id: "b"}
    a, b = ([ride for ride in rides if sides[ride.id] == side] for side in "ab")
    if not a or not b:
        first = rides[0].vehicle
        return page(request, "compare.html", rides=rides, first=first, asked=any(sides.values()))
    row = await asyncio.to_thread(queue_comparison, services, a, b)
    services.board.changed(row.id)
    services.jobs.wake()
    return RedirectResponse(f"/#ride-{row.id}", 303)


def queue_comparison(services: Services, a: list[RideRecord], b: list[RideRecord]) -> RideRecord:
    """Put a comparison on the shelf and into the queue, unless it is there already."""
    new = NewRide(
        title=say("compare.name", a=_named(a), b=_named(b)),
        files=(),
        kind="compare",
        sides="/".join(".".join(ride.id for ride in side) for side in (a, b)),
        vehicle_by="chosen",
    )
    return services.rides.put(new)[0]


def _ticked(services: Services, names: list[str]) -> list[RideRecord]:
    if len(dict.fromkeys(names)) > _MOST:
        raise refused(400, "too_many", count=_MOST)
    found = [ride for name in dict.fromkeys(names) if (ride := services.rides.get(name))]
    rides = [ride for ride in found if not ride.deleted]
    if len(rides) < _FEWEST:
        raise refused(400, "too_few")
    for ride in rides:
        if ride.kind != "ride" or not ride.page:
            raise refused(400, "not_comparable", title=ride.title)
    return sorted(rides, key=lambda ride: (ride.start_utc, ride.created_s))


def _named(side: list[RideRecord]) -> str:
    more = say("compare.more", count=len(side) - 1) if len(side) > 1 else ""
    return side[0].title + more

"""The same for programs: a log in, the result as JSON out."""

from __future__ import annotations

import asyncio
import time
from typing import TYPE_CHECKING, Any, Final

from starlette.responses import FileResponse, Response

from canassist.web.http.openapi import CALLS, openapi
from canassist.web.http.refusal import refused
from canassist.web.http.responses import check_form_token, json_response, page
from canassist.web.uploads import receive

if TYPE_CHECKING:
    from starlette.requests import Request

    from canassist.web.services import Services
    from canassist.web.store.records import RideRecord

_LOOK_EVERY_S: Final = 0.2


def about(request: Request) -> Response:
    """Describe the interface for people."""
    return page(request, "api.html", calls=CALLS.values(), address=str(request.base_url))


def document(request: Request) -> Response:
    """Describe the interface for programs."""
    del request
    return json_response(openapi())


async def make(request: Request) -> Response:
    """Take a log and answer with its result."""
    placed = await receive(request, lambda fields: may_come_in(request, fields))
    rides = placed.sent
    if not rides and placed.vehicle is None:
        raise refused(400, "upload_empty")
    services: Services = request.app.state.services
    waits = request.query_params.get("wait") != "0"
    if len(rides) == 1:
        if not waits:
            return json_response(ride_state(rides[0]), 202)
        ride = await _when_done(request, rides[0])
        return json_response(ride_state(ride), 202) if ride.busy else _result(services, ride)
    if waits:
        rides = tuple([await _when_done(request, one) for one in rides])
    told = {
        "rides": [ride_state(one) for one in rides],
        "vehicle": placed.vehicle.id if placed.vehicle else None,
        "left_out": list(placed.left_out),
    }
    return json_response(told, 202 if any(one.busy for one in rides) else 200)


def one(request: Request) -> Response:
    """Give a ride's result, or where it stands."""
    services: Services = request.app.state.services
    ride = services.rides.get(request.path_params["ride"])
    if ride is None or ride.deleted:
        raise refused(404, "missing")
    if ride.busy:
        return json_response(ride_state(ride), 202)
    return _result(services, ride)


def check_program(request: Request) -> None:
    """Refuse what a browser sends without the page's form token.

    Raises
    ------
    Refused
        If it is missing.
    """
    if _from_browser(request):
        check_form_token(request, request.headers.get("x-form-token", ""))


def may_come_in(request: Request, fields: dict[str, str]) -> None:
    """Refuse a form with files that a browser sends without the page's form token.

    Raises
    ------
    Refused
        If it is missing.
    """
    if _from_browser(request):
        token = request.headers.get("x-form-token", "") or fields.get("form_token", "")
        check_form_token(request, token)


def _from_browser(request: Request) -> bool:
    """Tell whether a browser sends this: then it must bring the page's form token."""
    return "origin" in request.headers or "sec-fetch-site" in request.headers


async def _when_done(request: Request, ride: RideRecord) -> RideRecord:
    """Wait for a ride's result, as long as one analysis may take and somebody waits for it."""
    services: Services = request.app.state.services
    end_s = time.monotonic() + services.settings.limits.work_s
    while ride.busy and time.monotonic() < end_s and not await request.is_disconnected():
        await asyncio.sleep(_LOOK_EVERY_S)
        found = await asyncio.to_thread(services.rides.get, ride.id)
        if found is None or found.deleted:
            raise refused(404, "missing")
        ride = found
    return ride


def _result(services: Services, ride: RideRecord) -> Response:
    if ride.state != "done" or ride.data is None:
        told = {"problem": ride.problem, "fix": ride.fix, "number": ride.number}
        return json_response(ride_state(ride) | told, 422)
    headers = {"location": f"/rides/{ride.id}", "x-ride": ride.id}
    return FileResponse(
        services.blobs.path(ride.data), media_type="application/json", headers=headers
    )


def ride_state(ride: RideRecord) -> dict[str, Any]:  # Any: plain JSON values
    """Return a row of the shelf as plain values."""
    return {
        "id": ride.id,
        "title": ride.title,
        "state": ride.state,
        "conclusion": ride.code or None,
        "headline": ride.headline or None,
        "vehicle": ride.vehicle_name or None,
        "kind": ride.kind,
        "strength": ride.strength or None,
        "role": ride.role or None,
        "explains_complaint": ride.explains or None,
        "asks": ride.questions is not None,
        "ridden_utc": ride.start_utc or None,
        "added_s": ride.created_s,
        "duration_s": ride.duration_s,
        "job": ride.job,
        "phase": ride.phase or None,
        "uploaded_by": ride.uploaded_by or None,
        "rules": ride.rules or None,
        "problem": ride.problem or None,
        "fix": ride.fix or None,
    }

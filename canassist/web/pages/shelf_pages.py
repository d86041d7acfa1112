"""The first page: the drop field and the shelf of rides."""

from __future__ import annotations

import asyncio
from dataclasses import asdict
from typing import TYPE_CHECKING, Final
from urllib.parse import urlencode

from starlette.responses import RedirectResponse, Response, StreamingResponse

from canassist.web.http.refusal import refused
from canassist.web.http.responses import (
    check_form_token,
    json_response,
    page,
    read_form,
    templates,
    wants_json,
)
from canassist.web.http.safe_names import DATABASE_ENDINGS, LOG_ENDINGS, PROFILE_ENDING
from canassist.web.pages.compare_pages import can_compare
from canassist.web.pages.samples import put_sample
from canassist.web.store.shelf_search import PAGE_ROWS, SORTS, Search
from canassist.web.uploads import receive

if TYPE_CHECKING:
    from starlette.requests import Request

    from canassist.web.services import Desk
    from canassist.web.store.records import RideRecord

_MOST_TICKED: Final = 200
_BESIDE: Final = 2
_SAID: Final = frozenset({"uploaded", "known", "vehicle", "restored", "saved", "settled"})


def shelf(request: Request) -> Response:
    """Show the drop field and the rides."""
    desk: Desk = request.app.state.desk
    asked = _search(request)
    rides, count = desk.rides.search(asked)
    gone = request.query_params.get("deleted_rides", "").split(".")[:_MOST_TICKED]
    shown = [one for one in gone if (ride := desk.rides.get(one)) and ride.deleted]
    return page(
        request,
        "shelf.html",
        asked=asked,
        rides=rides,
        standings={ride.id: desk.board.standing(ride.id) for ride in rides},
        befores={ride.id: desk.queue.before(ride) for ride in rides},
        count=count,
        pages=_pages_near(asked.page, max(1, -(-count // PAGE_ROWS))),
        page_link=lambda number: "/?" + urlencode(_plain(asked) | {"page": number}),
        vehicles=desk.vehicles.all(),
        codes=desk.rides.codes(),
        sorts=list(SORTS),
        is_empty=desk.rides.is_empty(),
        has_deleted=desk.rides.has_deleted(),
        is_searching=_plain(asked) != _plain(Search(deleted=asked.deleted)),
        busy=desk.queue.is_busy(),
        gone=shown,
        said=_said(request),
        can_compare=can_compare(),
        known_endings=" ".join((*DATABASE_ENDINGS, PROFILE_ENDING)),
        log_endings=" ".join(LOG_ENDINGS),
    )


def row(request: Request) -> Response:
    """Show one ride's row alone, for a page that is open."""
    desk: Desk = request.app.state.desk
    ride = desk.rides.get(request.path_params["ride"])
    if ride is None or ride.deleted:
        raise refused(404, "missing")
    template = templates().get_template("row.html")
    text = template.render(
        ride=ride,
        standing=desk.board.standing(ride.id),
        before=desk.queue.before(ride),
        form_token=desk.sessions.form_token(request.scope["session"]),
    )
    return Response(text, media_type="text/html")


async def events(request: Request) -> Response:
    """Tell an open page what changes, as server-sent events."""
    desk: Desk = request.app.state.desk
    if desk.board.is_full:
        raise refused(503, "listeners")
    return StreamingResponse(desk.board.listen(), media_type="text/event-stream")


async def upload(request: Request) -> Response:
    """Take files in."""

    def may_come_in(fields: dict[str, str]) -> None:
        token = fields.get("form_token") or request.headers.get("x-form-token", "")
        check_form_token(request, token)

    placed = await receive(request, may_come_in)
    if wants_json(request.headers):
        return json_response(
            {
                "rides": [ride.id for ride in placed.rides],
                "known": [ride.id for ride in placed.known],
                "vehicle": placed.vehicle.id if placed.vehicle else None,
            }
        )
    said = "uploaded" if placed.rides else "known" if placed.known else "vehicle"
    first = (*placed.rides, *placed.known)[:1]
    return RedirectResponse(f"/?said={said}" + (f"#ride-{first[0].id}" if first else ""), 303)


async def sample(request: Request) -> Response:
    """Put the sample ride on the shelf."""
    await read_form(request)
    ride = await put_sample(request.app.state.desk)
    return RedirectResponse(f"/#ride-{ride.id}", 303)


async def delete(request: Request) -> Response:
    """Take the ticked rides off the shelf."""
    desk: Desk = request.app.state.desk
    form = await read_form(request)
    rides = _ticked(desk, form.many("ride"))
    await asyncio.to_thread(desk.rides.delete, [ride.id for ride in rides])
    for ride in rides:
        desk.jobs.cancel(ride.id)
    gone = ".".join(ride.id for ride in rides)
    return RedirectResponse("/?" + urlencode({"deleted_rides": gone}), 303)


async def restore(request: Request) -> Response:
    """Bring deleted rides back."""
    desk: Desk = request.app.state.desk
    form = await read_form(request)
    rides = _ticked(desk, form.many("ride"))
    await asyncio.to_thread(desk.rides.restore, [ride.id for ride in rides])
    desk.jobs.wake()
    return RedirectResponse("/?said=restored", 303)


def _ticked(desk: Desk, names: list[str]) -> list[RideRecord]:
    rides = [ride for name in names[:_MOST_TICKED] if (ride := desk.rides.get(name))]
    if not rides:
        raise refused(400, "nothing_ticked")
    return rides


def _search(request: Request) -> Search:
    asked = request.query_params
    number = asked.get("page", "1")
    sort = asked.get("sort", "newest")
    return Search(
        text=asked.get("text", "")[:200],
        vehicle=asked.get("vehicle", "")[:40],
        code=asked.get("code", "")[:40],
        work_order=asked.get("work_order", "")[:80],
        sort=sort if sort in SORTS else "newest",
        page=int(number) if number.isascii() and number.isdigit() and len(number) < 7 else 1,  # noqa: PLR2004 - more pages than any shelf has
        deleted=asked.get("deleted") == "1",
    )


def _pages_near(page: int, last: int) -> list[int]:
    """Return the pages that are offered: the first, the last, and some beside this one."""
    near = range(page - _BESIDE, page + _BESIDE + 1)
    return sorted({1, last, *(number for number in near if 1 <= number <= last)})


def _plain(asked: Search) -> dict[str, str | int]:
    fields = asdict(asked) | {"deleted": "1" if asked.deleted else ""}
    return {name: value for name, value in fields.items() if value and name != "page"}


def _said(request: Request) -> str:
    said = request.query_params.get("said", "")
    return said if said in _SAID else ""

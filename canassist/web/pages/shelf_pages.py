"""The first page: the drop field and the shelf of rides."""

from __future__ import annotations

import math
from dataclasses import asdict
from typing import TYPE_CHECKING, Any, Final
from urllib.parse import urlencode

from starlette.responses import RedirectResponse, Response, StreamingResponse

from canassist.web.http.page_texts import say
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
from canassist.web.http.visitors import remember_visitor, visitor
from canassist.web.pages.compare_pages import can_compare
from canassist.web.pages.samples import put_sample
from canassist.web.store.shelf_search import PAGE_ROWS, SORTS, STATES, Search
from canassist.web.uploads import receive

if TYPE_CHECKING:
    from collections.abc import Mapping

    from starlette.requests import Request

    from canassist.web.services import Services

Values = dict[str, Any]  # Any: what templates take

_BESIDE: Final = 2
_IN_MINUTES_S: Final = 100.0
_SAID: Final = frozenset(
    {"uploaded", "known", "vehicle", "restored", "saved", "settled", "anew", "moved", "stopped"}
)


def shelf(request: Request) -> Response:
    """Show the drop field and the rides."""
    services: Services = request.app.state.services
    asked = asked_of(request.query_params)
    return page(
        request,
        "shelf.html",
        **_rows(services, asked),
        **_search_fields(services, asked),
        **drop_fields(request),
        is_empty=services.rides.is_empty(),
        has_deleted=services.rides.has_deleted(),
        gone=_gone(services, request.query_params.get("deleted_at", "")),
        said=_said(request),
        can_compare=can_compare(),
    )


def rows(request: Request) -> Response:
    """Show all rows of a search, and the state of the queue, for a page that is open."""
    services: Services = request.app.state.services
    token = services.sessions.form_token(request.scope["session"])
    shown = _rows(services, asked_of(request.query_params)) | {"form_token": token}
    text = templates().get_template("rows.html").render(shown)
    return Response(text, media_type="text/html")


async def events(request: Request) -> Response:
    """Tell an open page what changes, as server-sent events."""
    services: Services = request.app.state.services
    if services.board.is_full:
        raise refused(503, "listeners")
    return StreamingResponse(services.board.listen(), media_type="text/event-stream")


async def upload(request: Request) -> Response:
    """Take files in."""

    def may_come_in(fields: dict[str, str]) -> None:
        token = fields.get("form_token") or request.headers.get("x-form-token", "")
        check_form_token(request, token)

    placed = await receive(request, may_come_in)
    if wants_json(request.headers):
        answer = json_response(
            {
                "rides": [ride.id for ride in placed.rides],
                "known": [ride.id for ride in placed.known],
                "vehicle": placed.vehicle.id if placed.vehicle else None,
                "job": placed.job.id if placed.job else None,
                "left_out": list(placed.left_out),
            }
        )
    else:
        said = "uploaded" if placed.rides else "known" if placed.known else "vehicle"
        first = (*placed.rides, *placed.known)[:1]
        target = f"/jobs/{placed.job.id}" if placed.job else "/"
        if placed.mended:
            said, target = "mended", f"/rides/{placed.mended}"
        elif said == "vehicle" and placed.vehicle is not None:
            target = f"/vehicles/{placed.vehicle.id}"
        mark = f"#ride-{first[0].id}" if first else ""
        answer = RedirectResponse(f"{target}?said={said}{mark}", 303)
    if placed.who:
        remember_visitor(answer, placed.who)
    return answer


async def sample(request: Request) -> Response:
    """Put the sample ride on the shelf."""
    await read_form(request)
    ride = await put_sample(request.app.state.services)
    return RedirectResponse(f"/#ride-{ride.id}", 303)


def asked_of(given: Mapping[str, str]) -> Search:
    """Return what a query asks the shelf for; what makes no sense is passed over."""
    number, sort, state = given.get("page", "1"), given.get("sort", ""), given.get("state", "")
    return Search(
        text=given.get("text", "")[:200],
        state=state if state in STATES else "",
        vehicle=given.get("vehicle", "")[:40],
        code=given.get("code", "")[:40],
        work_order=given.get("work_order", "")[:80],
        job=given.get("job", "")[:40],
        since=given.get("since", "")[:10],
        until=given.get("until", "")[:10],
        sort=sort if sort in SORTS else "newest",
        page=int(number) if number.isascii() and number.isdigit() and len(number) < 7 else 1,  # noqa: PLR2004 - more pages than any shelf has
        deleted=given.get("deleted") == "1",
    )


def drop_fields(request: Request) -> Values:
    """Return what the drop field shows, on whatever page it stands."""
    services: Services = request.app.state.services
    return {
        "vehicles": services.vehicles.all(),
        "jobs": services.repairs.all(open_only=True),
        "who": visitor(request),
        "known_endings": " ".join((*DATABASE_ENDINGS, PROFILE_ENDING)),
        "log_endings": " ".join(LOG_ENDINGS),
        "drop_job": None,
        "drop_phase": "",
        "drop_lead": "",
    }


def queue_words(services: Services) -> str:
    """Say the queue as a whole: how many rides, and how long they will take."""
    waiting, working = len(services.queue.waiting()), services.board.in_work()
    count = waiting + len(working)
    if not count:
        return ""
    text = say("shelf.queue_one") if count == 1 else say("shelf.queue_many", count=count)
    each = services.queue.seconds_each()
    left = [one.left_s for one in working]
    if each is None or any(one is None for one in left):
        return text
    seconds = sum(one or 0.0 for one in left) + waiting * each
    seconds /= max(1, min(services.settings.limits.workers, count))
    if seconds > _IN_MINUTES_S:
        return f"{text}, {say('shelf.queue_minutes', minutes=math.ceil(seconds / 60))}"
    return f"{text}, {say('shelf.queue_seconds', seconds=max(1, round(seconds)))}"


def _rows(services: Services, asked: Search) -> Values:
    rides, count = services.rides.search(asked)
    return {
        "asked": asked,
        "rides": rides,
        "count": count,
        "standings": {ride.id: services.board.standing(ride.id) for ride in rides},
        "befores": services.queue.waiting(),
        "queue": queue_words(services),
        "counts": services.rides.counts(),
        "plain": _plain(asked),
        "job_names": {job.id: job.name for job in services.repairs.all()},
        "pages": _pages_near(asked.page, max(1, -(-count // PAGE_ROWS))),
        "page_link": lambda number: "/?" + urlencode(_plain(asked) | {"page": number}),
        "is_searching": _plain(asked) != _plain(Search(deleted=asked.deleted)),
    }


def _search_fields(services: Services, asked: Search) -> Values:
    hidden = Search(text=asked.text, state=asked.state, code=asked.code, vehicle=asked.vehicle)
    return {
        "codes": services.rides.codes(),
        "sorts": list(SORTS),
        "states": list(STATES),
        "more_open": _plain(asked) != _plain(hidden),
    }


def _gone(services: Services, text: str) -> tuple[str, int]:
    """Return when rides were just deleted, and how many of them can come back."""
    try:
        count = len(services.rides.deleted_at(float(text)))
    except ValueError:
        return "", 0
    return text, count


def _pages_near(page: int, last: int) -> list[int]:
    """Return the pages that are offered: the first, the last, and some beside this one."""
    near = range(page - _BESIDE, page + _BESIDE + 1)
    return sorted({1, last, *(number for number in near if 1 <= number <= last)})


def _plain(asked: Search) -> dict[str, str | int]:
    fields = asdict(asked) | {"deleted": "1" if asked.deleted else ""}
    standard = {"sort": "newest"}
    return {
        name: value
        for name, value in fields.items()
        if value and name != "page" and standard.get(name) != value
    }


def _said(request: Request) -> str:
    said = request.query_params.get("said", "")
    return said if said in _SAID else ""

"""What the shop sets, what the folder holds, who changed what, and everything as one file."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING, Literal

from starlette.background import BackgroundTask
from starlette.responses import FileResponse, RedirectResponse, Response

from canassist.errors import CanassistError
from canassist.time_zones import find_zone
from canassist.web.http.refusal import refused
from canassist.web.http.responses import page, read_form
from canassist.web.http.safe_names import as_download, one_line
from canassist.web.http.visitors import remember_visitor, visitor
from canassist.web.shop.shop_settings import ShopSettings
from canassist.web.store.backup import backup

if TYPE_CHECKING:
    from starlette.requests import Request

    from canassist.web.services import Services

_MOST_HOURS = 24 * 90
_MOST_DAYS = 3650


async def settings(request: Request) -> Response:
    """Show settings, disk use, retention and the log of changes."""
    services: Services = request.app.state.services
    return page(
        request,
        "settings.html",
        shop=services.shop.get(),
        has_key=services.shop.key is not None,
        who=visitor(request),
        changes=services.changes.latest(),
        folder=str(services.settings.data),
        usage=await asyncio.to_thread(services.blobs.usage),
        said="saved" if request.query_params.get("said") == "saved" else "",
        bad=request.query_params.get("bad", ""),
    )


async def save(request: Request) -> Response:
    """Keep what the shop sets; a bad field is named where it stands."""
    services: Services = request.app.state.services
    form = await read_form(request)
    zone = form.one("zone").strip()
    if zone and not _is_zone(zone):
        return RedirectResponse("/settings?bad=zone", 303)
    hours, days = _number(form.one("undo_hours")), _number(form.one("bin_days"))
    if not 1 <= hours <= _MOST_HOURS or not 1 <= days <= _MOST_DAYS:
        return RedirectResponse("/settings?bad=time", 303)
    units: Literal["metric", "us"] = "us" if form.one("units") == "us" else "metric"
    new = ShopSettings(
        name=one_line(form.one("name")),
        units=units,
        zone=zone,
        undo_hours=hours,
        bin_days=days,
        signs=bool(form.one("signs")) and services.shop.key is not None,
    )
    await asyncio.to_thread(services.shop.keep, new)
    await asyncio.to_thread(services.changes.note, visitor(request), "settings", "")
    return RedirectResponse("/settings?said=saved", 303)


async def name(request: Request) -> Response:
    """Keep who sits at this browser."""
    form = await read_form(request)
    answer = RedirectResponse("/settings?said=saved", 303)
    remember_visitor(answer, form.one("who"))
    return answer


async def make_key(request: Request) -> Response:
    """Make the shop's signing key."""
    services: Services = request.app.state.services
    await read_form(request)
    await asyncio.to_thread(services.shop.make_key)
    await asyncio.to_thread(services.changes.note, visitor(request), "key", "")
    return RedirectResponse("/settings?said=saved", 303)


def public_key(request: Request) -> Response:
    """Give the public half of the shop's key, for those who check its reports."""
    services: Services = request.app.state.services
    if not services.shop.public_key.is_file():
        raise refused(404, "missing")
    headers = {"content-disposition": as_download("shop.pub")}
    return FileResponse(
        services.shop.public_key, media_type="application/octet-stream", headers=headers
    )


async def everything(request: Request) -> Response:
    """Give a backup of the whole folder, for another machine or for safekeeping."""
    services: Services = request.app.state.services
    await read_form(request)
    usage = await asyncio.to_thread(services.blobs.usage)
    if usage.kept_bytes + services.settings.limits.reserve_bytes > usage.free_bytes:
        raise refused(507, "disk_full")
    folder = await asyncio.to_thread(services.blobs.work_folder)
    path = folder / "rides.backup.zip"
    await asyncio.to_thread(backup, services.settings.data, path)
    headers = {"content-disposition": as_download(path.name)}
    tidy = BackgroundTask(services.blobs.clear, folder)
    return FileResponse(path, media_type="application/zip", headers=headers, background=tidy)


def _is_zone(zone: str) -> bool:
    try:
        find_zone(zone)
    except CanassistError:
        return False
    return True


def _number(text: str) -> int:
    return int(text) if text.isascii() and text.isdigit() and len(text) <= 5 else 0  # noqa: PLR2004 - more digits than any bound

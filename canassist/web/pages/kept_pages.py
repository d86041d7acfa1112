"""What the data folder holds, how much room it takes, and how long what is deleted stays."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING

from canassist.web.http.responses import page

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.responses import Response

    from canassist.web.services import Desk


async def kept(request: Request) -> Response:
    """Show disk use and retention."""
    desk: Desk = request.app.state.desk
    limits = desk.settings.limits
    return page(
        request,
        "kept.html",
        folder=str(desk.settings.data),
        usage=await asyncio.to_thread(desk.blobs.usage),
        hours=round(limits.undo_s / 3600),
        days=round(limits.bin_s / 86_400),
    )

"""Databases are read before they are kept: one of which nothing can be used is refused at once."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING, Final

from canassist.web.http.refusal import Refused, refused
from canassist.web.http.safe_names import shortened
from canassist.web.jobs.worker_process import Worker
from canassist.web.store.content_files import place_under_name

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from canassist.web.http.multipart_upload import UploadedFile
    from canassist.web.services import Services

_TIME_S: Final = 60.0


async def check_databases(services: Services, databases: Sequence[UploadedFile]) -> None:
    """Read databases in a process of its own.

    Raises
    ------
    Refused
        If nothing of them can be used, with what is wrong and where.
    """
    new = [one for one in databases if one.incoming.size and not services.blobs.has(one.sha256)]
    if not new:
        return
    folder = await asyncio.to_thread(services.blobs.work_folder)
    try:
        files = await asyncio.to_thread(_laid_out, new, folder)
        limit = services.settings.limits.work_bytes
        order = {"kind": "check", "folder": str(folder), "dbc": files, "work_bytes": limit}
        outcome = await Worker(order, _TIME_S).run(lambda *_: None)
        if "refused" in outcome:
            problem, fix = outcome["refused"]
            raise Refused(400, shortened(str(problem)), shortened(str(fix)))
        if "done" not in outcome and "died" not in outcome:  # ended from outside says nothing of it
            raise refused(400, "database", name=new[0].name)
    finally:
        await asyncio.to_thread(services.blobs.clear, folder)


def _laid_out(databases: Sequence[UploadedFile], folder: Path) -> list[str]:
    files = []
    for number, one in enumerate(databases):
        target = folder / str(number) / one.name
        place_under_name(one.incoming.path, target)
        files.append(str(target))
    return files

"""What a worker's outcome means for whoever waits for it, in plain words."""

from __future__ import annotations

import json
import logging
import os
from typing import TYPE_CHECKING

from canassist.web.http.page_texts import say
from canassist.web.http.refusal import is_disk_full, new_number
from canassist.web.http.safe_names import shortened

if TYPE_CHECKING:
    from pathlib import Path

    from canassist.web.jobs.worker_process import Outcome

log = logging.getLogger("canassist.web")


def what_went_wrong(ride: str, folder: Path, outcome: Outcome) -> tuple[str, str, str]:
    """Return problem and fix for the reader, and the number under which the log has more."""
    number = new_number()
    if "refused" in outcome:
        problem, fix = outcome["refused"]
        log.warning("error %s: ride %s: %s", number, ride, json.dumps(problem))
        shown = shortened(str(problem).replace(f"{folder}{os.sep}", ""))
        return shown, _for_the_page(shortened(str(fix))), number
    for name in ("too_big", "too_long", "disk_full"):
        if name in outcome:
            log.warning("error %s: ride %s: %s", number, ride, name)
            return say(f"refusals.{name}"), say(f"refusals.{name}_fix"), number
    log.error("error %s: ride %s: %s", number, ride, outcome.get("broken", outcome.get("died")))
    return say("refusals.work"), say("refusals.work_fix"), number


def what_failed(ride: str, error: Exception) -> tuple[str, str, str]:
    """Return the same for an error of the page itself."""
    number, name = new_number(), "disk_full" if is_disk_full(error) else "work"
    log.error("error %s: work on ride %s", number, ride, exc_info=error)
    return say(f"refusals.{name}"), say(f"refusals.{name}_fix"), number


def _for_the_page(fix: str) -> str:
    """Put advice that names an option of the command line into the page's words."""
    if "--dbc" in fix:
        return say("refusals.no_database_fix")
    return fix

"""Learning in a worker: sound rides of one vehicle's databases in, its profile and a sheet out."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

from canassist.learning import LearnOptions, learn
from canassist.model import Step
from canassist.profile import profile_toml
from canassist.report import render_learned
from canassist.web.http.page_texts import say

if TYPE_CHECKING:
    from collections.abc import Callable

    from canassist.model import LearnedModel
    from canassist.web.jobs.known_vehicles import KnownVehicle


def learned_files(
    rides: Path, vehicle: KnownVehicle, out: Path, progress: Callable[[Step], None]
) -> dict[str, Any]:  # Any: plain JSON values
    """Learn from laid out rides, a folder a machine; write sheet and profile, return the answer.

    Raises
    ------
    CanassistError
        If none of the rides can be learned from.
    """
    found = learn(
        [str(rides)],
        dbc=[str(path) for path in vehicle.databases],
        profile=str(vehicle.profile) if vehicle.profile else "",
        options=LearnOptions(workers=1),
        progress=lambda step: progress(Step("comparing", max(0, step.done - 1), step.total)),
    )
    progress(Step("writing", 0, 1))
    (out / "page.html").write_bytes(render_learned(found).encode("utf-8"))
    (out / "result.json").write_text(json.dumps(_told(found, profile_toml(found.profile))), "utf-8")
    known = sum(law.figure is not None for law in found.laws)
    counts = {
        "laws": known,
        "of": len(found.laws),
        "rides": _counted("jobs.rides_one", "jobs.rides_many", found.rides),
        "vehicles": _counted("learned.vehicle_one", "learned.vehicle_many", found.vehicles),
    }
    return {
        "page": "page.html",
        "data": "result.json",
        "questions": None,
        "headline": say("learned.headline", **counts),
        "code": "learned",
        "strength": "",
        "start_utc": "",
        "duration_s": 0.0,
        "frames": 0,
        "vehicle": vehicle.id,
        "vehicle_by": "chosen",
        "vehicle_fit": "",
    }


def _counted(one: str, many: str, count: int) -> str:
    return say(one) if count == 1 else say(many, count=count)


def _told(found: LearnedModel, profile: str) -> dict[str, Any]:  # Any: plain JSON values
    """Return what programs get: the profile, what was learned, what was left out and why."""
    laws = [
        {"name": law.name, "words": law.words, "learned": law.figure is not None}
        | ({"missing": law.missing} if law.figure is None else {})
        for law in found.laws
    ]
    left = [{"log": one.log, "vehicle": one.vehicle, "why": one.why} for one in found.left_out]
    return {
        "profile": profile,
        "rides": found.rides,
        "vehicles": found.vehicles,
        "laws": laws,
        "left_out": left,
    }

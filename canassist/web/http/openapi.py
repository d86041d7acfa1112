"""The interface for programs, described."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any, Final

from canassist.version import VERSION
from canassist.web.store.records import NOTES
from canassist.web.store.repair_jobs import JOB_NOTES

Plain = dict[str, Any]  # Any: plain JSON values

_TEXT: Final[Plain] = {"type": "string"}
_TEXTS: Final[Plain] = {"type": "array", "items": _TEXT}
_FILE: Final[Plain] = {"type": "string", "format": "binary"}
_FILES: Final[Plain] = {"type": "array", "items": _FILE}
_CHECK: Final[Plain] = {
    "type": "object",
    "required": ["text"],
    "properties": {
        **dict.fromkeys(("text", "expect", "measured"), _TEXT),
        "is_done": {"type": "boolean"},
    },
}


@dataclass(frozen=True, slots=True, kw_only=True)
class ApiCall:
    """One address and what it does.

    ``query`` names what may stand in the address; ``fields`` is what is sent, as JSON or with
    ``files`` as a form with files; ``gives`` names the schema of its answer, ``waits`` whether
    the answer may be that it is still in the queue.
    """

    method: str
    path: str
    summary: str
    query: tuple[str, ...] = ()
    fields: Plain | None = None
    needs: tuple[str, ...] = ()
    files: bool = False
    gives: str = ""
    waits: bool = False

    @property
    def places(self) -> list[str]:
        """What is named in the path."""
        return re.findall(r"\{(\w+)\}", self.path)


_FILTERS: Final = (
    "text", "state", "code", "vehicle", "work_order", "job", "since", "until", "sort", "page",
)  # fmt: skip
_SENT: Final[Plain] = {
    "log": {**_FILES, "minItems": 1},
    "dbc": _FILES,
    "profile": _FILE,
    "vehicle": {**_TEXT, "description": "id of a vehicle; none: use no vehicle"},
    "job": {**_TEXT, "description": "id of the job that it belongs to"},
    "phase": {**_TEXT, "description": "before or after the repair of its job"},
    "title": _TEXT,
    "complaint": _TEXT,
    "work_order": _TEXT,
    "moments": {**_TEXT, "description": "m:ss, several with commas"},
    "uploaded_by": _TEXT,
    "together": {**_TEXT, "description": "1: the logs are parts of one ride"},
}
_JOB: Final[Plain] = {**dict.fromkeys(JOB_NOTES, _TEXT), "vehicle": _TEXT}

CALLS: Final[dict[str, ApiCall]] = {
    "makeReport": ApiCall(
        method="post", path="/api/reports", fields=_SENT, needs=("log",), files=True,
        query=("wait",), gives="Result", waits=True,
        summary="Send rides. One gives its result, several the state of each; wait=0 does not wait."
        " The same files again give the same rides.",
    ),
    "listReports": ApiCall(
        method="get", path="/api/reports", query=("page",), gives="States",
        summary="List the rides, the newest first, 50 a page.",
    ),
    "getReport": ApiCall(
        method="get", path="/api/reports/{ride}", gives="Result", waits=True,
        summary="Get a ride's result, or 202 with its state while in work.",
    ),
    "findRides": ApiCall(
        method="get", path="/api/rides", query=_FILTERS, gives="States",
        summary="Find rides by text, state, answer, vehicle, work order, job and date.",
    ),
    "getRide": ApiCall(
        method="get", path="/api/rides/{ride}", gives="State",
        summary="Get all that is known of a ride: strength, dates, files, notes, addresses.",
    ),
    "getRideFile": ApiCall(
        method="get", path="/api/rides/{ride}/files/{place}", gives="File",
        summary="Get one of a ride's logs as it came; its place is that in the ride's files.",
    ),
    "keepNotes": ApiCall(
        method="post", path="/api/rides/{ride}/notes", gives="State",
        fields={**dict.fromkeys(NOTES, _TEXT), "title": _TEXT},
        summary="Keep notes on a ride; its report is made anew where they changed.",
    ),
    "readAnew": ApiCall(
        method="post", path="/api/rides/again", fields={"rides": _TEXTS}, needs=("rides",),
        gives="States", summary="Read rides anew.",
    ),
    "deleteRides": ApiCall(
        method="post", path="/api/rides/delete", fields={"rides": _TEXTS}, needs=("rides",),
        gives="States", summary="Take rides off the shelf; they can be brought back for a while.",
    ),
    "restoreRides": ApiCall(
        method="post", path="/api/rides/restore", fields={"rides": _TEXTS}, needs=("rides",),
        gives="States", summary="Bring deleted rides back.",
    ),
    "findJobs": ApiCall(
        method="get", path="/api/jobs", query=("open", "text"),
        summary="List the jobs; open=1 for those still worked on.",
    ),
    "openJob": ApiCall(
        method="post", path="/api/jobs", fields=_JOB, gives="Job",
        summary="Open a job. An open one with the same work order, or the same words, is given.",
    ),
    "getJob": ApiCall(
        method="get", path="/api/jobs/{job}", gives="Job",
        summary="Get a job: its rides before and after, checks and proof.",
    ),
    "changeJob": ApiCall(
        method="post", path="/api/jobs/{job}", gives="Job",
        fields={**_JOB, "open": {"type": "boolean"}, "checks": {"type": "array", "items": _CHECK}},
        summary="Write down on a job: notes, results of checks, open or closed."
        " What does not come stays as it is.",
    ),
    "putRidesIntoJob": ApiCall(
        method="post", path="/api/jobs/{job}/rides", gives="Job", needs=("rides",),
        fields={"rides": _TEXTS, "phase": {**_TEXT, "enum": ["before", "after"]}},
        summary="Put rides into a job, before or after its repair.",
    ),
    "proveJob": ApiCall(
        method="post", path="/api/jobs/{job}/proof", fields={}, gives="State", waits=True,
        summary="Compare a job's rides before the repair with those after it.",
    ),
    "listVehicles": ApiCall(
        method="get", path="/api/vehicles",
        summary="List the vehicles with their files and answers.",
    ),
    "addVehicle": ApiCall(
        method="post", path="/api/vehicles", files=True, gives="Vehicle", needs=("dbc",),
        fields={"dbc": _FILES, "profile": _FILE, "name": _TEXT},
        summary="Keep a vehicle's databases and profile; the same files are the same vehicle.",
    ),
    "getVehicle": ApiCall(
        method="get", path="/api/vehicles/{vehicle}", gives="Vehicle",
        summary="Get a vehicle: identity, files, answers, rides.",
    ),
    "changeVehicle": ApiCall(
        method="post", path="/api/vehicles/{vehicle}", gives="Vehicle",
        fields={"name": _TEXT, "forget": _TEXTS, "same_as": _TEXT},
        summary="Rename a vehicle, take answers about its channels back, or say that it is another"
        " one that is here.",
    ),
    "replaceFiles": ApiCall(
        method="post", path="/api/vehicles/{vehicle}/files", files=True, gives="Vehicle",
        fields={"dbc": _FILES, "profile": _FILE},
        summary="Give a vehicle a new or corrected database or profile.",
    ),
    "compare": ApiCall(
        method="post", path="/api/comparisons", fields={"a": _TEXTS, "b": _TEXTS},
        needs=("a", "b"), gives="State", waits=True,
        summary="Compare rides: the ids of each side. The same sides give the same comparison.",
    ),
    "learn": ApiCall(
        method="post", path="/api/learned", fields={"rides": _TEXTS}, needs=("rides",),
        gives="State", waits=True,
        summary="Learn what is normal from sound rides of one vehicle's databases."
        " The result holds the profile.",
    ),
    "useLearned": ApiCall(
        method="post", path="/api/learned/{ride}/use", fields={}, gives="Vehicle",
        summary="Make a learned profile its vehicle's.",
    ),
}  # fmt: skip
"""Every address by its name."""


def openapi() -> Plain:
    """Return the OpenAPI 3.1 document."""
    paths: dict[str, Plain] = {}
    for name, call in CALLS.items():
        paths.setdefault(call.path, {})[call.method] = _operation(name, call)
    return {
        "openapi": "3.1.0",
        "info": {
            "title": "canassist",
            "version": VERSION,
            "description": "Why was the steering heavy? A log in, the result as JSON out.",
        },
        "paths": paths,
        "components": {
            "schemas": _schemas(),
            "securitySchemes": {"secret": {"type": "http", "scheme": "bearer"}},
        },
        "security": [{}, {"secret": []}],
    }


def _operation(name: str, call: ApiCall) -> Plain:
    query = [{"name": one, "in": "query", "schema": _TEXT} for one in call.query]
    path = [{"name": one, "in": "path", "required": True, "schema": _TEXT} for one in call.places]
    told: Plain = {
        "operationId": name,
        "summary": call.summary,
        "parameters": [*path, *query],
        "responses": {"200": _answer(call), **_refusals("401", "404")},
    }
    if call.waits:
        told["responses"]["202"] = _json("In the queue.", "State")
    if call.gives == "Result":
        told["responses"]["422"] = _json("The ride could not be read.", "State")
    if call.fields is not None:
        schema = {"type": "object", "required": list(call.needs), "properties": call.fields}
        kind = "multipart/form-data" if call.files else "application/json"
        told["requestBody"] = {"required": True, "content": {kind: {"schema": schema}}}
        told["responses"] |= _refusals("400", "403", "413")
    if call.files:
        told["responses"] |= _refusals("408", "415", "503", "507")
    return told


def _answer(call: ApiCall) -> Plain:
    if call.gives == "File":
        return {"description": "The file.", "content": {"application/octet-stream": {}}}
    if call.gives:
        return _json("Done.", call.gives)
    return {"description": "Done.", "content": {"application/json": {"schema": {}}}}


def _ref(name: str) -> Plain:
    return {"$ref": f"#/components/schemas/{name}"}


def _json(description: str, name: str) -> Plain:
    return {"description": description, "content": {"application/json": {"schema": _ref(name)}}}


def _refusals(*statuses: str) -> Plain:
    return {status: _json("Refused, in plain words.", "Refusal") for status in statuses}


def _schemas() -> Plain:
    return {
        "Refusal": _object("problem", "fix", "number"),
        "State": _state(),
        "States": {
            "type": "object",
            "required": ["count", "rides"],
            "properties": {
                "count": {"type": "integer"},
                "rides": {"type": "array", "items": _ref("State")},
            },
        },
        "Job": _object("id", "complaint", "correction", "work_order"),
        "Vehicle": _object("id", "name"),
        "Result": {
            "type": "object",
            "required": ["schema", "tool", "inputs", "log", "channels", "events", "conclusions"],
            "properties": {"schema": {"const": "canassist-result/2"}},
        },
    }


def _object(*names: str) -> Plain:
    return {"type": "object", "required": list(names), "properties": dict.fromkeys(names, _TEXT)}


def _state() -> Plain:
    maybe = {"type": ["string", "null"]}
    states = {"type": "string", "enum": ["waiting", "working", "done", "failed", "cancelled"]}
    texts = ("conclusion", "headline", "vehicle", "strength", "role", "ridden_utc", "job",
             "problem", "fix")  # fmt: skip
    return {
        "type": "object",
        "required": ["id", "title", "state"],
        "properties": {
            "id": _TEXT,
            "title": _TEXT,
            "state": states,
            "kind": {"type": "string", "enum": ["ride", "compare", "learn"]},
            **dict.fromkeys(texts, maybe),
            "added_s": {"type": "number"},
            "duration_s": {"type": ["number", "null"]},
        },
    }

"""The interface for programs, described."""

from __future__ import annotations

from typing import Any, Final

from canassist.version import VERSION
from canassist.web.store.records import NOTES

Plain = dict[str, Any]  # Any: plain JSON values

PATHS: Final = (
    ("POST", "/api/reports", "Send one ride; the answer is its result (or 202 with wait=0)."),
    ("GET", "/api/reports", "List the rides, the newest first, 50 a page."),
    ("GET", "/api/reports/{ride}", "Get a ride's result, or 202 with its state while in work."),
    ("GET", "/api/rides", "Find rides by text, state, answer, vehicle, work order, job and date."),
    ("GET", "/api/rides/{ride}", "Get all that is known of a ride: strength, dates, files, notes."),
    ("POST", "/api/rides/{ride}/notes", "Keep notes on a ride (JSON); its report is made anew."),
    ("GET", "/api/jobs", "List the jobs; open=1 for those still worked on."),
    ("GET", "/api/jobs/{job}", "Get a job: its rides before and after, checks and proof."),
    ("GET", "/api/vehicles", "List the vehicles with their files and answers."),
    ("POST", "/api/comparisons", 'Compare rides: {"a": [ids], "b": [ids]}, as JSON.'),
)


def openapi() -> Plain:
    """Return the OpenAPI 3.1 document."""
    return {
        "openapi": "3.1.0",
        "info": {
            "title": "canassist",
            "version": VERSION,
            "description": "Why was the steering heavy? A log in, the result as JSON out.",
        },
        "paths": {
            "/api/reports": {"post": _make(), "get": _listing()},
            "/api/reports/{ride}": {"get": _one()},
            "/api/rides": {"get": _found("findRides", PATHS[3][2], _FILTERS)},
            "/api/rides/{ride}": {"get": _found("getRide", PATHS[4][2], (), "ride")},
            "/api/rides/{ride}/notes": {"post": _sent("keepNotes", PATHS[5][2], NOTES, "ride")},
            "/api/jobs": {"get": _found("findJobs", PATHS[6][2], ("open", "text"))},
            "/api/jobs/{job}": {"get": _found("getJob", PATHS[7][2], (), "job")},
            "/api/vehicles": {"get": _found("listVehicles", PATHS[8][2], ())},
            "/api/comparisons": {"post": _sent("compare", PATHS[9][2], ("a", "b"))},
        },
        "components": {
            "schemas": {"Refusal": _refusal(), "State": _state(), "Result": _result()},
            "securitySchemes": {"secret": {"type": "http", "scheme": "bearer"}},
        },
        "security": [{}, {"secret": []}],
    }


def _make() -> Plain:
    file = {"type": "string", "format": "binary"}
    fields = {
        "log": {"type": "array", "items": file, "minItems": 1},
        "dbc": {"type": "array", "items": file},
        "profile": file,
        "vehicle": {"type": "string", "description": "id of a vehicle; none: use no vehicle"},
        "title": {"type": "string"},
        "complaint": {"type": "string"},
        "work_order": {"type": "string"},
        "moments": {"type": "string", "description": "m:ss, several with commas"},
        "together": {"type": "string", "description": "1: the logs are parts of one ride"},
    }
    body = {"schema": {"type": "object", "required": ["log"], "properties": fields}}
    return {
        "operationId": "makeReport",
        "summary": PATHS[0][2],
        "parameters": [
            {
                "name": "wait",
                "in": "query",
                "required": False,
                "schema": {"type": "string", "enum": ["0", "1"]},
            }
        ],
        "requestBody": {"required": True, "content": {"multipart/form-data": body}},
        "responses": {
            "200": _json("The result.", "Result"),
            "202": _json("In the queue.", "State"),
            "422": _json("The ride could not be read.", "Refusal"),
            **_refusals("400", "401", "403", "404", "408", "413", "415", "503", "507"),
        },
    }


def _listing() -> Plain:
    rides = {"type": "array", "items": _ref("State")}
    schema = {
        "type": "object",
        "required": ["count", "rides"],
        "properties": {"count": {"type": "integer"}, "rides": rides},
    }
    page = {"name": "page", "in": "query", "schema": {"type": "integer", "minimum": 1}}
    return {
        "operationId": "listReports",
        "summary": PATHS[1][2],
        "parameters": [page],
        "responses": {
            "200": {"description": "Rides.", "content": {"application/json": {"schema": schema}}},
            **_refusals("401"),
        },
    }


def _one() -> Plain:
    ride = {"name": "ride", "in": "path", "required": True, "schema": {"type": "string"}}
    return {
        "operationId": "getReport",
        "summary": PATHS[2][2],
        "parameters": [ride],
        "responses": {
            "200": _json("The result.", "Result"),
            "202": _json("Not done yet.", "State"),
            "422": _json("The ride could not be read.", "Refusal"),
            **_refusals("401", "404"),
        },
    }


_FILTERS: Final = (
    "text", "state", "code", "vehicle", "work_order", "job", "since", "until", "sort", "page",
)  # fmt: skip


def _found(operation: str, summary: str, filters: tuple[str, ...], place: str = "") -> Plain:
    text = {"type": "string"}
    given = [{"name": one, "in": "query", "schema": text} for one in filters]
    path = [{"name": place, "in": "path", "required": True, "schema": text}] if place else []
    answer = {"application/json": {"schema": {"type": "object"}}}
    return {
        "operationId": operation,
        "summary": summary,
        "parameters": [*path, *given],
        "responses": {
            "200": {"description": summary, "content": answer},
            **_refusals("401", "404"),
        },
    }


def _sent(operation: str, summary: str, fields: tuple[str, ...], place: str = "") -> Plain:
    ids = {"type": "array", "items": {"type": "string"}}
    kind = ids if operation == "compare" else {"type": "string"}
    body = {"schema": {"type": "object", "properties": dict.fromkeys(fields, kind)}}
    told = _found(operation, summary, (), place)
    told["requestBody"] = {"required": True, "content": {"application/json": body}}
    told["responses"] |= _refusals("400", "403", "413")
    if operation == "compare":
        told["responses"]["202"] = _json("In the queue.", "State")
    return told


def _ref(name: str) -> Plain:
    return {"$ref": f"#/components/schemas/{name}"}


def _json(description: str, name: str) -> Plain:
    return {"description": description, "content": {"application/json": {"schema": _ref(name)}}}


def _refusals(*statuses: str) -> Plain:
    return {status: _json("Refused, in plain words.", "Refusal") for status in statuses}


def _refusal() -> Plain:
    text = {"type": "string"}
    return {
        "type": "object",
        "required": ["problem", "fix", "number"],
        "properties": {"problem": text, "fix": text, "number": text},
    }


def _state() -> Plain:
    text, maybe = {"type": "string"}, {"type": ["string", "null"]}
    states = {"type": "string", "enum": ["waiting", "working", "done", "failed", "cancelled"]}
    return {
        "type": "object",
        "required": ["id", "title", "state"],
        "properties": {
            "id": text,
            "title": text,
            "state": states,
            "conclusion": maybe,
            "headline": maybe,
            "vehicle": maybe,
            "strength": maybe,
            "role": maybe,
            "ridden_utc": maybe,
            "added_s": {"type": "number"},
            "duration_s": {"type": ["number", "null"]},
            "job": maybe,
        },
    }


def _result() -> Plain:
    return {
        "type": "object",
        "required": ["schema", "tool", "inputs", "log", "channels", "events", "conclusions"],
        "properties": {"schema": {"const": "canassist-result/2"}},
    }

"""Finds finished rides by their reports alone: the last resort, where no record is left."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from canassist.web.http.safe_names import one_line, stem
from canassist.web.store.records import NOTES, new_id
from canassist.web.store.recover_comparisons import is_comparison, put_comparison

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Iterable
    from pathlib import Path

    from canassist.web.store.content_files import Blobs

Json = dict[str, Any]  # Any: JSON values have any JSON type

_MARKS: Final = (b'"schema":"canassist-result/', b'"schema":"canassist-comparison/')
_COLUMNS: Final = {"vehicle": "vehicle_words"}
"""What a page calls otherwise than the shelf."""
_LARGEST: Final = 64 << 20
_PAGE: Final = b"<!doctype html"


@dataclass(frozen=True, slots=True)
class _Report:
    """A finished report: its data, and the files of data and page."""

    data: Json
    data_sha256: str
    page_sha256: str
    made_s: float
    case: dict[str, str]


def recovered(index: sqlite3.Connection, blobs: Blobs, left: Iterable[str]) -> int:
    """Put rides on the shelf whose reports lie among files that nothing refers to.

    Returns
    -------
    int
        How many.
    """
    reports = sorted(_reports(blobs, left), key=lambda report: report.made_s)
    rides = [one for one in reports if not is_comparison(one.data)]
    newest = {_logs_key(one.data): one for one in rides}
    for report in newest.values():
        vehicle = _vehicle(index, blobs, report)
        _put(index, blobs, report, vehicle)
    put = [
        put_comparison(
            index, one.data, page=one.page_sha256, data=one.data_sha256, made_s=one.made_s
        )
        for one in reports
        if is_comparison(one.data)
    ]
    return len(newest) + sum(put)


def _reports(blobs: Blobs, left: Iterable[str]) -> list[_Report]:
    results: dict[str, Json] = {}
    pages: list[Path] = []
    for sha256 in left:
        path = blobs.path(sha256)
        if path.stat().st_size > _LARGEST:
            continue
        data = path.read_bytes()
        if data.startswith(b"{") and any(mark in data for mark in _MARKS):
            found = _result(data)
            if found is not None:
                results[sha256] = found
        elif data[:20].lower().startswith(_PAGE):
            pages.append(path)
    whole = []
    for path in pages:
        of, case = _of_page(path.read_bytes())
        if of in results:
            whole.append(_Report(results[of], of, path.name, path.stat().st_mtime, case))
    return whole


def _result(data: bytes) -> Json | None:
    try:
        found: Json = json.loads(data)
        if is_comparison(found):
            return found
        texts = [item[name] for item in found["inputs"] for name in ("role", "name", "sha256")]
        first = found["conclusions"][0]
        texts += [first["code"], first["headline"], found["schema"], found["tool"]["version"]]
        log = found["log"]
        numbers = (log["duration_s"], log["frames"])
    except (ValueError, KeyError, TypeError, IndexError, RecursionError):
        return None
    sound = all(isinstance(text, str) for text in texts)
    return found if sound and all(isinstance(one, (int, float)) for one in numbers) else None


def _of_page(page: bytes) -> tuple[str, dict[str, str]]:
    """Return the hash of the data that a page carries, as it is kept beside it, and its case."""
    from canassist import report as writing  # noqa: PLC0415 - needed for a rebuild alone

    data = writing.page_data(page)
    return hashlib.sha256(data).hexdigest() if data is not None else "", writing.page_case(page)


def _logs_key(data: Json) -> tuple[str, ...]:
    return tuple(item["sha256"] for item in data["inputs"] if item["role"] == "log")


def _vehicle(index: sqlite3.Connection, blobs: Blobs, report: _Report) -> str | None:
    """Return the vehicle of a report, put among the others where it is new."""
    files = [
        item
        for item in report.data["inputs"]
        if item["role"] in {"dbc", "profile"} and blobs.has(item["sha256"])
    ]
    if not files:
        return None
    parts = [item["sha256"] for item in files if item["role"] == "dbc"]
    profiles = [item["sha256"] for item in files if item["role"] == "profile"]
    parts.append(f"profile {profiles[0]}" if profiles else "")
    key = hashlib.sha256("\n".join(parts).encode()).hexdigest()
    row = index.execute("SELECT id FROM vehicles WHERE files_key = ?", (key,)).fetchone()
    if row:
        return str(row["id"])
    vehicle, name = new_id(), one_line(stem(files[0]["name"].rsplit(".", 1)[0])) or "vehicle"
    index.execute(
        "INSERT INTO vehicles(id, name, created_s, files_key) VALUES (?, ?, ?, ?)",
        (vehicle, name, report.made_s, key),
    )
    for role in ("dbc", "profile"):
        own = [item for item in files if item["role"] == role]
        index.executemany(
            "INSERT INTO vehicle_files VALUES (?, ?, ?, ?, ?)",
            [(vehicle, role, n, item["sha256"], item["name"]) for n, item in enumerate(own)],
        )
    return vehicle


def _put(index: sqlite3.Connection, blobs: Blobs, report: _Report, vehicle: str | None) -> None:
    data, ride = report.data, new_id()
    logs = [item for item in data["inputs"] if item["role"] == "log"]
    first = data["conclusions"][0]
    key = hashlib.sha256(" ".join(item["sha256"] for item in logs).encode()).hexdigest()
    values = {
        "id": ride,
        "title": one_line(stem(logs[0]["name"])) if logs else ride,
        "state": "done",
        "created_s": report.made_s,
        "queued_s": report.made_s,
        "input_key": key,
        "vehicle": vehicle,
        "vehicle_by": "chosen" if vehicle else "",
        "page": report.page_sha256,
        "data": report.data_sha256,
        "headline": first["headline"],
        "role": str(first.get("role") or ""),
        "explains": str(first.get("explains_complaint") or ""),
        "rules": f"{data['schema']} {data['tool']['version']}",
        "code": first["code"],
        "strength": str(first.get("strength") or ""),
        "start_utc": str(data["log"].get("start_utc") or ""),
        "duration_s": data["log"]["duration_s"],
        "frames": data["log"]["frames"],
    }
    words = {_COLUMNS.get(name, name): text for name, text in report.case.items()}
    values |= {name: text for name, text in words.items() if name in NOTES}
    index.execute(
        f"INSERT INTO rides({', '.join(values)}) VALUES ({', '.join('?' * len(values))})",  # noqa: S608 - our own column names
        tuple(values.values()),
    )
    sizes = [
        blobs.path(item["sha256"]).stat().st_size if blobs.has(item["sha256"]) else 0
        for item in logs
    ]
    index.executemany(
        "INSERT INTO ride_files VALUES (?, ?, ?, ?, ?)",
        [
            (ride, n, item["sha256"], item["name"], size)
            for n, (item, size) in enumerate(zip(logs, sizes, strict=True))
        ],
    )

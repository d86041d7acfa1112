"""Finds finished comparisons by their reports alone, once the rides of both sides are found."""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING, Any, Final

from canassist.web.http.safe_names import one_line
from canassist.web.store.records import new_id

if TYPE_CHECKING:
    import sqlite3

    Json = dict[str, Any]  # Any: JSON values have any JSON type

SCHEMA: Final = "canassist-comparison/"


def is_comparison(found: Json) -> bool:
    """Tell whether data is a comparison's, with all that its row needs."""
    try:
        texts = [found["schema"], found["headline"], *(_side(found, label)[0] for label in "ab")]
        rides = [logs for label in "ab" for logs in _side(found, label)[1]]
    except (KeyError, TypeError):
        return False
    names = [sha256 for logs in rides for sha256 in logs]
    sound = all(isinstance(text, str) for text in (*texts, *names)) and all(rides)
    return sound and texts[0].startswith(SCHEMA)


def put_comparison(
    index: sqlite3.Connection, found: Json, *, page: str, data: str, made_s: float
) -> bool:
    """Put a comparison on the shelf beside its rides; False where one of them is not there."""
    sides, titles = [], []
    for label in "ab":
        name, rides = _side(found, label)
        rows = [_ride_of(index, logs) for logs in rides]
        sides.append([row for row in rows if row is not None])
        titles.append(one_line(name) or label.upper())
        if not rows or None in rows:
            return False
    named = "/".join(".".join(row["id"] for row in side) for side in sides)
    both = [row for side in sides for row in side]
    values = {
        "id": new_id(),
        "title": f"{titles[0]} against {titles[1]}",
        "state": "done",
        "kind": "compare",
        "sides": named,
        "created_s": made_s,
        "queued_s": made_s,
        "input_key": hashlib.sha256(named.encode()).hexdigest(),
        "vehicle_by": "chosen",
        "page": page,
        "data": data,
        "headline": found["headline"],
        "code": "comparison",
        "duration_s": sum(row["duration_s"] or 0.0 for row in both),
        "frames": sum(row["frames"] or 0 for row in both),
    }
    index.execute(
        f"INSERT INTO rides({', '.join(values)}) VALUES ({', '.join('?' * len(values))})",  # noqa: S608 - our own column names
        tuple(values.values()),
    )
    return True


def _side(found: Json, label: str) -> tuple[str, list[list[str]]]:
    """Return a side's name, and the hashes of each of its rides' logs."""
    side = found["sides"][label]
    return side["name"], [[log["sha256"] for log in ride["logs"]] for ride in side["rides"]]


def _ride_of(index: sqlite3.Connection, logs: list[str]) -> sqlite3.Row | None:
    """Return the ride that was made of exactly these logs."""
    found = index.execute(
        "SELECT rides.id, duration_s, frames FROM rides JOIN ride_files ON ride = rides.id"
        " WHERE kind = 'ride' AND sha256 = ?",
        (logs[0],),
    ).fetchall()
    for row in found:
        files = index.execute("SELECT sha256 FROM ride_files WHERE ride = ?", (row["id"],))
        if sorted(one["sha256"] for one in files) == sorted(logs):
            one: sqlite3.Row = row
            return one
    return None

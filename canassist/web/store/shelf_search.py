"""What the shelf is asked for, as conditions of the index."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from canassist.web.store.records import RULES

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

_DAY: Final = (
    "coalesce(nullif(substr(r.start_utc, 1, 10), ''),"
    " strftime('%Y-%m-%d', r.created_s, 'unixepoch', 'localtime'))"
)
"""The day that a ride is dated by: ridden where its log knows, else added."""

SORTS: Final[Mapping[str, str]] = {
    "newest": "r.created_s DESC",
    "oldest": "r.created_s ASC",
    "ridden": f"{_DAY} DESC, r.start_utc DESC",
    "title": "r.title COLLATE NOCASE ASC",
    "longest": "r.duration_s DESC",
    "answer": "r.code ASC, r.created_s DESC",
}
STATES: Final[Mapping[str, str]] = {
    "failed": "r.state = 'failed'",
    "asks": "r.state = 'done' AND r.questions IS NOT NULL",
    "busy": "r.state IN ('waiting', 'working')",
    "older": f"r.state = 'done' AND r.rules != '{RULES}'",
    "stray": "r.vehicle IS NULL AND r.kind = 'ride' AND r.state IN ('done', 'failed')",
    "alone": "r.job IS NULL AND r.kind = 'ride'",
}
"""What can be asked of a ride's state; ``older`` was read by the rules of an earlier version."""

PAGE_ROWS: Final = 50
MOST_TICKED: Final = 3000

_SEARCHED: Final = (
    "title", "headline", "problem", "complaint", "correction", "work_order", "vehicle_words",
    "odometer", "technician", "equipment", "uploaded_by",
)  # fmt: skip
_ELSEWHERE: Final = (
    "EXISTS (SELECT 1 FROM ride_files f WHERE f.ride = r.id AND f.name LIKE ? ESCAPE '\\')",
    "EXISTS (SELECT 1 FROM vehicles v WHERE v.id = r.vehicle AND v.name LIKE ? ESCAPE '\\')",
    f"{_DAY} LIKE ? ESCAPE '\\'",
)
_IS_DAY: Final = re.compile(r"\d{4}-\d{2}-\d{2}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Search:
    """What the shelf is asked for; ``since`` and ``until`` are days, both counted in."""

    text: str = ""
    state: str = ""
    vehicle: str = ""
    code: str = ""
    work_order: str = ""
    job: str = ""
    since: str = ""
    until: str = ""
    sort: str = "newest"
    page: int = 1
    deleted: bool = False


def conditions(asked: Search) -> tuple[str, Sequence[str]]:
    """Return a condition on rides, called ``r``, and its values."""
    parts = ["r.deleted_s IS NOT NULL" if asked.deleted else "r.deleted_s IS NULL"]
    values: list[str] = []
    if asked.state in STATES:
        parts.append(f"({STATES[asked.state]})")
    for word in asked.text.split()[:8]:
        columns = [f"r.{name} LIKE ? ESCAPE '\\'" for name in _SEARCHED]
        parts.append(f"({' OR '.join([*columns, *_ELSEWHERE])})")
        values += [_like(word)] * (len(_SEARCHED) + len(_ELSEWHERE))
    for column in ("vehicle", "code", "job"):
        if value := getattr(asked, column):
            parts.append(f"r.{column} = ?")
            values.append(value)
    for day, sign in ((asked.since, ">="), (asked.until, "<=")):
        if _IS_DAY.fullmatch(day):
            parts.append(f"{_DAY} {sign} ?")
            values.append(day)
    if asked.work_order:
        parts.append("r.work_order LIKE ? ESCAPE '\\'")
        values.append(_like(asked.work_order))
    return " AND ".join(parts), values


def _like(word: str) -> str:
    for mark in ("\\", "%", "_"):
        word = word.replace(mark, f"\\{mark}")
    return f"%{word}%"

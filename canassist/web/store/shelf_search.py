"""What the shelf is asked for, as conditions of the index."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

SORTS: Final[Mapping[str, str]] = {
    "newest": "r.created_s DESC",
    "oldest": "r.created_s ASC",
    "title": "r.title COLLATE NOCASE ASC",
    "longest": "r.duration_s DESC",
    "answer": "r.code ASC, r.created_s DESC",
}
PAGE_ROWS: Final = 50

_SEARCHED: Final = ("title", "headline", "complaint", "work_order", "vehicle_words", "technician")


@dataclass(frozen=True, slots=True, kw_only=True)
class Search:
    """What the shelf is asked for."""

    text: str = ""
    vehicle: str = ""
    code: str = ""
    work_order: str = ""
    sort: str = "newest"
    page: int = 1
    deleted: bool = False


def conditions(asked: Search) -> tuple[str, Sequence[str]]:
    """Return a condition on rides, called ``r``, and its values."""
    parts = ["r.deleted_s IS NOT NULL" if asked.deleted else "r.deleted_s IS NULL"]
    values: list[str] = []
    for word in asked.text.split():
        columns = " OR ".join(f"r.{name} LIKE ? ESCAPE '\\'" for name in _SEARCHED)
        parts.append(f"({columns})")
        values += [_like(word)] * len(_SEARCHED)
    for column, value in (("vehicle", asked.vehicle), ("code", asked.code)):
        if value:
            parts.append(f"r.{column} = ?")
            values.append(value)
    if asked.work_order:
        parts.append("r.work_order LIKE ? ESCAPE '\\'")
        values.append(_like(asked.work_order))
    return " AND ".join(parts), values


def _like(word: str) -> str:
    for mark in ("\\", "%", "_"):
        word = word.replace(mark, f"\\{mark}")
    return f"%{word}%"

"""Reports that a later reading replaced: a correction makes a new one, the earlier stays."""

from __future__ import annotations

import time
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import sqlite3

    from canassist.web.store.index_database import Database


@dataclass(frozen=True, slots=True, kw_only=True)
class EarlierReport:
    """A report as it was made before; ``place`` counts from 1 within its ride."""

    place: int
    replaced_s: float
    page: str
    data: str
    headline: str


def keep_earlier(index: sqlite3.Connection, ride: str, page: str) -> None:
    """Keep the report that a ride has now, unless the new one is the same, byte for byte."""
    index.execute(
        "INSERT INTO earlier_reports SELECT r.id,"
        " 1 + coalesce((SELECT max(place) FROM earlier_reports WHERE ride = r.id), 0),"
        " ?, r.page, r.data, r.headline FROM rides r"
        " WHERE r.id = ? AND r.page IS NOT NULL AND r.data IS NOT NULL AND r.page != ?",
        (time.time(), ride, page),
    )


def earlier_reports(database: Database, ride: str) -> list[EarlierReport]:
    """Return a ride's earlier reports, the latest first."""
    text = "SELECT place, replaced_s, page, data, headline FROM earlier_reports WHERE ride = ?"
    rows = database.reading().execute(f"{text} ORDER BY place DESC", (ride,))
    return [EarlierReport(**dict(row)) for row in rows]

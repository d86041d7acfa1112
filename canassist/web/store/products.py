"""What was made of reports, such as their PDF, and which files are still referred to at all."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    import sqlite3

    from canassist.web.store.index_database import Database

WANTED: Final = (
    "SELECT sha256 FROM ride_files",
    "SELECT sha256 FROM vehicle_files",
    "SELECT sha256 FROM products",
    "SELECT sha256 FROM found_files",
    "SELECT page FROM rides",
    "SELECT data FROM rides",
    "SELECT questions FROM rides",
    "SELECT picture FROM rides",
    "SELECT page FROM earlier_reports",
    "SELECT data FROM earlier_reports",
)
"""What in the index refers to files; a file that none of these names goes into the bin."""


class Products:
    """Notes what was made from which report.

    Parameters
    ----------
    database : Database
    """

    def __init__(self, database: Database) -> None:
        self._database = database

    def get(self, source: str, kind: str) -> str | None:
        """Return the hash of what was made from a report before, such as its PDF."""
        text = "SELECT sha256 FROM products WHERE source = ? AND kind = ?"
        row = self._database.reading().execute(text, (source, kind)).fetchone()
        return str(row[0]) if row else None

    def keep(self, source: str, kind: str, sha256: str) -> None:
        """Note what was made from a report."""
        with self._database.writing() as index:
            index.execute("REPLACE INTO products VALUES (?, ?, ?)", (source, kind, sha256))

    def forget(self) -> None:
        """Drop the notes on reports that are gone."""
        with self._database.writing() as index:
            index.execute(
                "DELETE FROM products WHERE source NOT IN"
                " (SELECT page FROM rides WHERE page IS NOT NULL"
                " UNION SELECT page FROM earlier_reports)"
            )

    def wanted_files(self, index: sqlite3.Connection | None = None) -> set[str]:
        """Return the hash of every file that something refers to."""
        index = index or self._database.reading()
        return {row[0] for text in WANTED for row in index.execute(text) if row[0]}

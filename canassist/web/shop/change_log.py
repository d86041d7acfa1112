"""Who changed what, and when: the page's own log, for people."""

from __future__ import annotations

import time
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from canassist.web.store.index_database import Database

_KEPT: Final = 2000
SHOWN: Final = 200


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One change: when, by whom, what was done, and to what."""

    at_s: float
    who: str
    what: str
    of: str


class ChangeLog:
    """Notes changes and tells the latest.

    Parameters
    ----------
    database : Database
    """

    def __init__(self, database: Database) -> None:
        self._database = database

    def note(self, who: str, what: str, of: str) -> None:
        """Note a change; the oldest of very many go."""
        with self._database.writing() as index:
            index.execute(
                "INSERT INTO changes(at_s, who, what, of) VALUES (?, ?, ?, ?)",
                (time.time(), who, what, of[:200]),
            )
            index.execute(
                "DELETE FROM changes WHERE place <= (SELECT max(place) FROM changes) - ?", (_KEPT,)
            )

    def latest(self) -> list[Change]:
        """Return the latest changes, the last one first."""
        text = "SELECT at_s, who, what, of FROM changes ORDER BY place DESC LIMIT ?"
        return [Change(**dict(row)) for row in self._database.reading().execute(text, (SHOWN,))]

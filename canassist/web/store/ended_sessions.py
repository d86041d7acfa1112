"""Sessions that were logged out: they count no more, also after a restart."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from canassist.web.store.index_database import Database


class EndedSessions:
    """Keeps the names of ended sessions until their cookies have run out.

    Parameters
    ----------
    database : Database
    """

    def __init__(self, database: Database) -> None:
        self._database = database
        rows = database.reading().execute("SELECT name FROM ended_sessions")
        self._names = {str(row[0]) for row in rows}

    def has(self, name: str) -> bool:
        """Tell whether a session was ended."""
        return name in self._names

    def add(self, name: str, until_s: float) -> None:
        """End a session; it is kept until its cookie would run out anyway."""
        self._names.add(name)
        with self._database.writing() as index:
            index.execute("DELETE FROM ended_sessions WHERE until_s < ?", (time.time(),))
            index.execute("REPLACE INTO ended_sessions VALUES (?, ?)", (name, until_s))

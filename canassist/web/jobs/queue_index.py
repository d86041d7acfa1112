"""The queue: which ride comes next, and how its work ended."""

from __future__ import annotations

import time
from collections import deque
from dataclasses import fields
from typing import TYPE_CHECKING, Final

from canassist.web.store.earlier_reports import keep_earlier
from canassist.web.store.records import StoredAnswer

if TYPE_CHECKING:
    import sqlite3

    from canassist.web.store.index_database import Database
    from canassist.web.store.records import RideRecord
    from canassist.web.store.rides_index import RidesIndex

_REMEMBERED: Final = 9
"""Rides whose time tells how long the next ones will take."""


class Queue:
    """Moves rides through the queue; every method is one transaction.

    An outcome counts only while the ride is in work since the same moment: work that was
    called off, or put in anew meanwhile, cannot overwrite what came after it.

    Parameters
    ----------
    database : Database
    rides : RidesIndex
        The shelf on the same index.
    """

    def __init__(self, database: Database, rides: RidesIndex) -> None:
        self._database = database
        self._rides = rides
        self._took_s: deque[float] = deque(maxlen=_REMEMBERED)

    def waiting(self) -> dict[str, int]:
        """Return the waiting rides, each with how many have their turn before it."""
        text = "SELECT id FROM rides WHERE state = 'waiting' AND deleted_s IS NULL"
        rows = self._database.reading().execute(f"{text} ORDER BY queued_s, id")
        return {row[0]: place for place, row in enumerate(rows)}

    def seconds_each(self) -> float | None:
        """Return how long a ride takes here, from the last that were read; None where unknown."""
        times = sorted(self._took_s)
        return times[len(times) // 2] if times else None

    def took(self, seconds: float) -> None:
        """Note how long a ride took."""
        self._took_s.append(seconds)

    def first(self, ride: str) -> None:
        """Let a waiting ride be the next."""
        with self._database.writing() as index:
            index.execute(
                "UPDATE rides SET queued_s = (SELECT min(queued_s) FROM rides"
                " WHERE state = 'waiting' AND deleted_s IS NULL) - 1"
                " WHERE id = ? AND state = 'waiting'",
                (ride,),
            )

    def cancel_all(self) -> list[str]:
        """Call off all that waits or is in work; return which."""
        with self._database.writing() as index:
            rows = index.execute(
                "SELECT id FROM rides WHERE state IN ('waiting', 'working') AND deleted_s IS NULL"
            ).fetchall()
            index.execute(
                "UPDATE rides SET state = CASE WHEN page IS NULL THEN 'cancelled' ELSE 'done' END"
                " WHERE state IN ('waiting', 'working') AND deleted_s IS NULL"
            )
        return [row[0] for row in rows]

    def begin_next(self, attempts: int) -> RideRecord | None:
        """Take the first ride of the queue to work on; what failed too often is passed over."""
        with self._database.writing() as index:
            row = index.execute(
                "SELECT id FROM rides WHERE state = 'waiting' AND deleted_s IS NULL"
                " AND attempts < ? ORDER BY queued_s, id LIMIT 1",
                (attempts,),
            ).fetchone()
            if row is None:
                return None
            index.execute(
                "UPDATE rides SET state = 'working', attempts = attempts + 1 WHERE id = ?", row[:1]
            )
        return self._rides.get(row[0])

    def resume(self, attempts: int, problem: str, fix: str) -> tuple[int, int]:
        """Put rides that a stopped process left in work back, or say that they failed.

        Returns
        -------
        (int, int)
            How many go on, and how many were begun too often.
        """
        with self._database.writing() as index:
            failed = index.execute(
                "UPDATE rides SET state = 'failed', problem = ?, fix = ?"
                " WHERE state = 'working' AND attempts >= ?",
                (problem, fix, attempts),
            ).rowcount
            back = index.execute(
                "UPDATE rides SET state = 'waiting' WHERE state = 'working'"
            ).rowcount
        return back, failed

    def again(self, ride: str) -> None:
        """Put a ride into the queue anew; its report stays until the new one is there."""
        with self._database.writing() as index:
            index.execute(
                "UPDATE rides SET state = 'waiting', queued_s = ?, attempts = 0, problem = '',"
                " fix = '', number = '' WHERE id = ? AND deleted_s IS NULL",
                (time.time(), ride),
            )

    def finish(self, ride: RideRecord, answer: StoredAnswer, identity: str = "") -> None:
        """Keep what an analysis came to."""
        names = [item.name for item in fields(StoredAnswer)]
        values = [getattr(answer, name) for name in names]
        with self._database.writing() as index:
            if self._is_current(index, ride):
                keep_earlier(index, ride.id, answer.page)
            index.execute(
                f"UPDATE rides SET state = 'done', problem = '', fix = '', number = '', "  # noqa: S608 - our own column names
                f"{', '.join(f'{name} = ?' for name in names)}"
                " WHERE id = ? AND state = 'working' AND queued_s = ?",
                (*values, ride.id, ride.queued_s),
            )
            if identity and answer.vehicle is not None:
                index.execute(
                    "UPDATE vehicles SET identity = ? WHERE id = ? AND identity != ?",
                    (identity, answer.vehicle, identity),
                )

    @staticmethod
    def _is_current(index: sqlite3.Connection, ride: RideRecord) -> bool:
        text = "SELECT 1 FROM rides WHERE id = ? AND state = 'working' AND queued_s = ?"
        return index.execute(text, (ride.id, ride.queued_s)).fetchone() is not None

    def try_again(self, ride: RideRecord) -> None:
        """Put a ride back whose work was ended from outside; its attempts go on counting."""
        with self._database.writing() as index:
            index.execute(
                "UPDATE rides SET state = 'waiting'"
                " WHERE id = ? AND state = 'working' AND queued_s = ?",
                (ride.id, ride.queued_s),
            )

    def fail(self, ride: RideRecord, problem: str, fix: str, number: str) -> None:
        """Say why a ride could not be analysed."""
        with self._database.writing() as index:
            index.execute(
                "UPDATE rides SET state = 'failed', problem = ?, fix = ?, number = ?"
                " WHERE id = ? AND state = 'working' AND queued_s = ?",
                (problem, fix, number, ride.id, ride.queued_s),
            )

    def cancel(self, ride: str) -> None:
        """Call an analysis off; a report that was there before stays the answer."""
        with self._database.writing() as index:
            index.execute(
                "UPDATE rides SET state = CASE WHEN page IS NULL THEN 'cancelled' ELSE 'done' END"
                " WHERE id = ? AND state IN ('waiting', 'working')",
                (ride,),
            )

"""The shelf: rides are put on it, found, named, taken off and brought back."""

from __future__ import annotations

import time
from dataclasses import fields
from typing import TYPE_CHECKING, Final

from canassist.web.store.records import NOTES, RideRecord, Stored, new_id
from canassist.web.store.shelf_search import MOST_TICKED, PAGE_ROWS, SORTS, STATES, conditions

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Iterable, Mapping

    from canassist.web.store.index_database import Database
    from canassist.web.store.records import NewRide
    from canassist.web.store.shelf_search import Search

_COLUMNS: Final = tuple(item.name for item in fields(RideRecord) if item.name != "vehicle_name")
_SELECT: Final = (
    "SELECT "  # noqa: S608 - our own column names
    + ", ".join(f"r.{name}" for name in _COLUMNS)
    + ", coalesce(v.name, '') AS vehicle_name"
    + " FROM rides r LEFT JOIN vehicles v ON v.id = r.vehicle"
)


class RidesIndex:
    """Puts rides on the shelf and finds them; every method is one transaction.

    Parameters
    ----------
    database : Database
    """

    def __init__(self, database: Database) -> None:
        self._database = database

    def put(self, new: NewRide) -> tuple[RideRecord, bool]:
        """Put a ride on the shelf and into the queue, unless it is there already.

        Returns
        -------
        (RideRecord, bool)
            The ride, and whether it is new.
        """
        with self._database.writing() as index:
            found = self.same(new)
            if found is not None:
                return found, False
            ride = _insert(index, new)
        added = self.get(ride)
        assert added is not None  # noqa: S101 - just added
        return added, True

    def get(self, ride: str) -> RideRecord | None:
        """Return a ride, deleted or not, or None."""
        row = self._database.reading().execute(f"{_SELECT} WHERE r.id = ?", (ride,)).fetchone()
        return _ride(row) if row else None

    def same(self, new: NewRide) -> RideRecord | None:
        """Return the ride that was made from the same files, if it is on the shelf."""
        text = f"{_SELECT} WHERE r.input_key = ? AND r.deleted_s IS NULL ORDER BY r.created_s DESC"
        for row in self._database.reading().execute(text, (new.input_key,)):
            ride = _ride(row)
            failed = ride.state in {"failed", "cancelled"}
            if new.vehicle_by != "chosen" or ride.vehicle == new.vehicle or failed:
                return ride
        return None

    def files(self, ride: str) -> tuple[Stored, ...]:
        """Return the logs of a ride in their order."""
        text = "SELECT sha256, name, bytes FROM ride_files WHERE ride = ? ORDER BY place"
        rows = self._database.reading().execute(text, (ride,))
        return tuple(Stored(sha256=row[0], name=row[1], size=row[2]) for row in rows)

    def search(self, asked: Search) -> tuple[list[RideRecord], int]:
        """Return one page of rides, and how many there are in all."""
        where, values = conditions(asked)
        index = self._database.reading()
        count = index.execute(
            f"SELECT count(*) FROM rides r WHERE {where}",  # noqa: S608 - our own conditions, values apart
            values,
        ).fetchone()[0]
        order = SORTS.get(asked.sort, SORTS["newest"])
        first = (max(1, asked.page) - 1) * PAGE_ROWS
        text = f"{_SELECT} WHERE {where} ORDER BY {order}, r.id LIMIT {PAGE_ROWS} OFFSET ?"
        return [_ride(row) for row in index.execute(text, (*values, first))], count

    def codes(self) -> list[str]:
        """Return the conclusions that are on the shelf."""
        text = "SELECT DISTINCT code FROM rides WHERE code != '' AND deleted_s IS NULL ORDER BY 1"
        return [row[0] for row in self._database.reading().execute(text)]

    def is_empty(self) -> bool:
        """Tell whether no ride is on the shelf."""
        text = "SELECT 1 FROM rides WHERE deleted_s IS NULL LIMIT 1"
        return self._database.reading().execute(text).fetchone() is None

    def has_deleted(self) -> bool:
        """Tell whether a ride can be brought back."""
        text = "SELECT 1 FROM rides WHERE deleted_s IS NOT NULL LIMIT 1"
        return self._database.reading().execute(text).fetchone() is not None

    def note(self, ride: str, title: str, notes: Mapping[str, str]) -> None:
        """Keep a ride's name and what the workshop says of it."""
        self._set(ride, title=title, **{name: notes[name] for name in NOTES if name in notes})

    def choose_vehicle(self, ride: str, vehicle: str | None, by: str) -> None:
        """Say which vehicle a ride belongs to."""
        self._set(ride, vehicle=vehicle, vehicle_by=by, vehicle_fit="")

    def ids(self, asked: Search) -> list[str]:
        """Return every ride that a search finds, on whatever page it stands."""
        where, values = conditions(asked)
        text = (
            f"SELECT r.id FROM rides r WHERE {where} ORDER BY r.created_s DESC LIMIT {MOST_TICKED}"  # noqa: S608 - our own conditions, values apart
        )
        return [row[0] for row in self._database.reading().execute(text, values)]

    def counts(self) -> dict[str, int]:
        """Return how many rides wait for somebody, or for their turn."""
        parts = ", ".join(
            f"coalesce(sum({condition}), 0) AS {name}" for name, condition in STATES.items()
        )
        text = f"SELECT {parts} FROM rides r WHERE r.deleted_s IS NULL"  # noqa: S608 - our own conditions
        return dict(self._database.reading().execute(text).fetchone())

    def of_job(self, job: str) -> list[RideRecord]:
        """Return the rides of a job, the first ridden first."""
        text = (
            f"{_SELECT} WHERE r.job = ? AND r.deleted_s IS NULL ORDER BY r.start_utc, r.created_s"
        )
        return [_ride(row) for row in self._database.reading().execute(text, (job,))]

    def join(self, rides: Iterable[str], job: str | None, phase: str) -> None:
        """Put rides into a job, or take them out of theirs."""
        with self._database.writing() as index:
            index.executemany(
                "UPDATE rides SET job = ?, phase = ? WHERE id = ?",
                [(job, phase, ride) for ride in rides],
            )

    def deleted_at(self, when_s: float) -> list[str]:
        """Return the rides that were deleted in one go."""
        text = "SELECT id FROM rides WHERE abs(deleted_s - ?) < 0.0005"
        return [row[0] for row in self._database.reading().execute(text, (when_s,))]

    def delete(self, rides: Iterable[str]) -> float:
        """Take rides off the shelf; they can come back for a while. Return when that was."""
        now_s = round(time.time(), 3)
        with self._database.writing() as index:
            index.executemany(
                "UPDATE rides SET deleted_s = ?, state = CASE WHEN state IN ('waiting', 'working')"
                " THEN 'cancelled' ELSE state END WHERE id = ? AND deleted_s IS NULL",
                [(now_s, ride) for ride in rides],
            )
        return now_s

    def restore(self, rides: Iterable[str]) -> None:
        """Bring deleted rides back; one without an answer goes into the queue."""
        with self._database.writing() as index:
            index.executemany(
                "UPDATE rides SET deleted_s = NULL, queued_s = ?, attempts = 0, state = CASE WHEN"
                " state = 'cancelled' THEN CASE WHEN page IS NULL THEN 'waiting' ELSE 'done' END"
                " ELSE state END WHERE id = ? AND deleted_s IS NOT NULL",
                [(time.time(), ride) for ride in rides],
            )

    def purge(self, before_s: float) -> int:
        """Forget rides that were deleted before a time; return how many."""
        with self._database.writing() as index:
            return index.execute("DELETE FROM rides WHERE deleted_s < ?", (before_s,)).rowcount

    def _set(self, ride: str, **columns: str | float | None) -> None:
        with self._database.writing() as index:
            index.execute(
                f"UPDATE rides SET {', '.join(f'{name} = ?' for name in columns)} WHERE id = ?",  # noqa: S608 - our own column names
                (*columns.values(), ride),
            )


def _insert(index: sqlite3.Connection, new: NewRide) -> str:
    ride, now = new_id(), time.time()
    values = {
        "id": ride,
        "title": new.title,
        "state": "waiting",
        "created_s": now,
        "queued_s": now,
        "input_key": new.input_key,
        "vehicle": new.vehicle,
        "vehicle_by": new.vehicle_by,
        "kind": new.kind,
        "sides": new.sides,
        "job": new.job,
        "phase": new.phase,
        "uploaded_by": new.uploaded_by,
        **{name: new.notes.get(name, "") for name in NOTES},
    }
    index.execute(
        f"INSERT INTO rides({', '.join(values)}) VALUES ({', '.join('?' * len(values))})",  # noqa: S608 - our own column names
        tuple(values.values()),
    )
    index.executemany(
        "INSERT INTO ride_files VALUES (?, ?, ?, ?, ?)",
        [(ride, place, one.sha256, one.name, one.size) for place, one in enumerate(new.files)],
    )
    return ride


def _ride(row: sqlite3.Row) -> RideRecord:
    return RideRecord(**dict(row))

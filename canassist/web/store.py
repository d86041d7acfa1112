"""The shelf: rides and what is known of them."""

from __future__ import annotations

import hashlib
import secrets
import time
from dataclasses import dataclass, field, fields
from typing import TYPE_CHECKING, Final, Literal

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Iterable, Mapping, Sequence

    from canassist.web.database import Database

State = Literal["waiting", "working", "done", "failed", "cancelled"]

NOTES: Final = (
    "complaint",
    "correction",
    "vehicle_words",
    "odometer",
    "work_order",
    "technician",
    "equipment",
    "moments",
)
"""What the workshop says of a ride; all of it text."""

SORTS: Final[Mapping[str, str]] = {
    "newest": "r.created_s DESC",
    "oldest": "r.created_s ASC",
    "title": "r.title COLLATE NOCASE ASC",
    "longest": "r.duration_s DESC",
    "answer": "r.code ASC, r.created_s DESC",
}
PAGE_ROWS: Final = 50


@dataclass(frozen=True, slots=True, kw_only=True)
class Stored:
    """A file on the shelf: its content's hash, its own name and its size."""

    sha256: str
    name: str
    size: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Ride:
    """One row of the shelf; the fields are the columns of the index.

    ``kind`` is ``ride`` or ``compare``; a comparison's ``sides`` names the rides of both sides,
    ``A.A/B.B``.
    """

    id: str
    title: str
    state: State
    kind: str
    sides: str
    created_s: float
    queued_s: float
    attempts: int
    input_key: str
    vehicle: str | None
    vehicle_by: str
    vehicle_fit: str
    complaint: str
    correction: str
    vehicle_words: str
    odometer: str
    work_order: str
    technician: str
    equipment: str
    moments: str
    page: str | None
    data: str | None
    questions: str | None
    headline: str
    code: str
    strength: str
    start_utc: str
    duration_s: float | None
    frames: int | None
    problem: str
    fix: str
    number: str
    deleted_s: float | None
    vehicle_name: str = ""

    @property
    def both_sides(self) -> tuple[list[str], list[str]]:
        """Rides of a comparison's two sides."""
        a, _, b = self.sides.partition("/")
        return [one for one in a.split(".") if one], [one for one in b.split(".") if one]

    @property
    def busy(self) -> bool:
        """Whether it waits or is worked on."""
        return self.state in {"waiting", "working"}


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


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What an analysis came to; hashes name kept files."""

    page: str
    data: str
    questions: str | None
    headline: str
    code: str
    strength: str
    start_utc: str
    duration_s: float
    frames: int
    vehicle: str | None
    vehicle_by: str
    vehicle_fit: str


@dataclass(frozen=True, slots=True, kw_only=True)
class NewRide:
    """A ride to be put on the shelf and into the queue."""

    title: str
    files: tuple[Stored, ...]
    vehicle: str | None = None
    vehicle_by: str = ""
    notes: Mapping[str, str] = field(default_factory=dict)
    kind: str = "ride"
    sides: str = ""

    @property
    def input_key(self) -> str:
        """What tells that the same files were given before."""
        given = " ".join(one.sha256 for one in self.files) or self.sides
        return hashlib.sha256(given.encode()).hexdigest()


_COLUMNS: Final = tuple(item.name for item in fields(Ride) if item.name != "vehicle_name")
_SELECT: Final = (
    "SELECT "  # noqa: S608 - our own column names
    + ", ".join(f"r.{name}" for name in _COLUMNS)
    + ", coalesce(v.name, '') AS vehicle_name"
    + " FROM rides r LEFT JOIN vehicles v ON v.id = r.vehicle"
)
_SEARCHED: Final = ("title", "headline", "complaint", "work_order", "vehicle_words", "technician")


class Rides:
    """Puts rides on the shelf and finds them; every method is one transaction.

    Parameters
    ----------
    database : Database
    """

    def __init__(self, database: Database) -> None:
        self._database = database

    def add(self, new: NewRide) -> Ride:
        """Put a ride on the shelf and into the queue."""
        ride, now = new_id(), time.time()
        notes = {name: new.notes.get(name, "") for name in NOTES}
        columns = ("id", "title", "state", "created_s", "queued_s", "input_key", "vehicle",
                   "vehicle_by", "kind", "sides", *notes)  # fmt: skip
        values = (ride, new.title, "waiting", now, now, new.input_key, new.vehicle,
                  new.vehicle_by, new.kind, new.sides, *notes.values())  # fmt: skip
        marks = ", ".join("?" * len(columns))
        with self._database.writing() as index:
            index.execute(
                f"INSERT INTO rides({', '.join(columns)}) VALUES ({marks})",  # noqa: S608 - our own column names
                values,
            )
            index.executemany(
                "INSERT INTO ride_files VALUES (?, ?, ?, ?, ?)",
                [
                    (ride, place, one.sha256, one.name, one.size)
                    for place, one in enumerate(new.files)
                ],
            )
        found = self.get(ride)
        assert found is not None  # noqa: S101 - just added
        return found

    def get(self, ride: str) -> Ride | None:
        """Return a ride, deleted or not, or None."""
        row = self._database.reading().execute(f"{_SELECT} WHERE r.id = ?", (ride,)).fetchone()
        return _ride(row) if row else None

    def same(self, new: NewRide) -> Ride | None:
        """Return the ride that was made from the same files, if it is on the shelf."""
        text = f"{_SELECT} WHERE r.input_key = ? AND r.deleted_s IS NULL ORDER BY r.created_s DESC"
        for row in self._database.reading().execute(text, (new.input_key,)):
            ride = _ride(row)
            if new.vehicle_by != "chosen" or ride.vehicle == new.vehicle:
                return ride
        return None

    def files(self, ride: str) -> tuple[Stored, ...]:
        """Return the logs of a ride in their order."""
        text = "SELECT sha256, name, bytes FROM ride_files WHERE ride = ? ORDER BY place"
        rows = self._database.reading().execute(text, (ride,))
        return tuple(Stored(sha256=row[0], name=row[1], size=row[2]) for row in rows)

    def search(self, asked: Search) -> tuple[list[Ride], int]:
        """Return one page of rides, and how many there are in all."""
        where, values = _conditions(asked)
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

    def busy(self) -> list[Ride]:
        """Return the rides that wait or are worked on, the next first."""
        text = f"{_SELECT} WHERE r.state IN ('working', 'waiting') AND r.deleted_s IS NULL"
        text += " ORDER BY r.state DESC, r.queued_s, r.id"
        return [_ride(row) for row in self._database.reading().execute(text)]

    def begin_next(self, attempts: int) -> Ride | None:
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
        return self.get(row[0])

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
        self._set(ride, state="waiting", queued_s=time.time(), attempts=0, problem="", fix="",
                  number="")  # fmt: skip

    def finish(self, ride: str, answer: Answer) -> None:
        """Keep what an analysis came to, unless it was called off meanwhile."""
        names = [item.name for item in fields(Answer)]
        values = [getattr(answer, name) for name in names]
        with self._database.writing() as index:
            index.execute(
                f"UPDATE rides SET state = 'done', problem = '', fix = '', number = '', "  # noqa: S608 - our own column names
                f"{', '.join(f'{name} = ?' for name in names)} WHERE id = ? AND state = 'working'",
                (*values, ride),
            )

    def fail(self, ride: str, problem: str, fix: str, number: str) -> None:
        """Say why a ride could not be analysed."""
        with self._database.writing() as index:
            index.execute(
                "UPDATE rides SET state = 'failed', problem = ?, fix = ?, number = ?"
                " WHERE id = ? AND state = 'working'",
                (problem, fix, number, ride),
            )

    def cancel(self, ride: str) -> None:
        """Call an analysis off; a report that was there before stays the answer."""
        with self._database.writing() as index:
            index.execute(
                "UPDATE rides SET state = CASE WHEN page IS NULL THEN 'cancelled' ELSE 'done' END"
                " WHERE id = ? AND state IN ('waiting', 'working')",
                (ride,),
            )

    def note(self, ride: str, title: str, notes: Mapping[str, str]) -> None:
        """Keep a ride's name and what the workshop says of it."""
        self._set(ride, title=title, **{name: notes[name] for name in NOTES if name in notes})

    def choose_vehicle(self, ride: str, vehicle: str | None, by: str) -> None:
        """Say which vehicle a ride belongs to."""
        self._set(ride, vehicle=vehicle, vehicle_by=by, vehicle_fit="")

    def delete(self, rides: Iterable[str]) -> None:
        """Take rides off the shelf; they can come back for a while."""
        with self._database.writing() as index:
            index.executemany(
                "UPDATE rides SET deleted_s = ?, state = CASE WHEN state IN ('waiting', 'working')"
                " THEN 'cancelled' ELSE state END WHERE id = ? AND deleted_s IS NULL",
                [(time.time(), ride) for ride in rides],
            )

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

    def product(self, source: str, kind: str) -> str | None:
        """Return the hash of what was made from a report before, such as its PDF."""
        text = "SELECT sha256 FROM products WHERE source = ? AND kind = ?"
        row = self._database.reading().execute(text, (source, kind)).fetchone()
        return str(row[0]) if row else None

    def keep_product(self, source: str, kind: str, sha256: str) -> None:
        """Note what was made from a report."""
        with self._database.writing() as index:
            index.execute("REPLACE INTO products VALUES (?, ?, ?)", (source, kind, sha256))

    def wanted_files(self) -> set[str]:
        """Return the hash of every file that something refers to."""
        index = self._database.reading()
        index.execute(
            "DELETE FROM products WHERE source NOT IN (SELECT page FROM rides WHERE page"
            " IS NOT NULL)"
        )
        found: set[str] = set()
        for text in (
            "SELECT sha256 FROM ride_files",
            "SELECT sha256 FROM vehicle_files",
            "SELECT sha256 FROM products",
            "SELECT page FROM rides",
            "SELECT data FROM rides",
            "SELECT questions FROM rides",
        ):
            found |= {row[0] for row in index.execute(text) if row[0]}
        return found

    def _set(self, ride: str, **columns: str | float | None) -> None:
        with self._database.writing() as index:
            index.execute(
                f"UPDATE rides SET {', '.join(f'{name} = ?' for name in columns)} WHERE id = ?",  # noqa: S608 - our own column names
                (*columns.values(), ride),
            )


def new_id() -> str:
    """Return an identifier that cannot be guessed."""
    return secrets.token_hex(8)


def _ride(row: sqlite3.Row) -> Ride:
    return Ride(**dict(row))


def _conditions(asked: Search) -> tuple[str, Sequence[str]]:
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

"""Jobs: a complaint, its vehicle, the checks with their results, the repair and its proof.

A ride belongs to one job or to none; it joins by the work order that it came with.
"""

from __future__ import annotations

import time
from dataclasses import dataclass, fields, replace
from typing import TYPE_CHECKING, Final

from canassist.web.store.records import new_id

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Mapping, Sequence

    from canassist.web.store.index_database import Database

JOB_NOTES: Final = (
    "complaint",
    "correction",
    "vehicle_words",
    "odometer",
    "work_order",
    "technician",
)
"""What the workshop says of a job; all of it text."""

BEFORE: Final = "before"
AFTER: Final = "after"
MOST_CHECKS: Final = 40


@dataclass(frozen=True, slots=True, kw_only=True)
class JobCheck:
    """A check that an answer asks for, and what the workshop measured.

    ``cautions`` stand beside it as long as the answer asks for it; they are not kept apart.
    """

    text: str
    expect: str = ""
    measured: str = ""
    is_done: bool = False
    cautions: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class RepairJob:
    """One job; the fields are the columns of the index.

    ``rides`` counts what is on the shelf of it.
    """

    id: str
    created_s: float
    complaint: str
    correction: str
    vehicle: str | None
    vehicle_words: str
    odometer: str
    work_order: str
    technician: str
    opened_by: str
    closed_s: float | None
    deleted_s: float | None
    vehicle_name: str = ""
    rides: int = 0

    @property
    def is_open(self) -> bool:
        """Whether it is still worked on."""
        return self.closed_s is None

    def is_of(self, work_order: str) -> bool:
        """Tell whether a work order is this job's, whatever its case and spaces."""
        return _plain(self.work_order) == _plain(work_order)

    @property
    def name(self) -> str:
        """How it is called: its work order and complaint, as far as there are any."""
        parts = (self.work_order, self.complaint.split("\n", 1)[0][:80])
        return ", ".join(part for part in parts if part) or self.vehicle_words


_COLUMNS: Final = tuple(
    item.name for item in fields(RepairJob) if item.name not in {"vehicle_name", "rides"}
)
_SELECT: Final = (
    "SELECT "  # noqa: S608 - our own column names
    + ", ".join(f"j.{name}" for name in _COLUMNS)
    + ", coalesce(v.name, '') AS vehicle_name, (SELECT count(*) FROM rides r WHERE r.job = j.id"
    " AND r.deleted_s IS NULL) AS rides"
    " FROM repair_jobs j LEFT JOIN vehicles v ON v.id = j.vehicle"
)


class RepairJobs:
    """Keeps jobs; every method is one transaction.

    Parameters
    ----------
    database : Database
    """

    def __init__(self, database: Database) -> None:
        self._database = database

    def get(self, job: str | None) -> RepairJob | None:
        """Return a job, or None where there is none or it was deleted."""
        text = f"{_SELECT} WHERE j.id = ? AND j.deleted_s IS NULL"
        row = self._database.reading().execute(text, (job,)).fetchone()
        return _job(row) if row else None

    def all(self, *, open_only: bool = False, text: str = "") -> list[RepairJob]:
        """Return jobs, the newest first; ``text`` is looked for in all that is said of them."""
        where, values = "j.deleted_s IS NULL", []
        if open_only:
            where += " AND j.closed_s IS NULL"
        for word in text.split()[:8]:
            columns = (*(f"j.{name}" for name in JOB_NOTES), "v.name")
            where += f" AND ({' OR '.join(f'instr(lower({one}), lower(?))' for one in columns)})"
            values += [word] * len(columns)
        order = "ORDER BY j.created_s DESC, j.id LIMIT 500"
        rows = self._database.reading().execute(f"{_SELECT} WHERE {where} {order}", values)
        return [_job(row) for row in rows]

    def of_order(self, work_order: str) -> RepairJob | None:
        """Return the newest open job with a work order, whatever its case and spaces."""
        wanted = _plain(work_order)
        if not wanted:
            return None
        return next(
            (job for job in self.all(open_only=True) if _plain(job.work_order) == wanted), None
        )

    def open(self, notes: Mapping[str, str], vehicle: str | None, who: str) -> RepairJob:
        """Open a job."""
        job = new_id()
        values = {
            "id": job,
            "created_s": time.time(),
            "vehicle": vehicle,
            "opened_by": who,
            **{name: notes.get(name, "") for name in JOB_NOTES},
        }
        with self._database.writing() as index:
            index.execute(
                f"INSERT INTO repair_jobs({', '.join(values)})"  # noqa: S608 - our own column names
                f" VALUES ({', '.join('?' * len(values))})",
                tuple(values.values()),
            )
        found = self.get(job)
        assert found is not None  # noqa: S101 - just added
        return found

    def note(self, job: str, notes: Mapping[str, str], vehicle: str | None) -> None:
        """Keep what the workshop says of a job."""
        known = {name: notes[name] for name in JOB_NOTES if name in notes}
        self._set(job, vehicle=vehicle, **known)

    def close(self, job: str, *, closed: bool) -> None:
        """Close a job, or open it again."""
        self._set(job, closed_s=time.time() if closed else None)

    def delete(self, job: str) -> None:
        """Take a job off; its rides stay on the shelf, each alone."""
        with self._database.writing() as index:
            index.execute("UPDATE rides SET job = NULL, phase = '' WHERE job = ?", (job,))
            index.execute("UPDATE repair_jobs SET deleted_s = ? WHERE id = ?", (time.time(), job))

    def checks(self, job: str) -> list[JobCheck]:
        """Return the checks of a job as they stand, in their order."""
        text = (
            "SELECT text, expect, measured, is_done FROM repair_checks WHERE job = ? ORDER BY place"
        )
        rows = self._database.reading().execute(text, (job,))
        return [
            JobCheck(text=row[0], expect=row[1], measured=row[2], is_done=bool(row[3]))
            for row in rows
        ]

    def keep_checks(self, job: str, checks: Sequence[JobCheck]) -> None:
        """Keep the checks of a job."""
        with self._database.writing() as index:
            index.execute("DELETE FROM repair_checks WHERE job = ?", (job,))
            index.executemany(
                "INSERT INTO repair_checks VALUES (?, ?, ?, ?, ?, ?)",
                [
                    (job, place, one.text, one.expect, one.measured, int(one.is_done))
                    for place, one in enumerate(checks[:MOST_CHECKS])
                ],
            )

    def _set(self, job: str, **columns: str | float | None) -> None:
        with self._database.writing() as index:
            named = ", ".join(f"{name} = ?" for name in columns)
            index.execute(
                f"UPDATE repair_jobs SET {named} WHERE id = ?",  # noqa: S608 - our own column names
                (*columns.values(), job),
            )


def with_results(asked: Sequence[JobCheck], kept: Sequence[JobCheck]) -> list[JobCheck]:
    """Return the checks that an answer asks for now, with what was written down before.

    A check that was done or measured stays, also where a later reading no longer asks for it.
    """
    known = {one.text: one for one in kept}
    now = [replace(known.get(one.text, one), cautions=one.cautions) for one in asked]
    texts = {one.text for one in asked}
    return now + [one for one in kept if one.text not in texts and (one.measured or one.is_done)]


def _plain(work_order: str) -> str:
    return "".join(work_order.split()).casefold()


def _job(row: sqlite3.Row) -> RepairJob:
    return RepairJob(**dict(row))

"""The index's versions: how an older one becomes the next, step by step.

A new version is a new step here, the same change in ``schema.sql``, and a kept folder of the
version before in ``tests/golden``.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    import sqlite3

VERSION: Final = 3

STEPS: Final[dict[int, str]] = {
    1: """
    CREATE TABLE ended_sessions(name TEXT PRIMARY KEY, until_s REAL NOT NULL);
    CREATE TABLE found_files(sha256 TEXT PRIMARY KEY);
    """,
    2: """
    CREATE TABLE repair_jobs(
      id TEXT PRIMARY KEY,
      created_s REAL NOT NULL,
      complaint TEXT NOT NULL DEFAULT '',
      correction TEXT NOT NULL DEFAULT '',
      vehicle TEXT REFERENCES vehicles(id),
      vehicle_words TEXT NOT NULL DEFAULT '',
      odometer TEXT NOT NULL DEFAULT '',
      work_order TEXT NOT NULL DEFAULT '',
      technician TEXT NOT NULL DEFAULT '',
      opened_by TEXT NOT NULL DEFAULT '',
      closed_s REAL,
      deleted_s REAL
    );
    CREATE TABLE repair_checks(
      job TEXT NOT NULL REFERENCES repair_jobs(id) ON DELETE CASCADE,
      place INTEGER NOT NULL,
      text TEXT NOT NULL,
      expect TEXT NOT NULL DEFAULT '',
      measured TEXT NOT NULL DEFAULT '',
      is_done INTEGER NOT NULL DEFAULT 0,
      PRIMARY KEY(job, place)
    );
    CREATE TABLE earlier_reports(
      ride TEXT NOT NULL REFERENCES rides(id) ON DELETE CASCADE,
      place INTEGER NOT NULL,
      replaced_s REAL NOT NULL,
      page TEXT NOT NULL,
      data TEXT NOT NULL,
      headline TEXT NOT NULL,
      PRIMARY KEY(ride, place)
    );
    CREATE TABLE shop(
      id TEXT PRIMARY KEY,
      name TEXT NOT NULL DEFAULT '',
      units TEXT NOT NULL DEFAULT 'metric',
      zone TEXT NOT NULL DEFAULT '',
      undo_hours INTEGER NOT NULL DEFAULT 24,
      bin_days INTEGER NOT NULL DEFAULT 14,
      signs INTEGER NOT NULL DEFAULT 0
    );
    CREATE TABLE changes(
      place INTEGER PRIMARY KEY,
      at_s REAL NOT NULL,
      who TEXT NOT NULL,
      what TEXT NOT NULL,
      of TEXT NOT NULL
    );
    ALTER TABLE vehicles ADD COLUMN identity TEXT NOT NULL DEFAULT '';
    ALTER TABLE rides ADD COLUMN job TEXT REFERENCES repair_jobs(id);
    ALTER TABLE rides ADD COLUMN phase TEXT NOT NULL DEFAULT '';
    ALTER TABLE rides ADD COLUMN role TEXT NOT NULL DEFAULT '';
    ALTER TABLE rides ADD COLUMN explains TEXT NOT NULL DEFAULT '';
    ALTER TABLE rides ADD COLUMN rules TEXT NOT NULL DEFAULT '';
    ALTER TABLE rides ADD COLUMN picture TEXT;
    ALTER TABLE rides ADD COLUMN uploaded_by TEXT NOT NULL DEFAULT '';
    """,
}
"""What turns an index of a version into one of the next."""


def migrate(index: sqlite3.Connection, version: int) -> None:
    """Bring an index of an older version to this one: all of it, or nothing."""
    steps = "".join(STEPS[step] for step in range(version, VERSION))
    index.executescript(f"BEGIN IMMEDIATE; {steps} PRAGMA user_version = {VERSION}; COMMIT;")

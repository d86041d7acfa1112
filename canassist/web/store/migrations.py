"""The index's versions: how an older one becomes the next, step by step.

A new version is a new step here, the same change in ``schema.sql``, and a kept folder of the
version before in ``tests/golden``.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    import sqlite3

VERSION: Final = 2

STEPS: Final[dict[int, str]] = {
    1: """
    CREATE TABLE ended_sessions(name TEXT PRIMARY KEY, until_s REAL NOT NULL);
    CREATE TABLE found_files(sha256 TEXT PRIMARY KEY);
    """,
}
"""What turns an index of a version into one of the next."""


def migrate(index: sqlite3.Connection, version: int) -> None:
    """Bring an index of an older version to this one: all of it, or nothing."""
    steps = "".join(STEPS[step] for step in range(version, VERSION))
    index.executescript(f"BEGIN IMMEDIATE; {steps} PRAGMA user_version = {VERSION}; COMMIT;")

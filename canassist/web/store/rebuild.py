"""Makes an index again from what a data folder keeps: records first, then finished reports."""

from __future__ import annotations

import sqlite3
from contextlib import suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING

from canassist.web.store import kept_records
from canassist.web.store.content_files import Blobs, make_private
from canassist.web.store.index_database import Database
from canassist.web.store.kept_records import KeptRecords
from canassist.web.store.open_index import INDEX, put_aside
from canassist.web.store.products import Products
from canassist.web.store.recover_results import recovered

if TYPE_CHECKING:
    from pathlib import Path


@dataclass(frozen=True, slots=True, kw_only=True)
class Rebuilt:
    """What an index was made again from.

    Attributes
    ----------
    rides, vehicles : int
        Found in records.
    recovered : int
        Rides without a record, found by their finished reports.
    again : int
        Rides whose report is no longer whole here, and whose logs are: analysed anew.
    unknown : int
        Kept files that nothing refers to; they stay.
    """

    rides: int
    vehicles: int
    recovered: int
    again: int
    unknown: int


def rebuild(folder: Path) -> Rebuilt:
    """Make the index of a data folder again; the old one goes into the bin.

    Parameters
    ----------
    folder : path
        A data folder that no page uses.
    """
    make_private(folder)
    put_aside(folder)
    blobs, records = Blobs(folder), KeptRecords(folder)
    database = Database(folder / INDEX)
    try:
        counts = _from_records(database, records)
        products = Products(database)
        blobs.bring_back(products.wanted_files())
        with database.repairing() as index:
            again = _without_report(index, blobs)
            left = blobs.hashes() - products.wanted_files(index)
            found = recovered(index, blobs, left)
        left = blobs.hashes() - products.wanted_files()
        with database.writing() as index:
            index.executemany(
                "INSERT OR IGNORE INTO found_files VALUES (?)", [(sha256,) for sha256 in left]
            )
    finally:
        database.close()
    return Rebuilt(
        rides=counts["rides"],
        vehicles=counts["vehicles"],
        recovered=found,
        again=again,
        unknown=len(left),
    )


def _from_records(database: Database, records: KeptRecords) -> dict[str, int]:
    counts = dict.fromkeys(kept_records.KINDS, 0)
    with database.repairing() as index:
        for kind, _, record in records.all():
            with suppress(sqlite3.Error, KeyError, TypeError, AttributeError):
                kept_records.put(index, kind, record)
                counts[kind] += 1
    return counts


def _without_report(index: sqlite3.Connection, blobs: Blobs) -> int:
    """Put finished rides whose report is gone into the queue again; their logs are here."""
    lost = [
        row["id"]
        for row in index.execute("SELECT id, page, data FROM rides WHERE state = 'done'")
        if not all(row[name] and blobs.has(row[name]) for name in ("page", "data"))
    ]
    index.executemany(
        "UPDATE rides SET state = 'waiting', attempts = 0, page = NULL, data = NULL WHERE id = ?",
        [(ride,) for ride in lost],
    )
    return len(lost)

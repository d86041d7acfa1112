"""Result files, ledger and vehicles put together: the tables, and every log in short."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, Final

from canassist.errors import OutputError
from canassist.model import ScreenedLog, ScreenFigure
from canassist.report import mask_vins
from canassist.screen.find_logs import FoundLog, clean_text, without_login
from canassist.screen.ledger import Ledger
from canassist.screen.parquet_tables import EVENT_COLUMNS, LOG_COLUMNS, UNKNOWN_MONTH, TableWriter
from canassist.screen.result_files import Row, read_part
from canassist.screen.rides_in_order import RidesInOrder
from canassist.screen.vehicle_names import FindVehicle, NamedVehicle

_NOBODY: Final = NamedVehicle("")
_MONTH_LETTERS: Final = len("2026-05")


def put_together(
    out: Path, results: Path, ledger: Ledger, find_vehicle: FindVehicle, rides: RidesInOrder
) -> None:
    """Write the tables and fill `rides`, one result file at a time.

    Raises
    ------
    OutputError
        If a table cannot be written, or a result file turns out to be damaged.
    """
    logs = TableWriter(out / "logs", LOG_COLUMNS)
    events = TableWriter(out / "events", EVENT_COLUMNS)
    for found, row in _rows(results, ledger):
        full = row | _where(found, find_vehicle(found) or _NOBODY)
        month, local_date = _month(full)
        logs.add(month, full)
        same = {name: full[name] for name in ("log", "sha256", "vehicle")}
        for event in full["events"]:
            events.add(month, event | same)
        rides.add(_short(full, month, local_date=local_date))
    for table in (logs, events):
        table.finish()
    for table in (logs, events):
        table.take_place()


def _rows(results: Path, ledger: Ledger) -> Iterator[tuple[FoundLog, Row]]:
    """Give every log of this run with what is known of its content."""
    for part, name in ledger.parts():
        content: dict[str, Row] = {}
        for sha256, found, duplicate in ledger.of_part(part):
            content = content or _content(results, ledger, part, name)
            yield found, content[sha256] | {"duplicate": duplicate}
    for found, reason in ledger.failed():
        empty = {"sha256": "", "status": "failed", "reason": reason, "events": []}
        yield found, empty | {"duplicate": False}


def _content(results: Path, ledger: Ledger, part: int, name: str) -> dict[str, Row]:
    rows = read_part(results, name)
    if rows is None:
        ledger.drop_part(part, name, results)
        problem = f"{results.name}/{name}: this result file was damaged and is removed."
        raise OutputError(problem, "Run the same again: only its logs are done over.")
    return {row["sha256"]: row for row in rows}


def _where(found: FoundLog, vehicle: NamedVehicle) -> Row:
    return {
        "log": clean_text(without_login(found.log)),
        "bytes": found.size,
        "vehicle": clean_text(vehicle.name),
        "batch": clean_text(vehicle.batch),
        "model_year": clean_text(vehicle.model_year),
    }


def _blamed(told: Sequence[str]) -> Iterator[tuple[str, str]]:
    for item in told:
        code, _, strength = item.partition(" ")
        yield code, strength


def _month(row: Mapping[str, Any]) -> tuple[str, bool]:  # Any: one row's values
    """Return a recording's month, and whether it is by the recorder's local date."""
    utc, local = row.get("start_utc"), row.get("start_local")
    start = utc or local
    return start[:_MONTH_LETTERS] if start else UNKNOWN_MONTH, bool(local and not utc)


def _short(row: Mapping[str, Any], month: str, *, local_date: bool) -> ScreenedLog:  # Any: the same
    values = {figure: row.get(str(figure)) for figure in ScreenFigure}
    return ScreenedLog(
        log=row["log"],
        sha256=row["sha256"],
        vehicle=row["vehicle"],
        batch=row["batch"],
        model_year=row["model_year"],
        month=month,
        local_date=local_date,
        status=row["status"],
        reason=mask_vins(row["reason"]),
        damage=row.get("damage") or "",
        code=row.get("code") or "",
        strength=row.get("strength") or "",
        blames=bool(row.get("blames")),
        blamed=tuple(_blamed(row.get("blamed") or ())),
        fit_known=row.get("fit_known"),
        fit_reason=mask_vins(row.get("fit_reason") or ""),
        duration_s=row.get("duration_s") or 0.0,
        engine_running_s=row.get("engine_running_s"),
        figures={figure: value for figure, value in values.items() if value is not None},
        duplicate=row["duplicate"],
    )

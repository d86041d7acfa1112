"""Result files to partitioned Parquet: ``logs`` and ``events``, one folder a month."""

from __future__ import annotations

import shutil
from collections import defaultdict
from collections.abc import Mapping
from contextlib import suppress
from datetime import datetime
from importlib import util
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from canassist.errors import MissingExtraError, OutputError

if TYPE_CHECKING:
    import pyarrow as pa  # type: ignore[import-untyped]  # ships no types

SCHEMA_NAME: Final = "canassist-screen-tables/1"
ROWS_A_FILE: Final = 50_000

LOG_COLUMNS: Final[Mapping[str, str]] = {
    "log": "string",
    "sha256": "string",
    "bytes": "int64",
    "vehicle": "string",
    "batch": "string",
    "model_year": "string",
    "status": "string",
    "reason": "string",
    "duplicate": "bool",
    "format": "string",
    "start_utc": "timestamp",
    "duration_s": "float64",
    "frames": "int64",
    "error_frames": "int64",
    "problems": "int64",
    "code": "string",
    "strength": "string",
    "headline": "string",
    "blames": "bool",
    "other_codes": "strings",
    "slow_steering_s": "float64",
    "cruise_s": "float64",
    "engine_running_s": "float64",
    "hot_s": "float64",
    "derate_s": "float64",
    "path_ohm": "float64",
    "charging_v": "float64",
    "offset_nm": "float64",
    "derate_s_per_slow_min": "float64",
    "onset_c": "float64",
}
"""Columns of ``logs``, one row a log; null is unknown. ``month`` is the folder's name."""

EVENT_COLUMNS: Final[Mapping[str, str]] = {
    "log": "string",
    "sha256": "string",
    "vehicle": "string",
    "number": "int64",
    "kind": "string",
    "cause": "string",
    "severity": "string",
    "channel": "string",
    "code": "string",
    "start_s": "float64",
    "end_s": "float64",
    "measured": "string",
    "text": "string",
}
"""Columns of ``events``, one row an event; ``measured`` is a JSON object."""

Row = Mapping[str, Any]  # Any: one row's values have different types


def require_parquet() -> None:
    """Refuse to begin where the tables could not be written at the end.

    Raises
    ------
    MissingExtraError
        Naming the extra.
    """
    if util.find_spec("pyarrow") is None:
        problem = "Screening writes Parquet, which needs pyarrow; it is not installed."
        raise MissingExtraError(problem, 'Install it with `pip install "canassist[parquet]"`.')


class TableWriter:
    """Writes one table's rows by month, a file full at a time; takes its place at the end.

    Parameters
    ----------
    folder : path
        Where the table shall lie.
    columns : mapping of name to type
        `LOG_COLUMNS` or `EVENT_COLUMNS`.
    version : str
        Of the tool, for the files' own data.
    """

    def __init__(self, folder: Path, columns: Mapping[str, str], version: str) -> None:
        self._folder, self._columns = folder, columns
        self._new = folder.with_name(f".{folder.name}.new")
        shutil.rmtree(self._new, ignore_errors=True)
        self._about = {"schema": SCHEMA_NAME, "made_by": f"canassist {version}"}
        self._rows: dict[str, list[Row]] = defaultdict(list)
        self._files: dict[str, int] = defaultdict(int)

    def add(self, month: str, row: Row) -> None:
        """Take one row."""
        rows = self._rows[month]
        rows.append(row)
        if len(rows) >= ROWS_A_FILE:
            self._flush(month)

    def close(self) -> None:
        """Write what is left and put the table in its place.

        Raises
        ------
        OutputError
            If it cannot be written.
        """
        try:
            for month in list(self._rows):
                self._flush(month)
            if not self._files:
                self._flush("unknown")  # an empty table has columns too
            with suppress(FileNotFoundError):
                shutil.rmtree(self._folder)
            self._new.rename(self._folder)
        except OSError as error:
            problem = f"{self._folder}: cannot be written ({error.strerror})."
            raise OutputError(problem, "Choose a folder that is yours and has room.") from error

    def _flush(self, month: str) -> None:
        import pyarrow as pa  # noqa: PLC0415 - an extra
        from pyarrow import parquet  # noqa: PLC0415 - the same

        rows = self._rows.pop(month, [])
        if not rows and self._files:
            return
        schema = table_schema(self._columns, self._about)
        columns = {name: [row.get(name) for row in rows] for name in self._columns}
        folder = self._new / f"month={month}"
        folder.mkdir(parents=True, exist_ok=True)
        number = self._files[month]
        self._files[month] += 1
        table = pa.table(columns, schema=schema)
        parquet.write_table(table, folder / f"part-{number:05d}.parquet", compression="zstd")


def table_schema(columns: Mapping[str, str], about: Mapping[str, str]) -> pa.Schema:
    """Return the columns as Parquet's own types."""
    import pyarrow as pa  # noqa: PLC0415 - an extra

    types = {
        "string": pa.string(),
        "strings": pa.list_(pa.string()),
        "int64": pa.int64(),
        "float64": pa.float64(),
        "bool": pa.bool_(),
        "timestamp": pa.timestamp("ms", tz="UTC"),
    }
    return pa.schema([(name, types[kind]) for name, kind in columns.items()], metadata=dict(about))


def moment(text: str | None) -> datetime | None:
    """Return a result's moment of time."""
    return datetime.fromisoformat(text) if text else None

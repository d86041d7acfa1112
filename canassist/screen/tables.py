"""Rows to partitioned Parquet: ``logs`` and ``events``, one folder a month."""

from __future__ import annotations

import shutil
from collections import defaultdict
from collections.abc import Mapping, Sequence
from contextlib import suppress
from importlib import util
from pathlib import Path
from typing import Any, Final

from canassist.errors import MissingExtraError, OutputError
from canassist.screen.parts import Row, json_line
from canassist.version import VERSION

SCHEMA_NAME: Final = "canassist-screen-tables/2"
ROWS_AT_HAND: Final = 5_000
"""Rows of one table held before the fullest month is written: about 10 MB."""
UNKNOWN_MONTH: Final = "unknown"

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
    "damage": "string",
    "format": "string",
    "start_utc": "timestamp",
    "start_local": "local_timestamp",
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

ABOUT: Final = {"schema": SCHEMA_NAME, "made_by": f"canassist {VERSION}"}
WORDS: Final = ("new", "old")


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
    """Writes one table's rows by month; the table takes its place when it is whole.

    Parameters
    ----------
    folder : path
        Where the table shall lie.
    columns : mapping of name to type
        `LOG_COLUMNS` or `EVENT_COLUMNS`.
    """

    def __init__(self, folder: Path, columns: Mapping[str, str]) -> None:
        self._folder, self._columns = folder, columns
        self._new, self._old = (folder.with_name(f".{folder.name}.{word}") for word in WORDS)
        for left in (self._new, self._old):
            shutil.rmtree(left, ignore_errors=True)  # of a run that was killed
        self._rows: dict[str, list[Row]] = defaultdict(list)
        self._files: dict[str, int] = defaultdict(int)
        self._held = 0

    def add(self, month: str, row: Row) -> None:
        """Take one row.

        Raises
        ------
        OutputError
            If rows cannot be written.
        """
        self._rows[month].append(row)
        self._held += 1
        if self._held >= ROWS_AT_HAND:
            self._flush(max(self._rows, key=lambda name: len(self._rows[name])))

    def finish(self) -> None:
        """Write what is left.

        Raises
        ------
        OutputError
            If it cannot be written.
        """
        for month in sorted(self._rows):
            self._flush(month)
        if not self._files:
            self._flush(UNKNOWN_MONTH)  # an empty table has columns too

    def take_place(self) -> None:
        """Put the whole table where the one of the run before was.

        Raises
        ------
        OutputError
            If that one cannot be moved.
        """
        try:
            with suppress(FileNotFoundError):
                self._folder.rename(self._old)
            self._new.rename(self._folder)
        except OSError as error:
            raise self._cannot(error) from error
        shutil.rmtree(self._old, ignore_errors=True)

    def _flush(self, month: str) -> None:
        pa, parquet, _ = json_reader()
        rows = sorted(self._rows.pop(month, []), key=lambda row: str(row["log"]))
        self._held -= len(rows)
        schema = pa.schema(column_types(self._columns), metadata=ABOUT)
        folder = self._new / f"month={month}"
        path = folder / f"part-{self._files[month]:05d}.parquet"
        self._files[month] += 1
        try:
            folder.mkdir(parents=True, exist_ok=True)
            parquet.write_table(_table(rows, schema), path, compression="zstd")
        except OSError as error:
            raise self._cannot(error) from error

    def _cannot(self, error: OSError) -> OutputError:
        why = error.strerror or error
        problem = f"{self._folder}: cannot be written ({why})."
        return OutputError(
            problem, "Choose a folder that is yours and has room, and close programs that read it."
        )


def json_reader() -> tuple[Any, Any, Any]:  # Any: the library is not typed
    """Import pyarrow, its Parquet writer and its JSON reader."""
    import pyarrow  # type: ignore[import-untyped]  # noqa: PLC0415 - ships no types; an extra
    from pyarrow import json as arrow_json  # noqa: PLC0415 - the same
    from pyarrow import parquet  # noqa: PLC0415 - the same

    return pyarrow, parquet, arrow_json


def _table(rows: Sequence[Row], schema: Any) -> Any:  # noqa: ANN401 - the library is not typed
    """Return rows as a table, by way of JSON: pyarrow reads that by itself.

    For Python's own values it would import pandas, which costs more time and memory than
    all else that the client does for a small screening.
    """
    pa, _, arrow_json = json_reader()
    if not rows:
        return schema.empty_table()
    content = b"".join(map(json_line, rows))
    table = arrow_json.read_json(
        pa.BufferReader(content),
        read_options=arrow_json.ReadOptions(block_size=len(content) + 1),
        parse_options=arrow_json.ParseOptions(
            explicit_schema=schema, unexpected_field_behavior="ignore"
        ),
    )
    return table.replace_schema_metadata(schema.metadata)


def column_types(columns: Mapping[str, str]) -> list[tuple[str, Any]]:  # Any: untyped library
    """Return the columns with Parquet's own types."""
    pa, *_ = json_reader()
    types = {
        "string": pa.string(),
        "strings": pa.list_(pa.string()),
        "int64": pa.int64(),
        "float64": pa.float64(),
        "bool": pa.bool_(),
        "timestamp": pa.timestamp("ms", tz="UTC"),
        "local_timestamp": pa.timestamp("ms"),
    }
    return [(name, types[kind]) for name, kind in columns.items()]

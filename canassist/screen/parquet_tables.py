"""Rows to partitioned Parquet: ``logs`` and ``events``, one folder a month."""

from __future__ import annotations

import shutil
from collections import defaultdict
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from importlib import util
from pathlib import Path
from typing import Any, Final

from canassist.errors import MissingExtraError, OutputError
from canassist.screen.result_files import Row, json_line
from canassist.version import VERSION

SCHEMA_NAME: Final = "canassist-screen-tables/2"
ROWS_AT_HAND: Final = 10_000
"""Rows of one table held before the fullest month is written: about 10 MB."""
UNKNOWN_MONTH: Final = "unknown"


@dataclass(frozen=True, slots=True)
class Column:
    """A column's type, and what it says."""

    kind: str
    meaning: str


_LOG: Final = Column("string", "address of the log")
_SHA256: Final = Column("string", "SHA-256 of its content; empty where it could not be read")
_VEHICLE: Final = Column("string", "vehicle; empty where it was not told")

LOG_COLUMNS: Final[Mapping[str, Column]] = {
    "log": _LOG,
    "sha256": _SHA256,
    "bytes": Column("int64", "size of the file"),
    "vehicle": _VEHICLE,
    "batch": Column("string", "batch; empty where it was not told"),
    "model_year": Column("string", "model year; empty where it was not told"),
    "status": Column(
        "string", "read, damaged (the log gives nothing) or failed (could not be done)"
    ),
    "reason": Column("string", "why it was not read"),
    "duplicate": Column("bool", "the same content has an earlier address and counts there"),
    "damage": Column("string", "of a log that was read: what is missing, first place"),
    "format": Column("string", "formats of the files, joined by +"),
    "start_utc": Column("timestamp", "first frame; null where the log names no zone"),
    "start_local": Column("local_timestamp", "first frame on the recorder's wall clock"),
    "duration_s": Column("float64", "first to last frame, s"),
    "frames": Column("int64", "frames"),
    "error_frames": Column("int64", "error frames"),
    "problems": Column("int64", "places where log or database could not be read whole"),
    "code": Column("string", "first conclusion"),
    "role": Column("string", "answer or also_seen"),
    "strength": Column("string", "how sure it is; null where inconclusive"),
    "explains": Column("float64", "share of all lost assist that it explains; null where none"),
    "headline": Column("string", "the same in words"),
    "blames": Column("bool", "it blames a part and is at least moderately sure"),
    "other_codes": Column("strings", "further answers"),
    "also_seen": Column("strings", "what was found beside, and answers nothing"),
    "blamed": Column("strings", "parts that are blamed at any rank, each with its strength"),
    "fit_known": Column("float64", "share of cyclic messages that the databases know"),
    "fit_reason": Column("string", "why the databases are another vehicle's; empty: they may fit"),
    "slow_steering_s": Column("float64", "slow steering ridden, s"),
    "cruise_s": Column("float64", "cruising ridden, s"),
    "engine_running_s": Column("float64", "with the engine running, s"),
    "hot_s": Column("float64", "with the module hot, s"),
    "derate_s": Column("float64", "with reduced assist after the engine started, s"),
    "path_ohm": Column("float64", "supply path resistance, ohm"),
    "charging_v": Column("float64", "charging voltage, V"),
    "offset_nm": Column("float64", "driver torque at rest, N·m"),
    "assist_share": Column("float64", "assist given, as a share of what the map calls for"),
    "side_share": Column("float64", "assist right less left, as a share of the map's"),
    "derate_s_per_slow_min": Column(
        "float64", "reduced assist per minute of slow steering, not as designed, s"
    ),
    "heat_s_per_slow_min": Column("float64", "the same by heat or duty as designed, s"),
    "onset_c": Column("float64", "module temperature where heat derating began, degC"),
}
"""Columns of ``logs``, one row a log; null is unknown. ``month`` is the folder's name."""

EVENT_COLUMNS: Final[Mapping[str, Column]] = {
    "log": _LOG,
    "sha256": _SHA256,
    "vehicle": _VEHICLE,
    "number": Column("int64", "place in the log's events, from 1"),
    "kind": Column("string", "kind of event"),
    "cause": Column("string", "its cause; null where none is told"),
    "severity": Column("string", "note, warning or serious"),
    "channel": Column("string", "channel that it concerns"),
    "code": Column("string", "trouble code"),
    "start_s": Column("float64", "since the first frame, s"),
    "end_s": Column("float64", "since the first frame, s; null where the log ends before"),
    "measured": Column("string", "figures of the event, a JSON object"),
    "text": Column("string", "the event in words"),
}
"""Columns of ``events``, one row an event."""

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

    def __init__(self, folder: Path, columns: Mapping[str, Column]) -> None:
        self._folder, self._columns = folder, columns
        self._new, self._old = (folder.with_name(f".{folder.name}.{word}") for word in WORDS)
        for left in (self._new, self._old):  # of a run that was killed
            try:
                shutil.rmtree(left)
            except FileNotFoundError:
                continue
            except OSError as error:
                raise self._cannot(error) from error
        self._rows: dict[str, list[tuple[str, int, bytes]]] = defaultdict(list)
        self._files: dict[str, int] = defaultdict(int)
        self._held = 0

    def add(self, month: str, row: Row) -> None:
        """Take one row.

        Raises
        ------
        OutputError
            If rows cannot be written.
        """
        line = json_line({name: row.get(name) for name in self._columns})  # a third of a dict
        self._rows[month].append((row["log"], row.get("number", 0), line))
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
        _, parquet, _ = json_reader()
        rows = sorted(self._rows.pop(month, []))
        self._held -= len(rows)
        schema = _schema(self._columns)
        folder = self._new / f"month={month}"
        path = folder / f"part-{self._files[month]:05d}.parquet"
        self._files[month] += 1
        try:
            folder.mkdir(parents=True, exist_ok=True)
            table = _table([line for *_, line in rows], schema)
            parquet.write_table(table, path, compression="zstd")
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


def _table(lines: Sequence[bytes], schema: Any) -> Any:  # noqa: ANN401 - the library is not typed
    """Return lines of JSON as a table; pyarrow reads them by itself.

    For Python's own values it would import pandas, which costs more time and memory than
    all else that the client does for a small screening.
    """
    pa, _, arrow_json = json_reader()
    if not lines:
        return schema.empty_table()
    content = b"".join(lines)
    table = arrow_json.read_json(
        pa.BufferReader(content),
        read_options=arrow_json.ReadOptions(block_size=len(content) + 1),
        parse_options=arrow_json.ParseOptions(explicit_schema=schema),
    )
    return table.cast(schema)  # the same types, with their meanings


def _schema(columns: Mapping[str, Column]) -> Any:  # noqa: ANN401 - the library is not typed
    """Return the columns in Parquet's own types, each with its meaning."""
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
    fields = [
        pa.field(name, types[item.kind], metadata={"meaning": item.meaning})
        for name, item in columns.items()
    ]
    return pa.schema(fields, metadata=ABOUT)

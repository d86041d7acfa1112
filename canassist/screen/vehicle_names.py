"""Which vehicle a log belongs to: by a table, by the shape of its path, or by its folder."""

from __future__ import annotations

import csv
import re
from collections.abc import Callable
from dataclasses import dataclass
from fnmatch import fnmatchcase
from pathlib import Path, PurePosixPath
from typing import Final

from canassist.errors import InputError, UsageError
from canassist.screen.find_logs import FoundLog

_WILD: Final = frozenset("*?[")


@dataclass(frozen=True, slots=True)
class NamedVehicle:
    """What is known of the vehicle that a log belongs to."""

    name: str
    batch: str = ""
    model_year: str = ""


FindVehicle = Callable[[FoundLog], NamedVehicle | None]


def vehicle_finder(table: Path | None, pattern: str) -> FindVehicle:
    """Return what tells a log's vehicle: a table, a pattern, or the folder it lies in.

    Parameters
    ----------
    table : path, optional
        CSV with the columns ``log`` (a name, path or pattern) and ``vehicle``, and
        optionally ``batch`` and ``model_year``; the first row that fits counts.
    pattern : str
        End of a path with ``{vehicle}`` and optionally ``{batch}`` and
        ``{model_year}``; ``*`` stands for anything within one folder's name.

    Raises
    ------
    InputError, UsageError
        If the table or the pattern cannot be used.
    """
    if table is not None and pattern:
        raise UsageError("Vehicles are told twice.", "Give a table or a pattern, not both.")
    if table is not None:
        return _by_table(_rows(table))
    return _by_pattern(pattern) if pattern else _by_folder


def _by_folder(found: FoundLog) -> NamedVehicle | None:
    parts = PurePosixPath(found.inside).parts
    return NamedVehicle(parts[0]) if len(parts) > 1 else None


def _rows(table: Path) -> list[tuple[str, NamedVehicle]]:
    try:
        with table.open(encoding="utf-8-sig", newline="") as source:
            reader = csv.DictReader(source)
            rows = list(reader)
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        problem = f"{table.name}: this table of vehicles cannot be read."
        raise InputError(problem, "Give a CSV file in UTF-8.") from error
    if not {"log", "vehicle"} <= set(reader.fieldnames or ()):
        problem = f"{table.name}: line 1 does not name the columns log and vehicle."
        raise InputError(problem, "Name them there; batch and model_year are optional.")
    return [(row["log"] or "", _vehicle(row)) for row in rows]


def _vehicle(row: dict[str, str]) -> NamedVehicle:
    return NamedVehicle(
        (row["vehicle"] or "").strip(),
        (row.get("batch") or "").strip(),
        (row.get("model_year") or "").strip(),
    )


def _by_table(rows: list[tuple[str, NamedVehicle]]) -> FindVehicle:
    exact = dict(reversed(rows))  # a file's own name may hold a pattern's letters
    wild = [(name, vehicle) for name, vehicle in rows if _WILD & set(name)]

    def find(found: FoundLog) -> NamedVehicle | None:
        names = (found.inside, PurePosixPath(found.inside).name, found.log)
        for name in names:
            if name in exact:
                return exact[name]
        fits = (item for mask, item in wild if any(fnmatchcase(name, mask) for name in names))
        return next(fits, None)

    return find


def _by_pattern(pattern: str) -> FindVehicle:
    known = {"vehicle", "batch", "model_year"}
    pieces = re.split(r"(\{\w+\}|\*)", pattern)
    names = [piece[1:-1] for piece in pieces if piece.startswith("{")]
    if "vehicle" not in names or set(names) - known or len(names) != len(set(names)):
        problem = f"{pattern}: this pattern does not name {{vehicle}} once."
        raise UsageError(problem, "Use {vehicle}, {batch}, {model_year}, each once, and *.")
    text = "".join(_piece(piece) for piece in pieces)
    shape = re.compile(rf"(?:^|.*/){text}$")

    def find(found: FoundLog) -> NamedVehicle | None:
        fits = shape.match(found.log.replace("\\", "/"))
        return NamedVehicle(**_named(fits.groupdict())) if fits else None

    return find


def _named(groups: dict[str, str]) -> dict[str, str]:
    return {"name" if key == "vehicle" else key: value for key, value in groups.items()}


def _piece(piece: str) -> str:
    if piece == "*":
        return "[^/]*"
    return f"(?P<{piece[1:-1]}>[^/]+?)" if piece.startswith("{") else re.escape(piece)

"""All logs in short, on disk in the order of their vehicles: a million take no memory."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from itertools import groupby, takewhile
from typing import TYPE_CHECKING, Any, Final

from canassist.model import ScreenedLog, ScreenFigure

if TYPE_CHECKING:
    from types import TracebackType
    from typing import Self

MOST_LISTED: Final = 1000
"""Logs that gave no or no whole result and are listed on the page; the tables have all."""
_FIGURES: Final = tuple(ScreenFigure)
_TEXTS: Final = ("log", "vehicle", "batch", "model_year", "status", "reason", "damage")
_FACTS: Final = (
    "blamed",
    "fit_reason",
    "sha256",
    "month",
    "code",
    "strength",
    "blames",
    "duplicate",
    "local_date",
)
_NUMBERS: Final = ("fit_known", "duration_s", "engine_running_s")
_NAMES: Final = (*_TEXTS, *_FACTS, *_NUMBERS)
_COLUMNS: Final = (*_NAMES, *map(str, _FIGURES))
_ADD: Final = f"INSERT INTO ride VALUES (?, {', '.join('?' * len(_COLUMNS))})"  # noqa: S608 - our own names
_UNREAD: Final = "status <> 'read'"
_PARTLY: Final = "status = 'read' AND damage <> '' AND NOT duplicate"
_COUNTED: Final = "status = 'read' AND NOT duplicate"


class RidesInOrder:
    """Takes logs in any order and gives them back by vehicle.

    It lies in a file that the system removes when this process ends.
    """

    def __enter__(self) -> Self:
        self._base = sqlite3.connect("", isolation_level=None)
        self._base.execute("PRAGMA synchronous = OFF")
        self._base.execute("PRAGMA journal_mode = OFF")
        self._base.execute(f"CREATE TABLE ride (owner, {', '.join(_COLUMNS)})")
        self._base.execute("BEGIN")
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._base.close()

    def add(self, item: ScreenedLog) -> None:
        """Take a log; one without a vehicle stands for itself."""
        blamed = ",".join(" ".join(one) for one in item.blamed)
        values = [blamed if name == "blamed" else getattr(item, name) for name in _NAMES]
        values += [item.figures.get(figure) for figure in _FIGURES]
        self._base.execute(_ADD, [item.vehicle or item.log, *values])

    def by_vehicle(self) -> Iterator[tuple[str, Iterator[ScreenedLog]]]:
        """Give each vehicle with its rides: read ones, each content once, blaming ones first."""
        rows = self._rows(f"{_COUNTED} ORDER BY owner, blames DESC, log")
        for owner, group in groupby(rows, key=lambda row: str(row[0])):
            yield owner, map(_log, group)

    def unread(self) -> tuple[ScreenedLog, ...]:
        """Return the first logs that gave no result."""
        return self._listed(_UNREAD)

    def partly_read(self) -> tuple[ScreenedLog, ...]:
        """Return the first logs that were read, but not whole."""
        return self._listed(_PARTLY)

    def root(self) -> str:
        """Return the folder in which all logs lie, with the sign at its end; or nothing."""
        first, last = self._base.execute("SELECT min(log), max(log) FROM ride").fetchone()
        pairs = zip(first or "", last or "", strict=False)  # all others lie between these two
        shared = "".join(one for one, _ in takewhile(lambda pair: pair[0] == pair[1], pairs))
        end = max(shared.rfind("/"), shared.rfind("\\")) + 1
        return shared[:end] if end > 1 else ""

    def counts(self) -> dict[str, int]:
        """Return how many logs there are of each kind."""
        kinds = {
            "logs": "1",
            "read": "status = 'read'",
            "duplicates": "duplicate",
            "local_dates": f"local_date AND {_COUNTED}",
            "unread_in_all": _UNREAD,
            "partly_read_in_all": _PARTLY,
            "told": "vehicle <> ''",
        }
        sums = ", ".join(f"coalesce(sum({rule}), 0)" for rule in kinds.values())
        row = self._base.execute(f"SELECT {sums} FROM ride").fetchone()  # noqa: S608 - our own names
        return dict(zip(kinds, map(int, row), strict=True))

    def _listed(self, rule: str) -> tuple[ScreenedLog, ...]:
        return tuple(map(_log, self._rows(f"{rule} ORDER BY log LIMIT {MOST_LISTED}")))

    def _rows(self, rest: str) -> Iterator[tuple[Any, ...]]:  # Any: a row's values
        return iter(self._base.execute(f"SELECT * FROM ride WHERE {rest}"))  # noqa: S608 - our own names


def _log(row: tuple[Any, ...]) -> ScreenedLog:  # Any: a row's values
    named = dict(zip(_NAMES, row[1:], strict=False))
    named |= {name: bool(named[name]) for name in ("blames", "duplicate", "local_date")}
    parts = (one.partition(" ") for one in named["blamed"].split(",") if one)
    named["blamed"] = tuple((code, strength) for code, _, strength in parts)
    values = zip(_FIGURES, row[1 + len(_NAMES) :], strict=True)
    figures = {figure: value for figure, value in values if value is not None}
    return ScreenedLog(**named, figures=figures)

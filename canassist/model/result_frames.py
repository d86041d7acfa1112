"""A result's findings as pandas DataFrames, one row each."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import fields, is_dataclass
from typing import TYPE_CHECKING

from canassist.model.estimates import Estimate

if TYPE_CHECKING:
    import pandas as pd

    from canassist.model.conclusions import Conclusion
    from canassist.model.estimates import Physics
    from canassist.model.events import Event

_EVENT = ("kind", "start_s", "end_s", "cause", "severity", "channel", "code")
_CONCLUSION = ("rank", "code", "strength", "role", "explains", "explains_complaint", "headline")
_FIGURES = ("measured", "expected", "limits", "shares")


def events_frame(events: tuple[Event, ...]) -> pd.DataFrame:
    """Return the events in time order.

    Measured, expected and limiting figures and shares are columns of their own, such as
    ``measured.min_assist_pct``; NaN where an event has none.
    """
    rows = []
    for event in events:
        row: dict[str, object] = {name: _plain(getattr(event, name)) for name in _EVENT}
        for group in _FIGURES:
            row |= {f"{group}.{name}": value for name, value in getattr(event, group).items()}
        rows.append(row | {"text": event.text})
    first = [*_EVENT]
    figures = sorted({name for row in rows for name in row} - {*first, "text"})
    frame = _frame(rows, [*first, *figures, "text"])
    return frame.astype({"start_s": float, "end_s": float})


def conclusions_frame(conclusions: tuple[Conclusion, ...]) -> pd.DataFrame:
    """Return the conclusions by rank; reasons and checks as lists of sentences."""
    rows = [
        {name: _plain(getattr(item, name)) for name in _CONCLUSION}
        | {
            "because": [reason.text for reason in item.because],
            "against": [reason.text for reason in item.against],
            "next_checks": [check.text for check in item.next_checks],
        }
        for item in conclusions
    ]
    frame = _frame(rows, [*_CONCLUSION, "because", "against", "next_checks"])
    return frame.astype({"explains": float})


def estimates_frame(physics: Physics) -> pd.DataFrame:
    """Return every estimate with its 90 % interval; the name tells where in `Physics` it is."""
    columns = ["estimate", "value", "low", "high", "unit", "count"]
    rows = [
        {"estimate": name} | {column: getattr(item, column) for column in columns[1:]}
        for name, item in _estimates(physics, "")
    ]
    return _frame(rows, columns)


def _estimates(value: object, name: str) -> Iterator[tuple[str, Estimate]]:
    if isinstance(value, Estimate):
        yield name, value
    elif is_dataclass(value):
        for part in fields(value):
            inner = f"{name}.{part.name}" if name else part.name
            yield from _estimates(getattr(value, part.name), inner)
    elif isinstance(value, tuple):
        for place, item in enumerate(value):
            yield from _estimates(item, f"{name}.{place}")


def _plain(value: object) -> object:
    """Return an enum's word as a plain string, so that tables compare and export well."""
    return str(value) if isinstance(value, str) else value


def _frame(rows: list[dict[str, object]], columns: list[str]) -> pd.DataFrame:
    import pandas as pd  # noqa: PLC0415 - 0.4 s that most commands do not need

    return pd.DataFrame(rows, columns=columns)

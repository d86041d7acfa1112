"""Where the name of a limit stands: at its line, where it covers no curve, or beside the row."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from canassist.report.charts.chart_values import (
    FULL_PX,
    HEAD_PX,
    LETTER_PX,
    NARROW_PX,
    ROW_FOOT_PX,
    SLIM_PX,
    Style,
)

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canassist.model import FloatArray
    from canassist.report.charts.chart_values import Chart, ChartLine, Limit, Row

NAME_PX: Final = 11.0
_CLEAR_PX: Final = 2.0
_PLACES: Final = (1.0, 0.0, 0.75, 0.5, 0.25)


class _Box(NamedTuple):
    """A rectangle: shares of the width across, px from the row's top downwards."""

    left: float
    right: float
    top: float
    foot: float

    def meets(self, other: _Box) -> bool:
        across = self.left < other.right and other.left < self.right
        return across and self.top < other.foot and other.top < self.foot


def place_limit_names(chart: Chart) -> Chart:
    """Return a chart whose limits' names have places, or stand beside their row instead."""
    named_inside = chart.name.startswith("event-")
    width_px = SLIM_PX if named_inside else FULL_PX
    rows = tuple(_placed(chart, row, width_px, named_inside=named_inside) for row in chart.rows)
    return replace(chart, rows=rows)


def _placed(chart: Chart, row: Row, width_px: int, *, named_inside: bool) -> Row:
    if not row.limits:
        return row
    taken: list[_Box] = []
    if named_inside:
        name_px = (len(row.label) + len(row.unit) + 2) * LETTER_PX
        taken.append(_Box(0.0, name_px / width_px, 0.0, float(HEAD_PX)))
    placed, beside = [], []
    for limit in row.limits:
        if not row.span.low <= limit.value <= row.span.high:
            continue
        found = _find(chart, row, limit, taken, width_px)
        placed.append(found or limit._replace(text=""))
        if found is None:
            beside.append(limit.text)
    return replace(row, limits=tuple(placed), beside=tuple(beside))


def _find(chart: Chart, row: Row, limit: Limit, taken: list[_Box], width_px: int) -> Limit | None:
    for choice in _choices(limit):
        box = _box(row, choice, width_px)
        inside = box.top >= 0.0 and box.foot <= row.height_px
        if inside and not any(box.meets(other) for other in taken) and _free(chart, row, box):
            taken.append(box)
            narrow = _box(row, choice, NARROW_PX)
            return choice._replace(roomy=not _free(chart, row, narrow))
    return None


def _choices(limit: Limit) -> Iterator[Limit]:
    for at in _PLACES:
        for below in (limit.below, not limit.below):
            yield limit._replace(at=at, below=below)


def _box(row: Row, limit: Limit, width_px: int) -> _Box:
    wide = min((len(limit.text) + 1) * LETTER_PX / width_px, 1.0)
    left = min(max(limit.at - wide / 2.0, 0.0), 1.0 - wide)
    y = height_of(row, limit.value)
    top = y + 1.0 if limit.below else y - NAME_PX - 1.0
    return _Box(left, left + wide, top, top + NAME_PX)


def height_of(row: Row, value: float) -> float:
    """Return where a value lies in a row, in px from the row's top."""
    tall = row.height_px - HEAD_PX - ROW_FOOT_PX
    return HEAD_PX + tall * (row.span.high - value) / (row.span.high - row.span.low)


def _free(chart: Chart, row: Row, box: _Box) -> bool:
    """Tell whether no curve of the row passes through a box."""
    wide = chart.x_to - chart.x_from
    low, high = chart.x_from + box.left * wide, chart.x_from + box.right * wide
    return not any(_passes(row, line, low, high, box) for line in row.lines)


def _passes(row: Row, line: ChartLine, low: float, high: float, box: _Box) -> bool:
    x, y = line.x, line.y
    first = max(int(np.searchsorted(x, low)) - 1, 0)
    last = min(int(np.searchsorted(x, high)) + 2, len(x))
    if line.style is not Style.LINE:
        return False  # clouds are not in order; their limits stand at the edge of the picture
    heights = _heights(row, y[first:last])
    if not len(heights):
        return False
    return bool(
        np.any(
            (np.maximum(heights[:-1], heights[1:]) > box.top - _CLEAR_PX)
            & (np.minimum(heights[:-1], heights[1:]) < box.foot + _CLEAR_PX)
        )
    )


def _heights(row: Row, values: FloatArray) -> FloatArray:
    known = np.asarray(values)
    return np.asarray(height_of(row, 0.0) + (height_of(row, 1.0) - height_of(row, 0.0)) * known)

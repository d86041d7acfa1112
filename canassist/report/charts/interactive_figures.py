"""Charts as plotly figures: plain dicts, and one table with the data of all of them.

The figures carry no numbers of their own: a trace names its data as ``"@key"`` in
``x`` and ``y``, and the page looks it up in the table. The table's columns are whole
numbers, each the difference from the one before, which pack small.
"""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np

from canassist.report.charts.chart_values import (
    FOOT_PX,
    FULL_PX,
    GUTTER_PX,
    HEAD_PX,
    MARK_PX,
    ROW_FOOT_PX,
    Style,
)
from canassist.report.charts.event_styles import EVENT_STYLES, EventFamily
from canassist.report.charts.static_figures import SHADES, plain_number
from canassist.report.charts.static_marks import FAINT, INK, TAB_FOOT_PX, TAB_TOP_PX
from canassist.report.page.measures import THIN_SPACE

if TYPE_CHECKING:
    from collections.abc import Iterable

    from canassist.model import FloatArray
    from canassist.report.charts.chart_values import Band, Chart, ChartLine, Row

Plain = dict[str, Any]  # Any: a plotly figure is plain JSON
TIME_PLACES: Final = 3
EPOCH_MS: Final = 946_684_800_000
"""Where a ride's zero lies on a date axis: a midnight, far from numbers read as years."""
_MORE_PLACES: Final = 1
"""Places beyond those shown as text, for clouds and fits: they are smoother than labels."""
GRID: Final = "rgba(27,36,48,0.12)"
TINT_STRENGTH: Final = 0.13
WIDE_STRENGTH: Final = 0.07
PAPER: Final = "#fbfaf7"
ROOM: Final = "room"
NUMBER: Final = "number"
LIMIT: Final = "limit"
WIDE_LIMIT: Final = "limit-wide"
"""Names of what the page leaves out where a picture is too narrow: a word with the share of
the width that it has, a number, and the names of limits: one stays while all of the ride is
shown, the other only where the page is wide too."""
_LEAST_WORD_PX: Final = 30
"""A shorter stretch holds no word, not even a shortened one."""
_TAB_ROOM_PX: Final = 20
_CLEAR: Final = "rgba(0,0,0,0)"
_TOP: Final = "y"
_FONT: Final = "system-ui, sans-serif"
_TIME_FORMATS: Final = [
    {"dtickrange": [None, 999], "value": "%-M:%S.%L"},
    {"dtickrange": [1000, None], "value": "%-M:%S"},
]
_LONG_FORMATS: Final = [
    {"dtickrange": [None, 999], "value": "%-H:%M:%S.%L"},
    {"dtickrange": [1000, None], "value": "%-H:%M:%S"},
]
_HOUR_S: Final = 3600.0


def data_table(charts: Iterable[Chart]) -> dict[str, Plain]:
    """Return the data of every line once, by key.

    Returns
    -------
    dict of key to column pair
        ``x``, ``y``: differences of whole numbers, null where there is no value;
        ``px``, ``py``: decimal places of the whole numbers.
    """
    table: dict[str, Plain] = {}
    for chart in charts:
        for row in chart.rows:
            for line in row.lines:
                if line.key not in table:
                    table[line.key] = _columns(line, chart, row)
    return table


def _columns(line: ChartLine, chart: Chart, row: Row) -> Plain:
    x = line.x if line.dense_x is None else line.dense_x
    y = line.y if line.dense_y is None else line.dense_y
    px = TIME_PLACES if chart.over_time else chart.x_places + _MORE_PLACES
    py = row.places + (0 if line.style is Style.LINE else _MORE_PLACES)
    return {"x": _packed(x, px), "y": _packed(y, py), "px": px, "py": py}


def _packed(values: FloatArray, places: int) -> list[int | None]:
    known = np.isfinite(values)
    whole = np.rint(np.where(known, values, 0.0) * 10.0**places).astype(np.int64)
    if known.all():
        return list(np.diff(whole, prepend=0).tolist())
    steps: list[int | None] = [None] * len(values)
    rows = np.flatnonzero(known)
    for row, step in zip(rows.tolist(), np.diff(whole[rows], prepend=0).tolist(), strict=True):
        steps[row] = step
    return steps


def figure(chart: Chart) -> Plain:
    """Return a chart as a plotly figure whose traces name their data."""
    frame = _Frame.of(chart)
    layout: Plain = {
        "height": chart.height_px,
        "margin": {"l": 0, "r": GUTTER_PX, "t": frame.top_px, "b": FOOT_PX, "pad": 0},
        "paper_bgcolor": _CLEAR,
        "plot_bgcolor": _CLEAR,
        "font": {"family": _FONT, "size": 11, "color": FAINT},
        "showlegend": False,
        "hovermode": "x unified" if chart.over_time else "closest",
        "hoversubplots": "axis",
        "hoverlabel": {"bgcolor": PAPER, "font": {"color": INK}},
        "dragmode": "zoom",
        "xaxis": _x_axis(chart),
        "yaxis": {"domain": [0, 1], "range": [0, 1], "visible": False, "fixedrange": True},
        "shapes": [],
        "annotations": [],
    }
    data = _bands(chart, frame)
    for place, (row, top) in enumerate(zip(chart.rows, chart.tops(), strict=True)):
        axis = f"y{place + 2}"
        domain = frame.at(top + row.height_px - ROW_FOOT_PX), frame.at(top + HEAD_PX)
        layout[f"yaxis{place + 2}"] = _y_axis(row, *domain)
        data += [_trace(row, line, number, axis) for number, line in enumerate(row.lines)]
        _add_limits(layout, row, axis)
        _add_words(layout, chart, row, axis)
    _add_moments(layout, chart, frame)
    _add_tags(layout, chart, frame)
    found: Plain = {"data": data, "layout": layout}
    if chart.midnight_s is not None:
        found["clock"] = {"midnight_s": chart.midnight_s, "zone": chart.zone}
    return found


class _Frame(NamedTuple):
    """Where heights in px lie on a figure whose plot area has no unit of its own."""

    top_px: int
    area_px: int
    lane_px: int

    @classmethod
    def of(cls, chart: Chart) -> _Frame:
        room = _TAB_ROOM_PX + (MARK_PX if chart.marks else 0)
        top = max(chart.lane_px - room, 0) if chart.bands or chart.marks else chart.lane_px
        return cls(top, max(chart.height_px - top - FOOT_PX, 1), chart.lane_px)

    def at(self, px: float) -> float:
        """Return a height in px from the picture's top as a share of the plot area."""
        return min(max(1.0 - (px - self.top_px) / self.area_px, 0.0), 1.0)


def _x(chart: Chart, value: float) -> float:
    """Return a position as the figure's axis has it: milliseconds for a chart over time."""
    return EPOCH_MS + round(value * 1000.0) if chart.over_time else value


def _x_axis(chart: Chart) -> Plain:
    axis: Plain = {
        "range": [_x(chart, chart.x_from), _x(chart, chart.x_to)],
        "anchor": f"y{len(chart.rows) + 1}",
        "showgrid": False,
        "zeroline": False,
        "linecolor": FAINT,
        "ticks": "outside",
        "ticklen": 4,
        "tickcolor": FAINT,
        "title": {"text": chart.x_label, "font": {"size": 11}, "standoff": 2},
    }
    if not chart.over_time:
        return axis | {"fixedrange": False}
    long = chart.x_to >= _HOUR_S
    return axis | {
        "type": "date",
        "tickformatstops": _LONG_FORMATS if long else _TIME_FORMATS,
        "hoverformat": "%-H:%M:%S.%L" if long else "%-M:%S.%L",
        "showspikes": True,
        "spikemode": "across",
        "spikethickness": 1,
        "spikecolor": FAINT,
        "spikedash": "solid",
    }


def _y_axis(row: Row, bottom: float, top: float) -> Plain:
    return {
        "domain": [bottom, top],
        "range": [row.span.low, row.span.high],
        "tickvals": list(row.span.ticks),
        "ticktext": [plain_number(tick) for tick in row.span.ticks],
        "side": "right",
        "ticklabelstandoff": 2,
        "tickfont": {"size": 10, "color": FAINT},
        "gridcolor": GRID,
        "zeroline": False,
        "fixedrange": True,
        "visible": bool(row.lines),
    }


def _trace(row: Row, line: ChartLine, place: int, axis: str) -> Plain:
    colour = EVENT_STYLES[line.spoken].edge if line.spoken else INK
    unit = f"{THIN_SPACE}{row.unit}" if row.unit else ""
    trace: Plain = {
        "type": "scatter",
        "name": line.label,
        "x": f"@{line.key}",
        "y": f"@{line.key}",
        "yaxis": axis,
        "hovertemplate": f"%{{y:.{row.places}f}}{unit}",
    }
    if line.style is Style.POINTS:
        dot = {"color": colour, "size": 4, "opacity": 0.45}
        return trace | {"mode": "markers", "marker": dot}
    dash = "7 4" if line.style is Style.FIT else SHADES[place % len(SHADES)]
    pen: Plain = {"color": colour, "width": 2 if line.style is Style.FIT else 1.3}
    if dash:
        pen["dash"] = ",".join(f"{part}px" for part in dash.split())
    return trace | {"mode": "lines", "line": pen, "connectgaps": False}


def _bands(chart: Chart, frame: _Frame) -> list[Plain]:
    """Return what marks events: a tint through all rows, and a textured tab above them."""
    tab = (frame.at(frame.lane_px - TAB_FOOT_PX), frame.at(frame.lane_px - TAB_TOP_PX))
    traces = []
    for family in EventFamily:
        own = [band for band in chart.bands if band.family is family]
        look = EVENT_STYLES[family]
        for wide, share in ((True, WIDE_STRENGTH), (False, TINT_STRENGTH)):
            bands = [band for band in own if chart.is_wide(band) is wide]
            if bands:
                tint = _boxes(chart, bands, 0.0, tab[0])
                pen = {"color": look.edge, "width": 1, "dash": _EDGE_DASH[family]}
                traces.append(tint | {"fillcolor": faded(look.hue, share), "line": pen})
        if own:
            pattern = {"shape": look.shape, "fgcolor": look.edge, "bgcolor": _CLEAR}
            size = {"size": 6, "solidity": 0.25}
            tabs = _boxes(chart, own, *tab) | {"line": {"color": look.edge, "width": 1}}
            traces.append(tabs | {"fillcolor": _CLEAR, "fillpattern": pattern | size})
    return traces


def _boxes(chart: Chart, bands: list[Band], low: float, high: float) -> Plain:
    x: list[float | None] = []
    y: list[float | None] = []
    for band in bands:
        start, end = _x(chart, band.start), _x(chart, band.end)
        x += [start, start, end, end, start, None]
        y += [low, high, high, low, low, None]
    return {
        "type": "scatter",
        "mode": "lines",
        "name": EVENT_STYLES[bands[0].family].word,
        "x": x,
        "y": y,
        "yaxis": _TOP,
        "fill": "toself",
        "hoverinfo": "skip",
    }


_EDGE_DASH: Final = {
    EventFamily.HEAT: "solid",
    EventFamily.VOLTAGE: "7px,3px",
    EventFamily.SIGNAL: "1px,3px",
    EventFamily.ASSIST: "solid",
    EventFamily.NOTE: "7px,3px,1px,3px",
}


def faded(colour: str, share: float = TINT_STRENGTH) -> str:
    """Return a colour as plotly takes it with its strength."""
    red, green, blue = (int(colour[place : place + 2], 16) for place in (1, 3, 5))
    return f"rgba({red},{green},{blue},{share})"


def _add_limits(layout: Plain, row: Row, axis: str) -> None:
    for limit in row.limits:
        if not row.span.low <= limit.value <= row.span.high:
            continue
        across = {"xref": "paper", "yref": axis, "x0": 0, "x1": 1}
        level = {"y0": limit.value, "y1": limit.value}
        pen = {"color": INK, "width": 0.8, "dash": "5px,3px"}
        layout["shapes"].append({"type": "line", **across, **level, "line": pen})
        if limit.text:
            text = _note(limit.text, "paper", limit.at, axis, limit.value)
            side = {0.0: "left", 1.0: "right"}.get(limit.at, "center")
            text |= {"xanchor": side, "yanchor": "top" if limit.below else "bottom"}
            text |= {"name": WIDE_LIMIT if limit.roomy else LIMIT, "borderpad": 0}
            layout["annotations"].append(text)


def _add_words(layout: Plain, chart: Chart, row: Row, axis: str) -> None:
    for word in row.words:
        start, end = _x(chart, word.start), _x(chart, word.end)
        box = {"type": "rect", "xref": "x", "yref": axis, "x0": start, "x1": end, "y0": 0, "y1": 1}
        layout["shapes"].append(box | {"line": {"color": FAINT, "width": 0.8}})
        shown = min(word.end, chart.x_to) - max(word.start, chart.x_from)
        share = shown / (chart.x_to - chart.x_from)
        if share * FULL_PX > _LEAST_WORD_PX:
            start = _x(chart, max(word.start, chart.x_from))
            text = _note(word.text, "x", start, axis, 0.5) | {"name": f"{ROOM} {share:.4f}"}
            layout["annotations"].append(text | {"xanchor": "left", "xshift": 3})


def _add_moments(layout: Plain, chart: Chart, frame: _Frame) -> None:
    """Add a line and a word for each moment that the chart points at."""
    high = frame.at(chart.lane_px - TAB_TOP_PX - MARK_PX / 2)
    for mark in chart.marks:
        x = _x(chart, mark.x)
        across = {"xref": "x", "x0": x, "x1": x, "yref": "paper", "y0": 0, "y1": high}
        pen = {"color": INK, "width": 1.6}
        layout["shapes"].append({"type": "line", **across, "line": pen})
        share = (mark.x - chart.x_from) / (chart.x_to - chart.x_from)
        side = "left" if share < _LEFT_SHARE else "right" if share > _RIGHT_SHARE else "center"
        note = _note(mark.text, "x", x, "paper", high) | {"xanchor": side, "yanchor": "middle"}
        note["font"] = note["font"] | {"weight": 700}
        layout["annotations"].append(note | {"bgcolor": PAPER, "borderpad": 0})


_LEFT_SHARE: Final = 0.3
_RIGHT_SHARE: Final = 0.7


def _add_tags(layout: Plain, chart: Chart, frame: _Frame) -> None:
    high = frame.at(chart.lane_px - (TAB_FOOT_PX + TAB_TOP_PX) / 2)
    for tag in chart.tags():
        note = _note(tag.text, "x", _x(chart, tag.x), "paper", high)
        note |= {"bgcolor": PAPER, "name": NUMBER}
        note["font"] = note["font"] | {"weight": 700}
        layout["annotations"].append(note | {"yanchor": "middle", "borderpad": 0})


def _note(text: str, xref: str, x: float, yref: str, y: float) -> Plain:
    return {
        "text": plain_text(text),
        "xref": xref,
        "x": x,
        "yref": yref,
        "y": y,
        "showarrow": False,
        "font": {"size": 11, "color": INK},
    }


def plain_text(text: str) -> str:
    """Return text that plotly shows as it is: it reads tags such as ``<b>`` in labels."""
    return escape(text, quote=False)

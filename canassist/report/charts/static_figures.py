"""Charts as inline SVG: what shows in print and where scripts are taken out.

Everything placed by percentage stretches with the page; text and strokes keep their
size. Colours stand as attributes too, so that the picture survives without the style
sheet; the style sheet turns them over in the dark.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
from markupsafe import Markup, escape

from canassist.report.charts.chart_values import FOOT_PX, HEAD_PX, ROW_FOOT_PX, Style
from canassist.report.charts.event_styles import EVENT_STYLES
from canassist.report.charts.limit_names import NAME_PX, height_of
from canassist.report.charts.static_marks import (
    FAINT,
    HALO,
    INK,
    WIDE,
    bands,
    moments,
    numbers,
    percent,
    words,
)
from canassist.report.page.measures import MINUS

if TYPE_CHECKING:
    from canassist.model import BoolArray, FloatArray, IntArray
    from canassist.report.charts.chart_values import Chart, ChartLine, Limit, Range, Row

_TALL: Final = 400
"""Height of the plane in which curves are drawn: a sixth of a px or less."""

_EDGE_PCT: Final = 4.0
SHADES: Final = ("", "6 3", "2 2", "8 2 2 2")


def draw(chart: Chart) -> Markup:
    """Return a chart as an inline SVG element with its message as its name."""
    bottom = chart.height_px - FOOT_PX
    parts = [
        f'<svg class="still" role="img" aria-label="{escape(chart.message)}" width="100%"'
        f' height="{chart.height_px}" fill="none" font-size="11" overflow="visible">'
    ]
    parts.append(bands(chart, bottom))
    parts += [_row(chart, row, top) for row, top in zip(chart.rows, chart.tops(), strict=True)]
    parts.append(_axis(chart, bottom))
    parts.append(moments(chart, bottom))
    parts.append(numbers(chart))
    parts.append("</svg>")
    return Markup("".join(parts))  # noqa: S704 - every text in it went through escape


def swatch(line: ChartLine, place: int) -> Markup:
    """Return a small sample of how the line at `place` in its row is drawn."""
    path = "M5 5h0m8 0h0m8 0h0" if line.style is Style.POINTS else "M1 5h24"
    sample = _stroke(line, path, place)
    return Markup(  # noqa: S704 - built from constants alone
        f'<svg class="swatch" width="26" height="10" aria-hidden="true" fill="none">{sample}</svg>'
    )


def _row(chart: Chart, row: Row, top: int) -> str:
    foot = top + row.height_px
    parts = [f'<line class="rule" x2="100%" y1="{foot}" y2="{foot}" stroke="#d9d9d6"></line>']
    parts.append(words(chart, row, top))
    if not row.lines:
        return "".join(parts)
    parts += [_tick(row, tick, top) for tick in row.span.ticks]
    parts += [_limit(row, limit, top) for limit in row.limits]
    tall = row.height_px - HEAD_PX - ROW_FOOT_PX
    parts.append(
        f'<svg y="{top + HEAD_PX}" width="100%" height="{tall}" viewBox="0 0 {WIDE} {_TALL}"'
        ' preserveAspectRatio="none">'
    )
    parts += [_curve(chart, line, row.span, place) for place, line in enumerate(row.lines)]
    parts.append("</svg>")
    return "".join(parts)


def _y(row: Row, value: float, top: int) -> float:
    return top + height_of(row, value)


def _tick(row: Row, tick: float, top: int) -> str:
    y = _y(row, tick, top)
    return (
        f'<line class="rule" x2="100%" y1="{y:.1f}" y2="{y:.1f}" stroke="#e4e3df"></line>'
        f'<text class="faint" x="100%" dx="5" y="{y + 3.5:.1f}" fill="{FAINT}" font-size="10">'
        f"{plain_number(tick)}</text>"
    )


def plain_number(value: float) -> str:
    """Return a mark on an axis: no needless places, a true minus sign."""
    return f"{value:g}".replace("-", MINUS)


def _limit(row: Row, limit: Limit, top: int) -> str:
    if not row.span.low <= limit.value <= row.span.high:
        return ""
    y = _y(row, limit.value, top)
    line = (
        f'<line class="limit" x2="100%" y1="{y:.1f}" y2="{y:.1f}" stroke="{INK}"'
        ' stroke-width=".8" stroke-dasharray="5 3"></line>'
    )
    if not limit.text:
        return line
    foot = y + (NAME_PX if limit.below else -2.5)
    anchor, shift = {0.0: ("start", 3), 1.0: ("end", -3)}.get(limit.at, ("middle", 0))
    kind = "limit-name halo roomy" if limit.roomy else "limit-name halo"
    return (
        f'{line}<text class="{kind}" x="{100 * limit.at:g}%" dx="{shift}" y="{foot:.1f}"'
        f' text-anchor="{anchor}" fill="{INK}" {HALO}>{escape(limit.text)}</text>'
    )


def _curve(chart: Chart, line: ChartLine, span: Range, place: int) -> str:
    x = (line.x - chart.x_from) / (chart.x_to - chart.x_from) * WIDE
    y = (span.high - line.y) / (span.high - span.low) * _TALL
    return _stroke(line, _dots(x, y) if line.style is Style.POINTS else _path(x, y), place)


def _stroke(line: ChartLine, path: str, place: int) -> str:
    points = line.style is Style.POINTS
    colour = EVENT_STYLES[line.spoken].edge if line.spoken else INK
    kind = f"edge-{line.spoken}" if line.spoken else "curve"
    width = {Style.POINTS: "4", Style.FIT: "2"}.get(line.style, "1.3")
    dash = "7 4" if line.style is Style.FIT else "" if points else SHADES[place % len(SHADES)]
    more = ' stroke-opacity=".45"' if points else ""
    more += f' stroke-dasharray="{dash}"' if dash else ""
    return (
        f'<path class="{kind}" d="{path}" stroke="{colour}" stroke-width="{width}"'
        ' stroke-linejoin="round" stroke-linecap="round" vector-effect="non-scaling-stroke"'
        f"{more}></path>"
    )


def _whole(x: FloatArray, y: FloatArray) -> tuple[IntArray, IntArray, BoolArray]:
    """Return whole coordinates of the points that have a value, and where a new run starts."""
    known = np.isfinite(x) & np.isfinite(y)
    run = np.cumsum(~known)[known]
    steps_x = np.clip(np.rint(x[known]), -WIDE, 2 * WIDE).astype(np.int64)
    steps_y = np.clip(np.rint(y[known]), -_TALL, 2 * _TALL).astype(np.int64)
    return steps_x, steps_y, np.diff(run, prepend=-1) > 0


def _path(x: FloatArray, y: FloatArray) -> str:
    xs, ys, starts = _whole(x, y)
    if not len(xs):
        return ""
    keep = _corners(ys, starts)
    xs, ys, starts = xs[keep], ys[keep], starts[keep]
    step_x, step_y = np.diff(xs, prepend=0), np.diff(ys, prepend=0)
    lone = starts & np.append(starts[1:], True)
    rows = zip(step_x.tolist(), step_y.tolist(), starts.tolist(), lone.tolist(), strict=True)
    return "".join(_step(dx, dy, new=new, lone=alone) for dx, dy, new, alone in rows)


def _step(dx: int, dy: int, *, new: bool, lone: bool) -> str:
    """Return a relative move or line; a sample between two gaps is a dot."""
    letter = "m" if new else "l"
    return f"{letter}{dx}{dy:+d}{'h0' if lone else ''}"


def _corners(ys: IntArray, starts: BoolArray) -> IntArray:
    """Return the rows without which the drawn line would change."""
    same_before = np.diff(ys, prepend=ys[0] + 1) == 0
    same_after = np.append(np.diff(ys) == 0, False)
    ends = np.append(starts[1:], True)
    return np.flatnonzero(~(same_before & same_after) | starts | ends)


def _dots(x: FloatArray, y: FloatArray) -> str:
    xs, ys, _ = _whole(x, y)
    pairs = np.unique(np.column_stack([xs, ys]), axis=0)
    steps = np.diff(pairs, axis=0, prepend=np.zeros((1, 2), dtype=np.int64))
    return "".join(f"m{dx} {dy}h0" for dx, dy in steps.tolist())


def _axis(chart: Chart, bottom: int) -> str:
    parts = [
        f'<line class="axis" x2="100%" y1="{y}" y2="{y}" stroke="{FAINT}"></line>'
        for y in ((chart.lane_px, bottom) if chart.upper else (bottom,))
    ]
    upper = chart.upper or ("",) * len(chart.ticks)
    for tick, above, below in zip(chart.ticks, upper, chart.lower, strict=True):
        at = percent(chart, tick)
        anchor = "start" if at < _EDGE_PCT else "end" if at > 100 - _EDGE_PCT else "middle"
        place = f'x="{at:.3f}%" text-anchor="{anchor}" class="faint" fill="{FAINT}"'
        parts.append(
            f'<line class="axis" x1="{at:.3f}%" x2="{at:.3f}%" y1="{bottom}" y2="{bottom + 4}"'
            f' stroke="{FAINT}"></line><text {place} y="{bottom + 16}">{escape(below)}</text>'
        )
        if above:
            parts.append(f'<text {place} y="10">{escape(above)}</text>')
    if chart.x_label:
        parts.append(
            f'<text class="faint" x="50%" y="{bottom + 31}" text-anchor="middle"'
            f' fill="{FAINT}">{escape(chart.x_label)}</text>'
        )
    return "".join(parts)

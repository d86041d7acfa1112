"""Charts as inline SVG: what shows in print and where scripts are taken out.

Everything placed by percentage stretches with the page; text and strokes keep their
size. Colours stand as attributes too, so that the picture survives without the style
sheet; the style sheet turns them over in the dark.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
from markupsafe import Markup, escape

from canassist.report.drawing import FOOT_PX, Style
from canassist.report.families import LOOKS, Family
from canassist.report.measures import MINUS

if TYPE_CHECKING:
    from canassist.model import BoolArray, FloatArray, IntArray
    from canassist.report.drawing import Band, Chart, Limit, Line, Range, Row, Word

INK: Final = "#1b2430"
FAINT: Final = "#5b6470"
WIDE: Final = 2000
"""Width of the stretched plane in which curves are drawn; half a px or less on a page."""
HEAD_PX: Final = 15
"""Free space at the top of a row, for its name on a narrow page."""
TAB_TOP_PX: Final = 18
TAB_FOOT_PX: Final = 6
"""Where an event's textured tab lies, in px above the first row."""
_TALL: Final = 400
_EDGE_PCT: Final = 4.0
_NARROW_PCT: Final = 0.5
_HALO: Final = 'stroke="#fbfaf7" stroke-width="3" paint-order="stroke" stroke-linejoin="round"'

_DASH: Final = {
    Family.HEAT: "",
    Family.VOLTAGE: "7 3",
    Family.SIGNAL: "1 3",
    Family.ASSIST: "",
    Family.NOTE: "7 3 1 3",
}
SHADES: Final = ("", "6 3", "2 2", "8 2 2 2")


def textures() -> Markup:
    """Return the patterns that bands are filled with; once on a page."""
    strokes = {
        Family.HEAT: "M-1 1l2-2M0 6L6 0M5 7l2-2",
        Family.VOLTAGE: "M0 1.5h6M0 4.5h6",
        Family.SIGNAL: "M1.5 1.5h0M4.5 4.5h0",
        Family.NOTE: "M1.5 0v6M4.5 0v6",
    }
    patterns = "".join(
        f'<pattern id="tex-{family}" width="6" height="6" patternUnits="userSpaceOnUse">'
        f'<path class="edge-{family}" d="{path}" fill="none" stroke="{LOOKS[family].edge}"'
        f' stroke-width="{1.8 if family is Family.SIGNAL else 1.1}"'
        ' stroke-linecap="round"></path></pattern>'
        for family, path in strokes.items()
    )
    return Markup(  # noqa: S704 - built from constants alone
        '<svg class="textures" width="0" height="0" aria-hidden="true">'
        f"<defs>{patterns}</defs></svg>"
    )


def draw(chart: Chart) -> Markup:
    """Return a chart as an inline SVG element with its message as its name."""
    bottom = chart.height_px - FOOT_PX
    parts = [
        f'<svg class="still" role="img" aria-label="{escape(chart.message)}" width="100%"'
        f' height="{chart.height_px}" fill="none" font-size="11">'
    ]
    parts += [_band(chart, band, bottom) for band in chart.bands]
    parts += [_row(chart, row, top) for row, top in zip(chart.rows, chart.tops(), strict=True)]
    parts.append(_axis(chart, bottom))
    parts.append(_tags(chart))
    parts.append("</svg>")
    return Markup("".join(parts))  # noqa: S704 - every text in it went through escape


def swatch(line: Line, place: int) -> Markup:
    """Return a small sample of how the line at `place` in its row is drawn."""
    path = "M5 5h0m8 0h0m8 0h0" if line.style is Style.POINTS else "M1 5h24"
    sample = _stroke(line, path, place)
    return Markup(  # noqa: S704 - built from constants alone
        f'<svg class="swatch" width="26" height="10" aria-hidden="true" fill="none">{sample}</svg>'
    )


def _percent(chart: Chart, x: float) -> float:
    return 100.0 * (x - chart.x_from) / (chart.x_to - chart.x_from)


def _span(chart: Chart, start: float, end: float) -> tuple[float, float]:
    low, high = (min(max(_percent(chart, x), 0.0), 100.0) for x in (start, end))
    return low, high


def _band(chart: Chart, band: Band, bottom: int) -> str:
    """Return a band: its tint through all rows, its textured tab, its edges.

    A band over much of the picture is a condition rather than an incident: its tint is
    paler, so that the incidents inside it stand out. A narrow one has one edge.
    """
    low, high = _span(chart, band.start, band.end)
    tint = ".07" if chart.is_wide(band) else ".13"
    look, family = LOOKS[band.family], band.family
    box = f'x="{low:.3f}%" width="{max(high - low, 0.02):.3f}%"'
    tall = bottom - chart.lane_px
    lane = chart.lane_px - TAB_TOP_PX
    fill = f'fill="url(#tex-{family})"' if look.shape else 'fill="none"'
    edges = [low] if band.open_end or high - low < _NARROW_PCT else [low, high]
    dash = f' stroke-dasharray="{_DASH[family]}"' if _DASH[family] else ""
    parts = [
        f'<rect {box} y="{chart.lane_px}" height="{tall}" fill="{look.hue}"'
        f' opacity="{tint}"></rect>',
        f'<rect {box} y="{lane}" height="{TAB_TOP_PX - TAB_FOOT_PX}" {fill} stroke="{look.edge}"'
        f' class="edge-{family}"></rect>',
    ]
    parts += [
        f'<line class="edge-{family}" x1="{x:.3f}%" x2="{x:.3f}%" y1="{lane}" y2="{bottom}"'
        f' stroke="{look.edge}"{dash}></line>'
        for x in edges
    ]
    return "".join(parts)


def _tags(chart: Chart) -> str:
    return "".join(
        f'<text class="tag halo" x="{_percent(chart, (low + high) / 2.0):.2f}%"'
        f' y="{chart.lane_px - 8}" text-anchor="middle" font-weight="700" fill="{INK}" {_HALO}>'
        f"{escape(chart.tag_text(band, low, high))}</text>"
        for band, low, high in chart.tags()
    )


def _row(chart: Chart, row: Row, top: int) -> str:
    foot = top + row.height_px
    parts = [f'<line class="rule" x2="100%" y1="{foot}" y2="{foot}" stroke="#d9d9d6"></line>']
    parts += [_word(chart, word, top, row.height_px) for word in row.words]
    if not row.lines:
        return "".join(parts)
    parts += [_tick(row, tick, top) for tick in row.span.ticks]
    parts += [_limit(row, limit, top) for limit in row.limits]
    tall = row.height_px - HEAD_PX - 3
    parts.append(
        f'<svg y="{top + HEAD_PX}" width="100%" height="{tall}" viewBox="0 0 {WIDE} {_TALL}"'
        ' preserveAspectRatio="none">'
    )
    parts += [_curve(chart, line, row.span, place) for place, line in enumerate(row.lines)]
    parts.append("</svg>")
    return "".join(parts)


def _y(row: Row, value: float, top: int) -> float:
    tall = row.height_px - HEAD_PX - 3
    share = (value - row.span.low) / (row.span.high - row.span.low)
    return top + HEAD_PX + tall * (1.0 - share)


def _tick(row: Row, tick: float, top: int) -> str:
    y = _y(row, tick, top)
    return (
        f'<line class="rule" x2="100%" y1="{y:.1f}" y2="{y:.1f}" stroke="#e4e3df"></line>'
        f'<text class="faint halo" x="100%" dx="-3" y="{y - 2:.1f}" text-anchor="end"'
        f' fill="{FAINT}" {_HALO}>'
        f"{plain_number(tick)}</text>"
    )


def plain_number(value: float) -> str:
    """Return a mark on an axis: no needless places, a true minus sign."""
    return f"{value:g}".replace("-", MINUS)


def _limit(row: Row, limit: Limit, top: int) -> str:
    if not row.span.low <= limit.value <= row.span.high:
        return ""
    y = _y(row, limit.value, top)
    return (
        f'<line class="limit" x2="100%" y1="{y:.1f}" y2="{y:.1f}" stroke="{INK}"'
        ' stroke-width=".8" stroke-dasharray="5 3"></line>'
        f'<text class="limit-name halo" x="100%" dx="-38" y="{y - 2.5:.1f}" text-anchor="end"'
        f' fill="{INK}" {_HALO}>{escape(limit.text)}</text>'
    )


def _word(chart: Chart, word: Word, top: int, height: int) -> str:
    low, high = _span(chart, word.start, word.end)
    y = top + HEAD_PX
    label = (
        f'<text class="halo" x="{low:.2f}%" dx="4" y="{y + 13}" fill="{INK}" {_HALO}>'
        f"{escape(word.text)}</text>"
        if high - low > _EDGE_PCT
        else ""
    )
    return (
        f'<rect class="word" x="{low:.2f}%" y="{y}" width="{high - low:.2f}%"'
        f' height="{height - HEAD_PX - 4}" stroke="{FAINT}" stroke-width=".8"></rect>{label}'
    )


def _curve(chart: Chart, line: Line, span: Range, place: int) -> str:
    x = (line.x - chart.x_from) / (chart.x_to - chart.x_from) * WIDE
    y = (span.high - line.y) / (span.high - span.low) * _TALL
    return _stroke(line, _dots(x, y) if line.style is Style.POINTS else _path(x, y), place)


def _stroke(line: Line, path: str, place: int) -> str:
    points = line.style is Style.POINTS
    colour = LOOKS[line.spoken].edge if line.spoken else INK
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
        at = _percent(chart, tick)
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

"""What marks events and words in a static chart: tints, edges, textured tabs and numbers."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from markupsafe import Markup, escape

from canassist.report.charts.chart_values import FULL_PX, HEAD_PX, MARK_PX, NARROW_PX, WIDE_PX
from canassist.report.charts.event_styles import EVENT_STYLES, EventFamily

if TYPE_CHECKING:
    from collections.abc import Iterable

    from canassist.report.charts.chart_values import Band, Chart, Row, Word

INK: Final = "#1b2430"
FAINT: Final = "#5b6470"
HALO: Final = 'stroke="#fbfaf7" stroke-width="3" paint-order="stroke" stroke-linejoin="round"'
WIDE: Final = 2000
"""Width of the stretched plane in which curves are drawn; half a px or less on a page."""

TAB_TOP_PX: Final = 18
TAB_FOOT_PX: Final = 6
"""Where an event's textured tab lies, in px above the first row."""

_NARROW_PCT: Final = 0.5
_LEAST_PCT: Final = 0.02
_TINTS: Final = {True: ".07", False: ".13"}

_DASH: Final = {
    EventFamily.HEAT: "",
    EventFamily.VOLTAGE: "7 3",
    EventFamily.SIGNAL: "1 3",
    EventFamily.ASSIST: "",
    EventFamily.NOTE: "7 3 1 3",
}


def textures() -> Markup:
    """Return the patterns that bands are filled with; once on a page."""
    strokes = {
        EventFamily.HEAT: "M-1 1l2-2M0 6L6 0M5 7l2-2",
        EventFamily.VOLTAGE: "M0 1.5h6M0 4.5h6",
        EventFamily.SIGNAL: "M1.5 1.5h0M4.5 4.5h0",
        EventFamily.NOTE: "M1.5 0v6M4.5 0v6",
    }
    patterns = "".join(
        f'<pattern id="tex-{family}" width="6" height="6" patternUnits="userSpaceOnUse">'
        f'<path class="edge-{family}" d="{path}" fill="none" stroke="{EVENT_STYLES[family].edge}"'
        f' stroke-width="{1.8 if family is EventFamily.SIGNAL else 1.1}"'
        ' stroke-linecap="round"></path></pattern>'
        for family, path in strokes.items()
    )
    return Markup(  # noqa: S704 - built from constants alone
        '<svg class="textures" width="0" height="0" aria-hidden="true">'
        f"<defs>{patterns}</defs></svg>"
    )


def percent(chart: Chart, x: float) -> float:
    """Return where a value lies on a chart's horizontal axis, in percent of its width."""
    return 100.0 * (x - chart.x_from) / (chart.x_to - chart.x_from)


def _span(chart: Chart, start: float, end: float) -> tuple[float, float]:
    low, high = (min(max(percent(chart, x), 0.0), 100.0) for x in (start, end))
    return low, high


def bands(chart: Chart, bottom: int) -> str:
    """Return the bands of a chart: tints through all rows, edges, textured tabs.

    A band over much of the picture is a condition rather than an incident: its tint is
    paler, so that the incidents inside it stand out. A narrow one has one edge.
    """
    parts = []
    for family in EventFamily:
        own = [band for band in chart.bands if band.family is family]
        if not own:
            continue
        for wide, strength in _TINTS.items():
            some = [band for band in own if chart.is_wide(band) is wide]
            tint = f'fill="{EVENT_STYLES[family].hue}" opacity="{strength}"'
            parts.append(_boxes(chart, some, chart.lane_px, bottom, tint))
        parts += [_edges(chart, own, family, bottom), _tabs(chart, own, family)]
    return "".join(parts)


def _boxes(chart: Chart, some: Iterable[Band], top: int, bottom: int, style: str) -> str:
    boxes = []
    for band in some:
        low, high = _span(chart, band.start, band.end)
        width = max(high - low, _LEAST_PCT)
        boxes.append(f'<rect x="{low:.2f}%" width="{width:.2f}%" height="100%"></rect>')
    return _strip(top, bottom, style, "".join(boxes))


def _tabs(chart: Chart, own: list[Band], family: EventFamily) -> str:
    look = EVENT_STYLES[family]
    fill = f"url(#tex-{family})" if look.shape else "none"
    style = f'class="edge-{family}" fill="{fill}" stroke="{look.edge}"'
    top, bottom = chart.lane_px - TAB_TOP_PX, chart.lane_px - TAB_FOOT_PX
    return _boxes(chart, own, top, bottom, style)


def _edges(chart: Chart, own: list[Band], family: EventFamily, bottom: int) -> str:
    places = []
    for band in own:
        low, high = _span(chart, band.start, band.end)
        alone = band.open_end or high - low < _NARROW_PCT
        places += [low] if alone else [low, high]
    lines = "".join(f'<line x1="{x:.2f}%" x2="{x:.2f}%" y2="100%"></line>' for x in places)
    dash = f' stroke-dasharray="{_DASH[family]}"' if _DASH[family] else ""
    style = f'class="edge-{family}" stroke="{EVENT_STYLES[family].edge}"{dash}'
    return _strip(chart.lane_px - TAB_TOP_PX, bottom, style, lines)


def _strip(top: int, bottom: int, style: str, content: str) -> str:
    if not content:
        return ""
    return f'<svg y="{top}" width="100%" height="{bottom - top}"><g {style}>{content}</g></svg>'


def numbers(chart: Chart) -> str:
    """Return the numbers of the bands, above their tabs; a narrow page has room for fewer."""
    tags = chart.tags()
    always = set(chart.apart(tags, NARROW_PX))
    texts = "".join(
        f'<text class="tag halo{"" if tag in always else " roomy"}"'
        f' x="{percent(chart, tag.x):.2f}%" y="{chart.lane_px - 8}">{escape(tag.text)}</text>'
        for tag in tags
    )
    if not texts:
        return ""
    return f'<g text-anchor="middle" font-weight="700" fill="{INK}" {HALO}>{texts}</g>'


_AT_LEFT_PCT: Final = 30.0
_AT_RIGHT_PCT: Final = 70.0


def moments(chart: Chart, bottom: int) -> str:
    """Return the moments that a chart points at: a line through all rows, and what they are."""
    parts = []
    for mark in chart.marks:
        at = percent(chart, mark.x)
        anchor = "start" if at < _AT_LEFT_PCT else "end" if at > _AT_RIGHT_PCT else "middle"
        shift = {"start": -3, "end": 3}.get(anchor, 0)
        top = chart.lane_px - MARK_PX - TAB_TOP_PX
        parts.append(
            f'<line class="moment-line" x1="{at:.2f}%" x2="{at:.2f}%" y1="{top + 15}"'
            f' y2="{bottom}" stroke="{INK}" stroke-width="1.6"></line>'
            f'<text class="halo moment-word" x="{at:.2f}%" dx="{shift}" y="{top + 11}"'
            f' text-anchor="{anchor}" font-weight="700" fill="{INK}" {HALO}>'
            f"{escape(mark.text)}</text>"
        )
    return "".join(parts)


def words(chart: Chart, row: Row, top: int) -> str:
    """Return what a text channel says: a box divided where the word changes."""
    if not row.words:
        return ""
    tall = row.height_px - HEAD_PX - 4
    path = "".join(_box_path(chart, word) for word in row.words)
    labels = "".join(_label(chart, word, top) for word in row.words)
    return (
        f'<svg y="{top + HEAD_PX}" width="100%" height="{tall}" viewBox="0 0 {WIDE} 10"'
        f' preserveAspectRatio="none"><path class="word" d="{path}" stroke="{FAINT}"'
        f' stroke-width=".8" vector-effect="non-scaling-stroke"></path></svg>{labels}'
    )


def _box_path(chart: Chart, word: Word) -> str:
    low, high = (round(side * WIDE / 100.0) for side in _span(chart, word.start, word.end))
    return f"M{low} 0H{high}V10H{low}z"


def _label(chart: Chart, word: Word, top: int) -> str:
    if not chart.has_room(word, FULL_PX):
        return ""
    low, _ = _span(chart, word.start, word.end)
    kind = "halo" if chart.has_room(word, NARROW_PX) else "halo roomy"
    kind += "" if chart.has_room(word, WIDE_PX) else " spacious"
    return (
        f'<text class="{kind}" x="{low:.2f}%" dx="4" y="{top + HEAD_PX + 13}" fill="{INK}" {HALO}>'
        f"{escape(word.text)}</text>"
    )

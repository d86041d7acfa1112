"""A picture as values: rows over one horizontal axis, before anything draws it.

`static_figures` and `figures` draw the same `Chart`, so that the page shows the same
picture with and without scripts.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from canassist.report.charts.event_styles import EVENT_STYLES

if TYPE_CHECKING:
    from collections.abc import Iterable

    from canassist.model import FloatArray
    from canassist.report.charts.event_styles import EventFamily

LANE_PX: Final = 40
"""Height of the strip above the rows: upper axis and event marks."""
MARK_PX: Final = 16
"""Further height of it where moments are marked."""
HEAD_PX: Final = 15
"""Free space at the top of a row, for its name on a narrow page."""
ROW_FOOT_PX: Final = 3
"""Free space at the foot of a row."""
_WORD_SHARE: Final = 0.15
_WIDE_SHARE: Final = 0.35
LETTER_PX: Final = 6.3
BOLD_PX: Final = 8.0
"""Widths of a letter of a word, and of a number, on the page."""
GUTTER_PX: Final = 38
"""Width of the strip right of the rows, which carries the marks of their axes."""
FULL_PX: Final = 780
WIDE_PX: Final = 520
SLIM_PX: Final = 440
NARROW_PX: Final = 316
"""Widths that rows have at least: the ride's on a wide page, a close-up's there, a small
picture's, and any on a narrow page."""
_BARE_LANE_PX: Final = 8
FOOT_PX: Final = 36
"""Height of the strip below the rows: lower axis."""


class Style(StrEnum):
    """How a line is drawn."""

    LINE = "line"
    POINTS = "points"
    FIT = "fit"


class Limit(NamedTuple):
    """A thin line across a row, named at the line; `below` it where what is sound lies above.

    The name's middle stands `at` a share of the width, as far as it fits; a `roomy` one is
    left out on a narrow page, where it would cover a curve.
    """

    value: float
    text: str
    below: bool = False
    at: float = 1.0
    roomy: bool = False


class MarkedMoment(NamedTuple):
    """A moment that a picture points at, with what to say of it."""

    x: float
    text: str


class Word(NamedTuple):
    """A stretch in which a text channel says one thing."""

    start: float
    end: float
    text: str


class Tag(NamedTuple):
    """The number of a band, and where its middle stands."""

    x: float
    text: str

    def room_px(self, other: Tag) -> float:
        """Return how far the middles of two numbers must be apart."""
        return BOLD_PX * (len(self.text) + len(other.text) + 1) / 2.0


class Range(NamedTuple):
    """What a row's vertical axis spans, and where it is marked."""

    low: float
    high: float
    ticks: tuple[float, ...]


EMPTY: Final = Range(0.0, 1.0, ())
"""The axis of a row without figures."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ChartLine:
    """One curve or cloud of points; ``key`` names its data, unique on the page.

    ``x`` and ``y`` are what the static picture draws. ``dense_x`` and ``dense_y``
    hold more detail for the interactive one; None where they are the same, or where
    another chart's line of the same key brings them.
    """

    key: str
    label: str
    x: FloatArray
    y: FloatArray
    style: Style = Style.LINE
    spoken: EventFamily | None = None
    dense_x: FloatArray | None = None
    dense_y: FloatArray | None = None
    side: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One strip of a chart: a quantity with its unit (as shown) and its lines.

    ``beside`` are limits whose names found no place at their lines; ``doubt`` says in a word
    or two why the channel is not to be taken at its word.
    """

    label: str
    unit: str
    lines: tuple[ChartLine, ...] = ()
    limits: tuple[Limit, ...] = ()
    words: tuple[Word, ...] = ()
    span: Range = EMPTY
    places: int = 1
    height_px: int = 64
    beside: tuple[str, ...] = ()
    doubt: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Band:
    """A stretch of the horizontal axis that belongs to an event.

    The `main` one is what a close-up is about: its number goes before all others.
    """

    start: float
    end: float
    family: EventFamily
    tag: str = ""
    open_end: bool = False
    main: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Chart:
    """A whole picture; ``message`` says in one sentence what it shows.

    ``upper`` and ``lower`` are what the axes above and below say at each of ``ticks``.
    For a chart over time whose log has a clock, ``midnight_s`` tells how far into the
    day the ride begins, in ``zone``.
    """

    name: str
    message: str
    rows: tuple[Row, ...]
    x_from: float
    x_to: float
    ticks: tuple[float, ...]
    bands: tuple[Band, ...] = ()
    marks: tuple[MarkedMoment, ...] = ()
    over_time: bool = True
    upper: tuple[str, ...] = ()
    lower: tuple[str, ...] = ()
    x_label: str = ""
    x_places: int = 1
    midnight_s: float | None = None
    zone: str = ""

    @property
    def lane_px(self) -> int:
        """Height above the first row."""
        bare = LANE_PX if self.upper or self.bands else _BARE_LANE_PX
        return bare + (MARK_PX if self.marks else 0)

    @property
    def height_px(self) -> int:
        """Height of the whole picture."""
        return self.lane_px + sum(row.height_px for row in self.rows) + FOOT_PX

    def tags(self) -> list[Tag]:
        """Return the numbers of the bands; one that would hide another is left out."""
        found = []
        for band in sorted(self.bands, key=lambda band: not band.main):
            low, high = max(band.start, self.x_from), min(band.end, self.x_to)
            if band.tag:
                found.append(Tag((low + high) / 2.0, self._tag_text(band, low, high)))
        return self.apart(found, FULL_PX if self.name in {"ride", "others"} else SLIM_PX)

    def apart(self, tags: Iterable[Tag], width_px: int) -> list[Tag]:
        """Return those of some numbers that stand apart on a picture of this width."""
        found: list[Tag] = []
        scale = width_px / (self.x_to - self.x_from)
        for tag in tags:
            if all(abs(tag.x - other.x) * scale > tag.room_px(other) for other in found):
                found.append(tag)
        return found

    def is_wide(self, band: Band) -> bool:
        """Tell whether a band covers a good part of the picture and is not its subject."""
        share = (min(band.end, self.x_to) - max(band.start, self.x_from)) / (
            self.x_to - self.x_from
        )
        return share > _WIDE_SHARE and not band.main

    def has_room(self, word: Word, width_px: int = WIDE_PX) -> bool:
        """Tell whether a word fits into its stretch on a picture of this width."""
        shown = min(word.end, self.x_to) - max(word.start, self.x_from)
        room_px = width_px * shown / (self.x_to - self.x_from)
        return room_px > (len(word.text) + 1) * LETTER_PX

    def _tag_text(self, band: Band, low: float, high: float) -> str:
        """Return a band's number, with its family's word where there is room."""
        wide = high - low > _WORD_SHARE * (self.x_to - self.x_from)
        return f"{band.tag} {EVENT_STYLES[band.family].word}" if wide else band.tag

    def tops(self) -> tuple[int, ...]:
        """Return where each row starts, in px from the top of the picture."""
        heights = [row.height_px for row in self.rows]
        return tuple(self.lane_px + sum(heights[:place]) for place in range(len(heights)))


def nice_step(span: float, most: int) -> float:
    """Return the smallest of 1, 2, 2.5 and 5 times a power of ten with at most `most` steps."""
    if not span > 0.0:
        return 1.0
    raw = span / most
    power = 10.0 ** math.floor(math.log10(raw))
    return next(power * size for size in (1.0, 2.0, 2.5, 5.0, 10.0) if power * size >= raw * 0.999)


def nice_range(
    values: Iterable[float], *, most: int = 3, floor: float = 0.0, least: float = -math.inf
) -> Range:
    """Return a vertical span around values, with round marks.

    Parameters
    ----------
    values : iterable of float
        What must be inside; NaN is left out.
    most : int
        Steps between marks, at most.
    floor : float
        Smallest span, so that noise on a constant does not fill the row.
    least : float
        No mark goes below it: a speed of -5 km/h would puzzle.
    """
    known = [value for value in values if math.isfinite(value)]
    if not known:
        return EMPTY
    low, high = min(known), max(known)
    if high - low < floor:
        middle = (low + high) / 2.0
        low = max(middle - floor / 2.0, min(least, low))
        high = low + floor
    if high == low:
        low, high = low - 0.5, high + 0.5
    step = nice_step(high - low, most)
    margin = (high - low) * 0.06
    ticks = marks(low - margin, high + margin, step)
    return Range(low - margin, high + margin, ticks)


def marks(low: float, high: float, step: float) -> tuple[float, ...]:
    """Return the multiples of a step inside a span."""
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    return tuple(round(number * step, 9) for number in range(first, last + 1))


_TIME_STEPS: Final = (0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200)


def time_ticks(start: float, end: float, most: int) -> tuple[float, ...]:
    """Return round moments inside a span of seconds."""
    steps = (step for step in _TIME_STEPS if (end - start) / step <= most)
    return marks(start, end, float(next(steps, 14400.0)))


def extremes(lines: Iterable[ChartLine]) -> list[float]:
    """Return the lowest and highest value of each line that has one."""
    found = []
    for line in lines:
        known = line.y[np.isfinite(line.y)]
        if len(known):
            found += [float(known.min()), float(known.max())]
    return found

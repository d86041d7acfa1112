"""Charts of a comparison: differences in margins, overlays by condition, rides in time."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.model import Finding, Role
from canassist.report.charts.chart_values import (
    EMPTY,
    Band,
    Chart,
    ChartLine,
    Range,
    Row,
    extremes,
    nice_range,
)
from canassist.report.charts.event_styles import EventFamily
from canassist.report.charts.ride_chart import RideCharts
from canassist.report.page.channel_words import channel_words
from canassist.report.page.measures import MINUS
from canassist.report.page.times import RideClock, minutes_seconds

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from datetime import tzinfo

    from canassist.model import Comparison, Figure, FloatArray, Overlay, Result
    from canassist.report.page.measures import Measures

FLOORS: Final = {"V": 0.5, "N·m/N·m": 1.0, "N·m": 0.5, "share": 0.1, "K": 2.0}
"""Smallest span of an axis by unit, so that noise on a constant stays small."""

REACH: Final = 4.0
"""Differences are drawn up to so many margins; further ones end at the edge, as it says."""

_ROW_PX: Final = 52
_TALL_PX: Final = 230
_TICKS: Final = (-4.0, -2.0, -1.0, 0.0, 1.0, 2.0, 4.0)
_MAIN_ROWS: Final = (
    "vehicle_speed",
    "engine_speed",
    "supply_voltage",
    "module_temperature",
    "assist_limit",
    "assist_torque",
    "driver_torque",
)
SIDE_B: Final = EventFamily.VOLTAGE
"""B's colour, in every picture; A is drawn in ink."""


def clearest_first(figures: Iterable[Figure]) -> list[Figure]:
    """Return figures as they are read: roots that differ, what follows, open ones, same ones.

    Among those that differ the clearest stands first (in margins).
    """

    def key(item: Figure) -> tuple[int, float]:
        size = abs(item.difference.value) / item.margin if item.difference else 0.0
        if item.verdict is Finding.DIFFERS:
            return (0 if item.role is Role.ROOT else 1), -size
        return (2 if item.verdict is Finding.CANNOT_TELL else 3), 0.0

    return sorted(figures, key=key)


def way_words(figure: Figure, measures: Measures) -> str:
    """Return a difference with an arrow where it is one: ``↑ 60 mΩ``; else its verdict."""
    found = figure.difference
    if figure.verdict is not Finding.DIFFERS or found is None:
        return VERDICT_WORDS[figure.verdict]
    arrow = "\u2191" if found.value > 0.0 else "\u2193"
    return f"{arrow} {difference_words(abs(found.value), figure, measures)}"


def difference_words(value: float, figure: Figure, measures: Measures) -> str:
    """Return a difference with its unit; differences of temperatures are in kelvin."""
    unit = "share" if figure.relative else {"degC": "K"}.get(figure.unit, figure.unit)
    return measures.text(value, unit, 1 if unit == "s/min" else None)


def differences(figures: tuple[Figure, ...], measures: Measures) -> Chart | None:
    """Return every measured difference with its interval, in margins; None without any."""
    rows = tuple(
        _difference(figure, way_words(figure, measures))
        for figure in clearest_first(figures)
        if figure.difference is not None
    )
    if not rows:
        return None
    lower = (f"\u2264 {MINUS}4", f"{MINUS}2", f"{MINUS}1", "0", "1", "2", "\u2265 4")
    return Chart(
        name="differences",
        message="How far B lies from A, the clearest difference first",
        rows=rows,
        x_from=-REACH,
        x_to=REACH,
        ticks=_TICKS,
        lower=lower,
        bands=(Band(start=-1.0, end=1.0, family=EventFamily.NOTE, main=True),),
        over_time=False,
        x_label="times what still counts as the same (shaded); stroke: 90 % interval",
    )


def _difference(figure: Figure, words: str) -> Row:
    found = figure.difference
    ends = (0.0, 0.0, 0.0) if found is None else (found.low, found.value, found.high)
    low, middle, high = (float(np.clip(end / figure.margin, -REACH, REACH)) for end in ends)
    spoken = SIDE_B if figure.verdict is Finding.DIFFERS else None
    # One stroke: the interval, and across it a bar at the value itself.
    line = ChartLine(
        key=f"differences-{figure.name}",
        label="90 % interval",
        x=np.array([low, high, np.nan, middle, middle]),
        y=np.array([0.5, 0.5, np.nan, 0.1, 0.9]),
        spoken=spoken,
    )
    return Row(
        label=figure.words,
        unit=words,
        lines=(line,),
        span=EMPTY,
        height_px=_ROW_PX,
    )


VERDICT_WORDS: Final = {
    Finding.DIFFERS: "differs",
    Finding.SAME: "same",
    Finding.CANNOT_TELL: "cannot tell",
}


@dataclass(frozen=True, slots=True)
class ComparisonCharts:
    """Draws a comparison in one system of units."""

    comparison: Comparison
    measures: Measures
    zone: tzinfo | None

    def overlays(self) -> list[Chart]:
        """Return both sides over each shared axis of condition, and their distributions."""
        return [self._overlay(item) for item in self.comparison.overlays]

    def rides(self) -> list[Chart]:
        """Return every ride in time, the main rows of each."""
        return [*self._side("a"), *self._side("b")]

    def _overlay(self, item: Overlay) -> Chart:
        m = self.measures
        lines = tuple(
            self._line(item, points.x, points.y, side)
            for side, points in (("A", item.a), ("B", item.b))
        )
        known = np.concatenate([line.x for line in lines])
        x_range = nice_range(
            [float(known.min()), float(known.max())], most=6, floor=self._floor(item.x_unit)
        )
        y_unit = m.name(item.y_unit)
        row = Row(
            label=item.y_words,
            unit=y_unit,
            lines=lines,
            span=Range(-3.0, 103.0, (0.0, 25.0, 50.0, 75.0, 100.0))
            if item.step
            else nice_range(extremes(lines), most=5, floor=self._floor(item.y_unit)),
            places=m.shown(item.y_unit).places,
            height_px=_TALL_PX,
        )
        x_name = m.name(item.x_unit)
        return Chart(
            name=item.name,
            message=item.message,
            rows=(row,),
            x_from=x_range.low,
            x_to=x_range.high,
            ticks=x_range.ticks,
            lower=tuple(f"{tick:g}".replace("-", MINUS) for tick in x_range.ticks),
            over_time=False,
            x_label=f"{item.x_words}, {x_name}" if x_name else item.x_words,
            x_places=m.shown(item.x_unit).places + 1,
        )

    def _floor(self, unit: str) -> float:
        return FLOORS.get(unit, 0.0) * self.measures.shown(unit).scale

    def _line(self, item: Overlay, x: FloatArray, y: FloatArray, side: str) -> ChartLine:
        if item.step:
            x, y = np.repeat(x, 2), np.append(0.0, np.repeat(y, 2)[:-1])
        return ChartLine(
            key=f"{item.name}-{side.lower()}",
            label=side,
            x=self.measures.array(x, item.x_unit),
            y=self.measures.array(y, item.y_unit),
            spoken=SIDE_B if side == "B" else None,
        )

    def _side(self, label: str) -> Iterator[Chart]:
        side = self.comparison.a if label == "a" else self.comparison.b
        for place, result in enumerate(side.results):
            several = f" ride {place + 1}" if len(side.results) > 1 else ""
            name = f"ride-{label}" if not place else f"ride-{label}-{place + 1}"
            yield self._ride(result, name, f"{label.upper()}{several}: ")

    def _ride(self, result: Result, name: str, called: str) -> Chart:
        clock = RideClock(result.log.start_utc, self.zone)
        whole, more = RideCharts(result, self.measures, clock).ride_and_others()
        wanted = {channel_words(channel) for channel in _MAIN_ROWS}
        rows = tuple(
            replace(
                row,
                lines=tuple(replace(line, key=f"{name}-{line.key}") for line in row.lines),
            )
            for row in (*whole.rows, *(more.rows if more else ()))
            if row.label in wanted
        )
        ticks = whole.ticks[:: max(1, len(whole.ticks) // 4)]
        return replace(
            whole,
            name=name,
            message=called + whole.message,
            rows=rows,
            ticks=ticks,
            upper=(),
            lower=tuple(minutes_seconds(tick, 0) for tick in ticks),
        )

"""Learning the lines by which the module reduces assist, where no profile gives them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.physics.engine import engine_stands
from canassist.physics.limits import FULL_PCT, supply_line_pct, temperature_line_pct
from canassist.stats import theil_sen
from canassist.timeline import value_at, window_extremes

if TYPE_CHECKING:
    from canassist.model import BoolArray, Channel, FloatArray, LimitLines, Profile, Timeline

SLOPING_PCT: Final = (8.0, 92.0)
"""A line shows where the limit lies between these."""

FLAT_FULL_PCT: Final = 98.0
"""Assist counts as full from here on."""

LEAST_SAMPLES: Final = 40
MOST_POINTS: Final = 200
"""A robust line compares all pairs of points, so only so many are taken."""

LEAST_SPAN_PCT: Final = 15.0
"""The limit must move by this to show a line."""

NEAR_PCT: Final = 5.0
"""Half of the points lie within this of a line that the module follows."""

SETTLED_S: Final = 0.15
MOVE_PCT: Final = 8.0
"""The limit moves by no more than this within `SETTLED_S` before and after where it is settled."""

LATE_S: Final = 10.0
"""How far back the worst value counts."""

SUPPLY_MARGIN_V: Final = 0.3
"""Supply this far above its line is no reason to reduce assist."""

KEPT_SHARE: Final = 0.95
"""Short of its start, a line leaves full assist in this share of the samples."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Quantity:
    """What a line hangs on, at the samples of the assist limit.

    ``value`` grows as assist is taken away (supply voltage is turned round). Further in its
    unit: the least ``span`` that shows a line, the ``margin`` short of its start, how much
    it may ``move`` within `SETTLED_S`, and the widths from start to zero that modules have.
    """

    time_s: FloatArray
    value: FloatArray
    limit_pct: FloatArray
    usable: BoolArray
    span: float
    margin: float
    move: float
    widths: tuple[float, float]


def learn_lines(timeline: Timeline, profile: Profile, lines: LimitLines) -> LimitLines:
    """Replace lines that no profile gives by what the ride shows of them.

    Returns
    -------
    LimitLines
        ``source`` is ``"ride"`` where a line was learned, and so is that line's own; else
        they are returned as they came.
    """
    channel = timeline.get("assist_limit")
    if channel is None or lines.source == "profile":
        return lines
    seen = _Seen.of(timeline, channel)
    if not profile.gives("derate_start_c", "derate_zero_c"):
        lines = _with_temperature_line(seen, lines)
    if not profile.gives("derate_start_v", "derate_zero_v"):
        lines = _with_supply_line(seen, lines)
    return lines


@dataclass(frozen=True, slots=True, kw_only=True)
class _Seen:
    """The assist limit, and what it may hang on, at its samples."""

    time_s: FloatArray
    limit_pct: FloatArray
    heat_c: FloatArray
    supply_v: FloatArray
    running: BoolArray

    @staticmethod
    def of(timeline: Timeline, channel: Channel) -> _Seen:
        time_s, limit_pct = channel.valid()
        return _Seen(
            time_s=time_s,
            limit_pct=limit_pct,
            heat_c=value_at(timeline, "module_temperature", time_s),
            supply_v=value_at(timeline, "supply_voltage", time_s),
            running=~engine_stands(timeline, time_s),
        )


def _with_temperature_line(seen: _Seen, lines: LimitLines) -> LimitLines:
    strong = ~(supply_line_pct(seen.supply_v - SUPPLY_MARGIN_V, lines) < FULL_PCT)
    found = _line(
        _Quantity(
            time_s=seen.time_s,
            value=seen.heat_c,
            limit_pct=seen.limit_pct,
            usable=seen.running & ~np.isnan(seen.heat_c) & strong,
            span=2.0,
            margin=3.0,
            move=1.0,
            widths=(5.0, 60.0),
        )
    )
    if found is None:
        return lines
    start_c, zero_c = found
    return replace(
        lines,
        derate_start_c=start_c,
        derate_zero_c=zero_c,
        source="ride",
        temperature_source="ride",
    )


def _with_supply_line(seen: _Seen, lines: LimitLines) -> LimitLines:
    cool = ~(temperature_line_pct(seen.heat_c, lines) < FULL_PCT)
    found = _line(
        _Quantity(
            time_s=seen.time_s,
            value=-seen.supply_v,
            limit_pct=seen.limit_pct,
            usable=seen.running & ~np.isnan(seen.supply_v) & cool,
            span=0.3,
            margin=0.4,
            move=0.15,
            widths=(0.5, 5.0),
        )
    )
    if found is None:
        return lines
    start, zero = found
    return replace(
        lines, derate_start_v=-start, derate_zero_v=-zero, source="ride", supply_source="ride"
    )


def _line(quantity: _Quantity) -> tuple[float, float] | None:
    """Return where assist starts to fall and where none is left, or None where it shows none."""
    value, limit_pct = quantity.value, quantity.limit_pct
    sloping = (limit_pct > SLOPING_PCT[0]) & (limit_pct < SLOPING_PCT[1])
    rows = np.flatnonzero(quantity.usable & sloping)
    if len(rows) >= LEAST_SAMPLES:
        rows = rows[_on_the_way_in(quantity)[rows]]
    if len(rows) < LEAST_SAMPLES:
        return None
    rows = rows[:: max(1, len(rows) // MOST_POINTS)]
    x, y = value[rows], limit_pct[rows]
    if np.ptp(x) < quantity.span or np.ptp(y) < LEAST_SPAN_PCT:
        return None
    line = theil_sen(x, y)
    if line.slope >= 0.0 or np.median(np.abs(y - line.level - line.slope * x)) > NEAR_PCT:
        return None
    start, zero = (FULL_PCT - line.level) / line.slope, -line.level / line.slope
    short = quantity.usable & (value < start - quantity.margin)
    kept = short.any() and (limit_pct[short] >= FLAT_FULL_PCT).mean() >= KEPT_SHARE
    sound = quantity.widths[0] <= zero - start <= quantity.widths[1]
    return (float(start), float(zero)) if kept and sound else None


def _on_the_way_in(quantity: _Quantity) -> BoolArray:
    """Tell which samples show the line itself: settled, and at the worst of late.

    On the way back a module lags by its hysteresis, and while things move fast by its own
    filter and rates.
    """
    time_s, value = quantity.time_s, quantity.value
    _, worst = window_extremes(time_s, value, before_s=LATE_S, after_s=0.0)
    lowest, highest = window_extremes(time_s, value, before_s=SETTLED_S, after_s=SETTLED_S)
    low_pct, high_pct = window_extremes(
        time_s, quantity.limit_pct, before_s=SETTLED_S, after_s=SETTLED_S
    )
    settled = (highest - lowest <= quantity.move) & (high_pct - low_pct <= MOVE_PCT)
    return np.asarray(settled & (value >= worst - quantity.move / 2.0))

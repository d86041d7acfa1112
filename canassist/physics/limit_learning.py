"""Learning the lines by which the module reduces assist, where no profile gives them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.model import LineAgainstRide
from canassist.physics.engine import engine_stands
from canassist.physics.limits import (
    FULL_PCT,
    nominal_share,
    supply_line_pct,
    temperature_line_pct,
)
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

ALIKE_PCT: Final = 12.0
"""A given line that leaves assist within this of the ride's line agrees with it."""

ALIKE_POINTS: Final = 21
HALF: Final = 0.5

BEYOND_PCT: Final = 85.0
"""Where a given line leaves no more than this, full assist contradicts it ..."""

KEPT_LEAST_S: Final = 20.0
"""... once kept for so long."""

REST_V: Final = 12.9
"""No module takes assist at a supply that a charged battery rests at, V for 12 V: what falls there
falls for something else. Common practice, no source."""

STEP_MOST_S: Final = 1.0
"""A longer step between samples is a gap."""

KEPT_SHARE: Final = 0.95
"""Short of its start, a line leaves full assist in this share of the samples."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Quantity:
    """What a line hangs on, at the samples of the assist limit.

    ``value`` grows as assist is taken away (supply voltage is turned round). Further in its
    unit: the least ``span`` that shows a line, the ``margin`` short of its start, how much
    it may ``move`` within `SETTLED_S`, the widths from start to zero that modules have, and the
    ``least`` value at which one may begin.
    """

    name: str
    time_s: FloatArray
    value: FloatArray
    limit_pct: FloatArray
    usable: BoolArray
    span: float
    margin: float
    move: float
    widths: tuple[float, float]
    least: float
    lines: LimitLines
    sign: float

    def source(self, lines: LimitLines) -> str:
        """Return where this quantity's line is from."""
        return lines.temperature_from if self.name == "temperature" else lines.supply_from

    @property
    def given(self) -> tuple[float, float]:
        """Return start and zero as they were before the ride was looked at."""
        if self.name == "temperature":
            return self.lines.derate_start_c, self.lines.derate_zero_c
        return self.lines.derate_start_v, self.lines.derate_zero_v

    @property
    def shown(self) -> tuple[float, float]:
        """Return the span of values that the ride holds, turned round like `value`."""
        return float(np.nanmin(self.value)), float(np.nanmax(self.value))

    def given_pct(self, value: FloatArray) -> FloatArray:
        """Return what the given line leaves at values turned round like `value`."""
        if self.name == "temperature":
            return temperature_line_pct(value, self.lines)
        return supply_line_pct(-value, self.lines)

    def replaced(self, lines: LimitLines, found: tuple[float, float]) -> LimitLines:
        """Return the lines with this quantity's learned from the ride."""
        start, zero = self.sign * found[0], self.sign * found[1]
        if self.name == "temperature":
            return replace(
                lines,
                derate_start_c=start,
                derate_zero_c=zero,
                temperature_curve=(),
                source="ride",
                temperature_source="ride",
                supply_source=lines.supply_from,
            )
        return replace(
            lines,
            derate_start_v=start,
            derate_zero_v=zero,
            supply_curve=(),
            source="ride",
            supply_source="ride",
            temperature_source=lines.temperature_from,
        )


def learn_lines(timeline: Timeline, profile: Profile, lines: LimitLines) -> LimitLines:
    """Replace lines that no profile gives by what the ride shows of them.

    A given line is held against the ride. Where the ride shows another one, the ride's holds;
    where it keeps full assist beyond the given one, that is told.

    Returns
    -------
    LimitLines
        ``source`` is ``"ride"`` where a line was learned, and so is that line's own; else
        they are returned as they came, with how they agree in ``tested``.
    """
    channel = timeline.get("assist_limit")
    if channel is None:
        return lines
    seen = _Seen.of(timeline, channel)
    volts = nominal_share(timeline, profile)
    lines = _told_by(_heat(seen, lines, volts), lines)
    return _told_by(_supply(seen, lines, volts), lines)


def _told_by(quantity: _Quantity, lines: LimitLines) -> LimitLines:
    """Return the lines with this one learned, or tested where it is given."""
    found = _line(quantity)
    given = quantity.source(lines) == "profile"
    if found is None:
        return _kept_beyond(quantity, lines) if given else lines
    if not given:
        return quantity.replaced(lines, found)
    start, zero = quantity.sign * found[0], quantity.sign * found[1]
    agrees = _agrees(quantity, found)
    test = LineAgainstRide(
        quantity=quantity.name,
        agrees=agrees,
        given_start=quantity.given[0],
        given_zero=quantity.given[1],
        ride_start=start,
        ride_zero=zero,
    )
    held = lines if agrees else quantity.replaced(lines, found)
    return replace(held, tested=(*lines.tested, test))


def _agrees(quantity: _Quantity, found: tuple[float, float]) -> bool:
    """Tell whether the given line leaves what the ride's line leaves, over the ride's span.

    Within a margin of the quantity, or in assist itself.
    """
    start, zero = found
    x = np.linspace(start, zero, ALIKE_POINTS)
    ride_pct = np.linspace(FULL_PCT, 0.0, ALIKE_POINTS)
    shown = (x >= quantity.shown[0]) & (x <= quantity.shown[1])
    if not shown.any():
        return True
    apart_pct = np.abs(quantity.given_pct(x[shown]) - ride_pct[shown])
    apart = apart_pct * (zero - start) / FULL_PCT
    return bool(((apart_pct <= ALIKE_PCT) | (apart <= quantity.margin)).all())


def _kept_beyond(quantity: _Quantity, lines: LimitLines) -> LimitLines:
    """Tell of full assist kept well beyond a given line."""
    steps_s = np.minimum(np.diff(quantity.time_s, append=quantity.time_s[-1:]), STEP_MOST_S)
    beyond = quantity.usable & (quantity.given_pct(quantity.value) <= BEYOND_PCT)
    kept = beyond & (quantity.limit_pct >= FLAT_FULL_PCT)
    kept_s, all_s = float(steps_s[kept].sum()), float(steps_s[beyond].sum())
    if kept_s < KEPT_LEAST_S or kept_s < HALF * all_s:
        return lines
    test = LineAgainstRide(
        quantity=quantity.name,
        agrees=False,
        given_start=quantity.given[0],
        given_zero=quantity.given[1],
        kept_s=kept_s,
    )
    return replace(lines, tested=(*lines.tested, test))


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


def _heat(seen: _Seen, lines: LimitLines, volts: float) -> _Quantity:
    margin_v = SUPPLY_MARGIN_V * volts
    strong = ~(supply_line_pct(seen.supply_v - margin_v, lines) < FULL_PCT)
    return _Quantity(
        name="temperature",
        time_s=seen.time_s,
        value=seen.heat_c,
        limit_pct=seen.limit_pct,
        usable=seen.running & ~np.isnan(seen.heat_c) & strong,
        span=2.0,
        margin=3.0,
        move=1.0,
        widths=(5.0, 60.0),
        least=-np.inf,
        lines=lines,
        sign=1.0,
    )


def _supply(seen: _Seen, lines: LimitLines, volts: float) -> _Quantity:
    cool = ~(temperature_line_pct(seen.heat_c, lines) < FULL_PCT)
    return _Quantity(
        name="supply",
        time_s=seen.time_s,
        value=-seen.supply_v,
        limit_pct=seen.limit_pct,
        usable=seen.running & ~np.isnan(seen.supply_v) & cool,
        span=0.3 * volts,
        margin=0.4 * volts,
        move=0.15 * volts,
        widths=(0.5 * volts, 5.0 * volts),
        least=-REST_V * volts,
        lines=lines,
        sign=-1.0,
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
    sound = sound and start >= quantity.least
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

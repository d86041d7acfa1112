"""Assist gain, and left against right, at the same road speed, driver torque and mode."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.comparison.matched import (
    Cells,
    Matched,
    bin_of,
    crossed,
    matched,
    stretches,
)
from canassist.comparison.measured_figure import (
    Measured,
    NotComparable,
    from_matched,
    lacking,
    resolution,
    spread,
)
from canassist.comparison.significance import SpreadDifference
from canassist.model import Estimate, Overlay, Points
from canassist.physics import assist_samples
from canassist.stats import t95, welch
from canassist.timeline import value_at, window_extremes, with_known_units

if TYPE_CHECKING:
    from canassist.comparison.measured_figure import Side
    from canassist.model import AssistFit, FloatArray, IntArray, Result

SPEED_KPH: Final = (0.0, 5.0, 10.0, 15.0, 20.0, 30.0, 40.0, 50.0, 65.0, 85.0, 200.0)
EFFORT_NM: Final = (0.5, 1.5, 3.0, 5.0, 8.0, 12.0, 20.0, 60.0)
"""Bins of driver torque beyond its deadband: below the first nothing is to be seen."""

STRETCH_S: Final = 4.0
"""A steering movement lasts a few seconds: stretches of this length count as independent."""

FULL_PCT: Final = 95.0
"""Gain is read with the assist limit at this or above ..."""

FULL_FOR_S: Final = 0.5
"""... for this long before and after: what is told of the limit comes late."""

NEAR_MAX: Final = 0.95
"""Assist called for above this share of its greatest says nothing on the gain."""

STEADY_BEFORE_S: Final = 0.20
STEADY_AFTER_S: Final = 0.05
STEADY_SHARE: Final = 0.08
STEADY_NM: Final = 0.20
"""Gain is read where driver torque stays within this share of itself, or this much, over that
time before and after: assist follows it with a lag, and what is under way is neither."""

LAG_STEP_S: Final = 0.01
"""The lag from driver torque to assist is known to this: its fit goes in such steps."""

LEAST_BAND: Final = 1.0
"""Speed bands with less effort than this (N·m summed over samples) are not drawn."""

WORDS: Final = {"assist_torque": "assist torque", "driver_torque": "driver torque"}


@dataclass(frozen=True, slots=True, kw_only=True)
class AssistFigures:
    """Overall gain, its sides, left against right; `NotComparable` where it cannot be told."""

    gain: Measured | NotComparable
    left: Measured | NotComparable
    right: Measured | NotComparable
    sides: Measured | NotComparable


def compare_assist(a: Side, b: Side) -> AssistFigures:
    """Compare delivered assist over what one and the same map calls for.

    The map (A's own, be it given or learned) only takes out how gain changes within a
    bin; both sides are held against the same one.
    """
    missing = lacking(a, b, "assist_torque", "driver_torque", words=WORDS)
    fits = [[one.physics.assist for one in side] for side in (a, b)]
    if missing or any(fit is None for side in fits for fit in side):
        nothing = NotComparable(missing or "one side has too little steering")
        return AssistFigures(gain=nothing, left=nothing, right=nothing, sides=nothing)
    modes = _Modes.of(a, b)
    yard = a[0].physics.assist
    tables = [
        [_table(result, _with_map(result.physics.assist, yard), modes) for result in side]
        for side in (a, b)
    ]
    signs = all(_signs_known(result) for side in (a, b) for result in side)
    conditions = "road speed, driver torque" + (" and mode" if modes.numbers else "")
    conditions += ", at full assist limit and below the greatest assist"
    both, left, right = (_cells(tables, side) for side in (0, -1, 1))
    floor = max(_blur(side, rides, yard, modes) for side, rides in zip((a, b), tables, strict=True))
    gain = matched(*both, "share", relative=True, floor=floor)
    if gain is None:
        little = NotComparable("too little steering in conditions that both sides have")
        return AssistFigures(gain=little, left=little, right=little, sides=little)
    overlays = _overlays(gain, tables)
    whole = from_matched(gain, conditions, overlays)
    if not signs:
        unsure = NotComparable("which way is right is not known on one side")
        return AssistFigures(gain=whole, left=unsure, right=unsure, sides=unsure)
    one, other = (matched(*cells, "share", relative=True, floor=floor) for cells in (left, right))
    if one is None or other is None:
        little = NotComparable("too little steering to one side")
        return AssistFigures(gain=whole, left=little, right=little, sides=little)
    return AssistFigures(
        gain=whole,
        left=from_matched(one, conditions),
        right=from_matched(other, conditions),
        sides=_sides(one, other, conditions),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Modes:
    """Numbers for the mode texts that both sides know; empty where one tells no mode."""

    numbers: dict[str, int]

    @staticmethod
    def of(a: Side, b: Side) -> _Modes:
        texts = [{text for result in side for text in _mode_texts(result)} for side in (a, b)]
        shared = sorted(texts[0] & texts[1])
        return _Modes(numbers={text: place for place, text in enumerate(shared)})

    def codes(self, result: Result, time_s: FloatArray) -> IntArray:
        """Return each time's mode as a number; -1 for one that the other side lacks."""
        if not self.numbers:
            return np.zeros(len(time_s), dtype=np.int64)
        mode = value_at(result.timeline, "assist_mode", time_s)
        channel = result.timeline.channels["assist_mode"]
        codes = np.full(len(time_s), -1, dtype=np.int64)
        for number in np.unique(mode[np.isfinite(mode)]):
            text = channel.labels.get(float(number), f"{number:g}").casefold()
            codes[mode == number] = self.numbers.get(text, -1)
        return codes


def _mode_texts(result: Result) -> set[str]:
    channel = result.timeline.get("assist_mode")
    if channel is None:
        return set()
    numbers = np.unique(channel.value[np.isfinite(channel.value)])
    return {channel.labels.get(float(n), f"{n:g}").casefold() for n in numbers}


def _signs_known(result: Result) -> bool:
    names = ("assist_torque", "driver_torque")
    return all(name not in result.channels or result.channels[name].sign_known for name in names)


def _with_map(own: AssistFit | None, yard: AssistFit | None) -> AssistFit:
    """Return a side's own lag with A's map; a map of ones where A has none."""
    if own is None or yard is None:
        message = "both sides need a fit"
        raise ValueError(message)
    bare = not yard.gains
    return replace(
        yard,
        lag_s=own.lag_s,
        speed_kph=(0.0,) if bare else yard.speed_kph,
        gains={"*": (1.0,)} if bare else yard.gains,
        known_up_to_nm=float("inf"),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Table:
    """Samples of one ride: stretch, bin, side (-1 left, 1 right), delivered, expected."""

    stretch: IntArray
    bin_: IntArray
    bins: int
    side: FloatArray
    delivered: FloatArray
    expected: FloatArray
    effort: FloatArray
    speed_kph: FloatArray


def _table(result: Result, fit: AssistFit, modes: _Modes) -> _Table | None:
    timeline = with_known_units(result.timeline)
    found = assist_samples(timeline, fit, result.physics.limit_lines)
    if found is None:
        return None
    effort = np.abs(found.driver_nm) - fit.driver_deadband_nm
    side = np.sign(found.driver_nm)
    expected = np.abs(found.expected_nm)
    low, _ = window_extremes(
        found.time_s, found.limit_share, before_s=FULL_FOR_S, after_s=FULL_FOR_S
    )
    use = (low >= FULL_PCT / 100.0) & found.settled & np.isfinite(expected)
    least, most = window_extremes(
        found.time_s, found.driver_nm, before_s=STEADY_BEFORE_S, after_s=STEADY_AFTER_S
    )
    use &= most - least < np.maximum(STEADY_NM, STEADY_SHARE * np.abs(found.driver_nm))
    use &= found.gain * effort < NEAR_MAX * fit.max_assist_nm
    code, bins = crossed(
        (bin_of(found.speed_kph, SPEED_KPH), len(SPEED_KPH) - 1),
        (bin_of(effort, EFFORT_NM), len(EFFORT_NM) - 1),
        (modes.codes(result, found.time_s), max(len(modes.numbers), 1)),
    )
    return _Table(
        stretch=stretches(found.time_s, STRETCH_S),
        bin_=np.where(use, code, -1),
        bins=bins,
        side=side,
        delivered=found.delivered_nm * side,
        expected=expected,
        effort=effort,
        speed_kph=found.speed_kph,
    )


def _blur(side: Side, tables: list[_Table | None], yard: AssistFit | None, modes: _Modes) -> float:
    """Return the standard error of a side's gain that no number of samples takes away.

    It comes from the step in which the lag is known, and from the steps in which both
    torques are told.
    """
    found = []
    for result, table in zip(side, tables, strict=True):
        fit = _with_map(result.physics.assist, yard)
        later = _table(result, replace(fit, lag_s=fit.lag_s + LAG_STEP_S), modes)
        if table is None or later is None or not (table.bin_ >= 0).any():
            continue
        use = table.bin_ >= 0
        steps = (
            resolution((result,), "driver_torque") / float(table.effort[use].mean()),
            resolution((result,), "assist_torque") / float(table.delivered[use].mean()),
        )
        found.append(math.hypot(_ratio(later) - _ratio(table), *steps))
    return max(found, default=0.0)


def _ratio(table: _Table) -> float:
    use = table.bin_ >= 0
    return float(table.delivered[use].sum() / max(table.expected[use].sum(), 1e-9))


def _cells(tables: list[list[_Table | None]], side: int) -> tuple[Cells, Cells]:
    """Return both sides' sums, of steering to one side alone where asked (0: both)."""
    found = []
    for rides in tables:
        parts, bins = [], 1
        for table in rides:
            if table is None:
                continue
            bins = table.bins
            code = table.bin_ if side == 0 else np.where(table.side == side, table.bin_, -1)
            parts.append(
                Cells.sums(table.stretch, code, table.delivered, table.expected, bins=bins)
            )
        found.append(Cells.joined(parts, bins))
    return found[0], found[1]


def _sides(left: Matched, right: Matched, conditions: str) -> Measured:
    """Return right less left as a share of what the map calls for, on both sides."""
    a, b = _less(right.a, left.a), _less(right.b, left.b)
    spreads = [(one.high - one.value) / t95(max(one.count - 1, 1)) for one in (a, b)]
    wide = math.hypot(*spreads)
    gap = SpreadDifference(
        value=b.value - a.value,
        spread_low=wide,
        spread_high=wide,
        degrees=welch(
            *((s, max(one.count - 1, 1)) for s, one in zip(spreads, (a, b), strict=True))
        ),
        count=min(a.count, b.count),
    )
    return Measured(a=a, b=b, gap=gap, conditions=conditions)


def _less(right: Estimate, left: Estimate) -> Estimate:
    half = float(np.hypot(right.high - right.value, left.high - left.value))
    value = right.value - left.value
    return Estimate(
        value=value,
        low=value - half,
        high=value + half,
        unit="share",
        count=min(right.count, left.count),
    )


def _overlays(gain: Matched, tables: list[list[_Table | None]]) -> tuple[Overlay, ...]:
    curves = [_gain_by_speed(rides) for rides in tables]
    shown = []
    if all(len(curve.x) > 1 for curve in curves):
        shown.append(
            Overlay(
                name="gain",
                message="Assist over driver torque, by road speed",
                x_words="Road speed",
                x_unit="km/h",
                y_words="Assist over driver torque",
                y_unit="N·m/N·m",
                a=curves[0],
                b=curves[1],
            )
        )
    message = "Assist delivered over what the map calls for, stretch by stretch"
    shown.append(spread("gain-spread", message, "Delivered over called for", "share", gain))
    return tuple(shown)


def _gain_by_speed(rides: list[_Table | None]) -> Points:
    """Return delivered assist over effort in each band of road speed."""
    bands = len(SPEED_KPH) - 1
    total, weight, speed = np.zeros(bands), np.zeros(bands), np.zeros(bands)
    for table in rides:
        if table is None:
            continue
        use = table.bin_ >= 0
        band = bin_of(table.speed_kph[use], SPEED_KPH)
        effort = table.effort[use]
        total += np.bincount(band, weights=table.delivered[use], minlength=bands)
        weight += np.bincount(band, weights=effort, minlength=bands)
        speed += np.bincount(band, weights=effort * table.speed_kph[use], minlength=bands)
    held = weight > LEAST_BAND
    return Points(x=speed[held] / weight[held], y=total[held] / weight[held])

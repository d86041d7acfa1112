"""Derating: where it sets in, and how long it lasts in slow steering."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.comparison.matched import Cells, bin_of, matched, stretches
from canassist.comparison.measured_figure import Measured, NotComparable, from_matched, lacking
from canassist.comparison.significance import gap_of
from canassist.model import Estimate, EventKind
from canassist.stats import mean_of_blocks
from canassist.timeline import seen_s, value_at, with_known_units

if TYPE_CHECKING:
    from canassist.comparison.measured_figure import Side
    from canassist.model import FloatArray, IntArray, Limits, Result

STRETCH_S: Final = 10.0
"""A derate and what leads to it last some seconds: stretches of this length count as apart."""

STEERING_NM: Final = 2.0
"""Slow steering has more driver torque than this (the contract's figure)."""

LEAST_EVENTS: Final = 2
"""From one event nothing can be said on how much onsets vary."""

BAND_K: Final = 5.0
"""Width of the temperature bands within which derated seconds are compared, once it is hot."""

COLDEST_C: Final = -60.0
HOTTEST_C: Final = 200.0

RUNNING_RPM: Final = 500.0
"""Below this the engine does not run, and no assist is no finding."""

WORDS: Final = {
    "assist_limit": "assist limit",
    "driver_torque": "driver torque",
    "vehicle_speed": "road speed",
}


def compare_onset(
    a: Side, b: Side, cause: str, channel: str, unit: str
) -> Measured | NotComparable:
    """Compare the reading at which derates of one cause set in, each derate on its own.

    Parameters
    ----------
    cause : str
        ``"temperature"`` or ``"voltage"``.
    channel : str
        Whose reading.
    """
    own = [
        np.array(
            [
                event.channels_then[channel]
                for result in side
                for event in result.events
                if event.kind is EventKind.DERATE
                and event.cause == cause
                and channel in event.channels_then
                and np.isfinite(event.channels_then[channel])
            ]
        )
        for side in (a, b)
    ]
    if not len(own[0]) and not len(own[1]):
        return NotComparable(f"neither side was reduced by {cause}")
    for label, values in zip("AB", own, strict=True):
        if not len(values):
            return NotComparable(f"{{{label}}} was not reduced by {cause}")
        if len(values) < LEAST_EVENTS:
            return NotComparable(f"{{{label}}} was reduced by {cause} only once")
    one, other = (_mean(values, unit) for values in own)
    return Measured(
        a=one,
        b=other,
        gap=gap_of(one, other),
        conditions=f"the moments at which assist began to be reduced by {cause}",
    )


def _mean(values: FloatArray, unit: str) -> Estimate:
    return mean_of_blocks(values, np.arange(len(values)), unit)


def compare_derated(a: Side, b: Side, limits: Limits) -> Measured | NotComparable:
    """Compare derated seconds per minute of slow steering, at the same module temperature."""
    missing = lacking(a, b, "assist_limit", "driver_torque", "vehicle_speed", words=WORDS)
    if missing:
        return NotComparable(missing)
    hot = all(with_known_units(r.timeline).has("module_temperature") for r in a + b)
    edges = [-np.inf, np.inf]
    if hot:  # below, temperature takes nothing away and need not be matched
        edges = [COLDEST_C, *np.arange(limits.hot_c, HOTTEST_C, BAND_K).tolist()]
    parts = [
        Cells.joined([_derated(result, limits, edges, hot) for result in side], len(edges) - 1)
        for side in (a, b)
    ]
    found = matched(parts[0], parts[1], "s/min")
    if found is None:
        where = " at the same module temperature" if hot else ""
        return NotComparable(f"too little slow steering{where}")
    return from_matched(found, "slow steering" + (", module temperature" if hot else ""))


def _derated(result: Result, limits: Limits, edges: list[float], hot: bool) -> Cells:
    timeline = with_known_units(result.timeline)
    channel = timeline.get("assist_limit")
    if channel is None:
        empty = np.zeros((0, len(edges) - 1))
        return Cells(total=empty, weight=empty)
    time_s, limit_pct = channel.valid()
    steps = np.append(np.diff(seen_s(time_s, stale_after_s=channel.stale_after_s)), 0.0)
    slow = value_at(timeline, "vehicle_speed", time_s) < limits.slow_kph
    slow &= np.abs(value_at(timeline, "driver_torque", time_s)) > STEERING_NM
    slow &= ~(value_at(timeline, "engine_speed", time_s) < RUNNING_RPM)
    if hot:
        code: IntArray = bin_of(value_at(timeline, "module_temperature", time_s), edges)
    else:
        code = np.zeros(len(time_s), dtype=np.int64)
    code = np.where(slow, code, -1)
    seconds_per_minute = 60.0 * steps * (limit_pct < limits.full_assist_pct)
    return Cells.sums(
        stretches(time_s, STRETCH_S), code, seconds_per_minute, steps, bins=len(edges) - 1
    )

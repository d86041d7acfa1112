"""Charging: the engine runs fast enough and the supply stays low."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.detect.spans import true_runs
from canassist.model import Event, EventKind
from canassist.physics import supply_limits_hold
from canassist.timeline import TIME_STEP_S, value_at

if TYPE_CHECKING:
    from canassist.model import Profile, Timeline

AT_LEAST_S: Final = 30.0
"""Both conditions hold for this long (the contract's figure)."""

HYSTERESIS_V: Final = 0.2
"""It ends once the supply is this far above the limit (the contract's figure) ..."""

HOLD_S: Final = 5.0
"""... for this long, or once the engine is below the charging speed."""


def find_charging_low(timeline: Timeline, profile: Profile) -> list[Event]:
    """Find where the engine turns fast enough for 30 s or more and nothing charges.

    Nothing is found without supply voltage and engine speed, or on a supply other
    than 12 V whose limit the profile does not give.

    Returns
    -------
    list of Event
        In time order; ``measured`` holds the median supply as ``supply_v`` and the
        median engine speed as ``engine_rpm``, ``expected`` the limits.
    """
    channel = timeline.get("supply_voltage")
    if channel is None or not timeline.has("engine_speed"):
        return []
    if not supply_limits_hold(timeline, profile, "charging_v"):
        return []
    limits = profile.limits
    time_s, supply_v = channel.valid()
    engine_rpm = value_at(timeline, "engine_speed", time_s)
    known = ~np.isnan(engine_rpm)
    time_s, supply_v, engine_rpm = time_s[known], supply_v[known], engine_rpm[known]
    fast = engine_rpm > limits.charging_rpm
    stale_after_s = channel.stale_after_s
    starts = true_runs(time_s, fast & (supply_v < limits.charging_v), stale_after_s=stale_after_s)
    back = true_runs(
        time_s, supply_v > limits.charging_v + HYSTERESIS_V, stale_after_s=stale_after_s
    )
    ends = back.first[back.seconds >= HOLD_S - TIME_STEP_S]
    ends = np.union1d(ends, np.flatnonzero(~fast))
    long = starts.seconds >= AT_LEAST_S - TIME_STEP_S
    found: list[Event] = []
    after = 0
    for first, seconds in zip(starts.first[long], starts.seconds[long], strict=True):
        if first < after:
            continue
        place = int(np.searchsorted(ends, first))
        after = int(ends[place]) if place < len(ends) else len(time_s)
        rows = slice(int(first), after)
        found.append(
            Event(
                kind=EventKind.CHARGING_LOW,
                start_s=float(time_s[first]),
                end_s=None if after == len(time_s) else float(time_s[after]),
                channel="supply_voltage",
                measured={
                    "supply_v": float(np.median(supply_v[rows])),
                    "engine_rpm": float(np.median(engine_rpm[rows])),
                    "seconds_s": float(seconds),
                },
                expected={"supply_v": limits.charging_v, "engine_rpm": limits.charging_rpm},
            )
        )
    return found

"""Charging health: supply against engine speed."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.model import ChargingFit, Points
from canassist.stats import mean_of_blocks
from canassist.timeline import seen_s, value_at

if TYPE_CHECKING:
    from canassist.model import Profile, Timeline

BLOCK_S: Final = 10.0
"""Supply swings with steering for seconds; stretches of this length are taken as independent."""

LEAST_BLOCKS: Final = 2

MOST_POINTS: Final = 2000
"""Points that are kept for drawing."""


def fit_charging(timeline: Timeline, profile: Profile) -> ChargingFit | None:
    """Estimate the supply with the engine above its charging speed; None where it never was."""
    channel = timeline.get("supply_voltage")
    if channel is None or not timeline.has("engine_speed"):
        return None
    time_s, supply_v = channel.valid()
    engine_rpm = value_at(timeline, "engine_speed", time_s)
    fast = engine_rpm > profile.limits.charging_rpm
    block = np.floor(time_s[fast] / BLOCK_S).astype(np.int64)
    numbers = np.unique(block)
    if len(numbers) < LEAST_BLOCKS:
        return None
    steps = np.append(np.diff(seen_s(time_s, stale_after_s=channel.stale_after_s)), 0.0)
    first = np.searchsorted(block, numbers[1:])
    medians = np.array([np.median(part) for part in np.split(supply_v[fast], first)])
    known = np.flatnonzero(~np.isnan(engine_rpm))
    shown = known[:: max(1, len(known) // MOST_POINTS)]
    return ChargingFit(
        voltage_v=mean_of_blocks(medians, numbers, "V"),
        seconds=float(steps[fast].sum()),
        below_limit_s=float(steps[fast & (supply_v < profile.limits.charging_v)].sum()),
        points=Points(x=engine_rpm[shown], y=supply_v[shown]),
    )

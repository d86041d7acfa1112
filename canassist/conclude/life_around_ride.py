"""What lies around the ride: before the first start, and after the engine stopped for good."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.physics import STARTED_RPM

if TYPE_CHECKING:
    from canassist.model import BoolArray, FloatArray, Timeline

STANDING_KPH: Final = 1.0
"""Below this a vehicle stands, km/h: what coarse speed signals show at rest."""


def alive_until_s(timeline: Timeline) -> float | None:
    """Return the last moment at which the engine ran or the vehicle rolled, s; None where never."""
    lasts = [
        float(time_s[moving][-1])
        for name, least in (("engine_speed", STARTED_RPM), ("vehicle_speed", STANDING_KPH))
        for time_s, moving in [_above(timeline, name, least)]
        if moving.any()
    ]
    return max(lasts) if lasts else None


def _above(timeline: Timeline, name: str, least: float) -> tuple[FloatArray, BoolArray]:
    channel = timeline.get(name)
    if channel is None:
        return np.empty(0), np.zeros(0, dtype=bool)
    time_s, value = channel.valid()
    return time_s, value > least

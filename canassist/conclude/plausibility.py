"""Whether road speed is what the wheels say."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from canassist.timeline import value_at

if TYPE_CHECKING:
    from canassist.model import FloatArray, Timeline

WHEELS: Final = ("wheel_speed_fl", "wheel_speed_fr", "wheel_speed_rl", "wheel_speed_rr")

OFF_SHARE: Final = 0.2
"""Road speed and wheels may differ by this share: tyre size and slip make a tenth (memory)."""

OFF_KPH: Final = 5.0
"""... or by this much, km/h: coarse wheel speeds and turns at walking pace."""

ROLLING_KPH: Final = 8.0
"""Below this the wheels tell too little, km/h."""

MOVES_KPH: Final = 1.0
"""A wheel slower than this while the vehicle rolls tells nothing, km/h."""

LEAST_S: Final = 5.0
"""Road speed is off for this long in all, s, before it counts: longer than wheels spin freely."""

LEAST_OF_ROLLING: Final = 0.05
"""... and for this share of the time that the vehicle rolls."""

STEP_S: Final = 0.1


class OffSpeed(NamedTuple):
    """Road speed that the wheels contradict."""

    seconds: float
    speed_kph: float
    wheels_kph: float


def off_speed(timeline: Timeline) -> OffSpeed | None:
    """Return how road speed differs from the wheels; None where it does not, or none tell.

    The wheels' word is the median of those that move; two or more must. Where road speed
    goes with one of them, wheels spin and no signal is false. ``speed_kph`` and
    ``wheels_kph`` are medians over the time in which they differ.
    """
    wheels = [name for name in WHEELS if timeline.has(name)]
    if not timeline.has("vehicle_speed") or len(wheels) < 2:  # noqa: PLR2004 - one may be wrong
        return None
    at_s = np.arange(0.0, timeline.duration_s, STEP_S)
    speed = value_at(timeline, "vehicle_speed", at_s)
    turning = np.stack([value_at(timeline, name, at_s) for name in wheels])
    turning[~(turning > MOVES_KPH)] = np.nan  # a dead wheel signal is no witness
    middle = _middle(turning)
    rolling = np.fmax(speed, middle) > ROLLING_KPH
    allowed = np.maximum(OFF_KPH, OFF_SHARE * np.maximum(speed, middle))
    with_one = (np.abs(turning - speed) <= allowed).any(axis=0)  # spin: some wheels run ahead
    off = rolling & (np.abs(speed - middle) > allowed) & ~with_one
    seconds = float(np.count_nonzero(off)) * STEP_S
    if seconds < max(LEAST_S, LEAST_OF_ROLLING * STEP_S * float(np.count_nonzero(rolling))):
        return None
    return OffSpeed(seconds, float(np.median(speed[off])), float(np.median(middle[off])))


def _middle(wheels: FloatArray) -> FloatArray:
    """Return the median of the wheels that tell at each time, NaN where fewer than two do."""
    known = np.count_nonzero(~np.isnan(wheels), axis=0) >= 2  # noqa: PLR2004 - one may be wrong
    found = np.full(wheels.shape[1], np.nan)
    found[known] = np.nanmedian(wheels[:, known], axis=0)
    return found

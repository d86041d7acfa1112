"""Whether reductions come at alike values of something that the rider or the road sets.

What repeats as a function of something is a law of the module, and is described, not blamed.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.timeline import value_at

if TYPE_CHECKING:
    from canassist.conclude.ride_findings import RideFindings
    from canassist.model import FloatArray

ASKED: Final = (
    "steering_angle",
    "driver_torque",
    "vehicle_speed",
    "engine_speed",
    "motor_current",
    "assist_torque",
)
"""What a rule of the module may go by; amounts, whatever the side."""

BEFORE_S: Final = 0.5
"""A rule acts on what stood up to this long before, s: its largest amount then is asked for."""

STEP_S: Final = 0.1
BY_CHANCE: Final = 0.02
"""Onsets in so narrow a band come together by chance this seldom (common level of significance,
shared by several channels)."""


def alike_channel(ride: RideFindings, onsets_s: tuple[float, ...]) -> str:
    """Return the channel whose amount is alike at all onsets and seldom elsewhere; else ""."""
    if len(onsets_s) < 2:  # noqa: PLR2004 - one onset is like itself
        return ""
    at_s = np.arange(0.0, ride.end_s, STEP_S)
    chances = {name: _chance(ride, name, onsets_s, at_s) for name in ASKED}
    name = min(chances, key=lambda one: chances[one])
    return name if chances[name] <= BY_CHANCE else ""


def _chance(ride: RideFindings, name: str, onsets_s: tuple[float, ...], at_s: FloatArray) -> float:
    """Return how likely so many onsets fall into one band of a channel's amount by chance."""
    if not ride.timeline.has(name):
        return 1.0
    amount = np.abs(value_at(ride.timeline, name, at_s))
    most = np.array([_most_before(at_s, amount, onset) for onset in onsets_s])
    known = amount[~np.isnan(amount)]
    if np.isnan(most).any() or not len(known):
        return 1.0
    inside = float(((known >= most.min()) & (known <= most.max())).mean())
    return float(inside ** (len(onsets_s) - 1))


def _most_before(at_s: FloatArray, amount: FloatArray, onset_s: float) -> float:
    rows = (at_s >= onset_s - BEFORE_S) & (at_s <= onset_s)
    return float(np.fmax.reduce(amount[rows], initial=np.nan))

"""Assist against road speed: the map, the lag, and how far delivered assist follows."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.model import AssistFit
from canassist.physics.assist_law import assist_samples

if TYPE_CHECKING:
    from canassist.model import LimitLines, Timeline
    from canassist.profile import Profile

LAGS_S: Final = np.arange(0.0, 0.31, 0.01)
"""Lags from driver torque to assist that are tried."""

LAG_STEERING_NM: Final = 1.0
"""The lag shows where assist is above this."""

LAG_SAMPLES: Final = 20000
"""More samples than this do not make the lag any surer."""


def fit_assist(timeline: Timeline, profile: Profile, lines: LimitLines) -> AssistFit | None:
    """Set the ride's assist against the map; None without driver torque and assist torque."""
    if not timeline.has("driver_torque", "assist_torque"):
        return None
    table = profile.assist_map
    if table is None:
        return None
    fit = AssistFit(
        map_from="profile",
        lag_s=0.0,
        ratio=None,
        side_difference=None,
        speed_kph=table.speed_kph,
        gains=table.gains,
        driver_deadband_nm=table.driver_deadband_nm,
        max_assist_nm=table.max_assist_nm,
    )
    return replace(fit, lag_s=assist_lag(timeline, fit, lines))


def assist_lag(timeline: Timeline, fit: AssistFit, lines: LimitLines) -> float:
    """Return the delay from driver torque to assist that fits best, in s.

    The lag at which expected and delivered assist correlate most.
    """
    best, best_lag = -np.inf, 0.0
    for lag_s in LAGS_S:
        samples = assist_samples(timeline, replace(fit, lag_s=float(lag_s)), lines)
        if samples is None:
            return 0.0
        use = ~np.isnan(samples.expected_nm) & (np.abs(samples.delivered_nm) > LAG_STEERING_NM)
        if use.sum() < 10:
            return 0.0
        expected, delivered = samples.expected_nm[use], samples.delivered_nm[use]
        match = float(np.corrcoef(expected, delivered)[0, 1]) if np.ptp(expected) else 0.0
        if match > best:
            best, best_lag = match, float(lag_s)
    return best_lag

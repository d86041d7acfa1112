"""Reduced by accumulated motor load, which no signal shows but the load itself."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.detect.derate.onset import LOAD_CHANNELS, SLOWEST_S
from canassist.timeline import TIME_STEP_S

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canassist.detect.derate.derate_scene import DerateScene
    from canassist.model import BoolArray, Channel, FloatArray

TIME_CONSTANTS_S: Final = (5.0, 10.0, 20.0, 40.0, 80.0, 160.0, 320.0, 640.0)
"""Over which load squared is averaged; one for the ride. Windings settle in seconds to a minute,
housings in several minutes: common practice, no source."""

HIGHEST_SHARE: Final = 0.99
"""Each onset stands above this share of the moments of full assist."""

APART: Final = 1.05
"""... by this factor."""

APPROACH: Final = 0.7
"""Moments just before an onset are on their way to it: this many time constants are left out ..."""

APPROACH_S: Final = (2.0, 60.0)
"""... within these bounds."""

ONSETS_LEAST: Final = 2
"""Duty takes this many onsets, or one where the profile says that there is such a rule (the
contract's figure)."""

FULL_LEAST_S: Final = 60.0
"""Less full assist than this is nothing to compare with."""


def duty_explains(scene: DerateScene, onsets_s: Sequence[float]) -> float | None:
    """Return the time constant by which accumulated load explains these onsets, or None.

    Motor current squared (else module current, else assist torque), averaged with one time
    constant for the ride, must stand higher at each of the onsets than at comparable moments
    of full assist.

    Returns
    -------
    float or None
        In s.
    """
    least = 1 if scene.profile.protection.duty_rule else ONSETS_LEAST
    if len(onsets_s) < least:
        return None
    channel = _load(scene)
    if channel is None:
        return None
    time_s, load = channel.valid()
    at = np.searchsorted(time_s, onsets_s, side="right") - 1
    if len(time_s) < 2 or (at < 0).any():  # noqa: PLR2004 - an average takes two
        return None
    best: tuple[float, float] | None = None
    for tau_s in TIME_CONSTANTS_S:
        average = mean_square(time_s, load, tau_s)
        full = _comparable(scene, time_s, onsets_s, tau_s)
        if full.sum() * channel.period_s < FULL_LEAST_S:
            continue
        usual = float(np.quantile(average[full], HIGHEST_SHARE))
        apart = float(average[at].min()) / max(usual, np.finfo(float).tiny)
        if apart >= APART and (best is None or apart > best[0]):
            best = (apart, tau_s)
    return None if best is None else best[1]


def mean_square(time_s: FloatArray, load: FloatArray, tau_s: float) -> FloatArray:
    """Return load squared, averaged with a time constant; it starts at nothing.

    Parameters
    ----------
    time_s, load : array of float64, shape (n,)
        Times in s and motor current or torque.
    tau_s : float
        Time constant in s.
    """
    step_s = np.diff(time_s, prepend=time_s[:1])
    keep = np.exp(-step_s / tau_s)
    square = load**2
    average = np.empty(len(load))
    level = 0.0
    for row, (share, value) in enumerate(zip(keep.tolist(), square.tolist(), strict=True)):
        level = share * level + (1.0 - share) * value
        average[row] = level
    return average


def _load(scene: DerateScene) -> Channel | None:
    for name in LOAD_CHANNELS:
        channel = scene.timeline.get(name)
        if channel is not None and channel.period_s <= SLOWEST_S[name] + TIME_STEP_S:
            return channel
    return None


def _comparable(
    scene: DerateScene, time_s: FloatArray, onsets_s: Sequence[float], tau_s: float
) -> BoolArray:
    """Tell at which load samples assist was full, and no such onset was near."""
    row = np.searchsorted(scene.time_s, time_s, side="right") - 1
    fresh = (row >= 0) & (time_s - scene.time_s[np.maximum(row, 0)] <= scene.assist.stale_after_s)
    full = fresh & scene.full[np.maximum(row, 0)]
    near_s = float(np.clip(APPROACH * tau_s, *APPROACH_S))
    for onset_s in onsets_s:
        full &= ~((time_s > onset_s - near_s) & (time_s <= onset_s))
    return np.asarray(full)

"""Assist against road speed: the map, the lag, and how far delivered assist follows."""

from __future__ import annotations

import itertools
from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.model import AssistBand, AssistFit, Estimate, Points
from canassist.physics.assist_law import AssistSamples, assist_samples, comparable_torques
from canassist.physics.assist_learning import learn_map
from canassist.stats import mean_of_blocks

if TYPE_CHECKING:
    from canassist.model import BoolArray, FloatArray, LimitLines, Profile, Timeline

LAGS_S: Final = np.arange(0.0, 0.31, 0.01)
"""Lags from driver torque to assist that are tried."""

LAG_SAMPLES: Final = 4000
"""More samples than this do not make the lag any surer."""

LEAST_SAMPLES: Final = 50
"""Fewer samples with assist show neither lag nor gain."""

ASSIST_NM: Final = 3.0
"""Assist is compared where expected or delivered is this or more (the contract's figure)."""

BLOCK_S: Final = 4.0
"""A steering movement lasts a few seconds: stretches of this length count as independent."""

BLOCK_LEAST: Final = 0.1
"""Share of a stretch that must be steering."""

FULL_SHARE: Final = 0.95
"""Gains are measured at this assist limit or above."""

NEAR_MAX: Final = 0.98
"""Assist above this share of its greatest says nothing on the gain."""

EFFORT_NM: Final = 0.5
"""... and neither does less effort than this beyond the deadband."""

BAND_POINTS: Final = 400
"""Points that are kept of each band for drawing."""


def fit_assist(timeline: Timeline, profile: Profile, lines: LimitLines) -> AssistFit | None:
    """Set the ride's assist against the map from the profile, else against one learned.

    Returns
    -------
    AssistFit or None
        None without driver torque and assist torque. ``map_from`` is ``"none"`` where
        there is no map and too little steering to learn one.
    """
    if not timeline.has("driver_torque", "assist_torque"):
        return None
    table = profile.assist_map
    bare = AssistFit(
        map_from="none",
        lag_s=0.0,
        ratio=None,
        side_difference=None,
        speed_kph=(0.0,),
        gains={"*": (1.0,)},
        max_assist_nm=float("inf"),
    )
    if table is not None:
        bare = replace(
            bare,
            map_from="profile",
            speed_kph=table.speed_kph,
            gains=table.gains,
            driver_deadband_nm=table.driver_deadband_nm,
            max_assist_nm=table.max_assist_nm,
        )
    fit = replace(bare, lag_s=assist_lag(timeline, bare, lines))
    if table is None:
        learned = learn_map(timeline, fit, lines, side_tolerance=profile.limits.side_tolerance)
        if learned is None:
            return replace(fit, speed_kph=(), gains={})
        fit = learned
    samples = assist_samples(timeline, fit, lines)
    return fit if samples is None else _compared(fit, samples, _signs_known(timeline))


def assist_lag(timeline: Timeline, fit: AssistFit, lines: LimitLines) -> float:
    """Return the delay from driver torque to assist, in s.

    The lag at which expected and delivered assist correlate most; 0 where too little
    was steered to tell.
    """
    found, torques = assist_samples(timeline, fit, lines), comparable_torques(timeline)
    if found is None or torques is None:
        return 0.0
    with_assist = np.flatnonzero(np.abs(found.delivered_nm) >= ASSIST_NM)
    if len(with_assist) < LEAST_SAMPLES:
        return 0.0
    rows = with_assist[:: max(1, len(with_assist) // LAG_SAMPLES)]
    time_s, torque_nm = torques[0].valid()
    gain = np.nan_to_num(found.gain[rows], nan=1.0) * found.limit_share[rows]
    delivered = found.delivered_nm[rows]

    def match(lag_s: float) -> float:
        driver_nm = np.interp(found.time_s[rows] - lag_s, time_s, torque_nm)
        effort = np.maximum(np.abs(driver_nm) - fit.driver_deadband_nm, 0.0)
        expected = np.sign(driver_nm) * np.minimum(np.nan_to_num(gain) * effort, fit.max_assist_nm)
        return float(np.corrcoef(expected, delivered)[0, 1]) if np.ptp(expected) else -1.0

    return float(max(LAGS_S.tolist(), key=match)) if np.ptp(delivered) else 0.0


def _signs_known(timeline: Timeline) -> bool:
    return all(timeline.channels[name].sign_known for name in ("driver_torque", "assist_torque"))


def _compared(fit: AssistFit, samples: AssistSamples, signs_known: bool) -> AssistFit:
    """Add ratio, sides and bands of road speed."""
    side = np.sign(np.nan_to_num(samples.expected_nm))
    size = np.abs(np.nan_to_num(samples.expected_nm))
    given = samples.delivered_nm * side
    use = (np.maximum(size, np.abs(samples.delivered_nm)) >= ASSIST_NM) & (size > 0.0)
    use &= samples.settled
    both = _ratio(samples, given, size, use)
    right = _ratio(samples, given, size, use & (side > 0)) if signs_known else None
    left = _ratio(samples, given, size, use & (side < 0)) if signs_known else None
    return replace(
        fit,
        ratio=both,
        side_difference=None if right is None or left is None else _difference(right, left),
        bands=_bands(fit, samples, signs_known),
    )


def _ratio(
    samples: AssistSamples, given: FloatArray, wanted: FloatArray, use: BoolArray
) -> Estimate | None:
    """Return given over wanted, from stretches that are taken as independent."""
    rows = np.flatnonzero(use)
    if len(rows) < LEAST_SAMPLES:
        return None
    block = np.floor(samples.time_s[rows] / BLOCK_S).astype(np.int64)
    numbers, place, count = np.unique(block, return_inverse=True, return_counts=True)
    usual = BLOCK_S / float(np.median(np.diff(samples.time_s)))
    enough = count >= BLOCK_LEAST * usual
    if enough.sum() < LEAST_BLOCKS:
        return None
    ratio = np.bincount(place, weights=given[rows]) / np.bincount(place, weights=wanted[rows])
    return mean_of_blocks(ratio[enough], numbers[enough], "share")


LEAST_BLOCKS: Final = 3
"""Fewer stretches give no interval worth the name."""


def _difference(right: Estimate, left: Estimate) -> Estimate:
    half = float(np.hypot(right.high - right.value, left.high - left.value))
    value = right.value - left.value
    return Estimate(
        value=value,
        low=value - half,
        high=value + half,
        unit=right.unit,
        count=min(right.count, left.count),
    )


def _bands(fit: AssistFit, samples: AssistSamples, signs_known: bool) -> tuple[AssistBand, ...]:
    """Return the gain in each band of road speed between the map's speeds."""
    effort = np.maximum(np.abs(samples.driver_nm) - fit.driver_deadband_nm, 0.0)
    side = np.sign(np.nan_to_num(samples.driver_nm))
    given = samples.delivered_nm * side
    use = (effort >= EFFORT_NM) & (samples.limit_share >= FULL_SHARE) & samples.settled
    use &= np.abs(samples.delivered_nm) < NEAR_MAX * fit.max_assist_nm
    edges = (*dict.fromkeys((0.0, *fit.speed_kph)), np.inf)
    bands = []
    for low, high in itertools.pairwise(edges):
        rows = use & (samples.speed_kph >= low) & (samples.speed_kph < high)
        if rows.sum() < LEAST_SAMPLES:
            continue
        gain = _ratio(samples, given, effort, rows)
        told = rows & ~np.isnan(samples.gain)
        wanted = float((samples.gain[told] * effort[told]).sum()) if told.any() else np.nan
        shown = np.flatnonzero(rows)[:: max(1, int(rows.sum()) // BAND_POINTS)]
        top_kph = high if np.isfinite(high) else float(samples.speed_kph[rows].max())
        bands.append(
            AssistBand(
                speed_low_kph=low,
                speed_high_kph=top_kph,
                gain=_unitless(gain),
                expected_gain=None if np.isnan(wanted) else wanted / float(effort[told].sum()),
                left_gain=_unitless(_ratio(samples, given, effort, rows & (side < 0)))
                if signs_known
                else None,
                right_gain=_unitless(_ratio(samples, given, effort, rows & (side > 0)))
                if signs_known
                else None,
                points=Points(x=samples.driver_nm[shown], y=samples.delivered_nm[shown]),
            )
        )
    return tuple(bands)


def _unitless(gain: Estimate | None) -> Estimate | None:
    return None if gain is None else replace(gain, unit="N·m/N·m")

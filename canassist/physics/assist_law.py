"""Expected assist: what road speed, driver torque, mode and assist limit call for."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.physics.limits import FULL_PCT, supply_line_pct, temperature_line_pct
from canassist.timeline import between, value_at

if TYPE_CHECKING:
    from collections.abc import Mapping

    from canassist.model import AssistFit, BoolArray, Channel, FloatArray, LimitLines, Timeline

EVERY_MODE: Final = "*"


@dataclass(frozen=True, slots=True, kw_only=True)
class AssistSamples:
    """Delivered and expected assist at the samples of `assist_torque`, each shape (n,).

    Attributes
    ----------
    driver_nm : array of float64
        Driver torque `lag_s` earlier; NaN where unknown.
    limit_share : array of float64
        Assist available, 0 to 1.
    gain : array of float64
        Of the map at that speed and mode; NaN where the map has none.
    expected_nm : array of float64
        Signed like driver torque; NaN where it cannot be told.
    settled : array of bool
        False just after a change of mode.
    open_top : array of bool
        A learned map calls for more than the ride has shown: expected is the least.
    """

    time_s: FloatArray
    delivered_nm: FloatArray
    driver_nm: FloatArray
    speed_kph: FloatArray
    limit_share: FloatArray
    gain: FloatArray
    expected_nm: FloatArray
    settled: BoolArray
    open_top: BoolArray
    stale_after_s: float


SLOWEST_S: Final = 0.25
"""Torque that comes more seldom than this does not show a turn of a second or two: eight samples
for the quickest, rule of thumb."""

CLEAR_NM: Final = 1.0
"""Torques below this have no side that noise could not give them."""

ALIKE_SHARE: Final = 0.95
"""Assist goes with the driver nearly all the time, or its sign means something else."""

MODE_SETTLE_S: Final = 1.0
"""A module fades from one mode to the next; this long after a change nothing is judged."""


def assist_samples(
    timeline: Timeline, fit: AssistFit, lines: LimitLines | None
) -> AssistSamples | None:
    """Set delivered assist against expected, sample by sample.

    Parameters
    ----------
    fit : AssistFit
        Its map, its lag, deadband and greatest assist are used.
    lines : LimitLines or None
        Stand in for the assist limit where the log has no such channel.

    Returns
    -------
    AssistSamples or None
        None without assist torque or driver torque.
    """
    torques = comparable_torques(timeline)
    if torques is None:
        return None
    driver, channel = torques
    time_s, delivered_nm = channel.valid()
    driver_nm = between(
        driver.time_s, driver.value, time_s - fit.lag_s, max_gap_s=driver.followed_s
    )
    speed_kph = value_at(timeline, "vehicle_speed", time_s)
    limit_share = available_share(timeline, time_s, lines)
    mode = value_at(timeline, "assist_mode", time_s)
    modes = timeline.get("assist_mode")
    gain = map_gain(fit, speed_kph, mode, {} if modes is None else modes.labels)
    for low_kph, high_kph in fit.unshown_kph:
        gain[(speed_kph >= low_kph) & (speed_kph < high_kph)] = np.nan
    effort_nm = np.maximum(np.abs(driver_nm) - fit.driver_deadband_nm, 0.0)
    called_nm = np.minimum(gain * effort_nm, fit.max_assist_nm)
    open_top = called_nm > fit.known_up_to_nm
    expected_nm = np.minimum(called_nm, fit.known_up_to_nm) * limit_share
    return AssistSamples(
        time_s=time_s,
        delivered_nm=delivered_nm,
        driver_nm=driver_nm,
        speed_kph=speed_kph,
        limit_share=limit_share,
        gain=gain,
        expected_nm=np.sign(driver_nm) * expected_nm,
        settled=_settled(time_s, mode),
        open_top=open_top,
        stale_after_s=channel.followed_s,
    )


def comparable_torques(timeline: Timeline) -> tuple[Channel, Channel] | None:
    """Return driver torque and assist torque so that both count alike.

    None without values, or where either comes more seldom than every `SLOWEST_S`: a turn is
    over between two samples then, and what lies between them cannot be told.

    Where the sign of either is unknown, the ride itself shows whether assist counts like
    driver torque, the other way round, or gives amounts only; then both are amounts.
    """
    driver, assist = timeline.get("driver_torque"), timeline.get("assist_torque")
    if driver is None or assist is None or np.isnan(driver.value).all():
        return None
    if max(driver.period_s, assist.period_s) > SLOWEST_S:
        return None
    if driver.sign_known and assist.sign_known:
        return driver, assist
    driver_nm = value_at(timeline, "driver_torque", assist.time_s)
    clear = (np.abs(driver_nm) >= CLEAR_NM) & (np.abs(assist.value) >= CLEAR_NM)
    alike = np.sign(driver_nm[clear]) == np.sign(assist.value[clear])
    if clear.any() and alike.mean() >= ALIKE_SHARE:
        return driver, assist
    if clear.any() and alike.mean() <= 1.0 - ALIKE_SHARE:
        return driver, replace(assist, value=-assist.value)
    amounts = [replace(one, value=np.abs(one.value)) for one in (driver, assist)]
    return amounts[0], amounts[1]


def available_share(timeline: Timeline, time_s: FloatArray, lines: LimitLines | None) -> FloatArray:
    """Return the assist available at each time, 0 to 1, shape (n,).

    From the assist limit; where the log has no such channel, from what the limit lines
    leave of it. NaN where the recorder lost the limit's samples around a time: it may have
    fallen and come back between those that are left.
    """
    limit = timeline.get("assist_limit")
    if limit is not None:
        share = value_at(timeline, "assist_limit", time_s) / FULL_PCT
        if np.isfinite(limit.step_s):
            known = between(limit.time_s, limit.value, time_s, max_gap_s=limit.followed_s)
            share[np.isnan(known)] = np.nan
        return share
    if lines is None:
        return np.ones(len(time_s))
    heat = temperature_line_pct(value_at(timeline, "module_temperature", time_s), lines)
    supply = supply_line_pct(value_at(timeline, "supply_voltage", time_s), lines)
    return np.fmin(np.fmin(heat, supply), FULL_PCT) / FULL_PCT


def map_gain(
    fit: AssistFit, speed_kph: FloatArray, mode: FloatArray, labels: Mapping[float, str]
) -> FloatArray:
    """Return the map's gain at each speed and mode; linear between speeds, flat beyond.

    Parameters
    ----------
    speed_kph, mode : array of float64, shape (n,)
        Road speed and mode number; NaN where unknown.
    labels : mapping of number to text
        Texts of the modes; a mode without one goes by its number.

    Returns
    -------
    array of float64, shape (n,)
        NaN where speed is unknown, or the mode is one that the map does not have.
    """
    gain = np.full(len(speed_kph), np.nan)
    numbers = np.where(np.isnan(mode), np.inf, mode)
    for number in np.unique(numbers):
        text = None if np.isinf(number) else labels.get(float(number), f"{number:g}")
        row = fit.gains.get(text or EVERY_MODE) or fit.gains.get(EVERY_MODE)
        if row is not None:
            rows = numbers == number
            gain[rows] = np.interp(speed_kph[rows], fit.speed_kph, row)
    return gain


def _settled(time_s: FloatArray, mode: FloatArray) -> BoolArray:
    """Tell for each sample whether the mode has been the same for a while."""
    settled = np.ones(len(time_s), dtype=np.bool_)
    known = np.flatnonzero(~np.isnan(mode))
    changes = known[1:][np.diff(mode[known]) != 0.0]
    for row in changes:
        settled &= ~(
            (time_s >= time_s[row] - MODE_SETTLE_S) & (time_s <= time_s[row] + MODE_SETTLE_S)
        )
    return settled

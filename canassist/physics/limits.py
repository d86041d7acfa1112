"""Which limits hold on this vehicle, and how much assist temperature and supply leave."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.model import LimitLines

if TYPE_CHECKING:
    from canassist.model import Curve, FloatArray, Profile, Timeline

NOMINAL_V: Final = 12.0
"""Nominal supply that the default limits are for."""

ABOVE_12_V: Final = 18.0
"""A median supply above this belongs to a 24 V or 48 V vehicle: no 12 V system rests there."""

ABOVE_24_V: Final = 34.0
"""A median supply above this belongs to a 48 V vehicle: a 24 V system charges below 30 V."""

ELECTRIC_V: Final = 36.0
"""From this nominal supply on a vehicle has no starter and no alternator of its own (rule of
thumb)."""

FULL_PCT: Final = 100.0


def supply_limits_hold(timeline: Timeline, profile: Profile, *limits: str) -> bool:
    """Tell whether these voltage limits mean something on this vehicle.

    The defaults are for 12 V; on another supply every one of `limits` must come from
    the profile.
    """
    return profile.gives(*limits) or not _other_supply(timeline, profile)


def nominal_share(timeline: Timeline, profile: Profile) -> float:
    """Return the nominal supply over 12 V: fixed volts are scaled by it.

    From the profile where it says so, else from where the supply rests.
    """
    if profile.nominal_v != NOMINAL_V or "vehicle.nominal_v" in profile.given:
        return profile.nominal_v / NOMINAL_V
    channel = timeline.get("supply_voltage") or timeline.get("system_voltage")
    supply_v = np.empty(0) if channel is None else channel.valid()[1]
    middle_v = float(np.median(supply_v)) if len(supply_v) else NOMINAL_V
    if middle_v <= ABOVE_12_V:
        return 1.0
    return 2.0 if middle_v <= ABOVE_24_V else 4.0


def has_engine(timeline: Timeline, profile: Profile) -> bool | None:
    """Tell whether the supply has an engine behind it; None where nothing says.

    By its speed, by the profile, else by a supply that rests where only a vehicle without a
    starter and an alternator has it.
    """
    source = profile.supply.source
    if timeline.has("engine_speed") or source == "alternator":
        return True
    electric = NOMINAL_V * nominal_share(timeline, profile) >= ELECTRIC_V
    return False if electric or source in {"dcdc", "battery"} else None


def _other_supply(timeline: Timeline, profile: Profile) -> bool:
    if profile.nominal_v != NOMINAL_V:
        return True
    channel = timeline.get("supply_voltage") or timeline.get("system_voltage")
    if channel is None:
        return False
    _, supply_v = channel.valid()
    return bool(len(supply_v) and np.median(supply_v) > ABOVE_12_V)


def limit_lines(profile: Profile) -> LimitLines:
    """Return the limit lines as far as they are known before the ride is looked at."""
    heat = "profile" if profile.gives("derate_start_c", "derate_zero_c") else "assumed"
    supply = "profile" if profile.gives("derate_start_v", "derate_zero_v") else "assumed"
    limits = profile.limits
    return LimitLines(
        derate_start_c=limits.derate_start_c,
        derate_zero_c=limits.derate_zero_c,
        derate_start_v=limits.derate_start_v,
        derate_zero_v=limits.derate_zero_v,
        source="profile" if heat == supply == "profile" else "assumed",
        temperature_source=heat,
        supply_source=supply,
        temperature_curve=profile.protection.temperature,
        supply_curve=profile.protection.supply,
    )


def temperature_line_pct(temperature_c: FloatArray, lines: LimitLines) -> FloatArray:
    """Return the assist in % that the temperature line leaves; NaN where unknown.

    100 below the start, falling straight to 0 where none is left; or a curve.
    """
    if lines.temperature_curve:
        return curve_pct(temperature_c, lines.temperature_curve)
    above_c = np.maximum(temperature_c, lines.derate_start_c)
    return _taper(above_c, lines.derate_start_c, lines.derate_zero_c)


def supply_line_pct(supply_v: FloatArray, lines: LimitLines) -> FloatArray:
    """Return the assist in % that the supply line or curve leaves; NaN where unknown."""
    if lines.supply_curve:
        return curve_pct(supply_v, lines.supply_curve)
    below_v = np.minimum(supply_v, lines.derate_start_v)
    return _taper(below_v, lines.derate_start_v, lines.derate_zero_v)


def curve_pct(value: FloatArray, curve: Curve) -> FloatArray:
    """Return what a curve leaves: linear between its points, flat beyond; NaN where unknown.

    Two points at one x are a step; at the x itself the higher one holds.
    """
    points = curve if curve[0][0] <= curve[-1][0] else curve[::-1]
    x, y = (np.array(column) for column in zip(*points, strict=True))
    upwards = np.interp(value, x, y)
    downwards = np.interp(-value, -x[::-1], y[::-1])
    return np.where(np.isnan(value), np.nan, np.maximum(upwards, downwards))


def _taper(value: FloatArray, start: float, zero: float) -> FloatArray:
    if start == zero:  # no taper: a step, with full assist at the limit itself
        return np.where(np.isnan(value), np.nan, np.where(value == start, FULL_PCT, 0.0))
    return np.clip(FULL_PCT * (zero - value) / (zero - start), 0.0, FULL_PCT)


def follow(
    time_s: FloatArray, target_pct: FloatArray, *, fall_pct_s: float, rise_pct_s: float
) -> FloatArray:
    """Return what a module gives that moves towards its target at bounded rates.

    Parameters
    ----------
    time_s, target_pct : array of float64, shape (n,)
        Times in s and what the limit lines leave; NaN holds the last target.
    fall_pct_s, rise_pct_s : float
        Rates in % per second.

    Returns
    -------
    array of float64, shape (n,)
        Starts at the first target.
    """
    given = np.empty(len(time_s))
    known = np.flatnonzero(~np.isnan(target_pct))
    level = float(target_pct[known[0]]) if len(known) else FULL_PCT
    before = time_s[0] if len(time_s) else 0.0
    for row, (now, target) in enumerate(zip(time_s.tolist(), target_pct.tolist(), strict=True)):
        if target == target:  # noqa: PLR0124 - a quick test for NaN in a plain loop
            step = now - before
            level = max(level - fall_pct_s * step, min(target, level + rise_pct_s * step))
        before = now
        given[row] = level
    return given


def fading(time_s: FloatArray, loss_pct: FloatArray, *, rise_pct_s: float) -> FloatArray:
    """Return the largest loss that an earlier one may still explain.

    A loss seen at one moment explains, while assist is let back at `rise_pct_s`, a
    smaller one later: the running maximum of all earlier losses, each less what may
    have come back since. NaN explains nothing.
    """
    known = np.where(np.isnan(loss_pct), 0.0, loss_pct)
    climbed = rise_pct_s * time_s
    return np.asarray(np.maximum(np.maximum.accumulate(known + climbed) - climbed, 0.0))

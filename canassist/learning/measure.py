"""What one ride tells of its vehicle."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.learning.limit_levels import limit_levels
from canassist.learning.limit_samples import FULL_PCT, nominal_v
from canassist.learning.load_rule import reduced_by_duty
from canassist.learning.module_figures import module_figures, norms
from canassist.learning.way_back import way_back
from canassist.model import Estimate, RideFigures
from canassist.timeline import value_at

if TYPE_CHECKING:
    from canassist.model import BinnedLevel, Result

MEASURED_PATH: Final = frozenset({"difference", "fast_split"})
"""Ways to measure the path; a current that was only guessed teaches nothing."""

REGULATED_V: Final = 1.5
"""A charging voltage that moves by more than this is varied by design (own choice)."""

MOVES_BLOCK_S: Final = 10.0
MOVES_LEAST: Final = 3
"""Stretches of charging that are compared, at least half of each ridden, and how many it takes."""

GAIN_KPH: Final = 8.0
"""Assist over driver torque is compared between rides at this speed, mode by mode."""

ROLLING_KPH: Final = 5.0
ROLLING_LEAST_S: Final = 20.0

MOST_SPEED_BANDS: Final = 40

STARTS: Final = frozenset({"start_up", "engine_stopped"})

RAMP_LEAST: Final = 3
RAMP_FROM_PCT: Final = 50.0
RAMP_NEAR_PCT: Final = 2.0
RAMP_MISS_PCT: Final = 5.0
"""A ramp is read from so many samples on, from below the first, from within the second of it; they
lie within the third of a line."""


def figures_of(result: Result, *, vehicle: str = "") -> RideFigures:
    """Return the figures, envelopes and seconds of one ride."""
    log = next(item for item in result.inputs if item.role == "log")
    blame = next((item.code for item in result.conclusions if item.blames), "")
    levels = limit_levels(result)
    return RideFigures(
        log=log.name,
        sha256=log.sha256,
        size_bytes=log.size_bytes,
        vehicle=vehicle or log.name,
        answer=str(result.conclusions[0].code),
        blames=str(blame),
        figures=_figures(result, levels),
        levels={**levels, **norms(result)},
        gains=_gains(result),
        seconds=_seconds(result),
    )


def _figures(result: Result, levels: dict[str, tuple[BinnedLevel, ...]]) -> dict[str, float]:
    physics = result.physics
    path, rest, fit = physics.supply_path, physics.torque_rest, physics.assist
    heat, charging, effort = physics.thermal, physics.charging, physics.effort
    plateaus = [crank.plateau_min_v for crank in physics.cranks if crank.plateau_min_v is not None]
    found = {
        "path_ohm": _value(path.path_ohm if path and path.method in MEASURED_PATH else None),
        "rest_torque_nm": _value(rest.offset_nm if rest else None),
        "charging_v": _value(charging.voltage_v if charging else None),
        "crank_v": min(plateaus, default=None),
        "assist_lag_s": fit.lag_s if fit else None,
        "side_difference": _value(fit.side_difference if fit else None),
        "heat_tau_s": _value(heat.tau_s if heat else None),
        "heat_gain_k_per_a2": _value(heat.gain_k_per_a2 if heat else None),
        "effort_p90_nm": effort.torque_p90_nm if effort else None,
        "start_ramp_s": _ramp(result),
        "nominal_v": nominal_v(result),
        "rolling_v": _rolling_v(result),
        "charging_moves_v": _charging_moves_v(result),
        "reduced_by_duty": reduced_by_duty(result),
        **way_back(result, levels),
        **module_figures(result),
    }
    if fit is not None and fit.map_from == "ride":
        found["driver_deadband_nm"] = fit.driver_deadband_nm
        found["max_assist_nm"] = fit.max_assist_nm
        for mode, gains in fit.gains.items():
            found[f"gain.{mode}"] = float(np.interp(GAIN_KPH, fit.speed_kph, gains))
    return {
        name: float(value)
        for name, value in found.items()
        if value is not None and np.isfinite(value)
    }


def _value(estimate: Estimate | None) -> float | None:
    return None if estimate is None else estimate.value


def _rolling_v(result: Result) -> float | None:
    """Return the supply while the vehicle rolls, where there is no engine, in V."""
    supply = result.channels.get("supply_voltage")
    if supply is None or not supply.unit_known or "engine_speed" in result.channels:
        return None
    time_s, volts = supply.valid()
    rolling = value_at(result.timeline, "vehicle_speed", time_s) > ROLLING_KPH
    if float(rolling.sum()) * supply.period_s < ROLLING_LEAST_S:
        return None
    return float(np.median(volts[rolling]))


def _charging_moves_v(result: Result) -> float | None:
    """Return how far the supply moves with the engine above its charging speed, in V of 12 V.

    From block to block, each by its median: starting, idling and short loads are left out.
    """
    supply = result.channels.get("supply_voltage")
    if supply is None or "engine_speed" not in result.channels:
        return None
    time_s, volts = supply.valid()
    rpm = value_at(result.timeline, "engine_speed", time_s)
    fast = rpm > result.profile.limits.charging_rpm
    block = np.floor(time_s[fast] / MOVES_BLOCK_S).astype(np.int64)
    numbers, rows = np.unique(block, return_counts=True)
    enough = numbers[rows * supply.period_s >= MOVES_BLOCK_S / 2.0]
    if len(enough) < MOVES_LEAST:
        return None
    medians = [float(np.median(volts[fast][block == number])) for number in enough.tolist()]
    low, high = np.quantile(medians, [0.05, 0.95])
    return float(high - low) / (nominal_v(result) / 12.0)


def _ramp(result: Result) -> float | None:
    """Return how long the limit takes from nothing to full after a start, in s.

    By the line through the samples between, as if it had begun at nothing. Where the supply was
    low meanwhile, it may have held the limit; what is no line is no ramp.
    """
    channel = result.channels.get("assist_limit")
    if channel is None:
        return None
    time_s, pct = channel.valid()
    ramps = []
    dips = [event for event in result.events if event.kind == "undervoltage"]
    for event in result.events:
        if event.kind != "derate" or event.cause not in STARTS or event.end_s is None:
            continue
        if any(
            low.start_s < event.end_s and event.start_s < low.until(event.end_s) for low in dips
        ):
            continue
        inside = (time_s >= event.start_s) & (time_s <= event.end_s)
        level, at_s = pct[inside], time_s[inside]
        between = (level > RAMP_NEAR_PCT) & (level < FULL_PCT)
        if between.sum() < RAMP_LEAST or level.min() > RAMP_FROM_PCT:
            continue  # a step: where the engine must run first, it hides the ramp
        full = np.flatnonzero(level >= FULL_PCT)
        end = int(full[0]) if len(full) else len(level)
        low = np.flatnonzero(level[:end] <= RAMP_NEAR_PCT)
        between[: int(low[-1]) + 1 if len(low) else 0] = False
        between[end:] = False
        if between.sum() < RAMP_LEAST:
            continue
        slope, foot = np.polyfit(at_s[between], level[between], 1).tolist()
        apart = level[between] - (foot + slope * at_s[between])
        if slope > 0.0 and float(np.sqrt(np.mean(apart**2))) < RAMP_MISS_PCT:
            ramps.append(100.0 / slope)
    return float(np.median(ramps)) if ramps else None


def _gains(result: Result) -> dict[str, tuple[tuple[float, float], ...]]:
    fit = result.physics.assist
    if fit is None or fit.map_from != "ride":
        return {}
    return {
        mode: tuple(zip(fit.speed_kph[:MOST_SPEED_BANDS], gains, strict=False))
        for mode, gains in fit.gains.items()
    }


def _seconds(result: Result) -> dict[str, float]:
    ridden, physics = result.coverage, result.physics
    found = {
        "low_speed_steering_s": ridden.low_speed_steering_s,
        "cruise_s": ridden.cruise_s,
        "hot_s": ridden.hot_s,
        "engine_running_s": ridden.engine_running_s,
        "rest_s": physics.torque_rest.seconds if physics.torque_rest else None,
        "charging_s": physics.charging.seconds if physics.charging else None,
    }
    return {name: float(value) for name, value in found.items() if value is not None}

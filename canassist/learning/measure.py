"""What one ride tells of its vehicle."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.learning.limit_levels import limit_levels
from canassist.model import Estimate, RideFigures
from canassist.timeline import value_at

if TYPE_CHECKING:
    from canassist.model import Event, Result

MEASURED_PATH: Final = frozenset({"difference", "fast_split"})
"""Ways to measure the path; a current that was only guessed teaches nothing."""

REGULATED_V: Final = 1.5
"""A charging voltage that moves by more than this is varied by design (own choice)."""

MOST_SPEED_BANDS: Final = 40


def figures_of(result: Result, *, vehicle: str = "") -> RideFigures:
    """Return the figures, envelopes and seconds of one ride."""
    log = next(item for item in result.inputs if item.role == "log")
    blame = next((item.code for item in result.conclusions if item.blames), "")
    return RideFigures(
        log=log.name,
        sha256=log.sha256,
        size_bytes=log.size_bytes,
        vehicle=vehicle or log.name,
        answer=str(result.conclusions[0].code),
        blames=str(blame),
        figures=_figures(result),
        levels=limit_levels(result),
        gains=_gains(result),
        seconds=_seconds(result),
    )


def _figures(result: Result) -> dict[str, float]:
    physics, scale = result.physics, result.profile.nominal_v / 12.0
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
        "start_ramp_s": _ramp(result.events),
        "back_at_full_c": _back_at_full(result),
    }
    if fit is not None and fit.map_from == "ride":
        found["driver_deadband_nm"] = fit.driver_deadband_nm
        found["max_assist_nm"] = fit.max_assist_nm
    if charging is not None and len(charging.points.y):
        low, high = np.quantile(charging.points.y, [0.05, 0.95])
        found["charging_moves_v"] = float(high - low) / scale
    return {
        name: float(value)
        for name, value in found.items()
        if value is not None and np.isfinite(value)
    }


def _value(estimate: Estimate | None) -> float | None:
    return None if estimate is None else estimate.value


def _ramp(events: tuple[Event, ...]) -> float | None:
    """Return how long coming back after a start takes, in s."""
    ramps = [
        event.end_s - event.start_s
        for event in events
        if event.kind == "derate" and event.cause == "start_up" and event.end_s is not None
    ]
    return float(np.median(ramps)) if ramps else None


def _back_at_full(result: Result) -> float | None:
    """Return the module temperature at which heat let all assist back, in degC."""
    ends = [
        event.end_s
        for event in result.events
        if event.kind == "derate" and event.cause == "temperature" and event.end_s is not None
    ]
    if not ends or "module_temperature" not in result.channels:
        return None
    values = value_at(result.timeline, "module_temperature", np.array(ends))
    return float(np.nanmedian(values)) if np.isfinite(values).any() else None


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

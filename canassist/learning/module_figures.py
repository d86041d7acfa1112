"""What a ride tells of the module beside its law: status words, messages, noise, effort, supply."""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.learning.limit_samples import FULL_PCT
from canassist.model import MODULE_CHANNELS, BinnedLevel
from canassist.stats import noise_variance
from canassist.timeline import value_at

if TYPE_CHECKING:
    from canassist.model import Channel, FloatArray, Result

EFFORT_KPH: Final = (0.0, 5.0, 10.0, 20.0, 40.0, 80.0)
EFFORT_SHARE: Final = 0.9
EFFORT_LEAST_S: Final = 5.0
STEERED_NM: Final = 1.0
"""Driver effort is this quantile of its torque above the least, in bands of road speed ridden for
so long with all assist left."""

CHARGING_STEP_RPM: Final = 500.0
CHARGING_LEAST_S: Final = 10.0
"""Charging is told by bands of engine speed that were ridden for so long."""

CRANK_STEP_C: Final = 10.0
NOISY: Final = ("driver_torque", "supply_voltage", "module_current", "motor_current")
RESTING_NM: Final = 0.3
RETURN_LEAST_NM: Final = 1.0
RETURN_LEAST_S: Final = 2.0
FAR_SHARE: Final = 0.1
"""Assist without driver torque is return to centre where it is more than this, for so long, towards
the centre from this share of the widest angle on."""

WORD_LEAST_S: Final = 1.0
MOST_WORDS: Final = 12


def module_figures(result: Result) -> dict[str, float]:
    """Return periods of the module's messages, noise, resolution, return torque and words."""
    found: dict[str, float] = {}
    for name in sorted(MODULE_CHANNELS & set(result.channels)):
        channel = result.channels[name]
        message = channel.signal.rsplit(".", 1)[0]
        if np.isfinite(channel.period_s):
            found[f"messages.{message}.period_s"] = float(channel.period_s)
    for name in NOISY:
        if name in result.channels:
            found |= _noise(name, result.channels[name])
    found |= _words(result)
    back = _return_torque(result)
    if back is not None:
        found["return_nm"] = back
    return found


def norms(result: Result) -> dict[str, tuple[BinnedLevel, ...]]:
    """Return driver effort by road speed, charging by engine speed, cranking by ambient."""
    found = {
        "effort": _effort(result),
        "charging": _charging(result),
        "cranking": _cranking(result),
    }
    return {name: levels for name, levels in found.items() if levels}


def _noise(name: str, channel: Channel) -> dict[str, float]:
    """Return the sensor's noise and the step between its values."""
    _, value = channel.valid()
    steps = np.abs(np.diff(value))
    steps = steps[steps > 0.0]
    if not len(steps):
        return {}
    noise = float(np.sqrt(max(0.0, noise_variance(value))))
    return {f"noise.{name}": noise, f"resolution.{name}": float(steps.min())}


def _words(result: Result) -> dict[str, float]:
    """Return what assist stood with each of the module's own status words, in %."""
    status, limit = result.channels.get("module_status"), result.channels.get("assist_limit")
    if status is None or limit is None or not status.labels:
        return {}
    time_s, pct = limit.valid()
    code = value_at(result.timeline, "module_status", time_s)
    found = {}
    for value, word in sorted(status.labels.items())[:MOST_WORDS]:
        rows = code == value
        if float(rows.sum()) * limit.period_s >= WORD_LEAST_S:
            found[f"status.{word}"] = float(np.median(pct[rows]))
    return found


def _return_torque(result: Result) -> float | None:
    """Return the assist towards the centre that nobody's hands ask for, in N·m."""
    assist, angle = result.channels.get("assist_torque"), result.channels.get("steering_angle")
    hands = result.channels.get("driver_torque")
    if assist is None or angle is None or hands is None or not hands.sign_known:
        return None
    time_s, torque = assist.valid()
    at_deg = value_at(result.timeline, "steering_angle", time_s)
    hand_nm = value_at(result.timeline, "driver_torque", time_s)
    far = np.abs(at_deg) > FAR_SHARE * np.nanmax(np.abs(at_deg), initial=0.0)
    rows = far & (np.abs(hand_nm) < RESTING_NM) & (np.abs(torque) > RETURN_LEAST_NM)
    rows &= np.sign(torque) == -np.sign(at_deg)
    if float(rows.sum()) * assist.period_s < RETURN_LEAST_S:
        return None
    return float(np.median(np.abs(torque[rows])))


def _effort(result: Result) -> tuple[BinnedLevel, ...]:
    hands = result.channels.get("driver_torque")
    if hands is None or "vehicle_speed" not in result.channels:
        return ()
    time_s, torque = hands.valid()
    kph = value_at(result.timeline, "vehicle_speed", time_s)
    full = value_at(result.timeline, "assist_limit", time_s) >= FULL_PCT
    rows = full & (np.abs(torque) > STEERED_NM)
    found = []
    for low, high in itertools.pairwise(EFFORT_KPH):
        size = np.abs(torque[rows & (kph >= low) & (kph < high)])
        seconds = len(size) * hands.period_s
        if seconds >= EFFORT_LEAST_S:
            level = float(np.quantile(size, EFFORT_SHARE))
            found.append(BinnedLevel((low + high) / 2.0, level, seconds))
    return tuple(found)


def _charging(result: Result) -> tuple[BinnedLevel, ...]:
    supply, engine = result.channels.get("supply_voltage"), result.channels.get("engine_speed")
    if supply is None or engine is None or supply.stands_in:
        return ()
    time_s, volts = supply.valid()
    rpm = value_at(result.timeline, "engine_speed", time_s)
    return _binned(rpm, volts, supply.period_s, CHARGING_STEP_RPM, CHARGING_LEAST_S)


def _binned(
    x: FloatArray, value: FloatArray, period_s: float, width: float, least_s: float
) -> tuple[BinnedLevel, ...]:
    known = np.isfinite(x) & (x >= width)
    band = np.floor(np.where(known, x, 0.0) / width).astype(np.int64)
    found = []
    for number in np.unique(band[known]).tolist():
        mine = known & (band == number)
        seconds = float(mine.sum()) * period_s
        if seconds >= least_s:
            found.append(
                BinnedLevel((number + 0.5) * width, float(np.median(value[mine])), seconds)
            )
    return tuple(found)


def _cranking(result: Result) -> tuple[BinnedLevel, ...]:
    """Return the lowest voltage of each start by the air's temperature, else the coolant's."""
    found = []
    for crank in result.physics.cranks:
        at_s = np.array([crank.start_s])
        for name in ("ambient_temperature", "coolant_temperature"):
            cold = float(value_at(result.timeline, name, at_s)[0])
            if np.isfinite(cold) and crank.plateau_min_v is not None:
                middle = (np.floor(cold / CRANK_STEP_C) + 0.5) * CRANK_STEP_C
                seconds = crank.end_s - crank.start_s
                found.append(BinnedLevel(float(middle), crank.plateau_min_v, seconds))
                break
    return tuple(found)

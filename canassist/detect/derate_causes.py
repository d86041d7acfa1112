"""Why assist was reduced: what heat, supply, speed signal and engine each explain."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.detect.derate_levels import by_levels
from canassist.model import Severity
from canassist.physics import (
    FULL_PCT,
    fading,
    follow,
    supply_line_pct,
    temperature_line_pct,
)
from canassist.timeline import seen_s

if TYPE_CHECKING:
    from canassist.detect.derate_scene import DerateScene
    from canassist.model import BoolArray, FloatArray

QUARTER: Final = 0.25
"""Heat and supply are both named where each alone explains this share (the contract's figure)."""

HALF: Final = 0.5
"""Less than this explained by everything that is known leaves a derate unexplained."""

HYSTERESIS_K: Final = 15.0
"""A module lets assist back up to this much below the temperature that took it: 5 to 15 K
is usual (reference figure, from memory)."""

HYSTERESIS_V: Final = 0.3
"""A module lets assist back up to this much above the supply that took it: common practice, no
source."""

NOTICED_PCT: Final = 1.0
"""A status word tells that assist is reduced and not how far: whatever calls for more than this
explains it whole."""

LOOK_BACK_S: Final = 5.0
"""What happened this long before a derate may still explain it, while assist comes back."""

RISE_LEAST_PCT_S: Final = 10.0
"""A module is taken to let assist back at least this fast: 10 s from nothing to all."""

FALL_LEAST_PCT_S: Final = 50.0
"""... and to take it away at least this fast."""

STEEPEST_SHARE: Final = 0.95
"""The rate of a ramp is this quantile of its slopes, so that single steps do not set it."""

MOVING_KPH: Final = 3.0
"""An engine that stops above this road speed has stalled on the move."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Reasons:
    """What a derate is put down to."""

    cause: str
    severity: Severity
    shares: Mapping[str, float]
    lost_pct_s: float
    expected_min_pct: float
    measured: Mapping[str, float]
    expected: Mapping[str, float]


def explain(
    scene: DerateScene,
    rows: slice,
    lost_pct: FloatArray,
    stale_after_s: float,
    *,
    depth_known: bool = True,
) -> Reasons:
    """Compare the assist that was lost with what each cause calls for, sample by sample.

    Parameters
    ----------
    rows : slice
        The derate's samples in the scene.
    lost_pct : array of float64, shape (rows,)
        100 less the assist available.
    stale_after_s : float
        Steps longer than this are gaps and weigh nothing.
    depth_known : bool
        False where a status word told of it: then each cause explains a sample whole or
        not at all.

    Returns
    -------
    Reasons
        ``shares`` of the lost assist, each cause taken alone, and what none explains.
    """
    time_s = scene.time_s[rows]
    weight = _weights(time_s, stale_after_s) * lost_pct
    fall, rise = _rates(time_s, lost_pct)
    called_pct = _losses_called_for(scene, rows, rise)
    if not depth_known:
        called_pct = {cause: _whole(loss > NOTICED_PCT) for cause, loss in called_pct.items()}
    total = float(weight.sum())

    def share(loss_pct: FloatArray) -> float:
        part = np.minimum(loss_pct, lost_pct) / np.maximum(lost_pct, np.finfo(float).tiny)
        return float((part * weight).sum() / total) if total > 0.0 else 0.0

    shares = {cause: share(loss_pct) for cause, loss_pct in called_pct.items()}
    shares["unexplained"] = 1.0 - share(np.max(list(called_pct.values()), axis=0))
    lines_share = share(np.maximum(called_pct["temperature"], called_pct["voltage"]))
    cause = _verdict(shares, lines_share)
    levels = by_levels(scene, rows) if cause == "unexplained" else None
    if levels is not None:
        shares[levels] += shares["unexplained"]
        cause, shares["unexplained"] = levels, 0.0
    return Reasons(
        cause=cause,
        severity=_severity(scene, rows, cause),
        shares=shares,
        lost_pct_s=total,
        expected_min_pct=_expected_min(scene, rows, cause, fall, rise),
        measured=_conditions(scene, rows),
        expected=_starts(scene),
    )


def _whole(state: BoolArray) -> FloatArray:
    """Return a loss of all assist where `state` holds, in %."""
    return np.where(state, FULL_PCT, 0.0)


def _weights(time_s: FloatArray, stale_after_s: float) -> FloatArray:
    """Return how long each sample stands for; the last one as long as the one before."""
    if len(time_s) < 2:  # noqa: PLR2004 - a single sample has no step
        return np.ones(len(time_s))
    steps = np.diff(seen_s(time_s, stale_after_s=stale_after_s))
    return np.append(steps, steps[-1])


def _rates(time_s: FloatArray, lost_pct: FloatArray) -> tuple[float, float]:
    """Return how fast assist was taken away and let back in this derate, in %/s."""
    if len(time_s) < 2:  # noqa: PLR2004 - a single sample has no slope
        return FALL_LEAST_PCT_S, RISE_LEAST_PCT_S
    slope = np.diff(lost_pct) / np.maximum(np.diff(time_s), np.finfo(float).tiny)
    down, up = slope[slope > 0.0], -slope[slope < 0.0]
    fall = float(np.quantile(down, STEEPEST_SHARE)) if len(down) else 0.0
    rise = HALF * float(np.quantile(up, STEEPEST_SHARE)) if len(up) else 0.0
    return max(fall, FALL_LEAST_PCT_S), max(rise, RISE_LEAST_PCT_S)


def _losses_called_for(scene: DerateScene, rows: slice, rise: float) -> dict[str, FloatArray]:
    """Return the loss in % that each cause calls for, or still explains, at each row."""
    time_s = scene.time_s
    start_s = time_s[rows.start] - LOOK_BACK_S
    early = slice(int(np.searchsorted(time_s, start_s)), rows.stop)
    skip = rows.start - early.start
    heat_c = scene.temperature_c[rows]
    held_c = np.fmax(heat_c, np.fmin(np.fmax.accumulate(heat_c), heat_c + HYSTERESIS_K))
    heat_pct = np.nan_to_num(100.0 - temperature_line_pct(held_c, scene.lines), nan=0.0)
    supply_v = scene.supply_v[early]
    held_v = np.fmin(supply_v, np.fmax(np.fmin.accumulate(supply_v), supply_v - HYSTERESIS_V))
    supply_pct = 100.0 - supply_line_pct(held_v, scene.lines)
    if not scene.supply_line_holds:
        supply_pct = np.zeros(len(supply_pct))
    engine_off = scene.engine_off[early].copy()
    if early.start == 0:  # what was before the log is unknown: a module may have just woken up
        engine_off[0] = True
    called = {"temperature": heat_pct}
    for cause, loss_pct in (
        ("voltage", supply_pct),
        ("speed_signal", _whole(scene.speed_bad[early])),
        ("engine_stopped", _whole(engine_off)),
        ("overvoltage", _whole(scene.too_high[early])),
    ):
        called[cause] = fading(time_s[early], loss_pct, rise_pct_s=rise)[skip:]
    return called


def _verdict(shares: Mapping[str, float], lines_share: float) -> str:
    """Return the contract's word: first what stops assist outright, then the two lines."""
    if shares["engine_stopped"] >= HALF:
        return "engine_stopped"
    if shares["overvoltage"] >= HALF:
        return "overvoltage"
    if shares["speed_signal"] >= HALF and lines_share < HALF:
        return "speed_signal"
    if lines_share < HALF:
        return "unexplained"
    if min(shares["temperature"], shares["voltage"]) >= QUARTER:
        return "temperature+voltage"
    return "temperature" if shares["temperature"] >= shares["voltage"] else "voltage"


def _severity(scene: DerateScene, rows: slice, cause: str) -> Severity:
    if cause == "engine_stopped":
        moving = scene.speed_kph[rows] > MOVING_KPH
        return Severity.WARNING if moving.any() else Severity.NOTE
    known = not (np.isnan(scene.temperature_c[rows]).all() or np.isnan(scene.supply_v[rows]).all())
    if cause == "unexplained" and known and scene.engine_known:
        return Severity.SERIOUS
    return Severity.WARNING


def _expected_min(scene: DerateScene, rows: slice, cause: str, fall: float, rise: float) -> float:
    """Return the lowest limit that the lines call for, after the module's rates, in %."""
    heat_pct = temperature_line_pct(scene.temperature_c[rows], scene.lines)
    supply_pct = supply_line_pct(scene.supply_v[rows], scene.lines)
    if not scene.supply_line_holds:
        supply_pct = np.full(len(supply_pct), np.nan)
    target_pct = np.fmin(heat_pct, supply_pct)
    if cause in {"engine_stopped", "speed_signal", "overvoltage"} or np.isnan(target_pct).all():
        return float("nan")
    given = follow(scene.time_s[rows], target_pct, fall_pct_s=fall, rise_pct_s=rise)
    return float(given.min())


def _conditions(scene: DerateScene, rows: slice) -> dict[str, float]:
    """Return what temperature and supply were at the onset and at their worst."""
    readings = {
        "module_temperature_degc": float(scene.temperature_c[rows.start]),
        "supply_v": float(scene.supply_v[rows.start]),
        "max_temperature_degc": _worst(scene.temperature_c[rows], np.fmax),
        "min_supply_v": _worst(scene.supply_v[rows], np.fmin),
        "vehicle_speed_kph": float(scene.speed_kph[rows.start]),
    }
    return {name: value for name, value in readings.items() if not np.isnan(value)}


def _starts(scene: DerateScene) -> dict[str, float]:
    """Return where assist starts to fall, by temperature and, where its line holds, supply."""
    starts = {"module_temperature_degc": scene.lines.derate_start_c}
    if scene.supply_line_holds:
        starts["supply_v"] = scene.lines.derate_start_v
    return starts


def _worst(values: FloatArray, pick: np.ufunc) -> float:
    return float(pick.reduce(values))

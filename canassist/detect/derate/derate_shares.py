"""How much of a derate each known law asks for, sample by sample."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.physics import (
    FULL_PCT,
    fading,
    follow,
    supply_line_pct,
    temperature_line_pct,
)
from canassist.timeline import seen_s

if TYPE_CHECKING:
    from canassist.detect.derate.derate_scene import DerateScene
    from canassist.model import BoolArray, FloatArray

QUARTER: Final = 0.25
"""Heat and supply are both named where each alone explains this share (the contract's figure)."""

HALF: Final = 0.5

HYSTERESIS_K: Final = 15.0
"""A module lets assist back up to this much below the temperature that took it: 5 to 15 K
is usual (reference figure, from memory)."""

HYSTERESIS_V: Final = 0.3
"""A module lets assist back up to this much above the supply that took it, on 12 V: common
practice, no source."""

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

CAUSES: Final = ("temperature", "voltage", "speed_signal", "engine_stopped", "overvoltage")


@dataclass(frozen=True, slots=True, kw_only=True)
class LossShares:
    """Shares of the lost assist, each cause taken alone, and what none explains.

    ``called_pct`` holds the loss that each of `CAUSES` asks for at each sample; ``lines`` is
    the share that heat and supply explain together.
    """

    shares: Mapping[str, float]
    lines: float
    called_pct: FloatArray
    lost_pct_s: float
    expected_min_pct: float

    def verdict(self) -> str:
        """Return what explains half: first what stops assist outright, then the two lines."""
        for cause in ("engine_stopped", "overvoltage"):
            if self.shares[cause] >= HALF:
                return cause
        if self.shares["speed_signal"] >= HALF and self.lines < HALF:
            return "speed_signal"
        if self.lines < HALF:
            return "unexplained"
        if self.of_lines_both():
            return "temperature+voltage"
        heat, supply = self.shares["temperature"], self.shares["voltage"]
        return "temperature" if heat >= supply else "voltage"

    def of_lines_both(self) -> bool:
        """Tell whether heat and supply each alone explain a quarter."""
        return min(self.shares["temperature"], self.shares["voltage"]) >= QUARTER


def loss_shares(scene: DerateScene, rows: slice, *, depth_known: bool) -> LossShares:
    """Compare the assist that was lost with what each cause calls for."""
    lost_pct = FULL_PCT - np.minimum(scene.assist.available_pct[rows], FULL_PCT)
    time_s = scene.time_s[rows]
    weight = _weights(time_s, scene.assist.stale_after_s) * lost_pct
    fall, rise = _rates(time_s, lost_pct)
    called = np.stack(_losses_called_for(scene, rows, rise))
    if not depth_known:
        called = np.where(called > NOTICED_PCT, FULL_PCT, 0.0)
    total = float(weight.sum())

    def share(loss_pct: FloatArray) -> float:
        part = np.minimum(loss_pct, lost_pct) / np.maximum(lost_pct, np.finfo(float).tiny)
        return float((part * weight).sum() / total) if total > 0.0 else 0.0

    shares = {cause: share(loss) for cause, loss in zip(CAUSES, called, strict=True)}
    shares["unexplained"] = 1.0 - share(called.max(axis=0))
    return LossShares(
        shares=shares,
        lines=share(np.maximum(called[0], called[1])),
        called_pct=called,
        lost_pct_s=total,
        expected_min_pct=_expected_min(scene, rows, fall, rise),
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


def _losses_called_for(scene: DerateScene, rows: slice, rise: float) -> list[FloatArray]:
    """Return the loss in % that each cause calls for, or still explains, at each row."""
    time_s = scene.time_s
    start_s = time_s[rows.start] - LOOK_BACK_S
    early = slice(int(np.searchsorted(time_s, start_s)), rows.stop)
    skip = rows.start - early.start
    back_k, back_v = _hysteresis(scene)
    heat_c = scene.temperature_c[rows]
    held_c = np.fmax(heat_c, np.fmin(np.fmax.accumulate(heat_c), heat_c + back_k))
    heat_pct = np.nan_to_num(FULL_PCT - temperature_line_pct(held_c, scene.lines), nan=0.0)
    supply_v = scene.supply_v[early]
    held_v = np.fmin(supply_v, np.fmax(np.fmin.accumulate(supply_v), supply_v - back_v))
    supply_pct = FULL_PCT - supply_line_pct(held_v, scene.lines)
    if not scene.supply_line_holds:
        supply_pct = np.zeros(len(supply_pct))
    others = (
        supply_pct,
        _whole(scene.speed_bad[early]),
        _whole(scene.engine_off[early]),
        _whole(scene.too_high[early]),
    )
    return [
        heat_pct,
        *(fading(time_s[early], loss_pct, rise_pct_s=rise)[skip:] for loss_pct in others),
    ]


def _hysteresis(scene: DerateScene) -> tuple[float, float]:
    """Return how far the lines may lag on the way back, in K and V."""
    own = scene.profile.protection
    back_k = HYSTERESIS_K if own.hysteresis_k is None else own.hysteresis_k
    back_v = HYSTERESIS_V * scene.volt_share if own.hysteresis_v is None else own.hysteresis_v
    return back_k, back_v


def _expected_min(scene: DerateScene, rows: slice, fall: float, rise: float) -> float:
    """Return the lowest limit that the lines call for, after the module's rates, in %."""
    heat_pct = temperature_line_pct(scene.temperature_c[rows], scene.lines)
    supply_pct = supply_line_pct(scene.supply_v[rows], scene.lines)
    if not scene.supply_line_holds:
        supply_pct = np.full(len(supply_pct), np.nan)
    target_pct = np.fmin(heat_pct, supply_pct)
    if np.isnan(target_pct).all():
        return float("nan")
    given = follow(scene.time_s[rows], target_pct, fall_pct_s=fall, rise_pct_s=rise)
    return float(given.min())

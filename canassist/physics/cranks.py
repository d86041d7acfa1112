"""Starts of the engine: how far the starter pulls the supply down."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.model import CrankFit
from canassist.physics.engine import StarterTurn, starter_turns

if TYPE_CHECKING:
    from canassist.model import FloatArray, Timeline

INRUSH_S: Final = 0.3
"""Cranking is judged from this long after the starter engages (the contract's figure)."""

ENGAGE_DROP_V: Final = 0.7
"""The starter has engaged once the supply has dropped by this: it draws far more than
anything else that is switched on with a stopped engine."""

REST_S: Final = 5.0
"""The level at rest is the median of this long before the starter engages."""


def fit_cranks(timeline: Timeline) -> tuple[CrankFit, ...]:
    """Measure every turning of the starter that the log shows with its supply."""
    channel = timeline.get("supply_voltage")
    if channel is None:
        return ()
    time_s, supply_v = channel.valid()
    fits = (_fit(turn, time_s, supply_v) for turn in starter_turns(timeline))
    return tuple(fit for fit in fits if fit is not None)


def _fit(turn: StarterTurn, time_s: FloatArray, supply_v: FloatArray) -> CrankFit | None:
    inside = (time_s >= turn.start_s) & (time_s < turn.end_s)
    if not inside.any():
        return None
    before = (time_s >= turn.start_s - REST_S) & (time_s < turn.start_s)
    rest_v = float(np.median(supply_v[before])) if before.any() else None
    engaged_s = turn.start_s
    if rest_v is not None:
        dropped = np.flatnonzero(inside & (supply_v < rest_v - ENGAGE_DROP_V))
        engaged_s = float(time_s[dropped[0]]) if len(dropped) else engaged_s
    plateau = inside & (time_s >= engaged_s + INRUSH_S)
    return CrankFit(
        start_s=engaged_s,
        end_s=turn.end_s,
        inrush_min_v=float(supply_v[inside].min()),
        plateau_min_v=float(supply_v[plateau].min()) if plateau.any() else None,
        rest_v=rest_v,
    )

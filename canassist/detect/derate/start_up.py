"""Assist that comes up after a start: of the module, of the engine, or of the log."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from canassist.physics import FULL_PCT, supply_line_pct, temperature_line_pct
from canassist.timeline import TIME_STEP_S

if TYPE_CHECKING:
    from canassist.detect.derate.derate_scene import DerateScene
    from canassist.detect.derate.onset import Onset

FALLS_PCT: Final = 2.0
"""A limit that comes up never falls by more than this (the contract's figure)."""

BEFORE_S: Final = 1.0
"""What it comes up after lies at most this long before, or two periods (the contract's figure)."""

RAMP_SHARE: Final = 1.5
"""It lasts no longer than the profile's ramp and half again (the contract's figure) ..."""

RAMP_MOST_S: Final = 60.0
"""... or, without one, this (the contract's figure)."""


def comes_back(scene: DerateScene, rows: slice) -> bool:
    """Tell whether the limit only climbs from the first sample of a reduction on."""
    level = np.minimum(scene.assist.available_pct[rows], FULL_PCT)
    return bool((np.maximum.accumulate(level) - level).max(initial=0.0) <= FALLS_PCT)


class Began(NamedTuple):
    """What an onset comes after, or "", and from when on the limit comes up, in s."""

    after: str
    at_s: float


def what_began(scene: DerateScene, onset: Onset) -> Began:
    """Return what an onset comes after: a silence, engine start or the log's begin.

    A module that loses its supply may still say so in its last message: it comes up from
    the end of the silence on. ``"gap"`` is a gap in the limit's own samples that is none
    of these.
    """
    reach_s = max(BEFORE_S, 2.0 * scene.period_s) + TIME_STEP_S
    at_s = onset.at_s
    ends = [
        s.end_s
        for s in scene.life.silences
        if s.start_s - reach_s <= at_s and at_s - s.end_s <= reach_s
    ]
    if ends:
        return Began("silence", max(ends))
    if any(0.0 <= at_s - start_s <= reach_s for start_s in scene.life.engine_starts_s):
        return Began("engine_start", at_s)
    resumed = any(0.0 <= at_s - begin_s <= reach_s for begin_s in scene.life.bus_begins_s)
    if onset.row == 0 or resumed:
        return Began("log_begin", at_s)
    return Began("" if onset.seen else "gap", at_s)


def coming_up(scene: DerateScene, rows: slice, began: Began) -> slice:
    """Return the rows of a reduction from where the limit comes up."""
    first = int(np.searchsorted(scene.time_s, began.at_s - TIME_STEP_S))
    return slice(min(max(rows.start, first), rows.stop - 1), rows.stop)


def is_start_up(scene: DerateScene, rows: slice, began: Began) -> bool:
    """Tell whether a limit that comes up after a start does so by itself.

    Neither temperature nor supply, where known, may ask for the loss, and it may not last
    longer than the module's ramp.
    """
    rows = coming_up(scene, rows, began)
    if not comes_back(scene, rows):
        return False
    lost_pct = FULL_PCT - np.minimum(scene.assist.available_pct[rows], FULL_PCT)
    heat_pct = FULL_PCT - temperature_line_pct(scene.temperature_c[rows], scene.lines)
    asked_pct = np.nan_to_num(heat_pct)
    if scene.supply_line_holds:
        supply_pct = FULL_PCT - supply_line_pct(scene.supply_v[rows], scene.lines)
        asked_pct = np.fmax(asked_pct, np.nan_to_num(supply_pct))
    total = float(lost_pct.sum())
    if total > 0.0 and float(np.minimum(asked_pct, lost_pct).sum()) / total >= ASKED_SHARE:
        return False
    ramp_s = scene.profile.protection.start_ramp_s
    most_s = RAMP_MOST_S if ramp_s is None else max(RAMP_SHARE * ramp_s, BEFORE_S)
    stop = min(rows.stop, len(scene.time_s) - 1)
    lasts_s = float(scene.time_s[stop] - scene.time_s[rows.start])
    return lasts_s <= most_s + TIME_STEP_S


ASKED_SHARE: Final = 0.25
"""Temperature or supply that asks for this share of the loss is a reason of its own."""

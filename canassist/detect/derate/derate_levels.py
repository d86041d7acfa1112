"""Arguing from levels, where no line that is known stands at an onset."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.physics import has_engine
from canassist.stats import rank_share

if TYPE_CHECKING:
    from canassist.detect.derate.derate_scene import DerateScene
    from canassist.model import FloatArray

HOT_C: Final = 60.0
"""A module cooler than this does not protect itself from heat: common practice, no source."""

LOW_V: Final = 12.8
"""Supply above this is no reason to reduce assist on a 12 V vehicle: a charged battery at rest
has less (common table). Scaled to the nominal supply."""

LINE_OFF: Final = 0.12
"""A given line may be off by this share of its start: a tenth, and a sensor's error."""

APART: Final = 0.95
"""A sample of the derate lies beyond one with full assist in this share of all pairs."""

MOST: Final = 0.10
"""Nine tenths of the derate must lie beyond the bound."""

LEAST_FULL: Final = 50
"""Fewer samples with full assist show no level."""


def by_levels(scene: DerateScene, rows: slice) -> str | None:
    """Return what sets a derate apart from the rest of the ride: heat or low supply.

    A module that reduces assist at temperatures (or voltages) at which it never gave full
    assist may do so as designed, by a line of its own; a given line may be off by its own
    tolerance. It need not. Without engine speed levels tell nothing: a stopped engine takes
    assist and charging voltage away, and it stops when the module is warm from riding.

    Returns
    -------
    str or None
        ``"temperature"``, ``"voltage"``, or None where neither sets it apart.
    """
    full = scene.full & ~scene.engine_off
    if full.sum() < LEAST_FULL or not _engine_told(scene):
        return None
    heat_c, supply_v = scene.temperature_c, scene.supply_v
    hot_c, low_v = HOT_C, LOW_V * scene.volt_share
    if scene.heat_line_known:
        hot_c = max(hot_c, (1.0 - LINE_OFF) * scene.lines.derate_start_c)
    if scene.supply_line_known:
        low_v = min(low_v, (1.0 + LINE_OFF) * scene.lines.derate_start_v)
    if _beyond(heat_c[rows], heat_c[full], hot_c):
        return "temperature"
    if _beyond(-supply_v[rows], -supply_v[full], -low_v):
        return "voltage"
    return None


def _engine_told(scene: DerateScene) -> bool:
    """Tell whether a stopped engine would be seen, or there is none."""
    return scene.engine_known or has_engine(scene.timeline, scene.profile) is False


def _beyond(during: FloatArray, otherwise: FloatArray, least: float) -> bool:
    """Tell whether most of one set of values lies beyond most of another, and a bound."""
    during, otherwise = during[~np.isnan(during)], otherwise[~np.isnan(otherwise)]
    if not len(during) or not len(otherwise):
        return False
    return float(np.quantile(during, MOST)) >= least and rank_share(during, otherwise) >= APART

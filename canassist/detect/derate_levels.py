"""Arguing from levels, where the lines by which a module reduces assist are not known."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.stats import rank_share

if TYPE_CHECKING:
    from canassist.detect.derate_scene import DerateScene
    from canassist.model import FloatArray

HOT_C: Final = 60.0
"""A module cooler than this does not protect itself from heat: common practice, no source."""

LOW_V: Final = 12.8
"""Supply above this is no reason to reduce assist on a 12 V vehicle: a charged battery at rest
has less (common table)."""

APART: Final = 0.95
"""A sample of the derate lies beyond one with full assist in this share of all pairs."""

MOST: Final = 0.10
"""Nine tenths of the derate must lie beyond the bound."""

LEAST_FULL: Final = 50
"""Fewer samples with full assist show no level."""


def by_levels(scene: DerateScene, rows: slice) -> str | None:
    """Return what sets a derate apart from the rest of the ride: heat or low supply.

    Only where a line is not known: a module that reduces assist at temperatures (or
    voltages) at which it never gave full assist may do so as designed, by a line of its
    own. It need not. Without engine speed levels tell nothing: a stopped engine takes
    assist and charging voltage away, and it stops when the module is warm from riding.

    Returns
    -------
    str or None
        ``"temperature"``, ``"voltage"``, or None where neither sets it apart.
    """
    full = scene.full & ~scene.engine_off
    if full.sum() < LEAST_FULL or not scene.engine_known:
        return None
    heat_c, supply_v = scene.temperature_c, scene.supply_v
    if not scene.heat_line_known and _beyond(heat_c[rows], heat_c[full], HOT_C):
        return "temperature"
    if not scene.supply_line_known and _beyond(-supply_v[rows], -supply_v[full], -LOW_V):
        return "voltage"
    return None


def _beyond(during: FloatArray, otherwise: FloatArray, least: float) -> bool:
    """Tell whether most of one set of values lies beyond most of another, and a bound."""
    during, otherwise = during[~np.isnan(during)], otherwise[~np.isnan(otherwise)]
    if not len(during) or not len(otherwise):
        return False
    return float(np.quantile(during, MOST)) >= least and rank_share(during, otherwise) >= APART

"""The module's temperature at a cold start, held against the air and the coolant."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.model import ColdStart
from canassist.physics.engine import STARTED_RPM

if TYPE_CHECKING:
    from canassist.model import Channel, FloatArray, Timeline

FIRST_S: Final = 20.0
"""Readings of a cold start are the medians of this long from the log's begin: a housing takes
minutes to warm."""

COLD_K: Final = 10.0
"""Coolant this near to the air has stood for hours: common practice, no source."""

COLD_MOST_C: Final = 45.0
"""Coolant above this belongs to an engine that ran not long ago, whatever the air: common practice,
no source."""

APART_K: Final = 25.0
"""A module at a cold start that reads further than this from air and coolant does not read itself:
sun and a rest from another ride make 10 to 20 K, common practice, no source."""


def cold_start(timeline: Timeline) -> ColdStart | None:
    """Compare the module's temperature with air and coolant at a cold start.

    Returns
    -------
    ColdStart or None
        None without module temperature or anything to hold it against, and where the log
        does not begin cold: coolant far from the air, or well above any, or, without
        coolant, with the engine running.
    """
    module = timeline.get("module_temperature")
    air_c = _first(timeline.get("ambient_temperature"))
    coolant_c = _first(timeline.get("coolant_temperature"))
    module_c = _first(module)
    if module_c is None or (air_c is None and coolant_c is None):
        return None
    if not _is_cold(timeline, air_c, coolant_c):
        return None
    if coolant_c is not None:
        reference, reference_c = "coolant_temperature", coolant_c
    else:
        reference, reference_c = "ambient_temperature", float(air_c or 0.0)
    known = [one for one in (air_c, coolant_c) if one is not None]
    nearest_k = min((module_c - one for one in known), key=abs)
    return ColdStart(
        module_c=module_c,
        reference_c=reference_c,
        reference=reference,
        apart_k=nearest_k,
        believable=abs(nearest_k) <= APART_K,
    )


def _is_cold(timeline: Timeline, air_c: float | None, coolant_c: float | None) -> bool:
    if coolant_c is not None and air_c is not None:
        return abs(coolant_c - air_c) <= COLD_K
    if coolant_c is not None:
        return coolant_c <= COLD_MOST_C and not _ran_at_first(timeline)
    return not _ran_at_first(timeline) and timeline.has("engine_speed")


def _ran_at_first(timeline: Timeline) -> bool:
    engine = timeline.get("engine_speed")
    if engine is None:
        return False
    values = engine.valid()[1]
    return bool(len(values) and values[0] > STARTED_RPM)


def _first(channel: Channel | None) -> float | None:
    """Return a channel's median at the begin of the log; None where it has no value there."""
    if channel is None:
        return None
    time_s, value = channel.valid()
    early: FloatArray = value[time_s <= FIRST_S]
    return float(np.median(early)) if len(early) else None

"""Undervoltage: supply below its limit, and what pulled it down."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.detect.dip_causes import DipScene, dip_cause
from canassist.detect.spans import find_spans, last_row
from canassist.model import Event, EventKind, Severity
from canassist.physics import nominal_share, starter_turns, supply_limits_hold, within

if TYPE_CHECKING:
    from canassist.detect.spans import Span
    from canassist.model import FloatArray, Physics, Profile, Timeline
    from canassist.physics import LifeOfRide

HYSTERESIS_V: Final = 0.2
"""The supply is back once it is this far above its limit (the contract's figure) ..."""

HOLD_S: Final = 0.2
"""... for this long."""


def find_undervoltage(
    timeline: Timeline, profile: Profile, physics: Physics, life: LifeOfRide
) -> list[Event]:
    """Find spans in which the supply is below its limit; one sample is enough.

    While the starter turns, ``cranking_v`` is the limit, else ``undervoltage_v``.
    Nothing is found without supply voltage, or on a supply other than 12 V whose
    limits the profile does not give.

    Returns
    -------
    list of Event
        In time order. ``measured`` holds ``min_supply_v``, ``lowest_at_s`` and
        ``below_limit_s``, ``expected`` the limit of that moment as ``min_supply_v``.
    """
    channel = timeline.get("supply_voltage")
    if channel is None or not supply_limits_hold(timeline, profile, "undervoltage_v"):
        return []
    time_s, supply_v = channel.valid()
    turns = starter_turns(timeline)
    limits = profile.limits
    cranking_holds = supply_limits_hold(timeline, profile, "cranking_v")
    cranking_v = limits.cranking_v if cranking_holds else np.nan  # NaN: nothing is below it
    limit_v = np.where(within(time_s, turns), cranking_v, limits.undervoltage_v)
    spans = find_spans(
        time_s,
        supply_v < limit_v,
        supply_v > limit_v + HYSTERESIS_V * nominal_share(timeline, profile),
        hold_s=HOLD_S,
        stale_after_s=channel.stale_after_s,
    )
    if not spans:
        return []
    scene = DipScene.of(timeline, profile, physics, life, turns)
    return [_event(span, time_s, supply_v, limit_v, scene) for span in spans]


def _event(
    span: Span, time_s: FloatArray, supply_v: FloatArray, limit_v: FloatArray, scene: DipScene
) -> Event:
    rows = slice(span.first, last_row(span, len(time_s)))
    lowest = span.first + int(np.argmin(supply_v[rows]))
    below = supply_v[rows] < limit_v[rows]
    last_below = rows.stop - 1 - int(np.argmax(below[::-1]))
    cause = dip_cause(scene, float(time_s[span.first]), float(time_s[last_below]))
    return Event(
        kind=EventKind.UNDERVOLTAGE,
        start_s=float(time_s[span.first]),
        end_s=None if span.end is None else float(time_s[span.end]),
        cause=cause,
        severity=Severity.NOTE if cause == "engine_stopped" else Severity.WARNING,
        channel="supply_voltage",
        measured={
            "min_supply_v": float(supply_v[lowest]),
            "lowest_at_s": float(time_s[lowest]),
            "below_limit_s": scene.seconds(rows, below),
            **scene.figures(float(time_s[lowest])),
        },
        expected={"min_supply_v": float(limit_v[lowest])},
        limits={
            "cranking_v" if scene.turning[lowest] else "undervoltage_v": float(limit_v[lowest])
        },
    )

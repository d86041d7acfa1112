"""Everything that may reduce assist, lined up with the channel that shows that it was."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from canassist.model import Event, EventKind
from canassist.physics import engine_stands, supply_limits_hold
from canassist.timeline import value_at

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canassist.model import BoolArray, FloatArray, LimitLines, Physics, Profile, Timeline

SPEED_CHANNELS: Final = frozenset({"vehicle_speed", "engine_speed"})
SIGNAL_KINDS: Final = frozenset(
    {EventKind.SIGNAL_LOSS, EventKind.SIGNAL_STUCK, EventKind.SIGNAL_JUMP}
)


class Available(NamedTuple):
    """Samples of the channel that shows available assist: times, and where it was full."""

    time_s: FloatArray
    full: BoolArray


@dataclass(frozen=True, slots=True, kw_only=True)
class DerateScene:
    """Everything that may reduce assist, at the samples of the channel that shows it.

    ``full`` tells where full assist was available. A line is known where the profile gives
    it or the ride showed it; else it is the default, and only holds on a 12 V supply.
    """

    time_s: FloatArray
    temperature_c: FloatArray
    supply_v: FloatArray
    speed_kph: FloatArray
    engine_off: BoolArray
    engine_known: bool
    speed_bad: BoolArray
    too_high: BoolArray
    full: BoolArray
    lines: LimitLines
    heat_line_known: bool
    supply_line_known: bool
    supply_line_holds: bool

    @staticmethod
    def of(
        timeline: Timeline,
        profile: Profile,
        physics: Physics,
        signal_events: Sequence[Event],
        assist: Available,
    ) -> DerateScene:
        """Gather the channels at the samples of `assist`; `physics` must hold the limit lines."""
        if physics.limit_lines is None:
            raise ValueError("derating needs physics.limit_lines")
        time_s, lines = assist.time_s, physics.limit_lines
        supply_v = value_at(timeline, "supply_voltage", time_s)
        high_holds = supply_limits_hold(timeline, profile, "overvoltage_v")
        return DerateScene(
            time_s=time_s,
            temperature_c=value_at(timeline, "module_temperature", time_s),
            supply_v=supply_v,
            speed_kph=value_at(timeline, "vehicle_speed", time_s),
            engine_off=engine_stands(timeline, time_s),
            engine_known=timeline.has("engine_speed"),
            speed_bad=_bad_speed(timeline, signal_events, time_s),
            too_high=(supply_v > profile.limits.overvoltage_v) & high_holds,
            full=assist.full,
            lines=lines,
            heat_line_known=lines.temperature_from != "assumed",
            supply_line_known=lines.supply_from != "assumed",
            supply_line_holds=lines.supply_from == "ride"
            or supply_limits_hold(timeline, profile, "derate_start_v", "derate_zero_v"),
        )


def _bad_speed(timeline: Timeline, signal_events: Sequence[Event], time_s: FloatArray) -> BoolArray:
    """Tell where road or engine speed was lost, stuck, jumping, or its bus silent."""
    spans = [
        (event.start_s, event.until(np.inf))
        for event in signal_events
        if event.kind in SIGNAL_KINDS and event.channel in SPEED_CHANNELS
    ]
    buses = {channel.source.bus for name in SPEED_CHANNELS if (channel := timeline.get(name))}
    spans += [(start_s, end_s) for bus, start_s, end_s in timeline.bus.bus_gaps if bus in buses]
    bad = np.zeros(len(time_s), dtype=np.bool_)
    for start_s, end_s in spans:
        bad |= (time_s >= start_s) & (time_s <= end_s)
    return bad

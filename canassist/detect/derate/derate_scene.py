"""Everything that may reduce assist, lined up with the channel that shows that it was."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from canassist.model import Event, EventKind
from canassist.physics import engine_stands, nominal_share, supply_limits_hold
from canassist.timeline import value_at

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canassist.model import (
        BoolArray,
        FloatArray,
        IntArray,
        LimitLines,
        Physics,
        Profile,
        Timeline,
    )
    from canassist.physics import LifeOfRide

Span = tuple[float, float]
SPEED_CHANNELS: Final = frozenset({"vehicle_speed", "engine_speed"})
SIGNAL_KINDS: Final = frozenset(
    {EventKind.SIGNAL_LOSS, EventKind.SIGNAL_STUCK, EventKind.SIGNAL_JUMP}
)


class Available(NamedTuple):
    """Samples of the channel that shows available assist.

    Times, assist in % of what the module's law leaves, and where that was full.
    """

    time_s: FloatArray
    available_pct: FloatArray
    full: BoolArray
    stale_after_s: float


class AtFullAssist(NamedTuple):
    """Samples with full assist, the worst of a channel first: rows, and how long up to each, in s.

    ``mildness`` is what the channel is held against, negated, so that it ascends.
    """

    mildness: FloatArray
    rows: IntArray
    lasted_s: FloatArray


class Rests(NamedTuple):
    """Runs of one repeated value: where each begins, and how long it lasts, in s."""

    begin_s: FloatArray
    lasts_s: FloatArray


@dataclass(frozen=True, kw_only=True)
class DerateScene:
    """Everything that may reduce assist, at the samples of the channel that shows it.

    A line is known where the profile gives it or the ride showed it; else it is the
    default, and only holds on a 12 V supply. ``volt_share`` is the nominal supply over 12 V.
    ``bad_spans`` tells where a channel was lost, stuck or jumped.
    """

    timeline: Timeline
    profile: Profile
    life: LifeOfRide
    assist: Available
    temperature_c: FloatArray
    supply_v: FloatArray
    speed_kph: FloatArray
    engine_off: BoolArray
    engine_known: bool
    speed_bad: BoolArray
    too_high: BoolArray
    bad_spans: tuple[tuple[str, float, float], ...]
    lines: LimitLines
    heat_line_known: bool
    supply_line_known: bool
    supply_line_holds: bool
    volt_share: float

    @property
    def time_s(self) -> FloatArray:
        """Return the times of the samples, in s."""
        return self.assist.time_s

    @property
    def full(self) -> BoolArray:
        """Return where full assist was available."""
        return self.assist.full

    @cached_property
    def full_with_engine(self) -> BoolArray:
        """Full assist, and the engine not known to stand."""
        return self.full & ~self.engine_off

    @cached_property
    def heat_at_full(self) -> AtFullAssist:
        """Module temperature at full assist, the hottest first."""
        return self._at_full(self.temperature_c)

    @cached_property
    def supply_at_full(self) -> AtFullAssist:
        """Supply at full assist, the lowest first."""
        return self._at_full(-self.supply_v)

    def _at_full(self, badness: FloatArray) -> AtFullAssist:
        rows = np.flatnonzero(self.full_with_engine & ~np.isnan(badness))
        rows = rows[np.argsort(-badness[rows], kind="stable")]
        return AtFullAssist(-badness[rows], rows, np.cumsum(self.fresh_s[rows]))

    @cached_property
    def temperature_rests(self) -> Rests:
        """Where module temperature repeats one value, and for how long."""
        time_s, value = self.timeline.channels["module_temperature"].valid()
        first = np.append([0] if len(time_s) else [], np.flatnonzero(np.diff(value) != 0.0) + 1)
        begin_s = time_s[first.astype(np.intp)]
        return Rests(begin_s, np.diff(begin_s, append=time_s[-1:]))

    @cached_property
    def fresh_s(self) -> FloatArray:
        """For how long each sample holds, in s: to the next one, or until it is stale."""
        steps_s = np.diff(self.time_s, append=self.time_s[-1:])
        return np.minimum(steps_s, self.assist.stale_after_s)

    @cached_property
    def period_s(self) -> float:
        """Median time between the samples, in s; 0 for fewer than two."""
        return float(np.median(np.diff(self.time_s))) if len(self.time_s) > 1 else 0.0

    @cached_property
    def falls_s(self) -> FloatArray:
        """When assist fell below full, in s."""
        below = ~self.full
        return self.time_s[np.flatnonzero(below[1:] & ~below[:-1]) + 1]

    @staticmethod
    def of(  # noqa: PLR0913, PLR0917 - what a ride has
        timeline: Timeline,
        profile: Profile,
        physics: Physics,
        life: LifeOfRide,
        signal_events: Sequence[Event],
        assist: Available,
    ) -> DerateScene:
        """Gather the channels at the samples of `assist`; `physics` must hold the limit lines."""
        if physics.limit_lines is None:
            raise ValueError("derating needs physics.limit_lines")
        time_s, lines = assist.time_s, physics.limit_lines
        supply_v = value_at(timeline, "supply_voltage", time_s)
        high_holds = supply_limits_hold(timeline, profile, "overvoltage_v")
        bad = _bad_spans(timeline, signal_events)
        return DerateScene(
            timeline=timeline,
            profile=profile,
            life=life,
            assist=assist,
            temperature_c=value_at(timeline, "module_temperature", time_s),
            supply_v=supply_v,
            speed_kph=value_at(timeline, "vehicle_speed", time_s),
            engine_off=engine_stands(timeline, time_s),
            engine_known=timeline.has("engine_speed"),
            speed_bad=_inside(time_s, [(a, b) for name, a, b in bad if name in SPEED_CHANNELS]),
            too_high=(supply_v > profile.limits.overvoltage_v) & high_holds,
            bad_spans=bad,
            lines=lines,
            heat_line_known=lines.temperature_from != "assumed",
            supply_line_known=lines.supply_from != "assumed",
            supply_line_holds=lines.supply_from == "ride"
            or supply_limits_hold(timeline, profile, "derate_start_v", "derate_zero_v"),
            volt_share=nominal_share(timeline, profile),
        )

    def bad_within(self, names: frozenset[str], window_s: Span) -> bool:
        """Tell whether one of these channels was lost, stuck or jumped in a window."""
        return any(
            name in names and start_s <= window_s[1] and window_s[0] <= end_s
            for name, start_s, end_s in self.bad_spans
        )


def _bad_spans(
    timeline: Timeline, signal_events: Sequence[Event]
) -> tuple[tuple[str, float, float], ...]:
    """Return where channels were lost, stuck, jumping, or the bus of a speed silent."""
    spans = [
        (event.channel or "", event.start_s, event.until(np.inf))
        for event in signal_events
        if event.kind in SIGNAL_KINDS
    ]
    for name in SPEED_CHANNELS:
        channel = timeline.get(name)
        if channel is not None:
            gaps = timeline.bus.bus_gaps
            spans += [(name, a, b) for bus, a, b in gaps if bus == channel.source.bus]
    return tuple(spans)


def _inside(time_s: FloatArray, spans: Sequence[Span]) -> BoolArray:
    inside = np.zeros(len(time_s), dtype=np.bool_)
    for start_s, end_s in spans:
        inside |= (time_s >= start_s) & (time_s <= end_s)
    return inside

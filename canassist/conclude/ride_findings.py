"""One ride as conclusions look at it: its findings by kind, and what the channels read then."""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from canassist.conclude.overlaps import meeting
from canassist.model import Event, EventKind, Severity
from canassist.physics import life_of_ride, nominal_share, supply_limits_hold

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from canassist.model import Channel, Coverage, FloatArray, Limits, Physics, Profile, Timeline
    from canassist.physics import LifeOfRide

NEAR_S: Final = 1.0
"""Findings this near to each other count as at the same time, s: effects follow causes by less."""

CRANK_AFTER_S: Final = 2.0
"""What happens up to this long after the starter lets go still belongs to the start, s."""


RAMP_S: Final = 10.0
"""Modules come up within this after a start, s (rule of thumb)."""

BLINK_S: Final = 2.0
THIN_SOURCES: Final = 3
THIN_MOMENTS: Final = 10
"""So many messages that are lost for less than that, at so many separate moments, are a recorder
that drops frames, and no unit (rule of thumb)."""


FAST_S: Final = 0.2
THIN_SHARE: Final = 0.5
"""Of the identifiers with such a period or a shorter one, this share loses frames by turns."""


SILENT_KINDS: Final = frozenset(
    {
        EventKind.SIGNAL_LOSS,
        EventKind.SIGNAL_STUCK,
        EventKind.MODULE_RESTART,
        EventKind.BUS_DISTURBANCE,
    }
)
"""What units that wake up, fall asleep or change over with the key leave behind."""


def is_life_around(event: Event, life: LifeOfRide) -> bool:
    """Tell whether an event belongs to the life around the ride, and is no evidence."""
    silent = event.kind in SILENT_KINDS
    return life.after_ride(event.start_s) or (silent and life.between_rides(event.start_s))


class IndexedEvent(NamedTuple):
    """An event and its position in the result's events."""

    position: int
    event: Event


IndexedEvents = tuple[IndexedEvent, ...]


HOLES_SHARE: Final = 0.01
"""Where the recorder missed this share of a ride, it is but a part (own choice)."""


@dataclass(frozen=True, kw_only=True)
class RideFindings:
    """Everything that evidence is drawn from."""

    timeline: Timeline
    profile: Profile
    physics: Physics
    events: tuple[Event, ...]
    coverage: Coverage
    at_s: tuple[float, ...] = ()

    @property
    def limits(self) -> Limits:
        """The limits in force."""
        return self.profile.limits

    @property
    def end_s(self) -> float:
        """Where the log ends, s."""
        return self.timeline.duration_s

    @property
    def in_part(self) -> bool:
        """Whether the recording is but a part of the ride: cut off, thinned or with holes."""
        bus = self.timeline.bus
        holes_s = sum(end_s - start_s for start_s, end_s in bus.recording_gaps)
        return bool(bus.thinning) or bus.cut or holes_s >= HOLES_SHARE * bus.duration_s > 0.0

    def of(self, kind: EventKind, *causes: str) -> IndexedEvents:
        """Return the events of a kind that may be evidence, of these causes where any is given."""
        hits = self._by_kind.get(kind, ())
        return tuple(hit for hit in hits if hit.event.cause in causes) if causes else hits

    @cached_property
    def _by_kind(self) -> Mapping[EventKind, IndexedEvents]:
        by_kind: dict[EventKind, list[IndexedEvent]] = defaultdict(list)
        for hit in self.weighty:
            by_kind[hit.event.kind].append(hit)
        return {kind: tuple(hits) for kind, hits in by_kind.items()}

    @cached_property
    def life(self) -> LifeOfRide:
        """When the vehicle lived."""
        return life_of_ride(self.timeline)

    @cached_property
    def volt_share(self) -> float:
        """Nominal supply over 12 V, as the profile says or the supply rests: scales fixed volts."""
        return nominal_share(self.timeline, self.profile)

    @cached_property
    def stuck(self) -> tuple[Event, ...]:
        """Stretches in which a channel repeated one value."""
        return tuple(event for event in self.events if event.kind is EventKind.SIGNAL_STUCK)

    @cached_property
    def weighty(self) -> IndexedEvents:
        """Events that may be evidence.

        None graded a note, none from the life around the ride, and none that the recorder's
        own losses look like.
        """
        heard = tuple(
            IndexedEvent(position, event)
            for position, event in enumerate(self.events)
            if event.severity is not Severity.NOTE and not is_life_around(event, self.life)
        )
        gaps = [event for event in self.events if event.kind is EventKind.LOG_GAP]
        heard = tuple(
            hit
            for hit in heard
            if not (self._after_gap(hit.event, gaps) or self._of_the_start(hit.event))
        )
        if self.thinned:
            heard = tuple(hit for hit in heard if not self._blink(hit.event))
        lost = [(at, at) for at in self.timeline.bus.recorder_losses_s]
        lost += [self._span(event) for event in gaps]
        near = meeting([self._span(hit.event) for hit in heard], lost, NEAR_S)
        return tuple(
            hit
            for hit, lost_then in zip(heard, near, strict=True)
            if not (lost_then and hit.event.kind in SILENT_KINDS)
        )

    def _span(self, event: Event) -> tuple[float, float]:
        return event.start_s, event.until(self.end_s)

    @cached_property
    def thinned(self) -> bool:
        """Whether the recorder lost frames by turns: several units' messages, not at once.

        Where its rate of loss is known, what that can explain was never found.
        """
        if self.timeline.bus.thinning:
            return False
        brief = [
            event
            for event in self.events
            if event.kind is EventKind.SIGNAL_LOSS and self._blink(event)
        ]
        sources = {
            channel.source
            for event in brief
            if (channel := self.timeline.get(event.channel or "")) is not None
        }
        moments = {round(event.start_s) for event in brief}
        by_channels = len(sources) >= THIN_SOURCES and len(moments) >= THIN_MOMENTS
        return by_channels or self._thinned_ids()

    def _thinned_ids(self) -> bool:
        """Tell whether most of the fast identifiers fell silent again and again, by turns."""
        fast = [item for item in self.timeline.bus.ids if 0.0 < item.period_s <= FAST_S]
        losing = [item for item in fast if len(item.silences) >= THIN_SOURCES]
        starts = {round(start_s, 1) for item in losing for start_s, _ in item.silences}
        many = len(losing) >= max(THIN_SOURCES, THIN_SHARE * len(fast))
        return many and len(starts) >= THIN_MOMENTS

    def _after_gap(self, event: Event, gaps: Sequence[Event]) -> bool:
        """Tell whether assist only came up after a hole in the recording: nobody saw why."""
        if event.kind is not EventKind.DERATE or event.end_s is None:
            return False
        brief = event.end_s - event.start_s <= RAMP_S
        return brief and any(0.0 <= event.start_s - gap.until(self.end_s) <= NEAR_S for gap in gaps)

    def _of_the_start(self, event: Event) -> bool:
        """Tell whether assist was only reduced up to a start of the engine, and soon was back."""
        if event.kind is not EventKind.DERATE:
            return False
        before = self.life.between_rides(event.start_s)
        return any(
            (before or start.event.start_s <= event.start_s)
            and event.start_s <= start.event.until(self.end_s) - CRANK_AFTER_S
            and event.until(self.end_s) <= start.event.until(self.end_s)
            for start in self.starts
        )

    def _blink(self, event: Event) -> bool:
        silent = event.kind in {EventKind.SIGNAL_LOSS, EventKind.MODULE_RESTART}
        return silent and event.until(self.end_s) - event.start_s < BLINK_S

    def noted(self, kind: EventKind) -> IndexedEvents:
        """Return the events of a kind that carry no weight."""
        weighty = {hit.position for hit in self.of(kind)}
        return tuple(
            IndexedEvent(position, event)
            for position, event in enumerate(self.events)
            if event.kind is kind and position not in weighty
        )

    @cached_property
    def derates(self) -> IndexedEvents:
        """Reductions that make the steering heavy: a module waiting for the engine is none."""
        return self.of(EventKind.DERATE)

    def derates_by(self, cause: str) -> IndexedEvents:
        """Return the reductions of which a cause explains a quarter or more."""
        return tuple(hit for hit in self.derates if cause in (hit.event.cause or "").split("+"))

    @cached_property
    def warned_positions(self) -> frozenset[int]:
        """Positions of `warnings`."""
        return frozenset(hit.position for hit in self.warnings)

    @cached_property
    def warnings(self) -> IndexedEvents:
        """Events above a note, dips by the starter's inrush alone left out."""
        return tuple(hit for hit in self.weighty if not self._inrush_only(hit.event))

    def _inrush_only(self, event: Event) -> bool:
        """Tell whether a dip lies in a start whose judged part (after 0.3 s) is good."""
        if event.kind is not EventKind.UNDERVOLTAGE or event.cause != "cranking":
            return False
        within = [
            crank
            for crank in self.physics.cranks
            if crank.start_s - NEAR_S <= event.start_s <= crank.end_s + NEAR_S
        ]
        plateaus = [crank.plateau_min_v for crank in within if crank.plateau_min_v is not None]
        return bool(plateaus) and min(plateaus) >= self.limits.cranking_v

    def seconds(self, hits: IndexedEvents) -> float:
        """Return how long events last in all, s."""
        return sum(hit.event.until(self.end_s) - hit.event.start_s for hit in hits)

    def together(
        self, hits: IndexedEvents, others: IndexedEvents, margin_s: float = NEAR_S
    ) -> IndexedEvents:
        """Return those of ``hits`` that overlap one of ``others``, within a margin."""
        met = self._meeting(hits, others, margin_s)
        return tuple(hit for hit, near in zip(hits, met, strict=True) if near)

    def apart(
        self, hits: IndexedEvents, others: IndexedEvents, margin_s: float = NEAR_S
    ) -> IndexedEvents:
        """Return those of ``hits`` that overlap none of ``others``, within a margin."""
        met = self._meeting(hits, others, margin_s)
        return tuple(hit for hit, near in zip(hits, met, strict=True) if not near)

    def _meeting(self, hits: IndexedEvents, others: IndexedEvents, margin_s: float) -> list[bool]:
        spans = [self._span(hit.event) for hit in hits]
        return meeting(spans, [self._span(hit.event) for hit in others], margin_s)

    def supply_holds(self, *limits: str) -> bool:
        """Tell whether these voltage limits mean something on this vehicle's supply."""
        return supply_limits_hold(self.timeline, self.profile, *limits)

    def sign_known(self, name: str) -> bool:
        """Tell whether right-positive is certain for a channel."""
        channel = self.timeline.get(name)
        return channel is not None and channel.sign_known

    def from_the_first(self, event: Event) -> bool:
        """Tell whether an event was there when its channel's first sample came."""
        channel = self.timeline.get(event.channel or "")
        return channel is not None and len(channel) > 0 and event.start_s <= channel.time_s[0]

    def near_moment(self, event: Event, at_s: float, margin_s: float) -> bool:
        """Tell whether an event lies at a moment, within a margin."""
        return event.start_s - margin_s <= at_s <= event.until(self.end_s) + margin_s

    def at_moment(self, margin_s: float) -> IndexedEvents:
        """Return the events that lie at a moment complained of."""
        return tuple(
            IndexedEvent(position, event)
            for position, event in enumerate(self.events)
            if any(self.near_moment(event, at, margin_s) for at in self.at_s)
        )

    @cached_property
    def starts(self) -> IndexedEvents:
        """Engine starts as spans, with what follows them at once."""
        return tuple(
            IndexedEvent(
                -1,
                Event(
                    kind=EventKind.UNDERVOLTAGE,
                    start_s=crank.start_s,
                    end_s=crank.end_s + CRANK_AFTER_S,
                ),
            )
            for crank in self.physics.cranks
        )

    @cached_property
    def supply(self) -> Channel | None:
        """The module's own supply voltage; None where another unit's stands in."""
        channel = self.timeline.get("supply_voltage")
        return None if channel is None or channel.stands_in else channel

    def lowest(self, name: str, hits: IndexedEvents) -> float | None:
        """Return a channel's lowest value during events; None where it has none then."""
        return self._extreme(name, hits, np.min)

    def highest(self, name: str, hits: IndexedEvents) -> float | None:
        """Return a channel's highest value during events; None where it has none then."""
        return self._extreme(name, hits, np.max)

    def middle(self, name: str, hits: IndexedEvents) -> float | None:
        """Return a channel's median during events; None where it has none then."""
        return self._extreme(name, hits, np.median)

    def _extreme(
        self, name: str, hits: IndexedEvents, pick: Callable[[FloatArray], float]
    ) -> float | None:
        channel = self.timeline.get(name)
        if channel is None or not hits:
            return None
        values = np.concatenate([self.within(channel, hit.event) for hit in hits])
        return float(pick(values)) if len(values) else None

    def within(self, channel: Channel, event: Event) -> FloatArray:
        """Return a channel's values during an event, unknown ones left out."""
        values = channel.value[self._rows(channel, event)]
        return values[~np.isnan(values)]

    def times_within(self, channel: Channel, hits: IndexedEvents) -> FloatArray:
        """Return the times of a channel's samples during events, s."""
        parts = [channel.time_s[self._rows(channel, hit.event)] for hit in hits]
        return np.concatenate(parts) if parts else np.empty(0)

    def _rows(self, channel: Channel, event: Event) -> slice:
        first = np.searchsorted(channel.time_s, event.start_s, side="left")
        last = np.searchsorted(channel.time_s, event.until(self.end_s), side="right")
        return slice(int(first), int(last))


def figure(event: Event, *names: str) -> float | None:
    """Return the first of these measured figures that an event has, as a number."""
    return _pick(event.measured, names)


def expected(event: Event, *names: str) -> float | None:
    """Return the first of these expected figures that an event has, as a number."""
    return _pick(event.expected, names)


def unknown_channels(event: Event) -> tuple[str, ...]:
    """Return the channels without which a reduction's cause cannot be told."""
    names = event.measured.get("missing")
    return tuple(names.split(", ")) if isinstance(names, str) and not event.cause else ()


def _pick(figures: Mapping[str, float | str], names: Sequence[str]) -> float | None:
    for name in names:
        value = figures.get(name)
        if isinstance(value, (int, float)) and not math.isnan(value):
            return float(value)
    return None


def extreme_of(
    hits: IndexedEvents, pick: Callable[[Sequence[float]], float], *names: str
) -> float | None:
    """Return the worst of a measured figure over several events; None where none has it."""
    values = [value for hit in hits if (value := figure(hit.event, *names)) is not None]
    return pick(values) if values else None

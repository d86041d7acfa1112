"""Events as cards: one each, alike ones folded into one with a table."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import islice
from typing import TYPE_CHECKING, Final

from canassist.model import EventKind
from canassist.report.charts.event_styles import CAUSE_WORDS, cause_words, family_of, kind_words
from canassist.report.page.channel_words import CHANNEL_WORDS, channel_words
from canassist.report.page.measures import UNKNOWN, Measures, channel_unit, unit_of, words_of
from canassist.report.page.shortening import short
from canassist.report.page.times import RideClock, duration, minutes_seconds

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from canassist.model import Channel, Event, Result
    from canassist.report.charts.event_styles import EventFamily
    from canassist.report.page.rules import LimitLine, Rulebook

_ALIKE: Final = 3
MOST_ENTRIES: Final = 40
"""Of up to so many alike events all are listed; of more the worst and the first."""
_WORST_LISTED: Final = 10
_MOST_COLUMNS: Final = 4
_OF_A_SIGNAL: Final = frozenset(
    {EventKind.SIGNAL_LOSS, EventKind.SIGNAL_STUCK, EventKind.SIGNAL_JUMP}
)
_LEAST_SHARE: Final = 0.005
_READ_THEN: Final = (
    "vehicle_speed",
    "engine_speed",
    "supply_voltage",
    "module_temperature",
    "assist_limit",
    "driver_torque",
    "module_current",
    "assist_mode",
)
"""What a card says of the moment at which its event began; the data has all channels."""
_SEVERITIES: Final = ("note", "warning", "serious")
_LOWEST: Final = ("min ", "max ")
_LONGEST_WORD: Final = 60


@dataclass(frozen=True, slots=True)
class Pair:
    """One figure of an event: as measured, as expected, and the limit that it is held to."""

    words: str
    measured: str
    expected: str
    limit: str = UNKNOWN


@dataclass(frozen=True, slots=True)
class CardEntry:
    """One event in words."""

    place: int
    number: int
    when: str
    seconds: str
    clock: str
    length: str
    severity: str
    subject: str
    text: str
    pairs: tuple[Pair, ...]
    readings: tuple[Pair, ...]

    def measured_as(self, words: str) -> str:
        """Return what was measured of a figure, a dash where this event lacks it."""
        return next((pair.measured for pair in self.pairs if pair.words == words), UNKNOWN)


@dataclass(frozen=True, slots=True)
class Card:
    """One event, or several alike; ``shown``, the worst, is the one with the close-up.

    Of many events ``entries`` has the first and the worst, in time order; ``count`` is all.
    """

    title: str
    family: EventFamily
    severity: str
    count: int
    entries: tuple[CardEntry, ...]
    shown: CardEntry
    rule: str
    limits: tuple[LimitLine, ...]
    shares: tuple[Pair, ...]
    code: str

    @property
    def columns(self) -> tuple[str, ...]:
        """Figures that the table of a folded card shows; when it was stands there already."""
        words = (pair.words for pair in self.shown.pairs if not pair.words.endswith(" at"))
        return tuple(islice(words, _MOST_COLUMNS))

    @property
    def subjects(self) -> str:
        """What tells the events apart, as a column's head: empty where nothing does."""
        if len({entry.subject for entry in self.entries}) == 1:
            return ""
        return "Code" if self.code else "Channel"

    @property
    def has_expected(self) -> bool:
        """Whether any figure has one to be compared with."""
        return any(pair.expected != UNKNOWN for pair in self.shown.pairs)

    @property
    def has_limit(self) -> bool:
        """Whether any figure is held to a limit."""
        return any(pair.limit != UNKNOWN for pair in self.shown.pairs)

    @property
    def folded(self) -> bool:
        """Whether several events share the card."""
        return self.count > 1


@dataclass(frozen=True, slots=True)
class CardMaker:
    """Puts one result's events on cards."""

    result: Result
    measures: Measures
    clock: RideClock
    rulebook: Rulebook

    def cards(self) -> tuple[Card, ...]:
        """Return the cards in the order of their first event."""
        return tuple(self._card(group) for group in fold(self.result.events))

    def _card(self, places: tuple[int, ...]) -> Card:
        events = [self.result.events[place] for place in places]
        by_badness = sorted(places, key=self._badness, reverse=True)
        worst = by_badness[0]
        event = self.result.events[worst]
        cause = cause_words(event)
        title = kind_words(event)
        if event.kind in _OF_A_SIGNAL:
            channels = dict.fromkeys(channel_words(item.channel or "") for item in events)
            title += f": {', '.join(channels).lower()}" if len(channels) <= _ALIKE else ""
        title += f" ({cause})" if cause else ""
        shares = tuple(
            Pair(share_words(name), self.measures.text(share, "share"), "")
            for name, share in event.shares.items()
            if share >= _LEAST_SHARE
        )
        codes = dict.fromkeys(item.code for item in events)
        title += f" {short(event.code, _LONGEST_WORD)}" if event.code and len(codes) == 1 else ""
        return Card(
            title=title,
            family=family_of(event),
            severity=max((str(item.severity) for item in events), key=_SEVERITIES.index),
            count=len(places),
            entries=tuple(self.entry(place) for place in _listed(places, by_badness)),
            shown=self.entry(worst),
            rule=self.rulebook.rule(event),
            limits=self.rulebook.limits_of(event),
            shares=shares,
            code=event.code,
        )

    def entry(self, place: int) -> CardEntry:
        """Return one event in words; `place` counts from 0."""
        event = self.result.events[place]
        end = self.result.log.duration_s
        length = duration(event.until(end) - event.start_s)
        return CardEntry(
            place=place,
            number=place + 1,
            when=minutes_seconds(event.start_s),
            seconds=f"{event.start_s:.2f}",
            clock=self.clock.at(event.start_s),
            length=length if event.end_s is not None else f"{length} or more",
            severity=str(event.severity),
            subject=_subject(event),
            text=self.measures.sentence(event.text),
            pairs=self._pairs(event),
            readings=self._readings(event.channels_then, self.result.channels),
        )

    def _badness(self, place: int) -> tuple[float, float]:
        """Return how bad an event is among its own kind: by its depth, else by its length."""
        event = self.result.events[place]
        length_s = event.until(self.result.log.duration_s) - event.start_s
        name, sign = _DEPTHS.get(event.kind, ("", 1.0))
        depth = event.measured.get(name)
        if isinstance(depth, (int, float)) and math.isfinite(depth):
            depth = abs(depth) if event.kind is EventKind.TORQUE_OFFSET else sign * depth
            return depth, length_s
        return -math.inf, length_s

    def _pairs(self, event: Event) -> tuple[Pair, ...]:
        """Return what was measured; first what also has an expected figure or a limit."""
        pairs = [self._pair(event, name) for name in event.measured]
        return tuple(sorted(pairs, key=lambda pair: (pair.expected, pair.limit) == _NEITHER))

    def _pair(self, event: Event, name: str) -> Pair:
        expected, limit = event.expected.get(name), _limit_of(event, name)
        if limit is None and (event.kind, name) not in _TRULY_EXPECTED:
            expected, limit = None, expected
        return Pair(
            figure_words(name),
            self._figure(event, name, event.measured.get(name)),
            self._figure(event, name, expected if limit != expected else None),
            self._figure(event, name, limit),
        )

    def _figure(self, event: Event, name: str, value: float | str | None) -> str:
        if value is None:
            return UNKNOWN
        if isinstance(value, str):
            return short(CHANNEL_WORDS.get(value, value), _LONGEST_WORD)
        if name.endswith("_value") and event.channel:
            return self.reading(event.channel, float(value), self.result.channels)
        if name.endswith("_at_s"):
            return minutes_seconds(float(value), 2)
        return self.measures.text(float(value), unit_of(name))

    def _readings(
        self, then: Mapping[str, float], channels: Mapping[str, Channel]
    ) -> tuple[Pair, ...]:
        return tuple(
            Pair(channel_words(name), self.reading(name, value, channels), "")
            for name, value in then.items()
            if name in _READ_THEN
        )

    def reading(self, name: str, value: float, channels: Mapping[str, Channel]) -> str:
        """Return a channel's value with its unit, or the word that it stands for."""
        channel = channels.get(name)
        if channel is None:
            return self.measures.text(value, "")
        if channel.labels:
            return channel.labels.get(value, f"{value:g}")
        return self.measures.text(value, channel_unit(channel))


_DEPTHS: Final = {
    EventKind.DERATE: ("min_assist_pct", -1.0),
    EventKind.UNDERVOLTAGE: ("min_supply_v", -1.0),
    EventKind.OVERVOLTAGE: ("max_supply_v", 1.0),
    EventKind.TORQUE_OFFSET: ("offset_nm", 1.0),
}
"""The figure that tells how bad an event of a kind is, and which way is worse."""


def _listed(places: tuple[int, ...], by_badness: Sequence[int]) -> list[int]:
    """Return the events that a card lists: all, or the worst and the first of many."""
    if len(places) <= MOST_ENTRIES:
        return list(places)
    chosen = set(by_badness[:_WORST_LISTED])
    for place in places:
        if len(chosen) == 2 * _WORST_LISTED:
            break
        chosen.add(place)
    return sorted(chosen)


_NEITHER: Final = (UNKNOWN, UNKNOWN)
_TRULY_EXPECTED: Final = frozenset(
    {
        (EventKind.DERATE, "min_assist_pct"),
        *((EventKind.ASSIST_DEVIATION, name) for name in ("assist_nm", "ratio", "gain")),
        *((EventKind.ASSIST_DEVIATION, f"{side}_gain") for side in ("left", "right")),
    }
)
"""Figures with a forecast of their own; what others are compared with is a limit."""
_LIMIT_NAMES: Final = {
    "min_assist_pct": ("full_assist_pct",),
    "module_temperature_degc": ("derate_start_c",),
    "max_temperature_degc": ("derate_start_c",),
    "supply_v": ("derate_start_v", "charging_v"),
    "min_supply_v": ("cranking_v", "undervoltage_v"),
    "max_supply_v": ("overvoltage_v",),
    "engine_rpm": ("charging_rpm",),
    "offset_nm": ("torque_offset_nm",),
    "repeated_s": ("stuck_s",),
    "step_kph": ("jump_kph",),
    "step_rpm": ("jump_rpm",),
    "step_degc": ("jump_c",),
}
"""Which of an event's limits a figure is held to."""


def _limit_of(event: Event, name: str) -> float | str | None:
    names = _LIMIT_NAMES.get(name, ())
    return next((event.limits[one] for one in names if one in event.limits), None)


def _subject(event: Event) -> str:
    """Return what an event is about where there are several of its kind at once."""
    if event.code:
        return short(event.code, _LONGEST_WORD)
    return channel_words(event.channel) if event.channel else ""


_SHARE_WORDS: Final = {
    "assist_share": "assist, of what was expected",
    "side_share": "weaker side, of the other",
    "beyond_line_share": "beyond the temperature line",
}
"""Shares that lose their sense with their last word."""


def figure_words(name: str) -> str:
    """Return a figure's name in words: ``min_supply_v`` is "lowest supply"."""
    if name in _SHARE_WORDS:
        return _SHARE_WORDS[name]
    words = words_of(name)
    for start, better in zip(_LOWEST, ("lowest ", "highest "), strict=True):
        if words.startswith(start):
            return better + words.removeprefix(start)
    return words


def share_words(cause: str) -> str:
    """Return what a cause's share of the lost assist is called."""
    words = CAUSE_WORDS.get(cause, cause.replace("_", " "))
    return words if cause == "unexplained" else f"explained by {words}"


def fold(events: Sequence[Event]) -> list[tuple[int, ...]]:
    """Group alike events (kind and cause) where there are three or more.

    Returns
    -------
    list of tuple of int
        Places of the events of each card, in the order of the first of each.
    """
    alike: dict[tuple[str, str | None], list[int]] = {}
    for place, event in enumerate(events):
        alike.setdefault((str(event.kind), event.cause), []).append(place)
    groups: list[tuple[int, ...]] = []
    for places in alike.values():
        if len(places) >= _ALIKE:
            groups.append(tuple(places))
        else:
            groups += [(place,) for place in places]
    return sorted(groups)


def anchors(cards: Sequence[Card], groups: Sequence[tuple[int, ...]]) -> dict[int, str]:
    """Return what a link to each event leads to: its own line, or its card's heading."""
    found: dict[int, str] = {}
    for card, group in zip(cards, groups, strict=True):
        found |= dict.fromkeys(group, f"card-{card.entries[0].number}")
        found |= {entry.place: f"event-{entry.number}" for entry in card.entries}
    return found

"""Charts over time: the whole ride, and the close-up of an event."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.model import EventKind
from canassist.report.charts.chart_values import (
    Band,
    Chart,
    ChartLine,
    Limit,
    MarkedMoment,
    Row,
    extremes,
    nice_range,
    time_ticks,
)
from canassist.report.charts.event_bands import event_band, event_bands
from canassist.report.charts.event_styles import EventFamily, family_of, kind_words
from canassist.report.charts.key_channels import split_rows
from canassist.report.charts.limit_names import place_limit_names
from canassist.report.charts.reduce import bucket_edges, reduce_channel
from canassist.report.charts.word_spans import few_words, word_spans
from canassist.report.page.channel_words import (
    FLOOR,
    NEVER_NEGATIVE,
    WHEELS,
    WORD_CHANNELS,
    channel_words,
)
from canassist.report.page.measures import RAW, channel_unit
from canassist.report.page.shortening import short
from canassist.report.page.times import duration, minutes_seconds

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from canassist.model import Channel, Event, FloatArray, Result
    from canassist.report.page.measures import Measures
    from canassist.report.page.shortening import short
from canassist.report.page.times import RideClock

CLOSE_UP_S: Final = 10.0
"""Time shown before and after an event."""

LONGEST_CLOSE_UP_S: Final = 120.0
"""A longer event is shown by its beginning."""

_STILL_BUCKETS: Final = 340
_DENSE_BUCKETS: Final = 520
_WINDOW_BUCKETS: Final = 160
_CLOSE_BUCKETS: Final = 160
_MOST_WINDOWS: Final = 12
_ROW_PX: Final = (64, 52)
_MANY_ROWS: Final = 12
_WORD_PX: Final = 40
_CLOSE_PX: Final = 78

Span = tuple[float, float]

_FAMILY_CHANNEL: Final = {
    EventFamily.HEAT: ("module_temperature", "assist_limit"),
    EventFamily.VOLTAGE: ("supply_voltage",),
    EventFamily.ASSIST: ("assist_torque",),
    EventFamily.SIGNAL: (),
    EventFamily.NOTE: (),
}

_CLOSE_UP_ROWS: Final = {
    EventKind.DERATE: ("assist_limit", "module_temperature", "supply_voltage", "vehicle_speed"),
    EventKind.UNDERVOLTAGE: ("supply_voltage", "motor_current", "engine_speed", "assist_limit"),
    EventKind.OVERVOLTAGE: ("supply_voltage", "system_voltage", "engine_speed", "assist_limit"),
    EventKind.CHARGING_LOW: ("supply_voltage", "engine_speed", "system_voltage"),
    EventKind.ASSIST_DEVIATION: ("assist_torque", "driver_torque", "vehicle_speed", "assist_limit"),
    EventKind.TORQUE_OFFSET: ("driver_torque", "steering_angle", "vehicle_speed"),
}
_CLOSE_UP_OTHERS: Final = ("vehicle_speed", "engine_speed", "supply_voltage", "assist_limit")
_MOST_ROWS: Final = 4
_LONGEST_MODE: Final = 16
_MOST_COUNTED: Final = 4


@dataclass(frozen=True, slots=True)
class RideCharts:
    """Draws one result's charts over time, in one system of units and on one clock."""

    result: Result
    measures: Measures
    clock: RideClock

    def ride(self) -> Chart:
        """Return the ride by the rows that carry the answer, event bands through all of them."""
        return self.ride_and_others()[0]

    def ride_and_others(self) -> tuple[Chart, Chart | None]:
        """Return the ride by the rows that carry the answer, and by the others, if any."""
        key, rest = self._split()
        bands = event_bands(enumerate(self._events()), log_end_s=self._end, span_s=self._end)
        families = {family_of(event) for event in self._events() if event.severity != "note"}
        message = f"{duration(self._end)}: {self._counted()}"
        ride = self._over_ride(("ride", message), key, bands, families)
        if not rest:
            return ride, None
        names = [
            "wheel speeds" if row[0] in WHEELS else channel_words(row[0]).lower() for row in rest
        ]
        listed = f"{', '.join(names[:-1])} and {names[-1]}" if len(names) > 1 else names[0]
        return ride, self._over_ride(
            ("others", f"The other channels: {listed}"), rest, bands, families
        )

    def _over_ride(
        self,
        called: tuple[str, str],
        groups: list[tuple[str, ...]],
        bands: list[Band],
        families: set[EventFamily],
    ) -> Chart:
        end = self._end
        still = bucket_edges(0.0, end, _STILL_BUCKETS)
        dense = bucket_edges(
            0.0, end, _DENSE_BUCKETS, windows=self._windows(), window_count=_WINDOW_BUCKETS
        )
        tall = _ROW_PX[len(groups) > _MANY_ROWS]
        rows = tuple(
            self._words_row(names[0], (0.0, end))
            if names[0] in WORD_CHANNELS
            else self._row(names, still, dense, tall, _spoken(names[0], families))
            for names in groups
        )
        return self._chart(called, rows, bands, (0.0, end))

    def _split(self) -> tuple[list[tuple[str, ...]], list[tuple[str, ...]]]:
        """Return the rows that carry the answer, and the others."""
        conclusions = self.result.conclusions
        code = str(conclusions[0].code) if conclusions else ""
        spoken = (event.channel for event in self._events() if event.severity != "note")
        return split_rows(self._groups(), code, list(dict.fromkeys(spoken))[:2])

    def close_up(self, place: int, message: str) -> Chart:
        """Return an event with the time before and after it; `place` counts from 0."""
        event = self.result.events[place]
        low = max(event.start_s - CLOSE_UP_S, 0.0)
        until = min(event.until(self._end), event.start_s + LONGEST_CLOSE_UP_S)
        high = min(until + CLOSE_UP_S, self._end)
        high = max(high, low + 1.0)
        edges = bucket_edges(low, high, _CLOSE_BUCKETS)
        spoken = family_of(event)
        first = (event.channel,) if event.channel else ()
        wanted = (*first, *_CLOSE_UP_ROWS.get(event.kind, _CLOSE_UP_OTHERS))
        if event.measured.get("seen_on") in WORD_CHANNELS:
            wanted = (str(event.measured["seen_on"]), *wanted)
        names = [name for name in dict.fromkeys(wanted) if self._has_value(name)][:_MOST_ROWS]
        rows = tuple(
            self._words_row(name, (low, high))
            if name in WORD_CHANNELS
            else self._row((name,), edges, None, _CLOSE_PX, spoken if number == 0 else None)
            for number, name in enumerate(names)
        )
        near = (
            (number, other)
            for number, other in enumerate(self.result.events)
            if number != place and other.start_s < high and other.until(self._end) > low
        )
        own = replace(event_band(place, event, self._end), main=True)
        bands = event_bands(near, log_end_s=self._end, span_s=high - low, own=(own,))
        return self._chart((f"event-{place + 1}", message), rows, (*bands, own), (low, high))

    def absent(self) -> tuple[str, ...]:
        """Return the main channels that the log lacks, in words."""
        channels = self.result.channels
        return tuple(
            channel_words(name)
            for name in _MAIN
            if name not in channels or not len(channels[name].valid()[0])
        )

    def _counted(self) -> str:
        """Return how often each kind of event came, the most frequent first; notes apart."""
        weighty = [event for event in self._events() if event.severity != "note"]
        notes = len(self._events()) - len(weighty)
        noted = f"{notes} note{'s' if notes > 1 else ''}" if notes else ""
        if not weighty:
            return f"no event but {noted}" if notes else "no event"
        counts = Counter(kind_words(event).lower() for event in weighty)
        most = counts.most_common(_MOST_COUNTED)
        parts = [f"{words} {_times(count)}" for words, count in most]
        rest = len(weighty) - sum(count for _, count in most)
        parts += [f"{rest} more"] if rest else []
        parts += [noted] if notes else []
        return ", ".join(parts)

    @property
    def _end(self) -> float:
        return max(self.result.log.duration_s, 1e-3)

    def _events(self) -> Sequence[Event]:
        return self.result.events

    def _windows(self) -> list[tuple[float, float]]:
        events = sorted(self._events(), key=_weight, reverse=True)[:_MOST_WINDOWS]
        return [
            (
                event.start_s - CLOSE_UP_S,
                min(event.until(self._end), event.start_s + LONGEST_CLOSE_UP_S) + CLOSE_UP_S,
            )
            for event in events
        ]

    def _has_value(self, name: str) -> bool:
        channel = self.result.channels.get(name)
        return channel is not None and not np.all(np.isnan(channel.value))

    def _groups(self) -> list[tuple[str, ...]]:
        names = [name for name in self.result.channels if self._has_value(name)]
        groups: list[tuple[str, ...]] = [(name,) for name in names if name not in WHEELS]
        wheels = tuple(name for name in WHEELS if name in names)
        return [*groups, wheels] if wheels else groups

    def _words_row(self, name: str, span: Span) -> Row:
        channel = self.result.channels[name]
        return Row(
            label=channel_words(name),
            unit="",
            words=few_words(word_spans(channel, self._end), *span),
            height_px=_WORD_PX,
            doubt=doubt_words(channel),
        )

    def _row(
        self,
        names: tuple[str, ...],
        edges: FloatArray,
        dense: FloatArray | None,
        tall: int,
        spoken: EventFamily | None,
    ) -> Row:
        channels = [self.result.channels[name] for name in names]
        lines = tuple(self._line(channel, edges, dense, spoken) for channel in channels)
        unit = channel_unit(channels[0])
        floor = FLOOR.get(unit, 1.0) * self.measures.shown(unit).scale
        values = extremes(lines)
        limits = () if unit == RAW else tuple(self._limits(names[0]))
        reach = max(values, default=1.0) - min(values, default=0.0)
        near = [
            limit.value
            for limit in limits
            if min(values, default=0.0) - reach - floor
            < limit.value
            < max(values, default=1.0) + reach + floor
        ]
        label = channel_words(names[0]) if len(names) == 1 else "Wheel speeds"
        least = 0.0 if unit in NEVER_NEGATIVE else -np.inf
        return Row(
            label=label,
            unit=self.measures.name(unit),
            lines=lines,
            limits=limits,
            span=nice_range([*values, *near], most=3, floor=floor, least=least),
            places=self.measures.shown(unit).places,
            height_px=tall,
            doubt=next(filter(None, map(doubt_words, channels)), ""),
        )

    def _line(
        self,
        channel: Channel,
        edges: FloatArray,
        dense: FloatArray | None,
        spoken: EventFamily | None,
    ) -> ChartLine:
        x, y = reduce_channel(channel, edges)
        more_x = more_y = None
        if dense is not None:
            more_x, more_y = reduce_channel(channel, dense)
            more_y = self.measures.array(more_y, channel_unit(channel))
        return ChartLine(
            key=channel.name,
            label=channel_words(channel.name),
            x=x,
            y=self.measures.array(y, channel_unit(channel)),
            spoken=spoken,
            dense_x=more_x,
            dense_y=more_y,
        )

    def _limits(self, name: str) -> Iterable[Limit]:
        """Return the limits that belong into a channel's row, in shown units."""
        limits, nominal = self.result.profile.limits, self.result.physics.limit_lines
        start_c = nominal.derate_start_c if nominal else limits.derate_start_c
        found = {
            "supply_voltage": (
                (limits.undervoltage_v, "V", "undervoltage", True),
                (limits.overvoltage_v, "V", "overvoltage", False),
            ),
            "module_temperature": ((start_c, "degC", "assist starts to fall", False),),
            "assist_limit": ((limits.full_assist_pct, "%", "reduced below", True),),
        }.get(name, ())
        for value, unit, text, below in found:
            shown = self.measures.array(np.array([value]), unit)
            yield Limit(float(shown[0]), f"{text} {self.measures.text(value, unit, 1)}", below)

    def _chart(
        self, called: tuple[str, str], rows: tuple[Row, ...], bands: Iterable[Band], span: Span
    ) -> Chart:
        name, message = called
        ticks = time_ticks(*span, most=8 if name == "ride" else 4)
        fine = len(ticks) > 1 and ticks[1] - ticks[0] < 1.0
        seconds = tuple(f"{tick:.1f}" if fine else f"{tick:.0f}" for tick in ticks)
        seconds = (*seconds[:-1], f"{seconds[-1]} s") if seconds else ()
        whole = Chart(
            name=name,
            message=message,
            rows=rows,
            bands=tuple(bands),
            marks=tuple(self._marks(*span)),
            x_from=span[0],
            x_to=span[1],
            ticks=ticks,
            upper=tuple(self.clock.at(tick).rsplit(" ", 1)[0] for tick in ticks)
            if self.clock.start_utc
            else seconds,
            lower=tuple(minutes_seconds(tick, 1 if fine else 0) for tick in ticks),
            x_label="minutes : seconds from the first frame",
            midnight_s=self.clock.midnight_s(),
            zone=self.clock.zone_name(),
        )
        return place_limit_names(whole)

    def _marks(self, low: float, high: float) -> Iterable[MarkedMoment]:
        """Yield the moments that the customer complained of, with the mode ridden then."""
        for moment in self.result.moments:
            if low <= moment.at_s <= high:
                text = f"complaint {minutes_seconds(moment.at_s)}"
                mode = moment.readings.get("assist_mode")
                channel = self.result.channels.get("assist_mode")
                if mode is not None and channel is not None:
                    text += f", mode {short(channel.labels.get(mode, f'{mode:g}'), _LONGEST_MODE)}"
                yield MarkedMoment(moment.at_s, text)


def _spoken(name: str, families: set[EventFamily]) -> EventFamily | None:
    """Return the family of a channel that events speak of."""
    return next(
        (item for item in EventFamily if item in families and name in _FAMILY_CHANNEL[item][:1]),
        None,
    )


def doubt_words(channel: Channel) -> str:
    """Return in a word or two why a channel is not to be taken at its word; empty for none."""
    if channel.doubt:
        return "in doubt"
    if not channel.unit_known:
        return "unit not known"
    return "from another unit" if channel.stands_in else ""


_MAIN: Final = (
    "vehicle_speed",
    "engine_speed",
    "supply_voltage",
    "module_temperature",
    "assist_limit",
    "assist_torque",
    "motor_current",
    "module_current",
    "driver_torque",
    "steering_angle",
    "module_status",
)


def _weight(event: Event) -> tuple[int, float]:
    order = {"note": 0, "warning": 1, "serious": 2}
    return order[str(event.severity)], -event.start_s


def _times(count: int) -> str:
    return {1: "once", 2: "twice"}.get(count, f"{count} times")

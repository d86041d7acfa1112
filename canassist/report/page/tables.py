"""Tables of the page: every figure as text, for those who do not see the pictures too."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.model import ConclusionRole, EventKind
from canassist.report.charts.event_styles import KIND_WORDS
from canassist.report.data.result_json import id_text
from canassist.report.page.channel_words import WORD_CHANNELS, channel_words
from canassist.report.page.measures import MINUS, UNKNOWN, Measures, channel_unit
from canassist.report.page.times import duration, minutes_seconds
from canassist.timeline import present_share

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canassist.model import Channel, FloatArray, Result
    from canassist.report.charts.chart_values import Chart, ChartLine, Row

_SLICES: Final = 8

CHOSEN_WORDS: Final = {
    "profile": "set by the profile",
    "standard": "defined by an open standard",
    "name": "its name",
    "unit": "its unit",
    "behaviour": "how it behaves",
}


@dataclass(frozen=True, slots=True)
class PageTable:
    """Head and body cells as text; the first column heads its row."""

    head: tuple[str, ...]
    body: tuple[tuple[str, ...], ...]
    caption: str = ""


def chart_table(chart: Chart) -> PageTable:
    """Return a chart as a table: the span of each line in each of eight slices."""
    edges = np.linspace(chart.x_from, chart.x_to, _SLICES + 1)
    lines = [(row, line) for row in chart.rows for line in row.lines]
    head = ("From", *(_line_head(row, line, len(row.lines) > 1) for row, line in lines))
    body = tuple(
        (_edge(chart, low), *(_span(row, line, low, high) for row, line in lines))
        for low, high in itertools.pairwise(edges)
    )
    return PageTable(
        head=head, body=body, caption=f"{chart.message}. Lowest and highest value drawn."
    )


def _line_head(row: Row, line: ChartLine, several: bool) -> str:
    name = f"{row.label}, {line.label.lower()}" if several else row.label
    return f"{name}, {row.unit}" if row.unit else name


def _edge(chart: Chart, x: float) -> str:
    if chart.over_time:
        return minutes_seconds(x)
    return _plain(x, chart.x_places)


def _plain(value: float, places: int) -> str:
    text = f"{value:.{places}f}"
    return text.lstrip("-") if float(text) == 0.0 else text.replace("-", MINUS)


def _span(row: Row, line: ChartLine, low: float, high: float) -> str:
    inside = line.y[(line.x >= low) & (line.x <= high)]
    inside = inside[np.isfinite(inside)]
    if not len(inside):
        return UNKNOWN
    ends = [_plain(float(end), row.places) for end in (inside.min(), inside.max())]
    return ends[0] if ends[0] == ends[1] else f"{ends[0]} to {ends[1]}"


@dataclass(frozen=True, slots=True)
class ChannelLine:
    """One channel in the fine print."""

    name: str
    words: str
    signal: str
    carrier: str
    span: str
    median: str
    period: str
    present: str
    chosen: str
    notes: tuple[str, ...]


def channel_lines(result: Result, measures: Measures) -> tuple[ChannelLine, ...]:
    """Return the channels and how each was chosen."""
    return tuple(_channel_line(result, item, measures) for item in result.channels.values())


def _channel_line(result: Result, channel: Channel, measures: Measures) -> ChannelLine:
    time_s, value = channel.valid()
    share = present_share(
        time_s, stale_after_s=channel.stale_after_s, log_end_s=result.log.duration_s
    )
    buses = result.timeline.bus.buses
    bus = buses[channel.source.bus] if channel.source.bus < len(buses) else ""
    period = UNKNOWN if np.isnan(channel.period_s) else f"{channel.period_s * 1000:.0f}\u202fms"
    return ChannelLine(
        name=channel.name,
        words=channel_words(channel.name),
        signal=channel.signal,
        carrier=f"{id_text(channel.source.key)} on {bus}" if bus else id_text(channel.source.key),
        span=_values(channel, value, measures),
        median=_median(channel, value, measures),
        period=period,
        present=_share(share, measures),
        chosen=CHOSEN_WORDS.get(channel.chosen_by, channel.chosen_by),
        notes=tuple(_notes(channel)),
    )


def _share(share: float, measures: Measures) -> str:
    """Return a share of the ride that is never rounded up to all of it."""
    if not 0.0 <= share < 1.0:
        return measures.text(share, "share")
    return measures.text(math.floor(share * 1000.0) / 1000.0, "share", 1)


def _values(channel: Channel, value: FloatArray, measures: Measures) -> str:
    if not len(value):
        return UNKNOWN
    if channel.name in WORD_CHANNELS:
        numbers = [float(number) for number in np.unique(value)]
        return ", ".join(channel.labels.get(number, f"{number:g}") for number in numbers[:6])
    unit = channel_unit(channel)
    low = measures.number(float(value.min()), unit)
    return f"{low} to {measures.text(float(value.max()), unit)}"


def _median(channel: Channel, value: FloatArray, measures: Measures) -> str:
    if not len(value) or channel.name in WORD_CHANNELS:
        return UNKNOWN
    return measures.text(float(np.median(value)), channel_unit(channel))


def _notes(channel: Channel) -> list[str]:
    return [*_doubtful(channel), *_chosen_notes(channel)]


def _doubtful(channel: Channel) -> Iterator[str]:
    """Yield what is not known, not checked or doubted of a channel."""
    if not channel.sign_known:
        yield "which way is right is not known: no left or right finding"
    if not channel.unit_known:
        yield "its unit is not known: it says when and how much more, not how much"
    if channel.held_out:
        yield "left out: nothing is judged by it"
    if channel.not_checked:
        what = " and ".join(channel.not_checked)
        yield f"{what} not checked by any other channel: what rests on it is moderate at most"
    if channel.doubt:
        yield channel.doubt
    if channel.profile_lines:
        yield "if so, write into the profile: " + " ".join(channel.profile_lines.split())


def _chosen_notes(channel: Channel) -> Iterator[str]:
    """Yield how a channel came to be, and what of it was left out."""
    if channel.stands_in:
        yield "another unit reports it in place of the steering module"
    if channel.runner_up is not None:
        yield f"second choice: {channel.runner_up.signal} ({channel.runner_up.why})"
    if channel.left_out:
        parts = ", ".join(f"{count} {reason}" for reason, count in channel.left_out.items())
        yield f"samples left out: {parts}"


def bus_table(result: Result) -> PageTable:
    """Return how each bus was: load, ids, silences."""
    stats = result.timeline.bus
    body = []
    for place, bus in enumerate(stats.buses):
        own = [item for item in stats.ids if item.source.bus == place]
        load = stats.load[place] if place < len(stats.load) else None
        rate = stats.bit_rate[place] if place < len(stats.bit_rate) else None
        told = "" if stats.bit_rate_given else " (inferred)"
        silent = sum(stop - start for which, start, stop in stats.bus_gaps if which == place)
        body.append(
            (
                bus,
                f"{rate / 1000:g}\u202fkbit/s{told}" if rate else UNKNOWN,
                f"{100 * load:.1f}\u202f%" if load is not None else UNKNOWN,
                str(len(own)),
                f"{sum(item.count for item in own):,}".replace(",", "\u202f"),
                duration(silent) if silent else "none",
            )
        )
    head = ("Bus", "Bit rate", "Load", "Ids", "Frames", "Silent while others went on")
    return PageTable(head=head, body=tuple(body))


def integrity_table(result: Result) -> PageTable:
    """Return alive counters and checksums of the messages that carry them."""
    head = ("Message", "Frames", "Counter repeats", "Counter skips", "Checksum failures")
    body = tuple(
        (
            item.message,
            str(item.frames),
            str(item.repeats),
            str(item.skips),
            str(item.checksum_failures),
        )
        for item in result.timeline.integrity
    )
    return PageTable(head=head, body=body)


def coverage_table(result: Result) -> PageTable:
    """Return what was ridden, in seconds."""
    found = result.coverage
    rows = (
        ("Engine running", found.engine_running_s),
        ("Slow steering", found.low_speed_steering_s),
        ("Cruising", found.cruise_s),
        ("Module hot", found.hot_s),
        ("Standing", found.standing_s),
        ("Slow steering to the left", found.slow_left_s),
        ("Slow steering to the right", found.slow_right_s),
        *((f"Mode {mode}", time_s) for mode, time_s in found.modes_s.items()),
        ("After the ride, until the log ends", found.tail_s),
    )
    body = tuple(
        (words, "cannot tell" if time_s is None else duration(time_s)) for words, time_s in rows
    )
    starts = ("Starts of the engine", "cannot tell" if found.cranks is None else str(found.cranks))
    return PageTable(head=("Ridden", "Time"), body=(*body, starts))


CODE_WORDS: Final = {
    "no_fault_found": "No fault",
    "thermal_protection": "Heat protection",
    "duty_protection": "Protection after heavy duty",
    "low_battery": "Battery",
    "charging_fault": "Charging",
    "supply_resistance": "Wiring, connectors, ground",
    "supply_break": "Supply lost for moments",
    "overvoltage_fault": "Supply too high",
    "speed_signal_fault": "Speed signal",
    "torque_sensor_offset": "Torque sensor's rest",
    "assist_map_deviation": "Assist by its map",
    "module_suspect": "Steering module itself",
    "bus_fault": "Bus",
    "mechanical_load": "Tyres, linkage, load",
}


def needs_table(result: Result) -> PageTable:
    """Return what could be judged on this ride, and what was found of it: two different things."""
    body = tuple(
        (
            CODE_WORDS.get(str(need.code), str(need.code).replace("_", " ")),
            f"{'yes' if need.met else 'no'}: {need.text[:1].lower()}{need.text[1:]}",
            _found_words(result, str(need.code), judged=need.met),
        )
        for need in result.coverage.needs
    )
    return PageTable(head=("Cause", "Could it be judged?", "What was found"), body=body)


def _found_words(result: Result, code: str, *, judged: bool) -> str:
    for item in result.conclusions:
        if item.code == code:
            sure = f", {item.strength}" if item.strength else ""
            place = "the answer" if item.rank == 1 else "a further answer"
            return f"also seen{sure}" if item.role is ConclusionRole.ALSO_SEEN else place + sure
    if any(item.code == code for item in result.ruled_out):
        return "looked at, and does not hold"
    return "nothing" if judged else "cannot tell"


def overview(result: Result, measures: Measures) -> PageTable:
    """Return how often each kind of event came, and for how long one or more of them held."""
    end = result.log.duration_s
    body = []
    for kind in EventKind:
        events = [event for event in result.events if event.kind is kind]
        if events:
            total = _covered_s([(event.start_s, event.until(end)) for event in events])
            first = minutes_seconds(events[0].start_s)
            notes = sum(event.severity == "note" for event in events)
            times = f"{len(events)}, {notes} of them notes" if notes else str(len(events))
            body.append((KIND_WORDS[kind], times, measures.text(total, "s"), first))
    return PageTable(head=("Event", "Times", "In all", "First at"), body=tuple(body))


def _covered_s(spans: list[tuple[float, float]]) -> float:
    """Return how long any of some spans holds: signals that are lost at once count once."""
    total, reached = 0.0, -math.inf
    for start, stop in sorted(spans):
        total += max(stop - max(start, reached), 0.0)
        reached = max(reached, stop)
    return total

"""The steering module's own messages, and where they are all silent together."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from canassist.timeline import TIME_STEP_S

if TYPE_CHECKING:
    from canassist.model import BusStats, Channel, FloatArray, FrameSource, IdStats, Timeline

CARRIER_CHANNELS: Final = (
    "assist_limit",
    "assist_torque",
    "motor_current",
    "module_current",
    "module_temperature",
    "module_status",
    "driver_torque",
)
"""What carries one of these is the module's own message (the contract's list)."""

OTHERS: Final = frozenset(
    {
        "vehicle_speed",
        "engine_speed",
        "system_voltage",
        "system_current",
        "ambient_temperature",
        "coolant_temperature",
        "wheel_speed_fl",
        "wheel_speed_fr",
        "wheel_speed_rl",
        "wheel_speed_rr",
    }
)
"""A sender of one of these is not the steering module, or a name that stands for any unit."""

SILENT_S: Final = 0.2
"""A restarting module is silent for this long ... (the contract's figure)."""

SILENT_PERIODS: Final = 5.0
"""... and for this many periods of its fastest message (the contract's figure)."""

BY_CHANCE: Final = 1e-6
"""A recorder that thins must be this unlikely to lose so many frames (the contract's figure)."""


class ModuleSilence(NamedTuple):
    """From the module's last message before to its first after, and what it must last, in s."""

    start_s: float
    end_s: float
    shortest_s: float


def module_carriers(timeline: Timeline) -> tuple[Channel, ...]:
    """Return one channel of each of the module's own messages.

    The supply's message counts only where another module channel comes from the same
    message, or from the same sender and that sends nothing but the module's.
    """
    own = [one for name in CARRIER_CHANNELS if (one := timeline.get(name)) and not one.stands_in]
    supply = timeline.get("supply_voltage")
    if supply is not None and not supply.stands_in:
        same = {channel.source for channel in own}
        if supply.source in same or supply.sender in _module_nodes(timeline, own):
            own.append(supply)
    each = {channel.source: channel for channel in reversed(own) if len(channel)}
    return tuple(each.values())


def _module_nodes(timeline: Timeline, own: list[Channel]) -> set[str]:
    """Return the senders that send nothing but the module's messages, as far as is known."""
    nodes = {timeline.senders.get(one.source, one.sender) for one in own} - {""}
    others = {
        timeline.senders.get(one.source, one.sender)
        for name, one in timeline.channels.items()
        if name in OTHERS
    }
    return nodes - others


def module_silences(timeline: Timeline) -> tuple[ModuleSilence, ...]:
    """Find where all of the module's messages are silent together and come back.

    For 0.2 s and five periods of the fastest one, without a frame of a slower one, while
    the bus goes on, and beyond what the recorder's own losses can explain.
    """
    carriers = module_carriers(timeline)
    stats = {item.source: item for item in timeline.bus.ids}
    periods = [_period_s(channel, stats) for channel in carriers]
    known = [period for period in periods if not math.isnan(period)]
    if not known:
        return ()
    shortest_s = max(SILENT_S, SILENT_PERIODS * min(known))
    return tuple(
        ModuleSilence(start_s, end_s, shortest_s)
        for start_s, end_s in _gaps(timeline, carriers, shortest_s)
        if _beyond_recorder(timeline.bus, carriers, end_s - start_s)
    )


def _period_s(channel: Channel, stats: dict[FrameSource, IdStats]) -> float:
    own = stats.get(channel.source)
    return channel.period_s if own is None or math.isnan(own.period_s) else own.period_s


def _beyond_recorder(bus: BusStats, carriers: tuple[Channel, ...], silent_s: float) -> bool:
    """Tell whether the recorder's own losses all but rule a silence of all carriers out."""
    chances = [bus.chance_of_silence(channel.source, silent_s) for channel in carriers]
    return math.prod(chances) < BY_CHANCE


def _gaps(
    timeline: Timeline, carriers: tuple[Channel, ...], least_s: float
) -> list[tuple[float, float]]:
    """Return the steps of at least `least_s` in the frames of all carriers together."""
    time_s = np.unique(np.concatenate([channel.time_s for channel in carriers]))
    rows = np.flatnonzero(np.diff(time_s) >= least_s - TIME_STEP_S)
    found = [(float(time_s[row]), float(time_s[row + 1])) for row in rows]
    return [span for span in found if _is_silence(timeline, carriers, span)]


def _is_silence(
    timeline: Timeline, carriers: tuple[Channel, ...], span: tuple[float, float]
) -> bool:
    """Tell whether the module was silent in this span, and the bus was not."""
    own = {channel.source for channel in carriers}
    stats = {item.source: item for item in timeline.bus.ids}
    if bus_was_silent(timeline, {source.bus for source in own}, span):
        return False
    lasting = span[1] - span[0]
    nodes = _module_nodes(timeline, list(carriers))
    along = {source for source, node in timeline.senders.items() if node in nodes}
    for source in own | along:
        item = stats.get(source)
        if item is None or SILENT_PERIODS * item.period_s > lasting:
            continue  # it had not the time to fall silent
        if not _overlaps(item.silences, span):
            return False
    heard = any(
        _sent_inside(channel.time_s, span)
        for channel in timeline.channels.values()
        if channel.source not in own | along
    )
    return heard or any(
        _overlaps(stats[source].silences, span) for source in own if source in stats
    )


def _overlaps(silences: tuple[tuple[float, float], ...], span: tuple[float, float]) -> bool:
    return any(start_s < span[1] and span[0] < end_s for start_s, end_s in silences)


def _sent_inside(time_s: FloatArray, span: tuple[float, float]) -> bool:
    first, stop = np.searchsorted(time_s, (span[0] + TIME_STEP_S, span[1] - TIME_STEP_S))
    return bool(stop > first)


def bus_was_silent(timeline: Timeline, buses: set[int], span: tuple[float, float]) -> bool:
    """Tell whether the recording or one of these buses was silent, or at a seam, mostly."""
    quiet = [*timeline.bus.recording_gaps]
    gaps = (*timeline.bus.bus_gaps, *timeline.bus.seams)
    quiet += [(a, b) for which, a, b in gaps if which in buses]
    shared_s = sum(max(0.0, min(span[1], b) - max(span[0], a)) for a, b in quiet)
    return shared_s > (span[1] - span[0]) / 2.0

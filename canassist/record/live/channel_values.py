"""The newest value of each channel, as text."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

from canassist.record.state import ChannelNow

if TYPE_CHECKING:
    from canassist.model import Channel, Timeline

_TEXTS: Final = frozenset({"assist_mode", "module_status"})
_PLACES: Final = {"V": 1, "N·m": 1, "A": 1}
_SYMBOLS: Final = {"degC": "°C", "deg": "°", "-": ""}


def channels_now(timeline: Timeline) -> tuple[ChannelNow, ...]:
    """Return each channel with its newest value, or that it is silent."""
    return tuple(_now(one, timeline.duration_s) for one in timeline.channels.values())


def _now(channel: Channel, until_s: float) -> ChannelNow:
    name = channel.name.replace("_", " ")
    if not len(channel) or until_s - float(channel.time_s[-1]) > channel.stale_after_s + 1.0:
        return ChannelNow(name=name, text="silent", doubt=channel.doubt)
    return ChannelNow(name=name, text=_text(channel), doubt=channel.doubt)


def _text(channel: Channel) -> str:
    if channel.name in _TEXTS:
        return channel.text_at(-1)
    value = float(channel.value[-1])
    if math.isnan(value):
        return "no value"
    unit = _SYMBOLS.get(channel.unit, channel.unit) if channel.unit_known else "raw"
    return f"{value:.{_PLACES.get(channel.unit, 0)}f} {unit}".rstrip()

"""Channels of a ride on one common grid of times."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.timeline import as_of

if TYPE_CHECKING:
    from collections.abc import Mapping

    from canassist.model import Channel, FloatArray, Result

STEPS_S: Final = (0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0)
"""Steps of the grid, in s: round ones that other tools' tables can be laid beside."""

_ROUND_OFF: Final = 1.05
"""A channel sent every 19.9 ms is meant to be sent every 20 ms."""

TEXT_UNIT: Final = "-"
RAW: Final = "raw"
"""In place of the unit of a channel whose database names none: counts of no known size."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Aligned:
    """Channels as columns over one grid.

    Attributes
    ----------
    time_s : array of float64, shape (n,)
        Seconds since the earliest frame, evenly spaced.
    values : mapping of column name to array of float64, shape (n,)
        The last value no older than the channel allows; NaN where there is none. The
        unit ends the name, such as ``supply_voltage [V]``; ``[raw]`` are counts of a
        size that no database names.
    words : mapping of column name to list of str, n long
        Channels that say a word; empty where there is no value.
    """

    time_s: FloatArray
    values: Mapping[str, FloatArray]
    words: Mapping[str, list[str]]


def align(result: Result) -> Aligned:
    """Put all channels of a ride on one grid, as fine as the fastest of them."""
    channels = [item for item in result.channels.values() if len(item)]
    periods = [item.period_s for item in channels if np.isfinite(item.period_s)]
    finest = min(periods, default=STEPS_S[-1]) * _ROUND_OFF
    step = max((step for step in STEPS_S if step <= finest), default=STEPS_S[0])
    rows = int(result.log.duration_s / step + 1e-6) + 1
    time_s = np.arange(rows, dtype=np.float64) * step
    found = [_sampled(item, time_s) for item in channels]
    spoken = {place for place, item in enumerate(channels) if item.unit == TEXT_UNIT}
    return Aligned(
        time_s=time_s,
        values={
            f"{item.name} [{item.unit if item.unit_known else RAW}]": found[place]
            for place, item in enumerate(channels)
            if place not in spoken
        },
        words={channels[place].name: _words(channels[place], found[place]) for place in spoken},
    )


def _sampled(channel: Channel, time_s: FloatArray) -> FloatArray:
    age = channel.stale_after_s
    return as_of(channel.time_s, channel.value, time_s, max_age_s=age)


def _words(channel: Channel, value: FloatArray) -> list[str]:
    known = {
        number: channel.labels.get(number, f"{number:g}")
        for number in np.unique(value[~np.isnan(value)]).tolist()
    }
    return [known.get(number, "") for number in value.tolist()]

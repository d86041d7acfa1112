"""Whether a channel was known over a time: there, fast enough, alive and believable.

Exclusion ("nothing explains it") stands on this: a channel that is missing, slow, silent,
stuck or doubted excludes nothing.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.model import CitedSamples
from canassist.timeline import as_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canassist.conclude.ride_findings import IndexedEvents, RideFindings
    from canassist.model import Channel, FloatArray

BEFORE_S: Final = 1.0
"""The trigger stands within this long before assist falls (the contract's figure)."""

AFTER_S: Final = 0.3
"""... and this long after the first reduced sample: a derate lasts as long to count as one."""

STEP_S: Final = 0.05
KNOWN_SHARE: Final = 0.9
"""Share of the time that must be covered by fresh values."""

SLOWEST_S: Final = {"supply_voltage": 0.11, "system_voltage": 0.11, "module_temperature": 2.0}
"""Longest period that excludes a cause: a dip lasts tenths of a second, heat comes slowly."""

OTHERS_SLOWEST_S: Final = 0.25
"""... and of every other channel."""


def why_unknown(ride: RideFindings, name: str, start_s: float, end_s: float) -> str:
    """Return why a channel tells nothing of a time; empty where it does.

    Returns
    -------
    str
        ``"missing"``, ``"doubted"``, ``"slow"``, ``"stuck"`` or ``"silent"``.
    """
    return _why_never(ride, name) or _why_then(ride, name, [(start_s, end_s)])


def _why_never(ride: RideFindings, name: str) -> str:
    """Return why a channel tells nothing of any time; empty where it does."""
    channel = ride.timeline.get(name)
    if channel is None:
        return "missing"
    if channel.doubt or channel.held_out:
        return "doubted"
    return "slow" if channel.period_s > SLOWEST_S.get(name, OTHERS_SLOWEST_S) else ""


def _why_then(ride: RideFindings, name: str, times: Sequence[tuple[float, float]]) -> str:
    """Return why a channel tells nothing of one of these times; empty where it tells of all."""
    stuck = [event for event in ride.stuck if event.channel == name]
    if any(
        event.start_s <= end_s and start_s <= event.until(ride.end_s)
        for event in stuck
        for start_s, end_s in times
    ):
        return "stuck"
    steps = [np.arange(max(start, 0.0), end + STEP_S / 2.0, STEP_S) for start, end in times]
    known = ~np.isnan(_values_then(ride.timeline.channels[name], np.concatenate(steps)))
    counts = np.array([len(one) for one in steps])
    shares = np.add.reduceat(known, np.cumsum(counts) - counts, dtype=np.int64) / counts
    return "" if (shares >= KNOWN_SHARE).all() else "silent"


def _values_then(channel: Channel, at_s: FloatArray) -> FloatArray:
    """Return a channel as of times in any order; only what may still be fresh is looked at."""
    oldest_s = at_s.min() - channel.stale_after_s - STEP_S
    first, stop = np.searchsorted(channel.time_s, (oldest_s, at_s.max()), side="right")
    near = slice(int(first), int(stop))
    max_age_s = channel.stale_after_s
    return as_of(channel.time_s[near], channel.value[near], at_s, max_age_s=max_age_s)


def known_samples(ride: RideFindings, hits: IndexedEvents, name: str) -> tuple[CitedSamples, ...]:
    """Return a channel over events as samples to cite; nothing where one of them is not known."""
    times = [(hit.event.start_s, hit.event.until(ride.end_s)) for hit in hits]
    if not times or _why_never(ride, name) or _why_then(ride, name, times):
        return ()
    return tuple(CitedSamples(channel=name, start_s=start, end_s=end) for start, end in times)


def unknown_at_onset(ride: RideFindings, name: str, onset_s: float) -> str:
    """Return why a channel does not tell what stood when assist began to fall."""
    return why_unknown(ride, name, onset_s - BEFORE_S, onset_s + AFTER_S)

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
    from canassist.conclude.ride_findings import Hits, RideFindings
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
    channel = ride.timeline.get(name)
    if channel is None:
        return "missing"
    if channel.doubt or channel.held_out:
        return "doubted"
    if channel.period_s > SLOWEST_S.get(name, OTHERS_SLOWEST_S):
        return "slow"
    if any(
        event.channel == name and event.start_s <= end_s and start_s <= event.until(ride.end_s)
        for event in ride.stuck
    ):
        return "stuck"
    at_s = np.arange(max(start_s, 0.0), end_s + STEP_S / 2.0, STEP_S)
    known = ~np.isnan(_values_then(channel, at_s))
    return "" if known.mean() >= KNOWN_SHARE else "silent"


def _values_then(channel: Channel, at_s: FloatArray) -> FloatArray:
    """Return a channel as of each time; only what may still be fresh then is looked at."""
    oldest_s = at_s[0] - channel.stale_after_s - STEP_S
    first, stop = np.searchsorted(channel.time_s, (oldest_s, at_s[-1]), side="right")
    near = slice(int(first), int(stop))
    max_age_s = channel.stale_after_s
    return as_of(channel.time_s[near], channel.value[near], at_s, max_age_s=max_age_s)


def known_samples(ride: RideFindings, hits: Hits, name: str) -> tuple[CitedSamples, ...]:
    """Return a channel over events as samples to cite; nothing where one of them is not known."""
    found = []
    for hit in hits:
        start_s, end_s = hit.event.start_s, hit.event.until(ride.end_s)
        if why_unknown(ride, name, start_s, end_s):
            return ()
        found.append(CitedSamples(channel=name, start_s=start_s, end_s=end_s))
    return tuple(found)


def unknown_at_onset(ride: RideFindings, name: str, onset_s: float) -> str:
    """Return why a channel does not tell what stood when assist began to fall."""
    return why_unknown(ride, name, onset_s - BEFORE_S, onset_s + AFTER_S)

"""Overvoltage: supply above its limit for a second or more."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.detect.spans import find_spans, last_row
from canassist.model import Event, EventKind, Severity
from canassist.physics import nominal_share, supply_limits_hold

if TYPE_CHECKING:
    from canassist.model import Profile, Timeline

AT_LEAST_S: Final = 1.0
"""Shorter excursions are no overvoltage (the contract's figure)."""

HYSTERESIS_V: Final = 0.2
"""It ends once the supply is this far below the limit (the contract's figure) ..."""

HOLD_S: Final = 0.2
"""... for this long."""

SERIOUS_V: Final = 18.0
"""12 V equipment is tested for an hour at this and for seconds above (ISO 16750-2, from memory)."""


def find_overvoltage(timeline: Timeline, profile: Profile) -> list[Event]:
    """Find spans in which the supply is above its limit for 1 s or more.

    Nothing is found without supply voltage, or on a supply other than 12 V whose
    limit the profile does not give.

    Returns
    -------
    list of Event
        In time order; ``measured`` and ``expected`` hold ``max_supply_v``.
    """
    channel = timeline.get("supply_voltage")
    if channel is None or not supply_limits_hold(timeline, profile, "overvoltage_v"):
        return []
    limit_v = profile.limits.overvoltage_v
    volts = nominal_share(timeline, profile)
    time_s, supply_v = channel.valid()
    spans = find_spans(
        time_s,
        supply_v > limit_v,
        supply_v < limit_v - HYSTERESIS_V * volts,
        at_least_s=AT_LEAST_S,
        hold_s=HOLD_S,
        stale_after_s=channel.stale_after_s,
    )
    found = []
    for span in spans:
        rows = slice(span.first, last_row(span, len(time_s)))
        highest = span.first + int(np.argmax(supply_v[rows]))
        high_v = float(supply_v[highest])
        found.append(
            Event(
                kind=EventKind.OVERVOLTAGE,
                start_s=float(time_s[span.first]),
                end_s=None if span.end is None else float(time_s[span.end]),
                severity=Severity.SERIOUS if high_v > SERIOUS_V * volts else Severity.WARNING,
                channel="supply_voltage",
                measured={"max_supply_v": high_v, "highest_at_s": float(time_s[highest])},
                expected={"max_supply_v": limit_v},
                limits={"overvoltage_v": limit_v},
            )
        )
    return found

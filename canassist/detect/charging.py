"""Charging: the engine runs fast enough and the supply stays low."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from canassist.detect.spans import true_runs
from canassist.model import Event, EventKind
from canassist.physics import ROLLING_KPH, nominal_share, supply_limits_hold
from canassist.timeline import TIME_STEP_S, value_at

if TYPE_CHECKING:
    from canassist.model import Profile, Timeline

AT_LEAST_S: Final = 30.0
"""Both conditions hold for this long (the contract's figure)."""

HYSTERESIS_V: Final = 0.2
"""It ends once the supply is this far above the limit (the contract's figure) ..."""

HOLD_S: Final = 5.0
"""... for this long, or once the engine is below the charging speed."""


class _Source(NamedTuple):
    """What must turn for the supply to be charged, and how fast."""

    channel: str
    above: float
    figure: str
    limits: dict[str, float]


def _what_turns(timeline: Timeline, profile: Profile) -> _Source | None:
    if profile.supply.source == "dcdc":
        if not (profile.gives("charging_v") and timeline.has("vehicle_speed")):
            return None
        return _Source("vehicle_speed", ROLLING_KPH, "vehicle_speed_kph", {})
    if profile.supply.source == "battery" or not timeline.has("engine_speed"):
        return None
    rpm = profile.limits.charging_rpm
    return _Source("engine_speed", rpm, "engine_rpm", {"charging_rpm": rpm})


def find_charging_low(timeline: Timeline, profile: Profile) -> list[Event]:
    """Find where the engine turns fast enough for 30 s or more and nothing charges.

    On a DC-DC supply whose ``charging_v`` the profile gives, a rolling vehicle stands for a
    fast engine. Nothing is found without supply voltage and engine speed, or on a supply other
    than 12 V whose limit the profile does not give.

    Returns
    -------
    list of Event
        In time order; ``measured`` holds the median supply as ``supply_v`` and the
        median engine speed as ``engine_rpm``, ``expected`` the limits.
    """
    channel = timeline.get("supply_voltage")
    source = _what_turns(timeline, profile)
    if channel is None or source is None:
        return []
    if not supply_limits_hold(timeline, profile, "charging_v"):
        return []
    limits = profile.limits
    time_s, supply_v = channel.valid()
    speed = value_at(timeline, source.channel, time_s)
    known = ~np.isnan(speed)
    time_s, supply_v, speed = time_s[known], supply_v[known], speed[known]
    fast = speed > source.above
    volts = nominal_share(timeline, profile)
    stale_after_s = channel.stale_after_s
    starts = true_runs(time_s, fast & (supply_v < limits.charging_v), stale_after_s=stale_after_s)
    back = true_runs(
        time_s, supply_v > limits.charging_v + HYSTERESIS_V * volts, stale_after_s=stale_after_s
    )
    ends = back.first[back.seconds >= HOLD_S - TIME_STEP_S]
    ends = np.union1d(ends, np.flatnonzero(~fast))
    long = starts.seconds >= AT_LEAST_S - TIME_STEP_S
    found: list[Event] = []
    after = 0
    for first, seconds in zip(starts.first[long], starts.seconds[long], strict=True):
        if first < after:
            continue
        place = int(np.searchsorted(ends, first))
        after = int(ends[place]) if place < len(ends) else len(time_s)
        rows = slice(int(first), after)
        measured = {
            "supply_v": float(np.median(supply_v[rows])),
            source.figure: float(np.median(speed[rows])),
            "seconds_s": float(seconds),
        }
        end_s = None if after == len(time_s) else float(time_s[after])
        found.append(_event((float(time_s[first]), end_s), measured, source, limits.charging_v))
    return found


def _event(
    span_s: tuple[float, float | None],
    measured: dict[str, float],
    source: _Source,
    charging_v: float,
) -> Event:
    """Return the event of a stretch in s; None is an end that the log does not show."""
    return Event(
        kind=EventKind.CHARGING_LOW,
        start_s=span_s[0],
        end_s=span_s[1],
        channel="supply_voltage",
        measured=measured,
        expected={"supply_v": charging_v, source.figure: source.above},
        limits={"charging_v": charging_v, **source.limits},
    )

"""What lies around the ride: key-off tails, units falling asleep, key cycles.

Understood once, here: what begins while neither the engine runs nor the vehicle rolls, within
`SLEEP_S` of the last moment that they did or later, is life around the ride and no evidence.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.model import EventKind
from canassist.physics import STARTED_RPM

if TYPE_CHECKING:
    from canassist.model import Event, FloatArray, Timeline

STANDING_KPH: Final = 1.0
"""Below this a vehicle stands, km/h: what coarse speed signals show at rest."""

STEERED_NM: Final = 2.0
"""Driver torque of somebody who steers (the contract's figure); life, where no engine tells."""

SLEEP_S: Final = 2.0
"""Units fall asleep this soon after, or lose their supply this long before, the last sign of
life that reaches the log, s (the contract's figure)."""

SILENT_KINDS: Final = frozenset(
    {
        EventKind.SIGNAL_LOSS,
        EventKind.SIGNAL_STUCK,
        EventKind.MODULE_RESTART,
        EventKind.BUS_DISTURBANCE,
    }
)
"""What units that wake up, fall asleep or change over with the key leave behind."""


def signs_of_life_s(timeline: Timeline) -> FloatArray | None:
    """Return when the engine ran or the vehicle rolled; None where the log cannot tell.

    Without engine speed, steering counts too: a vehicle without an engine is ridden and
    parked in silence.
    """
    asked = [("vehicle_speed", STANDING_KPH), ("engine_speed", STARTED_RPM)]
    if not timeline.has("engine_speed"):
        asked[1:] = [("driver_torque", STEERED_NM)]
    if not any(timeline.has(name) for name, _ in asked[:2]):
        return None
    times = [np.empty(0)]
    for name, least in asked:
        channel = timeline.get(name)
        if channel is not None:
            time_s, value = channel.valid()
            times.append(time_s[np.abs(value) > least])
    return np.sort(np.concatenate(times))


def alive_until_s(timeline: Timeline) -> float | None:
    """Return the last moment at which the engine ran or the vehicle rolled, s; None where never."""
    alive_s = signs_of_life_s(timeline)
    return float(alive_s[-1]) if alive_s is not None and len(alive_s) else None


def is_life_around(event: Event, alive_s: FloatArray | None) -> bool:
    """Tell whether an event belongs to the life around the ride, and is no evidence."""
    if alive_s is None:
        return False
    if not len(alive_s):
        return event.kind in SILENT_KINDS
    if event.start_s > alive_s[-1] - SLEEP_S:
        return True
    if event.kind not in SILENT_KINDS:
        return False
    after = int(np.searchsorted(alive_s, event.start_s, side="right"))
    return after == 0 or event.start_s - float(alive_s[after - 1]) > SLEEP_S

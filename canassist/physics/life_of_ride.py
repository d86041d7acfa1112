"""The life around a ride: key, engine, units that wake and sleep, the log's ends."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.physics.engine import STARTED_RPM, StarterTurn, starter_turns
from canassist.physics.module_carriers import module_carriers, module_silences
from canassist.timeline import value_at

if TYPE_CHECKING:
    from canassist.model import FloatArray, IdStats, Timeline
    from canassist.physics.module_carriers import ModuleSilence

STARTER_TAIL_S: Final = 0.5
"""The supply comes back this long after the starter let go."""

ROLLING_KPH: Final = 3.0
"""Above this road speed the vehicle rolls: slower, a coarse or noisy signal may not tell."""

SLEEP_S: Final = 2.0
"""Units fall asleep, and the engine stops, this near to each other at key-off (the contract's
figure)."""

ASLEEP_S: Final = 1.0
"""A unit that is silent for less is not asleep."""

ASLEEP_SHARE: Final = 0.2
"""Share of the other units' messages that must fall silent along, at key-off ..."""

FEW_IDS: Final = 5
"""... of fewer than this, one will do; else two or more."""

SAME_S: Final = 0.05
"""Messages that fall silent and come back this close together are of one unit."""

STEERED_NM: Final = 2.0
"""Driver torque of somebody who steers (the contract's figure); life, where no engine tells."""

SPEEDS: Final = (
    "vehicle_speed",
    "wheel_speed_fl",
    "wheel_speed_fr",
    "wheel_speed_rl",
    "wheel_speed_rr",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class LifeOfRide:
    """When the vehicle lived, as far as the log tells; times in s.

    Attributes
    ----------
    has_engine : bool or None
        An engine was seen running; None where the log cannot tell.
    alive_s : array of float64 or None
        When the engine ran, the vehicle rolled or, without engine speed, somebody steered;
        None where no channel tells.
    engine_starts_s, engine_stops_s : tuple of float
        When engine speed passed 500 rpm upwards, and when it came back below.
    engine_silent_s : tuple of float
        When engine speed fell silent with the engine running.
    silences : tuple of ModuleSilence
        Where all of the module's messages were silent together, and came back.
    module_start_s, module_end_s : float or None
        Its first and last message; None where it sends none that is known.
    """

    log_end_s: float
    has_engine: bool | None
    alive_s: FloatArray | None
    engine_starts_s: tuple[float, ...]
    engine_stops_s: tuple[float, ...]
    engine_silent_s: tuple[float, ...]
    silences: tuple[ModuleSilence, ...]
    module_start_s: float | None
    module_end_s: float | None
    ids: tuple[IdStats, ...] = ()
    starter: tuple[StarterTurn, ...] = ()
    bus_begins_s: tuple[float, ...] = ()
    log_stops_s: tuple[float, ...] = ()

    @property
    def last_alive_s(self) -> float | None:
        """Return the last sign of life, s; None where there is none."""
        return last_of(self.alive_s)

    def after_ride(self, at_s: float) -> bool:
        """Tell whether something that begins then belongs to the end of the ride.

        In a log in which the engine ran or the vehicle rolled, what begins within 2 s of
        the last moment that they did, or later, is held against nothing.
        """
        return self.last_alive_s is not None and at_s >= self.last_alive_s - SLEEP_S

    def between_rides(self, at_s: float) -> bool:
        """Tell whether a moment lies before the first sign of life, or 2 s after one, or later.

        Units wake up, fall asleep and change over with the key then.
        """
        if self.alive_s is None:
            return False
        after = int(np.searchsorted(self.alive_s, at_s, side="right"))
        return after == 0 or at_s - float(self.alive_s[after - 1]) > SLEEP_S

    def engine_turns_off(self, at_s: float) -> bool:
        """Tell whether the engine stopped, or its unit fell silent, within 2 s of this moment."""
        stops = (*self.engine_stops_s, *self.engine_silent_s)
        return any(abs(stop_s - at_s) <= SLEEP_S for stop_s in stops)

    def starter_turns(self, at_s: float) -> bool:
        """Tell whether the starter turned at this moment, or just let go."""
        return any(turn.start_s <= at_s <= turn.end_s + STARTER_TAIL_S for turn in self.starter)

    def wakes_up(self, at_s: float) -> bool:
        """Tell whether the bus had just begun to live: at the log's begin, or after a silence."""
        return any(0.0 <= at_s - begin_s <= SLEEP_S for begin_s in (0.0, *self.bus_begins_s))

    def log_stops(self, at_s: float) -> bool:
        """Tell whether the recording stopped within 2 s after this moment."""
        return any(0.0 <= stop_s - at_s <= SLEEP_S for stop_s in self.log_stops_s)

    def key_cycle(self, start_s: float, end_s: float) -> bool:
        """Tell whether the engine stopped, or other units fell asleep, as a silence began."""
        return self.engine_turns_off(start_s) or self.units_fall_asleep(start_s, end_s)

    def units_fall_asleep(self, start_s: float, end_s: float | None = None) -> bool:
        """Tell whether units fell asleep within 2 s of this moment.

        Messages that are silent just as long as the span, from beginning to end, are of the
        same unit and do not count.
        """
        others = [item for item in self.ids if not _silent_with(item, start_s, end_s)]
        asleep = sum(_falls_asleep(item, start_s, self.log_end_s) for item in others)
        needed = 1 if len(others) < FEW_IDS else max(2, math.ceil(ASLEEP_SHARE * len(others)))
        return asleep >= needed


def life_of_ride(timeline: Timeline) -> LifeOfRide:
    """Find when the engine ran, the vehicle rolled, the module sent and units slept."""
    starts_s, stops_s, silent_s = _engine_turns(timeline)
    carriers = module_carriers(timeline)
    own = {channel.source for channel in carriers}
    first = min((float(one.time_s[0]) for one in carriers), default=None)
    last = max((float(one.time_s[-1]) for one in carriers), default=None)
    engine = timeline.get("engine_speed")
    ran = engine is not None and bool((engine.valid()[1] > STARTED_RPM).any())
    return LifeOfRide(
        log_end_s=timeline.duration_s,
        has_engine=True if ran else None,
        alive_s=signs_of_life_s(timeline),
        engine_starts_s=starts_s,
        engine_stops_s=stops_s,
        engine_silent_s=silent_s,
        silences=module_silences(timeline),
        module_start_s=first,
        module_end_s=last,
        starter=starter_turns(timeline),
        bus_begins_s=(
            *(end_s for _, end_s in timeline.bus.recording_gaps),
            *(end_s for _, _, end_s in timeline.bus.bus_gaps),
        ),
        log_stops_s=tuple(start_s for start_s, _ in timeline.bus.recording_gaps),
        ids=tuple(
            item for item in timeline.bus.ids if item.source not in own and item.period_s > 0.0
        ),
    )


def _engine_turns(timeline: Timeline) -> tuple[tuple[float, ...], ...]:
    """Return when engine speed passed 500 rpm, came back below, and fell silent above it."""
    channel = timeline.get("engine_speed")
    if channel is None:
        return (), (), ()
    time_s, speed_rpm = channel.valid()
    runs = speed_rpm > STARTED_RPM
    edges = np.flatnonzero(np.diff(runs)) + 1
    starts = [float(time_s[row]) for row in edges if runs[row]]
    stops = [float(time_s[row]) for row in edges if not runs[row]]
    late = np.diff(time_s, append=timeline.duration_s) > channel.stale_after_s
    silent = [float(time_s[row]) for row in np.flatnonzero(late & runs)]
    return tuple(starts), tuple(stops), tuple(silent)


def signs_of_life_s(timeline: Timeline) -> FloatArray | None:
    """Return when the engine ran or the vehicle rolled; None where the log cannot tell.

    Without engine speed, steering counts too: a vehicle without an engine is ridden and
    parked in silence.
    """
    asked = {"engine_speed": STARTED_RPM, **dict.fromkeys(SPEEDS, ROLLING_KPH)}
    if not timeline.has("engine_speed"):
        asked["driver_torque"] = STEERED_NM
    times = []
    for name, least in asked.items():
        channel = timeline.get(name)
        if channel is not None:
            time_s, value = channel.valid()
            times.append(time_s[np.abs(value) > least])
    return np.sort(np.concatenate(times)) if times else None


def last_of(alive_s: FloatArray | None) -> float | None:
    """Return the last sign of life, s; None where there is none."""
    return float(alive_s[-1]) if alive_s is not None and len(alive_s) else None


def _silent_with(item: IdStats, start_s: float, end_s: float | None) -> bool:
    """Tell whether a message is silent from the beginning to the end of a span, as one unit is."""
    if end_s is None:
        return False
    near_s = SAME_S + 2.0 * item.period_s
    return any(
        abs(begin_s - start_s) <= near_s and abs(back_s - end_s) <= near_s
        for begin_s, back_s in item.silences
    )


def _falls_asleep(item: IdStats, at_s: float, log_end_s: float) -> bool:
    """Tell whether a message fell silent within 2 s of a moment, for a second or more."""
    spans = [*item.silences, (item.last_s, log_end_s)]
    least_s = max(ASLEEP_S, 5.0 * item.period_s)
    return any(
        abs(start_s - at_s) <= SLEEP_S and end_s - start_s >= least_s for start_s, end_s in spans
    )


def rolling(timeline: Timeline, at_s: float) -> bool:
    """Tell whether the vehicle is known to roll at a moment."""
    return bool(value_at(timeline, "vehicle_speed", np.array([at_s]))[0] > ROLLING_KPH)

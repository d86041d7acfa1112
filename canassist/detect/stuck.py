"""Signal stuck: a channel repeats one value while others say that it must move."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from canassist.detect.signals import severity_of
from canassist.detect.spans import true_runs
from canassist.model import Event, EventKind
from canassist.physics import STARTED_RPM
from canassist.timeline import TIME_STEP_S, seen_s

if TYPE_CHECKING:
    from canassist.detect.spans import Runs
    from canassist.model import BoolArray, Channel, FloatArray, Profile, ThermalFit, Timeline


class CrossCheck(NamedTuple):
    """A channel that does not move this far while another one rests.

    The first figure speaks against a channel that shows noise, the second against a
    coarse one, which may well repeat a value for a while.
    """

    channel: str
    moves: float
    moves_far: float


_WHEELS: Final = tuple(
    CrossCheck(f"wheel_speed_{place}", 3.0, 10.0) for place in ("fl", "fr", "rl", "rr")
)

CROSS_CHECKS: Final = {
    "vehicle_speed": (*_WHEELS, CrossCheck("engine_speed", 250.0, 1500.0)),
    "engine_speed": (CrossCheck("vehicle_speed", 0.8, 10.0),),
    "supply_voltage": (
        CrossCheck("system_voltage", 0.3, 1.0),
        CrossCheck("module_current", 10.0, 30.0),
        CrossCheck("motor_current", 20.0, 60.0),
    ),
    "system_voltage": (
        CrossCheck("supply_voltage", 0.6, np.inf),  # a loose plug moves it alone
        CrossCheck("system_current", 15.0, 60.0),
    ),
    "driver_torque": (
        CrossCheck("assist_torque", 4.0, 12.0),
        CrossCheck("motor_current", 8.0, 24.0),
        CrossCheck("steering_angle", 40.0, 120.0),
    ),
    "assist_torque": (
        CrossCheck("driver_torque", 2.5, 6.0),
        CrossCheck("motor_current", 8.0, 24.0),
    ),
    "motor_current": (
        CrossCheck("driver_torque", 2.5, 6.0),
        CrossCheck("assist_torque", 4.0, 12.0),
    ),
    "module_current": (
        CrossCheck("motor_current", 15.0, 45.0),
        CrossCheck("assist_torque", 8.0, 24.0),
    ),
    "steering_angle": (
        CrossCheck("driver_torque", 5.0, 10.0),
        CrossCheck("assist_torque", 10.0, 30.0),
    ),
    "module_temperature": (
        CrossCheck("motor_current", 30.0, np.inf),
        CrossCheck("module_current", 15.0, np.inf),
    ),
    "wheel_speed_fl": (
        CrossCheck("wheel_speed_fr", 3.0, 10.0),
        CrossCheck("vehicle_speed", 3.0, 10.0),
    ),
    "wheel_speed_fr": (
        CrossCheck("wheel_speed_fl", 3.0, 10.0),
        CrossCheck("vehicle_speed", 3.0, 10.0),
    ),
    "wheel_speed_rl": (
        CrossCheck("wheel_speed_rr", 3.0, 10.0),
        CrossCheck("vehicle_speed", 3.0, 10.0),
    ),
    "wheel_speed_rr": (
        CrossCheck("wheel_speed_rl", 3.0, 10.0),
        CrossCheck("vehicle_speed", 3.0, 10.0),
    ),
}
"""For each channel, what cannot move while it rests, best first: common practice, no source."""

LIVELY_SHARE: Final = 0.4
"""A channel whose value changes at this share of its samples shows noise: then a repeated
value is odd in itself, and one witness is enough. A coarse one may rest for a while."""

LIVELY_REPEATS: Final = 30
"""... unless it repeats the value fewer times than this, which may be chance."""

MIDDLE: Final = (0.02, 0.98)
"""How far a witness moved is told between these quantiles: a witness that jumps is none."""

REST_ZERO: Final = frozenset(
    {
        "vehicle_speed",
        "engine_speed",
        "wheel_speed_fl",
        "wheel_speed_fr",
        "wheel_speed_rl",
        "wheel_speed_rr",
    }
)
"""Zero is where these rest: then only what turns with them speaks against it."""

LIMP_CHANNELS: Final = frozenset({"assist_torque", "motor_current", "module_current"})
"""These rest while the module gives no assist, whatever the rider does."""

HEATING_K: Final = 6.0
"""A temperature rests where its own model moves by this much: several steps of any sensor."""

MISSES: Final = 4.0
"""... and by this many times what it misses by, as a standard deviation."""

NEARLY_S: Final = 0.05
"""Two samples so near each other are of one moment, s (rule of thumb)."""

NO_ASSIST_PCT: Final = 5.0

ROLLS_KPH: Final = 3.0
"""A wheel whose speed moves by this rolls."""


def find_stuck(
    timeline: Timeline, profile: Profile, thermal: ThermalFit | None = None
) -> list[Event]:
    """Find where a channel repeats one value for ``stuck_s`` while others say that it must move.

    Parameters
    ----------
    thermal : ThermalFit, optional
        Where the module's temperature should have gone, by its current: the witness for
        that channel, which may rest by itself for long.

    Returns
    -------
    list of Event
        In order of channels, then time. ``measured`` holds ``repeated_s``, the value, the
        witness and how far it moved. Nothing is found on a channel without cross-checks.
    """
    found: list[Event] = []
    for name, cross_checks in CROSS_CHECKS.items():
        channel = timeline.get(name)
        if channel is not None and len(channel):
            heat = thermal if name == "module_temperature" else None
            found += _stuck(channel, cross_checks, timeline, profile.limits.stuck_s, heat)
    return found


def _stuck(
    channel: Channel,
    cross_checks: tuple[CrossCheck, ...],
    timeline: Timeline,
    stuck_s: float,
    thermal: ThermalFit | None,
) -> list[Event]:
    time_s, value = channel.valid()
    if len(time_s) < 2:  # noqa: PLR2004 - one sample repeats nothing
        return []
    same = np.append(np.diff(value) == 0.0, False)
    runs = _with_last(true_runs(time_s, same, stale_after_s=channel.followed_s), channel)
    long = runs.seconds >= stuck_s - TIME_STEP_S
    if not long.any():
        return []
    often = _lively(same, runs, long, least=LIVELY_REPEATS if timeline.bus.thinning else 1)
    fine = channel.name != "module_temperature" or _usually_moves(same, runs)
    found = []
    for first, stop, seconds in zip(*(part[long] for part in runs), strict=True):
        last = int(stop)  # `same` looks ahead: the run's last sample is the one after
        level = float(value[first])
        start_s, last_s = float(time_s[first]), float(time_s[last])
        asked = _fit_to_speak(channel.name, level, cross_checks, timeline, (start_s, last_s))
        lively = often and fine and last - first >= LIVELY_REPEATS
        at_s = time_s[first : last + 1] if timeline.bus.thinning else None
        witness = _moved(asked, timeline, (start_s, last_s), lively=lively, at_s=at_s)
        witness = witness or _heating(thermal, value, (start_s, last_s))
        if witness is None:
            continue
        found.append(_event(channel, (int(first), last), float(seconds), witness, stuck_s))
    return found


def _event(
    channel: Channel,
    rows: tuple[int, int],
    seconds: float,
    witness: tuple[str, float],
    stuck_s: float,
) -> Event:
    """Return the event of a run from its first to its last row."""
    time_s, value = channel.valid()
    first, last = rows
    return Event(
        kind=EventKind.SIGNAL_STUCK,
        start_s=float(time_s[first]),
        end_s=float(time_s[last + 1]) if last + 1 < len(time_s) else None,
        severity=severity_of(channel.name),
        channel=channel.name,
        measured={
            "repeated_s": seconds,
            "stuck_value": float(value[first]),
            "witness": witness[0],
            "witness_moved": witness[1],
        },
        expected={"repeated_s": stuck_s},
    )


def _with_last(runs: Runs, channel: Channel) -> Runs:
    """Measure each run to the first sample that differs; ``stop`` is its last equal one."""
    time_s, _ = channel.valid()
    seen = seen_s(time_s, stale_after_s=channel.followed_s)
    after = np.minimum(runs.stop + 1, len(time_s) - 1)
    return runs._replace(seconds=seen[after] - seen[runs.first])


def _lively(same: BoolArray, runs: Runs, long: BoolArray, *, least: int) -> bool:
    """Tell whether the value usually changes from sample to sample, long rests left out.

    So many samples at least must be left to tell it by.
    """
    inside = np.zeros(len(same), dtype=np.bool_)
    for first, stop in zip(runs.first[long], runs.stop[long], strict=True):
        inside[first : stop + 1] = True
    rest = ~inside
    return bool(rest.sum() >= least and (~same[rest]).mean() >= LIVELY_SHARE)


def _usually_moves(same: BoolArray, runs: Runs) -> bool:
    """Tell whether the value changes nearly all the time, the longest rest left out.

    A coarse temperature rests on one step for long, again and again, and flickers between.
    """
    longest = int(np.argmax(runs.stop - runs.first))
    inside = np.zeros(len(same), dtype=np.bool_)
    inside[runs.first[longest] : runs.stop[longest] + 1] = True
    rest = ~inside
    return bool(rest.any() and (~same[rest]).mean() >= LIVELY_SHARE)


def _fit_to_speak(
    name: str,
    level: float,
    cross_checks: tuple[CrossCheck, ...],
    timeline: Timeline,
    span_s: tuple[float, float],
) -> tuple[CrossCheck, ...]:
    """Return the cross-checks that mean something for a channel at rest at this level."""
    if name in LIMP_CHANNELS and _no_assist(timeline, span_s):
        return ()
    if name == "engine_speed" and level <= STARTED_RPM:
        return ()
    if level == 0.0 and name in REST_ZERO:
        turning = REST_ZERO - {"engine_speed"}
        return tuple(
            check
            for check in cross_checks
            if check.channel in turning and not _may_spin(timeline, name, span_s)
        )
    return cross_checks


def _may_spin(timeline: Timeline, name: str, span_s: tuple[float, float]) -> bool:
    """Tell whether what stands may stand in truth while other wheels spin, or turn in the air.

    Only wheels of both ends of the vehicle, or one of the same end, speak against a standing
    speed.
    """
    moved = {
        place
        for place in ("fl", "fr", "rl", "rr")
        if _range(timeline, f"wheel_speed_{place}", span_s) >= ROLLS_KPH
    }
    if name.startswith("wheel_speed_"):
        end = name[-2]
        return not any(place[0] == end for place in moved) and not _both_sides(moved)
    return not any(place[0] == "f" for place in moved) or not any(
        place[0] == "r" for place in moved
    )


def _both_sides(moved: set[str]) -> bool:
    """Tell whether wheels of both sides roll: one axle alone with its brake locked does not."""
    return len({place[1] for place in moved}) > 1 and len(moved) > 1


def _moved(
    cross_checks: tuple[CrossCheck, ...],
    timeline: Timeline,
    span_s: tuple[float, float],
    *,
    lively: bool,
    at_s: FloatArray | None = None,
) -> tuple[str, float] | None:
    """Return the first witness that moved far enough, and how far; None where none did.

    Where the recorder drops frames, a witness counts only when the other was heard, at
    ``at_s``, and often enough: what it did meanwhile the other may have done as well.
    """
    if at_s is not None and len(at_s) < LIVELY_REPEATS:
        return None
    for check in cross_checks:
        moved = _range(timeline, check.channel, span_s, at_s)
        if moved >= (check.moves if lively else check.moves_far):
            return check.channel, moved
    return None


def _heating(
    thermal: ThermalFit | None, value: FloatArray, span_s: tuple[float, float]
) -> tuple[str, float] | None:
    """Return how far the module's temperature should have gone, where that is far.

    Far is well beyond what the model misses elsewhere in the ride.
    """
    if thermal is None:
        return None
    first, stop = np.searchsorted(thermal.time_s, span_s)
    if stop - first < 2:  # noqa: PLR2004 - a range takes two
        return None
    moved = float(np.ptp(thermal.model_c[first:stop]))
    missed = float(np.std(value)) * np.sqrt(max(1.0 - thermal.fit, 0.0))
    return (thermal.driven_by, moved) if moved >= max(HEATING_K, MISSES * missed) else None


def _no_assist(timeline: Timeline, span_s: tuple[float, float]) -> bool:
    limit = _values(timeline, "assist_limit", span_s)
    return bool(len(limit) and np.median(limit) <= NO_ASSIST_PCT)


def _range(
    timeline: Timeline, name: str, span_s: tuple[float, float], at_s: FloatArray | None = None
) -> float:
    values = _values(timeline, name, span_s)
    channel = timeline.get(name)
    if at_s is not None and channel is not None:
        time_s, heard = channel.valid()
        row = np.searchsorted(time_s, at_s, side="right") - 1
        fresh = (row >= 0) & (at_s - time_s[row] <= NEARLY_S)
        values = heard[row[fresh]]
    return float(np.ptp(np.quantile(values, MIDDLE))) if len(values) else 0.0


def _values(timeline: Timeline, name: str, span_s: tuple[float, float]) -> FloatArray:
    channel = timeline.get(name)
    if channel is None:
        return np.empty(0)
    first, stop = np.searchsorted(channel.time_s, span_s, side="right")
    values = channel.value[max(first - 1, 0) : stop]
    return np.asarray(values[~np.isnan(values)])

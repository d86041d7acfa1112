"""What pulled the supply down: starter, a break, the steering itself, charging, another load."""

from __future__ import annotations

import math
from bisect import bisect_left
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from canassist.physics import STARTED_RPM, StarterTurn, has_engine, nominal_share, within
from canassist.stats import least_squares
from canassist.timeline import seen_s, value_at, window_extremes

if TYPE_CHECKING:
    from canassist.model import BoolArray, FloatArray, Physics, Profile, SupplyPath, Timeline
    from canassist.physics import LifeOfRide

LOAD_CHANNELS: Final = ("module_current", "motor_current", "assist_torque", "driver_torque")
"""What tells how hard the steering draws on the supply, best first."""

AFTER_START_S: Final = 0.3
"""A dip that begins this soon after the starter let go is its tail; the alternator needs longer."""

BREAK_FALL_V: Final = 2.0
"""A break takes at least this much at once beyond what current explains: no sound supply gives
way so far ... Volts are for 12 V."""

BREAK_FALL_S: Final = 0.15
"""... in this time, which is a few messages, unless current pulls it there."""

CURRENT_SPREAD: Final = 1.5
"""Path times current may be off by this factor: readings of current and of voltage are not of the
same moment. Common practice, no source."""

BREAK_DEPTH_V: Final = 7.0
"""A break takes the supply below this: no load of a running vehicle does (a cold crank may)."""

GONE_V: Final = 3.0
SLOW_S: Final = 0.12
"""Of a supply sampled more seldom than this, a single low sample tells no break unless the supply
is as good as gone: what current did meanwhile is not seen. Common practice, no source."""

BREAK_SHARE: Final = 0.5
"""System voltage that falls with the module's by this share of it means a load, no break."""

NEAR_S: Final = 0.1
"""Current and voltage of different messages are of the same moment within this."""

AT_ONSET_S: Final = 0.5
"""The engine's state at an onset is its last reading within this time."""

BEFORE_S: Final = 1.0
"""The level before a dip is the median of this long before it."""

AROUND_S: Final = 12.0
"""Supply against load is compared this long before and after a dip."""

CHARGE_WINDOW_S: Final = 60.0
"""Whether the alternator charges is judged from this long before a dip."""

CHARGE_SHARE: Final = 0.8
"""Level that the supply reaches with charging: this quantile, so that loads do not hide it."""

CHARGE_LEAST_S: Final = 3.0
"""Engine time above the charging speed that is needed to judge charging."""

REST_SHARE: Final = 0.3
"""Load at rest: this quantile of what it is around the dip."""

LOAD_SHARE: Final = 0.5
"""Steering is the cause where it explains at least this share of the drop."""

LEAST_PULL_A: Final = 6.0
LEAST_PULL_NM: Final = 2.0
"""Less current or torque than this on top of rest pulls no supply down."""

MOST_OHM: Final = 0.4
"""No path or source that still carries tens of amperes has more, ohm for 12 V. Rule of thumb."""

LEAST_SAMPLES: Final = 8
"""A line through fewer samples says nothing."""


class PlainColumns(NamedTuple):
    """Columns of a scene as lists: on the few samples of a dip, numpy takes ten times as long."""

    time_s: list[float]
    supply_v: list[float]
    system_v: list[float]
    engine_rpm: list[float]
    load: list[float]
    load_near: list[float]


@dataclass(frozen=True, kw_only=True)
class DipScene:
    """What else happened around a dip, each channel at the times of the supply's samples."""

    time_s: FloatArray
    supply_v: FloatArray
    system_v: FloatArray
    engine_rpm: FloatArray
    load: FloatArray
    load_near: FloatArray
    load_after: FloatArray
    load_channel: str
    has_engine: bool
    charging_v: float
    charging_rpm: float
    turns: tuple[StarterTurn, ...]
    step_s: FloatArray
    volts_per_load: float
    volt_share: float
    turning: BoolArray
    life: LifeOfRide
    period_s: float

    @staticmethod
    def of(
        timeline: Timeline,
        profile: Profile,
        physics: Physics,
        life: LifeOfRide,
        turns: tuple[StarterTurn, ...],
    ) -> DipScene:
        """Gather the channels of a ride that has supply voltage."""
        supply = timeline.channels["supply_voltage"]
        time_s, supply_v = supply.valid()
        seen = seen_s(time_s, stale_after_s=supply.stale_after_s)
        name = next((name for name in LOAD_CHANNELS if timeline.has(name)), "")
        load = value_at(timeline, name, time_s)
        load = load if name == "module_current" else np.abs(load)
        volts = nominal_share(timeline, profile)
        sound = supply_v >= profile.limits.undervoltage_v
        return DipScene(
            time_s=time_s,
            supply_v=supply_v,
            system_v=value_at(timeline, "system_voltage", time_s),
            engine_rpm=value_at(timeline, "engine_speed", time_s),
            load=load,
            load_near=window_extremes(time_s, load, before_s=NEAR_S, after_s=NEAR_S)[1],
            load_after=_next_value(timeline, name, time_s),
            load_channel=name,
            has_engine=has_engine(timeline, profile) is not False,
            charging_v=profile.limits.charging_v,
            charging_rpm=profile.limits.charging_rpm,
            turns=turns,
            step_s=np.diff(seen, append=seen[-1:]),
            volts_per_load=_volts_per_load(physics.supply_path, name, load[sound], supply_v[sound]),
            volt_share=volts,
            period_s=float(np.median(np.diff(time_s))) if len(time_s) > 1 else 0.0,
            turning=within(time_s, turns),
            life=life,
        )

    def rows(self, start_s: float, end_s: float) -> slice:
        """Return the rows from `start_s` up to and including `end_s`."""
        first = bisect_left(self.plain.time_s, start_s)
        return slice(first, bisect_left(self.plain.time_s, math.nextafter(end_s, math.inf)))

    @cached_property
    def plain(self) -> PlainColumns:
        """The columns as lists."""
        return PlainColumns(
            self.time_s.tolist(),
            self.supply_v.tolist(),
            self.system_v.tolist(),
            self.engine_rpm.tolist(),
            self.load.tolist(),
            self.load_near.tolist(),
        )

    def seconds(self, rows: slice, state: BoolArray) -> float:
        """Return the time from each of these samples to the next one, gaps left out, summed."""
        return float(self.step_s[rows][state].sum())

    @cached_property
    def charges_at_all(self) -> bool:
        """Whether the alternator was seen charging in the whole ride; unknown counts so."""
        return _charges_in(self, slice(None)) is not False

    def figures(self, at_s: float) -> dict[str, float]:
        """Return engine speed and load at one sample, as far as they are known."""
        row = bisect_left(self.plain.time_s, at_s)
        found = {"engine_rpm": self.plain.engine_rpm[row]}
        if self.load_channel.endswith("current"):
            found[f"{self.load_channel}_a"] = self.plain.load[row]
        elif self.load_channel:
            found[f"{self.load_channel}_nm"] = self.plain.load[row]
        return {name: value for name, value in found.items() if not math.isnan(value)}


def _next_value(timeline: Timeline, name: str, time_s: FloatArray) -> FloatArray:
    """Return a channel's first value at or after each time; NaN where none comes within 0.1 s."""
    found = np.full(len(time_s), np.nan)
    channel = timeline.get(name)
    if channel is None:
        return found
    at_s, value = channel.valid()
    row = np.searchsorted(at_s, time_s)
    there = row < len(at_s)
    there[there] = at_s[row[there]] - time_s[there] <= NEAR_S
    found[there] = value[row[there]]
    return found


def _volts_per_load(
    path: SupplyPath | None, name: str, load: FloatArray, supply_v: FloatArray
) -> float:
    """Return how far supply falls for each unit of load: of path and source; NaN if not known.

    The larger of what was measured of the path and what the ride shows outside its dips.
    """
    known = ~np.isnan(load)
    shown = float("nan")
    if known.sum() >= LEAST_SAMPLES and np.ptp(load[known]) > 0.0:
        shown = max(-least_squares(load[known], supply_v[known]).slope, 0.0)
    if path is None or name != "module_current" or path.method == "motor_power":
        return shown
    source = SOURCE_OHM if path.source_ohm is None else max(path.source_ohm.value, 0.0)
    ohm = min(path.path_ohm.high, 2.0 * max(path.path_ohm.value, 0.0))
    return float(np.fmax(shown, ohm + source))


SOURCE_OHM: Final = 0.02
"""Inner resistance of a sound source at most (5 to 20 milliohms, from memory)."""


def dip_cause(scene: DipScene, start_s: float, last_s: float) -> str | None:
    """Return the contract's word for what pulled the supply down.

    The engine is asked at the onset: a dip that begins with a running engine is none of a
    stopped one, whatever comes of it.

    Parameters
    ----------
    start_s, last_s : float
        First and last sample below the limit, in s.

    Returns
    -------
    str or None
        None where engine speed is missing and the supply has, or may have, an engine.
    """
    if scene.has_engine:
        stands = _engine_stands(scene, start_s)
        if stands is None:
            return None
        if _starter_turns(scene, start_s, last_s):
            return "cranking"
    if _is_break(scene, start_s, last_s):
        return "supply_break"
    if scene.has_engine:
        if stands:
            return "engine_stopped"
        if not _charges(scene, start_s):
            return "charging"
    return "steering_load" if _load_share(scene, start_s, last_s) >= LOAD_SHARE else "other_load"


def _engine_stands(scene: DipScene, start_s: float) -> bool | None:
    """Tell whether the engine stands as a dip begins; None where that is not known.

    An engine whose unit fell silent stands where it had stopped before.
    """
    rows = scene.rows(start_s - AT_ONSET_S, start_s)
    known = _known(scene.plain.engine_rpm[rows])
    if known:
        return bool(known[-1] <= STARTED_RPM)
    ends = (*scene.life.engine_stops_s, *scene.life.engine_silent_s)
    stopped = [s for s in ends if s <= start_s]
    started = [s for s in scene.life.engine_starts_s if s <= start_s]
    if stopped and max(stopped) >= max(started, default=0.0):
        return True
    return None


def _starter_turns(scene: DipScene, start_s: float, last_s: float) -> bool:
    return any(
        turn.start_s <= last_s and start_s < turn.end_s + AFTER_START_S for turn in scene.turns
    )


def _is_break(scene: DipScene, start_s: float, last_s: float) -> bool:
    """Tell whether supply went at once, further than path and source times current explain.

    Measured from the sample before it fell to the lowest.
    """
    before, dip = (
        scene.rows(start_s - BEFORE_S, math.nextafter(start_s, 0.0)),
        scene.rows(start_s, last_s),
    )
    if before.start == before.stop:
        return False
    level_v = _middle(scene.plain.supply_v[before])
    dip_v = scene.plain.supply_v[dip]
    lowest_v = min(dip_v)
    fell_v = level_v - lowest_v
    if fell_v < BREAK_FALL_V * scene.volt_share:
        return False
    halfway = next(row for row, v in enumerate(dip_v) if v <= (level_v + lowest_v) / 2.0)
    fall_s = scene.plain.time_s[dip.start + halfway] - scene.plain.time_s[before.stop - 1]
    if fall_s > max(BREAK_FALL_S, 2.0 * scene.period_s):
        return False
    deep = lowest_v < BREAK_DEPTH_V * scene.volt_share
    if scene.period_s > SLOW_S and lowest_v >= GONE_V * scene.volt_share:
        return False
    return _not_by_load(scene, before, dip, deep=deep)


def _not_by_load(scene: DipScene, before: slice, dip: slice, *, deep: bool) -> bool:
    """Tell whether neither the module's current nor the source explains a fall."""
    if _draws_more(scene, before, dip):
        return False
    beyond_v = _beyond_current(scene, before, dip)
    if beyond_v is None:
        return _system_holds(scene, before, dip, deep)
    fell_enough = beyond_v >= BREAK_FALL_V * scene.volt_share
    sure = deep or scene.load_channel.endswith("current")
    # a resistance leaves the source up as well: torque alone tells them apart by depth only
    return fell_enough and sure and _system_holds(scene, before, dip, True)


def _draws_more(scene: DipScene, before: slice, dip: slice) -> bool:
    """Tell whether the module drew more at the lowest: through an open contact nothing flows."""
    was_a = scene.load[before][~np.isnan(scene.load[before])]
    if not scene.load_channel.endswith("current") or not len(was_a):
        return False
    row = dip.start + int(np.argmin(scene.supply_v[dip]))
    more_a = min(scene.load[row], scene.load_after[row]) - _middle(was_a.tolist())
    fell_v = _middle(scene.plain.supply_v[before]) - float(scene.supply_v[row])
    most_ohm = MOST_OHM * scene.volt_share**2
    return bool(more_a >= LEAST_PULL_A / scene.volt_share and fell_v <= most_ohm * more_a)


def _beyond_current(scene: DipScene, before: slice, dip: slice) -> float | None:
    """Return how far supply fell beyond what the change of load explains, in V.

    With what the load takes added, the supply of a sound path stays where it was before.
    None where load is not known.
    """
    ohm, plain = CURRENT_SPREAD * scene.volts_per_load, scene.plain
    loads = zip(plain.supply_v[before], plain.load[before], strict=True)
    was_v = _known([v + ohm * load for v, load in loads])
    loads = zip(plain.supply_v[dip], plain.load_near[dip], strict=True)
    is_v = _known([v + ohm * load for v, load in loads])
    return _middle(was_v) - min(is_v) if was_v and is_v else None


def _system_holds(scene: DipScene, before: slice, dip: slice, otherwise: bool) -> bool:
    """Tell whether system voltage stays up while the module's falls; `otherwise` if unknown."""
    plain = scene.plain
    was_v, is_v = _known(plain.system_v[before]), _known(plain.system_v[dip])
    if not was_v or not is_v:
        return otherwise
    fell_v = _middle(was_v) - min(is_v)
    module_fell_v = _middle(plain.supply_v[before]) - min(plain.supply_v[dip])
    return fell_v < BREAK_SHARE * module_fell_v


def _known(values: list[float]) -> list[float]:
    if not math.isnan(sum(values)):  # all are: the usual case
        return values
    return [value for value in values if not math.isnan(value)]


def _middle(values: list[float]) -> float:
    """Return the median of known values."""
    in_order = sorted(values)
    half = len(in_order) // 2
    if len(in_order) % 2:
        return in_order[half]
    return (in_order[half - 1] + in_order[half]) / 2.0


def _charges(scene: DipScene, start_s: float) -> bool:
    """Tell whether the alternator was seen charging; unknown counts as charging."""
    lately = _charges_in(scene, scene.rows(start_s - CHARGE_WINDOW_S, start_s))
    return scene.charges_at_all if lately is None else lately


def _charges_in(scene: DipScene, window: slice) -> bool | None:
    """Tell whether the alternator charges in a window; None where the engine ran too slowly."""
    fast = scene.engine_rpm[window] > scene.charging_rpm
    if scene.seconds(window, fast) < CHARGE_LEAST_S:
        return None
    return bool(np.quantile(scene.supply_v[window][fast], CHARGE_SHARE) >= scene.charging_v)


def _load_share(scene: DipScene, start_s: float, last_s: float) -> float:
    """Return the share of the drop that the supply's line on the load explains, 0 to 1."""
    around = scene.rows(start_s - AROUND_S, last_s + AROUND_S)
    known = ~np.isnan(scene.load[around])
    load, supply_v = scene.load[around][known], scene.supply_v[around][known]
    if len(load) < LEAST_SAMPLES or np.ptp(load) == 0.0:
        return 0.0
    rest = load <= np.quantile(load, REST_SHARE)
    dip = scene.rows(start_s, last_s)
    dip_load = scene.load[dip]
    if np.isnan(dip_load).all() or np.nanmax(dip_load) - load[rest].mean() < _least_pull(scene):
        return 0.0
    slope = least_squares(load, supply_v).slope
    pulled_v = -slope * (float(np.nanmean(dip_load)) - float(load[rest].mean()))
    drop_v = float(supply_v[rest].mean()) - float(scene.supply_v[dip].mean())
    return float(np.clip(pulled_v / drop_v, 0.0, 1.0)) if drop_v > 0.0 else 0.0


def _least_pull(scene: DipScene) -> float:
    return LEAST_PULL_A if scene.load_channel.endswith("current") else LEAST_PULL_NM

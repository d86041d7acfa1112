"""Resistance between the source and the steering module, told apart from the battery's sag."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.model import Estimate, Points, SupplyPath
from canassist.physics.engine import STARTED_RPM, starter_turns, within
from canassist.physics.module_carriers import module_silences
from canassist.stats import (
    best_split,
    block_sums,
    jackknife_slope,
    noise_variance,
    rounding_variance,
)
from canassist.timeline import between, value_at

if TYPE_CHECKING:
    from canassist.model import BoolArray, FloatArray, Profile, Timeline

BLOCK_S: Final = 6.0
"""A steering manoeuvre lasts a few seconds: stretches of this length count as independent."""

FAST_S: Final = 2.0
"""Within this the battery's slow sag and the charging level hardly move, so a line within it
shows what follows current at once."""

LEAST_SWING_A: Final = 5.0
"""Stretches in which current swings by less say nothing."""

LEAST_STRETCHES: Final = 4
"""A path is judged over at least so many stretches with steering."""

REGULATED_V: Final = 0.02
"""A regulator holds its level at least within this, ripple and drift included: common practice,
no source."""

NOISE_REACHES: Final = (5.0, 4.0, 3.0, 2.5, 2.5, 2.5)
"""Standard deviations of noise that a level may be off by, round by round: level and path
settle within a few rounds, from coarse to fine."""

SOUND_SOURCE_OHM: Final = 0.02
"""Inner resistance of a sound battery at most (5 to 20 milliohms, from memory)."""

CHANGE_LEAVES: Final = 0.2
"""A path has changed on the way where two levels leave at most this of the squared error ..."""

CHANGE_OHM: Final = 0.008
"""... and by at least this much, a quarter of what a path may have."""

MOST_POINTS: Final = 2000
"""Points that are kept for drawing."""

CURRENT_GAIN_SHARE: Final = 0.05
"""A module's current reading may be off by this share, which no spread shows: 2 to 10 % is common
practice, no source."""

CONTACT_S: Final = 0.5
"""So long before and after a silence of the module, a contact that opens or closes is no path."""

LEAST_SHARE: Final = 0.5
"""A supply below this share of its median is a contact that opens: no path under load loses so
much while the module still works (common practice, no source)."""

AFTER_START_S: Final = 1.0
"""The starter's tail is left out for this long."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Rows:
    """Supply samples that can be used, with current and system voltage at the same times."""

    time_s: FloatArray
    module_v: FloatArray
    system_v: FloatArray
    current_a: FloatArray
    engine_rpm: FloatArray

    def only(self, use: BoolArray) -> _Rows:
        """Return some of the rows."""
        return _Rows(
            time_s=self.time_s[use],
            module_v=self.module_v[use],
            system_v=self.system_v[use],
            current_a=self.current_a[use],
            engine_rpm=self.engine_rpm[use],
        )


def fit_supply_path(timeline: Timeline, profile: Profile) -> SupplyPath | None:
    """Estimate the resistance of wiring, connectors and grounds to the module.

    With system voltage the drop between both is set against module current. Without it,
    fast steps of module voltage on steps of current are used where the alternator holds
    the level; where the battery gives current, its inner resistance is in the slope too,
    and the difference of both slopes is the source. Nothing is guessed from the motor.

    Returns
    -------
    SupplyPath or None
        None where the module's own supply or any current is missing, where too little
        was steered, or where path and battery cannot be told apart (unless both together
        are within ``max_circuit_ohm``).
    """
    channel = timeline.get("supply_voltage")
    if channel is None or channel.stands_in:
        return None
    rows = _rows(timeline, "module_current")
    if rows is None:
        return None
    return _difference(timeline) or _fast_split(timeline, rows, profile)


def _rows(timeline: Timeline, current: str, *, with_system: bool = False) -> _Rows | None:
    """Return samples outside cranking at which supply and current are known.

    The times are those of the slowest channel: a line drawn between its samples would
    round off what the others show, and that looks like resistance.
    """
    names = ["supply_voltage", current] + ["system_voltage"] * with_system
    if not timeline.has(*names):
        return None
    channels = {name: timeline.channels[name] for name in names}
    slowest = max(channels.values(), key=lambda channel: channel.period_s)
    time_s, _ = slowest.valid()
    columns = {
        name: between(channel.time_s, channel.value, time_s, max_gap_s=channel.followed_s)
        for name, channel in channels.items()
    }
    use = ~np.isnan(np.sum(list(columns.values()), axis=0))
    for turn in starter_turns(timeline):
        use &= (time_s < turn.start_s) | (time_s >= turn.end_s + AFTER_START_S)
    for silence in module_silences(timeline):
        use &= (time_s < silence.start_s - CONTACT_S) | (time_s > silence.end_s + CONTACT_S)
    use &= columns["supply_voltage"] >= LEAST_SHARE * _usual(columns["supply_voltage"])
    nothing = np.full(len(time_s), np.nan)
    return _Rows(
        time_s=time_s[use],
        module_v=columns["supply_voltage"][use],
        system_v=columns.get("system_voltage", nothing)[use],
        current_a=columns[current][use],
        engine_rpm=value_at(timeline, "engine_speed", time_s[use]),
    )


def _usual(supply_v: FloatArray) -> float:
    """Return the supply's median, 0 where it has no value."""
    known = supply_v[~np.isnan(supply_v)]
    return float(np.median(known)) if len(known) else 0.0


def _difference(timeline: Timeline) -> SupplyPath | None:
    """Fit system less module voltage on module current."""
    rows = _rows(timeline, "module_current", with_system=True)
    if rows is None:
        return None
    drop_v = rows.system_v - rows.module_v
    ratio = _ratio(timeline, rows.current_a, drop_v, "system_voltage", "supply_voltage")
    path_ohm = _slope(rows.time_s, rows.current_a, drop_v, BLOCK_S, ratio)
    if path_ohm is None:
        return None
    return _path("difference", path_ohm, _source(timeline), rows, drop_v)


def _source(timeline: Timeline) -> Estimate | None:
    """Estimate the source's inner resistance from system voltage on battery current."""
    system, amps = timeline.get("system_voltage"), timeline.get("system_current")
    if system is None or amps is None:
        return None
    time_s, system_v = system.valid()
    current_a = between(amps.time_s, amps.value, time_s, max_gap_s=amps.followed_s)
    use = ~np.isnan(current_a) & ~within(time_s, starter_turns(timeline))
    use &= current_a > 0.0  # discharging: the alternator does not hold the level
    time_s, system_v, current_a = time_s[use], system_v[use], current_a[use]
    ratio = _ratio(timeline, current_a, system_v, "system_voltage", current="system_current")
    return _slope(time_s, current_a, -system_v, FAST_S, ratio)


def _fast_split(timeline: Timeline, rows: _Rows, profile: Profile) -> SupplyPath | None:
    """Fit fast steps of module voltage on current, apart by who holds the level."""
    ratio = _ratio(timeline, rows.current_a, rows.module_v, "supply_voltage")
    held = _regulated(rows, _level_held(rows, profile), ratio)
    given = (rows.engine_rpm > STARTED_RPM) & ~held
    held_ohm = _slope_of(rows, held, ratio)
    free_ohm = _slope_of(rows, given, ratio)
    all_ohm = _slope_of(rows, np.ones(len(held), dtype=np.bool_), ratio)
    if held_ohm is not None:
        source = None if free_ohm is None else _less(free_ohm, held_ohm)
        return _path("fast_split", _with_source(held_ohm, source), source, rows, rows.module_v)
    if all_ohm is not None and all_ohm.high <= profile.limits.max_circuit_ohm:
        return _path("fast_split", _with_source(all_ohm, None), None, rows, rows.module_v)
    return None


def _with_source(path_ohm: Estimate, source_ohm: Estimate | None) -> Estimate:
    """Lower the interval by what of a sound source may still be in the slope.

    Whatever of the source was seen apart from the path is not in it any more.
    """
    seen = 0.0 if source_ohm is None else max(source_ohm.value, 0.0)
    return replace(path_ohm, low=max(path_ohm.low - max(SOUND_SOURCE_OHM - seen, 0.0), 0.0))


def _level_held(rows: _Rows, profile: Profile) -> BoolArray:
    """Tell where the alternator holds the level: fast enough, and charging in that stretch."""
    stretch = np.floor(rows.time_s / FAST_S).astype(np.int64)
    numbers, place = np.unique(stretch, return_inverse=True)
    highest = np.full(len(numbers), -np.inf)
    np.maximum.at(highest, place, rows.module_v)
    slowest = np.full(len(numbers), np.inf)
    np.minimum.at(slowest, place, np.where(np.isnan(rows.engine_rpm), -np.inf, rows.engine_rpm))
    held = (highest >= profile.limits.charging_v) & (slowest > profile.limits.charging_rpm)
    return np.asarray(held[place])


def _regulated(rows: _Rows, held: BoolArray, ratio: float) -> BoolArray:
    """Leave out where the load passes what the alternator delivers and the battery joins in.

    There the voltage ahead of the path falls below the level that is held elsewhere. Both
    the level and the path are looked for in turn, from small currents upwards.
    """
    if held.sum() < LEAST_STRETCHES:
        return held
    noise_v = float(np.sqrt(noise_variance(rows.module_v)))
    middle_a = (rows.current_a[held].min() + rows.current_a[held].max()) / 2.0
    use = np.asarray(held & (rows.current_a <= middle_a))
    for reach in NOISE_REACHES:
        slope = _slope_of(rows, use, ratio)
        if slope is None:
            return use
        ahead_v = rows.module_v + slope.value * rows.current_a
        level_v = float(np.median(ahead_v[use]))
        near_v = max(REGULATED_V, reach * noise_v)
        use = np.asarray(held & (np.abs(ahead_v - level_v) <= near_v))
    return use


def _slope_of(rows: _Rows, use: BoolArray, ratio: float) -> Estimate | None:
    return _slope(rows.time_s[use], rows.current_a[use], -rows.module_v[use], FAST_S, ratio)


def _slope(
    time_s: FloatArray, current_a: FloatArray, drop_v: FloatArray, block_s: float, ratio: float
) -> Estimate | None:
    """Return volts over amperes within stretches, errors in both allowed for.

    Where the slope clearly changes on the way (a joint that gave way, say), what it is
    after the change counts.
    """
    block = np.floor(time_s / block_s).astype(np.int64)
    numbers, place = np.unique(block, return_inverse=True)
    highest, lowest = np.full(len(numbers), -np.inf), np.full(len(numbers), np.inf)
    np.maximum.at(highest, place, current_a)
    np.minimum.at(lowest, place, current_a)
    swings = highest - lowest >= LEAST_SWING_A
    if swings.sum() < LEAST_STRETCHES:
        return None
    use = swings[place]
    sums = _since_change(block_sums(current_a[use], drop_v[use], block[use]))
    return jackknife_slope(sums, variance_ratio=ratio, unit="ohm")


def _since_change(sums: FloatArray) -> FloatArray:
    """Return the stretches after the slope's clearest change, or all where there is none."""
    each = sums[:, 2] / sums[:, 0]
    split = best_split(each)
    before, after = each[: split.before], each[split.before :]
    if split.share > CHANGE_LEAVES or min(len(before), len(after)) < LEAST_STRETCHES:
        return sums
    apart = abs(float(np.median(after) - np.median(before)))
    return sums[split.before :] if apart >= CHANGE_OHM else sums


def _ratio(
    timeline: Timeline,
    current_a: FloatArray,
    volts: FloatArray,
    *voltages: str,
    current: str = "module_current",
) -> float:
    """Return the error variance of the voltage over that of the current.

    A reading errs at least by its own rounding: a coarse voltage that rests on one step
    shows no noise, and is not exact for that.
    """
    rounding_v2 = sum(rounding_variance(timeline.channels[name].valid()[1]) for name in voltages)
    noise_a2 = max(
        noise_variance(current_a), rounding_variance(timeline.channels[current].valid()[1])
    )
    noise_v2 = max(noise_variance(volts), rounding_v2)
    return noise_v2 / noise_a2 if noise_a2 > 0.0 else float("inf")


def _less(both: Estimate, one: Estimate) -> Estimate:
    """Return the difference of two independent estimates."""
    half = float(np.hypot(both.high - both.value, one.high - one.value))
    value = both.value - one.value
    return Estimate(
        value=value,
        low=value - half,
        high=value + half,
        unit=both.unit,
        count=min(both.count, one.count),
    )


def _path(
    method: str, path_ohm: Estimate, source_ohm: Estimate | None, rows: _Rows, shown_v: FloatArray
) -> SupplyPath:
    current_a, peak_a = rows.current_a, float(rows.current_a.max())
    path_ohm = path_ohm.with_sensors(CURRENT_GAIN_SHARE)
    path_ohm = replace(path_ohm, low=max(path_ohm.low, min(0.0, path_ohm.value)))
    source_ohm = None if source_ohm is None else source_ohm.with_sensors(CURRENT_GAIN_SHARE)
    step = max(1, len(current_a) // MOST_POINTS)
    return SupplyPath(
        method=method,
        path_ohm=path_ohm,
        source_ohm=source_ohm,
        peak_current_a=peak_a,
        drop_v=path_ohm.value * peak_a,
        open_voltage_v=float(np.median(rows.module_v + path_ohm.value * current_a)),
        points=Points(x=current_a[::step], y=shown_v[::step]),
    )

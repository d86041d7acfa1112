"""Speeds, engine, supply, temperature and the share of assist, by what they do on a ride.

Thresholds are common practice, no source: they sort signals and decide no finding.
"""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.decode.matching.name_parts import name_means, strange_words
from canassist.decode.matching.roles.signal_pool import finest, like

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from canassist.decode.matching.roles.signal_pool import PooledSignal, SignalPool
    from canassist.model import Channel, FloatArray

_ALIKE: Final = 0.995
_NEAR: Final = 0.12
_WHEELS: Final = 2
"""So many speeds alike in one message may be wheels'."""
_FASTEST_KPH: Final = 330.0
_IDLE_RPM: Final = (450.0, 2300.0)
_STANDS_KPH: Final = 0.5
_ROLLS_KPH: Final = 5.0
_LEAST_POINTS: Final = 30
_NOMINAL_V: Final = ((11.0, 15.6), (22.0, 31.5), (44.0, 57.0))
_STARTED_V: Final = 0.5
_SUPPLY_FOLLOWS: Final = 0.8
_DEEPER_V: Final = 0.03
_REDUCED: Final = 90.0
_FALLS_WITH_HEAT: Final = -0.8


def place_others(pool: SignalPool) -> None:
    """Place what the steering channels, once known, make recognisable."""
    _place_road_speed(pool)
    _place_engine(pool)
    _place_supply(pool)
    _place_limit(pool)
    _place_temperature(pool)


def wheel_messages(pool: SignalPool) -> dict[object, list[PooledSignal]]:
    """Return the messages that carry several speeds alike, as wheels' are sent."""
    speeds = [one for one in pool.of("vehicle_speed") if _is_road_speed(one)]
    groups: dict[object, list[PooledSignal]] = {}
    for one in speeds:
        groups.setdefault(one.message, []).append(one)
    return {
        place: ones
        for place, ones in groups.items()
        if sum(_alike(ones[0].grid, one.grid) for one in ones) >= _WHEELS
    }


def reopen_wheel(pool: SignalPool, settled: Mapping[str, Channel]) -> frozenset[str]:
    """Open the road speed again where one was taken whose name may say that it is a wheel's."""
    taken = settled.get("vehicle_speed")
    known = "vehicle_speed" in pool.settled
    if taken is None or not known or taken.chosen_by not in {"unit", "behaviour"}:
        return frozenset()
    wheels = [name for name in settled if name.startswith("wheel_speed")]
    if len(wheels) >= _WHEELS or not _is_nameless(taken.signal):
        return frozenset()
    pool.reopen("vehicle_speed", taken)
    return frozenset({"vehicle_speed"})


def _is_nameless(signal: str) -> bool:
    """Tell whether a name says nothing, or something that is not understood."""
    message, _, name = signal.rpartition(".")
    return bool(strange_words(name, message)) or not name_means(name)[0]


def _is_road_speed(one: PooledSignal) -> bool:
    shape = one.one.shape
    return shape.low >= -1.0 and shape.at_zero > 0.0 and _ROLLS_KPH < shape.p99 <= _FASTEST_KPH


def _alike(a: FloatArray, b: FloatArray) -> bool:
    fast = (a > _ROLLS_KPH) & (b > _ROLLS_KPH)
    if np.count_nonzero(fast) < _LEAST_POINTS:
        return False
    return like(a, b) >= _ALIKE and abs(float(np.median(b[fast] / a[fast])) - 1.0) <= _NEAR


def _place_road_speed(pool: SignalPool) -> None:
    """Find the speed that reads what the wheels read, in another message than theirs."""
    if not pool.wants("vehicle_speed"):
        return
    wheels = wheel_messages(pool)
    in_groups = {id(one) for ones in wheels.values() for one in ones}
    speeds = [one for one in pool.of("vehicle_speed") if _is_road_speed(one)]
    known = [grid for name, grid in pool.settled.items() if name.startswith("wheel_speed")]
    known += [one.grid for ones in wheels.values() for one in ones]
    alone = [one for one in speeds if id(one) not in in_groups]
    fits = [one for one in alone if any(_alike(grid, one.grid) for grid in known)]
    sure = [one for one in fits if len(known) >= _ALL_WHEELS or _is_between(one.grid, known)]
    best = finest(sure) or min(sure or fits or speeds, key=_coarseness, default=None)
    if best is not None:
        whose = "" if sure else "moves as a road speed does: is it, or a wheel's"
        pool.take("vehicle_speed", best, "reads what the wheels read", question=whose)


def _coarseness(one: PooledSignal) -> tuple[int, str]:
    return -one.one.shape.different, one.one.name


_ALL_WHEELS: Final = 4
_AGAINST: Final = -0.6
_SIZES: Final = (0.4, 2.5)
_SECOND: Final = np.ones(10) / 10.0


def _is_between(road: FloatArray, wheels: Sequence[FloatArray]) -> bool:
    """Tell a road speed from a wheel's: the wheels left and right of it part from it by turns."""
    rolls = road > _ROLLS_KPH
    for wheel in wheels:
        rolls &= ~np.isnan(wheel)
    if np.count_nonzero(rolls) < _LEAST_POINTS:
        return False
    apart = [np.convolve(one[rolls] / road[rolls] - 1.0, _SECOND, "valid") for one in wheels]
    return any(
        like(one, other) <= _AGAINST
        and _SIZES[0] <= float(np.std(one)) / max(float(np.std(other)), 1e-12) <= _SIZES[1]
        for one, other in itertools.combinations(apart, 2)
    )


def _place_engine(pool: SignalPool) -> None:
    """Find what idles while the vehicle stands."""
    road = pool.settled.get("vehicle_speed")
    if not pool.wants("engine_speed"):
        return
    turning = [one for one in pool.of("engine_speed") if _idles(one.grid, road)]
    best = finest(turning)
    if best is not None and road is not None:
        pool.take("engine_speed", best, "idles while the vehicle stands, and revs")
    else:
        pool.ask("engine_speed", turning, "runs as an engine does: is it the engine's")


def _idles(value: FloatArray, road: FloatArray | None) -> bool:
    at = value > 0.0 if road is None else (road < _STANDS_KPH) & (value > 0.0)
    if np.count_nonzero(at) < _LEAST_POINTS:
        return False
    idle = float(np.percentile(value[at], 30))
    revs = float(np.nanpercentile(value, 98)) - idle
    return _IDLE_RPM[0] <= idle <= _IDLE_RPM[1] and revs > _REVS_RPM


_REVS_RPM: Final = 400.0


def _place_supply(pool: SignalPool) -> None:
    """Find the supply in the module's message, or the one that dips deepest under its work."""
    volts = [one for one in pool.of("supply_voltage") if _is_supply(one)]
    if not volts or not pool.wants("supply_voltage"):
        return
    own = [one for one in volts if one.message in pool.carriers]
    work = pool.settled.get("module_current", pool.settled.get("motor_current"))
    work = pool.settled.get("assist_torque") if work is None else work
    others = [one.grid for one in volts]
    if not pool.wants("system_voltage"):
        others.append(pool.settled["system_voltage"])
    best = finest(own)
    if best is not None:
        pool.take("supply_voltage", best, "is a supply in the module's own message")
    elif work is not None and len(others) > 1:
        deep = [one for one in volts if _dips_deepest(one.grid, others, np.abs(work))]
        if len(deep) == 1:
            pool.take("supply_voltage", deep[0], "dips deepest under steering load")
        else:
            pool.ask("supply_voltage", volts, "is a supply: the module's or another unit's")
    elif len(volts) == 1:
        why = "is at the level of a supply"
        whose = "is the only supply seen: is it the module's own, or another unit's"
        pool.take("supply_voltage", volts[0], why, question=whose)
    if not pool.wants("system_voltage"):
        return
    _place_system(pool, [one for one in volts if one.one.name not in _taken(pool)])


def _taken(pool: SignalPool) -> set[str]:
    return {one.likely[0].one.name for one in pool.parts.values() if not one.question}


def _place_system(pool: SignalPool, volts: Sequence[PooledSignal]) -> None:
    """Another unit's voltage that goes with the module's, or rises as the engine starts."""
    supply, engine = pool.settled.get("supply_voltage"), pool.settled.get("engine_speed")
    with_it = [
        one
        for one in volts
        if (supply is not None and like(supply, one.grid) >= _SUPPLY_FOLLOWS)
        or (supply is None and engine is not None and _rises(one.grid, engine))
    ]
    if with_it:
        best = min(with_it, key=lambda one: (-one.one.shape.different, one.one.name))
        asked = pool.parts.get("supply_voltage")
        if asked is not None and asked.question:
            return
        whose = "is a supply: is it the module's own, or another unit's"
        why = "goes with the supply, or rises as the engine starts"
        pool.take("system_voltage", best, why, question="" if supply is not None else whose)


def _is_supply(one: PooledSignal) -> bool:
    return any(low <= one.one.shape.median <= high for low, high in _NOMINAL_V)


def _rises(volts: FloatArray, engine: FloatArray) -> bool:
    runs, rests = volts[engine > 500.0], volts[engine < 50.0]  # noqa: PLR2004 - running, at rest
    if min(len(runs), len(rests)) < 10:  # noqa: PLR2004 - a second
        return False
    return float(np.nanmedian(runs) - np.nanmedian(rests)) > _STARTED_V


def _dips_deepest(volts: FloatArray, others: Sequence[FloatArray], work: FloatArray) -> bool:
    hard = work >= 0.5 * np.nanpercentile(work, 99)
    soft = work <= 0.1 * np.nanpercentile(work, 99)
    if min(np.count_nonzero(hard), np.count_nonzero(soft)) < _LEAST_POINTS:
        return False
    others = [one for one in others if like(volts, one) >= _SUPPLY_FOLLOWS]
    if len(others) < 2:  # noqa: PLR2004 - itself alone: nothing to dip deeper than
        return False
    dips = [float(np.nanmedian(one[soft]) - np.nanmedian(one[hard])) for one in (volts, *others)]
    rest = sorted(dips[1:])
    return dips[0] >= rest[-1] and (len(rest) < 2 or dips[0] > rest[-2] + _DEEPER_V)  # noqa: PLR2004 - itself and a second


def _place_limit(pool: SignalPool) -> None:
    """Find a share at 100 most of the time that the module sends, or that assist keeps to."""
    if not pool.wants("assist_limit"):
        return
    full = [one for one in pool.of("assist_limit") if _rests_full(one)]
    own = [one for one in full if one.message in pool.carriers or _kept_to(pool, one.grid)]
    best = finest(own)
    if best is not None:
        pool.take("assist_limit", best, "is a share at 100 that the module sends or keeps to")
    else:
        pool.ask("assist_limit", own, "is a share at 100: which is what assist is held to")


def _kept_to(pool: SignalPool, share: FloatArray) -> bool:
    """Tell whether assist for the same effort falls as the share does."""
    driver, assist = pool.settled.get("driver_torque"), pool.settled.get("assist_torque")
    if assist is None:
        assist = pool.settled.get("motor_current")
    if driver is None or assist is None:
        return False
    at_work = (np.abs(driver) > _AT_WORK_NM) & ~np.isnan(share + assist)
    if np.count_nonzero(at_work) < _LEAST_POINTS or np.ptp(share[at_work]) < _MUCH_LESS:
        return False
    gain = np.abs(assist[at_work]) / np.abs(driver[at_work])
    return like(gain, share[at_work]) >= _FOLLOWS_SHARE


_AT_WORK_NM: Final = 1.5
_MUCH_LESS: Final = 25.0
_FOLLOWS_SHARE: Final = 0.5


def _rests_full(one: PooledSignal) -> bool:
    shape = one.one.shape
    full = float(np.nanmean(one.grid >= 95.0))  # noqa: PLR2004 - full assist
    return 95.0 <= shape.high <= 105.0 and shape.low >= 0.0 and full > 0.3  # noqa: PLR2004 - full assist, a good part of the ride


def _place_temperature(pool: SignalPool) -> None:
    """Find the temperature in the module's own message; it may be the motor's all the same."""
    if not pool.wants("module_temperature"):
        return
    own = [one for one in pool.of("module_temperature") if one.message in pool.carriers]
    limit = pool.settled.get("assist_limit")
    shown = limit is not None and bool(np.nanmin(limit) < _REDUCED)
    if len(own) == 1 and shown and limit is not None and _cuts(limit, own[0].grid):
        whose = "cuts assist as it rises: is it the module's own, or the motor's"
        pool.take("module_temperature", own[0], "assist falls as it rises", question=whose)
    else:
        whose = "is in the module's own message: is it the module's own, or the motor's"
        pool.ask("module_temperature", own, whose)


def _cuts(limit: FloatArray, heat: FloatArray) -> bool:
    low = (limit < _REDUCED) & ~np.isnan(heat)
    enough = int(np.count_nonzero(low)) >= _LEAST_POINTS
    return enough and like(limit[low], heat[low]) < _FALLS_WITH_HEAT

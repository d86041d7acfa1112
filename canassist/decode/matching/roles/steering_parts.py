"""Torques, currents and the angle: who leads, who follows, and how strongly.

The driver's torque is small and assist follows it; the motor's current follows assist; what
the module draws rises with either. Thresholds are common practice, no source.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.decode.matching.roles.signal_pool import finest, like, ratio

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canassist.decode.matching.roles.signal_pool import PooledSignal, SignalPool
    from canassist.model import FloatArray

_FOLLOWS: Final = 0.75
_STRONGER: Final = (1.4, 40.0)
"""How much stronger assist is than the hands."""
_HANDS_NM: Final = (0.8, 20.0)
_ASSIST_NM: Final = (2.5, 150.0)
_MOTOR_FOLLOWS: Final = 0.95
_RESTS: Final = 0.02
_PULLS: Final = 0.05
"""Shares of the largest amounts."""
_CLEARLY: Final = 0.003
_DRAW_FOLLOWS: Final = 0.9
_AT_REST_A: Final = (0.05, 0.25)
"""A motor at rest takes no current; a module that is awake takes some."""
_ANGLE_DEG: Final = 15.0
_WITH_ANGLE: Final = 0.3


def place_steering(pool: SignalPool) -> None:
    """Place driver torque, assist torque, currents and angle."""
    _place_torques(pool)
    _place_motor_current(pool)
    _settle_assist(pool)
    _place_draw(pool)
    _place_angle(pool)


def _place_torques(pool: SignalPool) -> None:
    torques = [one for one in pool.of("driver_torque") if one.both_sides]
    hands = [one for one in torques if _within(one, _HANDS_NM)]
    helps = [one for one in torques if _within(one, _ASSIST_NM)]
    if pool.wants("driver_torque"):
        others = [pool.settled["assist_torque"]] if not pool.wants("assist_torque") else []
        others += [one.grid for one in helps]
        motors = [one.grid for one in pool.of("motor_current") if one.both_sides]
        motors += [pool.settled["motor_current"]] if not pool.wants("motor_current") else []
        hands = [one for one in hands if not any(_turns_with(one.grid, m) for m in motors)]
        leading = [one for one in hands if any(_leads(one.grid, grid) for grid in others)]
        led = [one for one in leading if any(_leads(two.grid, one.grid) for two in leading)]
        leading = [one for one in leading if one not in led]
        _take_or_ask(pool, "driver_torque", leading, "assist follows it")


def _within(one: PooledSignal, reach: tuple[float, float]) -> bool:
    return reach[0] <= one.one.shape.reach <= reach[1]


def _turns_with(torque: FloatArray, motor: FloatArray) -> bool:
    """Tell whether a torque is the motor's own: proportional to its current, whatever its size."""
    return abs(like(torque, motor)) >= _DELIVERED


def _leads(driver: FloatArray, other: FloatArray) -> bool:
    return (
        _STRONGER[0] <= ratio(driver, other) <= _STRONGER[1]
        and abs(like(driver, other)) > _FOLLOWS
        and _rests_while(other, driver) >= _rests_while(driver, other)
    )


def _rests_while(one: FloatArray, other: FloatArray) -> float:
    """Return how often one rests while the other works: assist rests where hands pull a little."""
    a, b = (np.abs(x) / max(float(np.nanpercentile(np.abs(x), 99)), 1e-9) for x in (one, other))
    working = b > _PULLS
    return float(np.mean(a[working] < _RESTS)) if working.any() else 0.0


def _take_or_ask(pool: SignalPool, channel: str, ones: Sequence[PooledSignal], why: str) -> None:
    best = finest(ones)
    if best is not None:
        pool.take(channel, best, why)
    elif ones:
        pool.ask(channel, ones, "behave alike: which is it")


def _place_motor_current(pool: SignalPool) -> None:
    """Find what follows assist, or the driver where assist is not there."""
    if not pool.wants("motor_current"):
        return
    driver = pool.settled.get("driver_torque")
    if driver is None:
        return
    assist = pool.settled.get("assist_torque")
    leaders = [assist] if assist is not None else [one.grid for one in _assists(pool, driver)]
    currents = [one for one in pool.of("motor_current") if one.both_sides]
    fits = [
        one
        for one in currents
        if any(abs(like(grid, one.grid)) >= _MOTOR_FOLLOWS for grid in leaders)
        or (not leaders and abs(like(driver, one.grid)) >= _FOLLOWS)
    ]
    best = finest(fits)
    if best is not None and leaders:
        turn = float(np.sign(like(driver, best.grid)))
        pool.take("motor_current", best, "follows assist and the driver", turn)
    elif fits:
        pool.ask("motor_current", fits, "follows the driver: is it the assist motor's current")


def _assists(pool: SignalPool, driver: FloatArray) -> list[PooledSignal]:
    return [
        one
        for one in pool.of("assist_torque")
        if one.both_sides and _within(one, _ASSIST_NM) and _leads(driver, one.grid)
    ]


def _settle_assist(pool: SignalPool) -> None:
    """Assist delivered is what the motor's current follows best; what is asked for is not."""
    driver = pool.settled.get("driver_torque")
    if not pool.wants("assist_torque") or driver is None:
        return
    ones = _assists(pool, driver)
    current = pool.settled.get("motor_current")
    if current is None:
        pool.ask("assist_torque", ones, "follows driver torque: is it delivered, or asked for")
        return
    ranked = sorted(ones, key=lambda one: -abs(like(current, one.grid)))
    first = [
        one
        for one in ranked
        if abs(like(current, one.grid)) > abs(like(current, ranked[0].grid)) - _CLEARLY
    ]
    best = finest(first)
    if best is not None and abs(like(current, best.grid)) >= _DELIVERED:
        turn = float(np.sign(like(driver, best.grid)))
        pool.take(
            "assist_torque", best, "follows driver torque, and motor current follows it", turn
        )
    else:
        pool.ask("assist_torque", ones, "follows driver torque: is it delivered, or asked for")


_DELIVERED: Final = 0.99


def _place_draw(pool: SignalPool) -> None:
    """Find what rises with the work, from more than nothing at rest."""
    work = pool.settled.get("motor_current", pool.settled.get("assist_torque"))
    if work is None or not pool.wants("module_current"):
        return
    amount = np.abs(work)
    fits = [
        one
        for one in pool.of("module_current")
        if one.one.shape.p1 >= 0.0 and like(amount, one.grid) >= _DRAW_FOLLOWS
    ]
    draws = [one for one in fits if _at_rest(amount, one.grid) >= _AT_REST_A[1]]
    best = finest(draws)
    if best is not None:
        pool.take("module_current", best, "rises with steering effort, and rests above nothing")
    else:
        pool.ask("module_current", fits, "rises with steering effort: the motor's, or the supply's")


def _at_rest(amount: FloatArray, current: FloatArray) -> float:
    """Return the current while nothing is done."""
    idle = amount <= max(0.03 * float(np.nanpercentile(amount, 99)), 0.05)
    low = current[idle & ~np.isnan(current)]
    return float(np.median(low)) if len(low) else 0.0


def _place_angle(pool: SignalPool) -> None:
    """Find an angle that torque turns and holds."""
    if not pool.wants("steering_angle"):
        return
    turns = [one for one in pool.of("steering_angle") if one.one.shape.reach >= _ANGLE_DEG]
    turns = [one for one in turns if one.both_sides]
    driver = pool.settled.get("driver_torque", pool.settled.get("assist_torque"))
    shown = [one for one in turns if driver is not None and _is_turned(driver, one.grid)]
    if shown:
        _take_or_ask(pool, "steering_angle", shown, "turns with driver torque")
    else:
        pool.ask("steering_angle", turns, "is an angle: is it the steering wheel's")


def _is_turned(driver: FloatArray, angle: FloatArray) -> bool:
    rate = np.gradient(angle)
    return max(abs(like(driver, angle)), abs(like(driver, rate))) >= _WITH_ANGLE

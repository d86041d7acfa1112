"""From the list of stretches to what the vehicle is asked to do, 100 times a second."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np

from canassist.demo.plant.random_draws import RandomDraws, wander
from canassist.demo.plant.riding import ENGINE_OFF, HANDS_OFF, Manoeuvre, Stretch
from canassist.demo.plant.vehicle import MODES, Chassis, VehicleModel
from canassist.model import BoolArray, FloatArray, IntArray

STEP_S: Final = 0.01
"""One step of the simulation."""

_ACCELERATION_KPH_PER_S = 6.0
_SMOOTHING_STEPS = 80
_TYRE_STEPS = 30
"""Tyres wind up before they scrub: the load follows the bar a little later and softer."""
_ENGAGE_S = 0.4
"""From the start of a start to the starter's engaging."""
_TURN_DELAY_S = 0.08
_CRANK_RPM = 230.0
_STARTER_OUT_RPM = 400.0
_RUN_UP_S = 0.35
_EASE_S = 1.2
_ROUNDING = 1e-6
_WINCH_EACH_S, _WINCH_FROM_S, _WINCH_PULLS_S = 10.0, 3.0, 5.0
_RUN_DOWN_S = 0.8
_SCRUB_RATE_DEG_PER_S = 25.0
"""Steering rate at which the tyres' scrub is mostly there."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """What the ride asks of the vehicle; arrays of shape (n,), one row a step.

    ``load_nm`` is what the ground puts against the input shaft, right positive;
    ``hands`` is 1 where the rider holds the bar, 0 where not. ``starter_ohm`` is
    infinite where the starter does not turn.
    """

    time_s: FloatArray
    speed_kph: FloatArray
    engine_rpm: FloatArray
    starter_ohm: FloatArray
    angle_deg: FloatArray
    rate_deg_per_s: FloatArray
    load_nm: FloatArray
    hands: FloatArray
    mode: IntArray
    extra_load_a: FloatArray
    coolant_c: FloatArray
    manoeuvre: IntArray
    """Row of the stretch in the ride's list."""

    @property
    def starter_on(self) -> BoolArray:
        """Where the starter turns."""
        return np.isfinite(self.starter_ohm)


class _Part(NamedTuple):
    """One stretch on the ride's clock: which steps it covers, and seconds since it began."""

    number: int
    stretch: Stretch
    rows: slice
    since_s: FloatArray


class _Plan:
    """The list of stretches laid out on the ride's clock."""

    def __init__(self, stretches: Sequence[Stretch], seed: int) -> None:
        if not stretches or min(part.seconds for part in stretches) < STEP_S:
            raise ValueError("a ride needs stretches that last")
        self.stretches, self.seed = stretches, seed
        self.starts = np.concatenate(([0.0], np.cumsum([part.seconds for part in stretches])))
        self.time_s: FloatArray = np.arange(round(self.starts[-1] / STEP_S)) * STEP_S
        middle = self.time_s + STEP_S / 2
        self.manoeuvre: IntArray = np.searchsorted(self.starts, middle, side="right") - 1

    def parts(self) -> Iterator[_Part]:
        """Yield the stretches in order."""
        edges = [round(start / STEP_S) for start in self.starts]
        for number, stretch in enumerate(self.stretches):
            rows = slice(edges[number], edges[number + 1])
            yield _Part(number, stretch, rows, self.time_s[rows] - self.starts[number])

    def each(self, take: Callable[[Stretch], float]) -> FloatArray:
        """Return a figure of the stretch that holds at each step."""
        values = np.array([take(part) for part in self.stretches], dtype=np.float64)
        return np.asarray(values[self.manoeuvre], dtype=np.float64)

    def wander(self, purpose: str, slow_hz: float, fast_hz: float) -> FloatArray:
        """Return a smooth random curve over the whole ride."""
        return wander(
            self.time_s, RandomDraws(self.seed, purpose), slow_hz=slow_hz, fast_hz=fast_hz
        )


def ride_out(vehicle: VehicleModel, stretches: Sequence[Stretch], seed: int) -> Course:
    """Turn a ride's stretches into inputs of the simulation.

    Parameters
    ----------
    vehicle : VehicleModel
        For its steering geometry, starter and idle speed.
    stretches : sequence of Stretch
        In order.
    seed : int
        Decides how the rider weaves and the ground kicks.

    Raises
    ------
    ValueError
        If there is no stretch, or one lasts less than a step.
    """
    plan = _Plan(stretches, seed)
    speed = _speed(plan)
    rpm, starter_ohm = _engine(plan, speed, vehicle)
    angle, kick = _steering(plan, speed, vehicle.chassis)
    rate = np.gradient(angle, STEP_S)
    hands = _smooth(plan.each(lambda part: float(part.manoeuvre not in HANDS_OFF)), 30)
    effort = _smooth(plan.each(lambda part: part.effort), 60)
    load = ground_load(speed, angle, rate, vehicle.chassis) * effort
    load = _smooth(load, _TYRE_STEPS) + kick + 0.25 * plan.wander("grip", 0.3, 2.0)
    return Course(
        time_s=plan.time_s,
        speed_kph=speed,
        engine_rpm=rpm,
        starter_ohm=starter_ohm,
        angle_deg=angle,
        rate_deg_per_s=rate,
        load_nm=load * hands,
        hands=hands,
        mode=_modes(plan),
        extra_load_a=_extra_load(plan),
        coolant_c=_coolant(rpm, vehicle.coolant_start_c),
        manoeuvre=plan.manoeuvre,
    )


def ground_load(
    speed_kph: FloatArray, angle_deg: FloatArray, rate_deg_per_s: FloatArray, chassis: Chassis
) -> FloatArray:
    """Return the torque that the ground puts against the input shaft, in N·m.

    Scrub follows the steering rate and is largest on the spot; what holds a turn grows
    with the angle and with road speed.
    """
    slow = np.exp(-speed_kph / chassis.scrub_speed_kph)
    scrub = chassis.rolling_scrub_nm + (chassis.scrub_nm - chassis.rolling_scrub_nm) * slow
    share = angle_deg / chassis.lock_deg
    turning = scrub * (0.8 * np.tanh(rate_deg_per_s / _SCRUB_RATE_DEG_PER_S) + 0.3 * share * slow)
    rolling = speed_kph / (speed_kph + 3.0) * (1.0 + speed_kph / 40.0)
    return np.asarray(turning + chassis.hold_nm * rolling * share, dtype=np.float64)


def _smooth(values: FloatArray, steps: int) -> FloatArray:
    padded = np.pad(values, (steps // 2, steps - steps // 2 - 1), mode="edge")
    total = np.cumsum(np.concatenate(([0.0], padded)))
    return np.asarray((total[steps:] - total[:-steps]) / steps, dtype=np.float64)


def _speed(plan: _Plan) -> FloatArray:
    knots_s, knots_kph = [0.0], [plan.stretches[0].speed_kph]
    for start, part in zip(plan.starts, plan.stretches, strict=False):
        ramp = abs(part.speed_kph - knots_kph[-1]) / _ACCELERATION_KPH_PER_S
        knots_s += [max(start, knots_s[-1]), start + max(ramp, STEP_S)]
        knots_kph += [knots_kph[-1], part.speed_kph]
    speed = _smooth(np.interp(plan.time_s, knots_s, knots_kph), _SMOOTHING_STEPS)
    weave = 1.0 + 0.07 * plan.wander("speed", 0.03, 0.3)
    return np.where(speed < _ROUNDING, 0.0, speed * weave)


def _engine(plan: _Plan, speed: FloatArray, vehicle: VehicleModel) -> tuple[FloatArray, FloatArray]:
    rpm = np.zeros(len(plan.time_s))
    starter = np.full(len(plan.time_s), np.inf)
    flutter = plan.wander("engine", 0.2, 2.0)
    before = 0.0
    for _, part, rows, since in plan.parts():
        idle = part.idle_rpm or vehicle.idle_rpm
        if part.manoeuvre in ENGINE_OFF:
            rpm[rows] = np.maximum(before * (1.0 - since / _RUN_DOWN_S), 0.0)
        elif part.manoeuvre is Manoeuvre.START:
            rpm[rows], starter[rows] = _start(since, idle, part.crank_s, vehicle)
        else:
            moving = np.minimum(speed[rows] / 2.0, 1.0)
            running = idle + moving * (2000.0 - idle + 45.0 * speed[rows])
            rpm[rows] = running + (8.0 + 60.0 * moving) * flutter[rows]
        before = float(rpm[rows][-1])
    return rpm, starter


def _start(
    since: FloatArray, idle: float, crank_s: float, vehicle: VehicleModel
) -> tuple[FloatArray, FloatArray]:
    turning_from = _ENGAGE_S + _TURN_DELAY_S
    fires = turning_from + crank_s
    swell = np.clip((since - turning_from) / 0.15, 0.0, 1.0)
    cranking = swell * (_CRANK_RPM + 35.0 * np.sin(2.0 * np.pi * 6.0 * since))
    climb = 1.0 - np.exp(-np.maximum(since - fires, 0.0) / _RUN_UP_S)
    rpm = np.where(since < fires, cranking, _CRANK_RPM + (idle - _CRANK_RPM) * climb)
    engaged = (since >= _ENGAGE_S) & ((since < fires) | (rpm < _STARTER_OUT_RPM))
    locked = since < _ENGAGE_S + vehicle.starter.inrush_s
    ohm = np.where(locked, vehicle.starter.locked_ohm, vehicle.starter.turning_ohm)
    return rpm, np.where(engaged, ohm, np.inf)


def _steering(plan: _Plan, speed: FloatArray, chassis: Chassis) -> tuple[FloatArray, FloatArray]:
    angle, kick = np.zeros(len(plan.time_s)), np.zeros(len(plan.time_s))
    for number, part, rows, since in plan.parts():
        draws = RandomDraws(plan.seed, f"steering {number}")
        eased = np.clip(np.minimum(since, part.seconds - since) / _EASE_S, 0.0, 1.0)
        # Nobody turns the bar far before the vehicle has slowed down.
        slowed = np.clip(1.0 - (speed[rows] - 1.3 * part.speed_kph - 2.0) / 8.0, 0.0, 1.0)
        eased = eased * eased * (3.0 - 2.0 * eased) * slowed
        angle[rows] = eased * part.swing * _pattern(part.manoeuvre, since, draws, chassis.lock_deg)
        if part.manoeuvre is Manoeuvre.ROUGH:
            stones = wander(since, draws, slow_hz=3.0, fast_hz=9.0)
            kick[rows] = eased * 0.6 * part.effort * stones**3
    return angle, kick


def _pattern(
    manoeuvre: Manoeuvre, since: FloatArray, draws: RandomDraws, lock_deg: float
) -> FloatArray:
    """Return the steering angle of one kind of stretch, before easing in and out."""
    turns = 2.0 * np.pi * since
    if manoeuvre is Manoeuvre.SWEEP:
        period = draws.between(7.0, 9.0)
        return lock_deg * np.clip(1.25 * np.sin(turns / period), -1.0, 1.0)
    if manoeuvre is Manoeuvre.CIRCLE:
        period = draws.between(14.0, 18.0)
        held = 0.8 * lock_deg * np.clip(3.0 * np.sin(turns / period), -1.0, 1.0)
        return held + 9.0 * wander(since, draws, slow_hz=0.4, fast_hz=1.2)
    weaving = {
        Manoeuvre.TRAIL: (65.0, 0.08, 0.30),
        Manoeuvre.CRUISE: (13.0, 0.05, 0.20),
        Manoeuvre.ROUGH: (38.0, 0.10, 0.50),
        Manoeuvre.PLOW: (95.0, 0.06, 0.18),
    }
    if manoeuvre not in weaving:
        return np.zeros(len(since))
    swing, slow_hz, fast_hz = weaving[manoeuvre]
    path = wander(since, draws, slow_hz=slow_hz, fast_hz=fast_hz)
    return np.clip(swing * path, -lock_deg, lock_deg)


def _modes(plan: _Plan) -> IntArray:
    chosen, now = [], MODES.index("Medium")
    for part in plan.stretches:
        now = MODES.index(part.mode) if part.mode else now
        chosen.append(now)
    return np.asarray(np.array(chosen, dtype=np.int64)[plan.manoeuvre], dtype=np.int64)


def _extra_load(plan: _Plan) -> FloatArray:
    """Return the stretches' further loads; a winch pulls for 5 s in every 10 s."""
    load = plan.each(lambda part: part.extra_load_a)
    bursts = plan.each(lambda part: float(part.manoeuvre is Manoeuvre.WINCH)) > 0
    since = (plan.time_s - plan.starts[plan.manoeuvre]) % _WINCH_EACH_S
    pulling = (since > _WINCH_FROM_S) & (since < _WINCH_FROM_S + _WINCH_PULLS_S)
    return np.where(bursts & ~pulling, 0.0, load)


def _coolant(rpm: FloatArray, start_c: float) -> FloatArray:
    """Warm-up towards 88 degC with the engine's turning, time constant 150 s."""
    worked = np.cumsum(np.minimum(rpm / 2500.0, 1.0)) * STEP_S
    return np.asarray(88.0 - (88.0 - start_c) * np.exp(-worked / 150.0), dtype=np.float64)

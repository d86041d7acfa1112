"""What the rider does: stretches of riding, turned into key, engine, road speed and bar angle."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from tests.simulator.foreign.draws import SeededDraws
from tests.simulator.foreign.vehicle.vehicles import ForeignVehicle

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

STEP_S = 0.01
CRANK_S = 0.9


@dataclass(frozen=True, slots=True, kw_only=True)
class RidingStretch:
    """One piece of riding.

    ``swing`` is the share of full lock that the turns reach, ``engine`` one of ``run``,
    ``crank`` and ``off``; ``gated`` turns come with straights between them.
    """

    name: str
    seconds: float
    kph: float = 0.0
    swing: float = 0.0
    period_s: float = 4.0
    gated: bool = False
    engine: str = "run"
    key: bool = True


@dataclass(slots=True, kw_only=True)
class RideInputs:
    """Everything that happens to the module from outside, sampled 100 times a second.

    A situation changes these arrays in place before the plant runs. ``bus_kph`` and ``bus_rpm``
    are what the module (and the log) is told, ``kph`` and ``rpm`` what is true.
    """

    time_s: FloatArray
    key: BoolArray
    rpm: FloatArray
    kph: FloatArray
    angle_deg: FloatArray
    rate_deg_s: FloatArray
    released: BoolArray
    starter_a: FloatArray
    charge_v: FloatArray
    ambient_c: FloatArray
    load_a: FloatArray
    path_ohm: FloatArray
    contact: BoolArray
    source_share: FloatArray
    ripple_v: FloatArray
    effort: FloatArray
    mode: NDArray[np.int64]
    bus_kph: FloatArray
    bus_rpm: FloatArray
    kph_lost: BoolArray
    rpm_lost: BoolArray
    sensor_bias_k: FloatArray
    left_share: FloatArray
    right_share: FloatArray
    torque_bias_nm: FloatArray
    unasked_nm: FloatArray
    forced_pct: FloatArray
    fault_shown: BoolArray
    outside_pct: FloatArray
    wheel_kph: dict[str, FloatArray] = field(default_factory=dict)
    frozen: dict[str, BoolArray] = field(default_factory=dict)

    def span(self, start_s: float, end_s: float) -> slice:
        """Return the samples of a stretch of time."""
        return slice(max(0, round(start_s / STEP_S)), max(0, round(end_s / STEP_S)))

    @property
    def end_s(self) -> float:
        """Return the length of the ride."""
        return float(self.time_s[-1])


def smoothed(values: FloatArray, seconds: float) -> FloatArray:
    """Return the running mean over this many seconds, the ends held."""
    width = max(1, round(seconds / STEP_S))
    padded = np.concatenate(
        [np.full(width // 2, values[0]), values, np.full(width - 1 - width // 2, values[-1])]
    )
    total = np.cumsum(np.concatenate([[0.0], padded]))
    mean = (total[width:] - total[:-width]) / width
    mean[np.abs(mean) < 1e-7] = 0.0
    return mean


def _held(stretches: list[RidingStretch], name: str) -> FloatArray:
    counts = [round(part.seconds / STEP_S) for part in stretches]
    return np.repeat([float(getattr(part, name)) for part in stretches], counts)


def _gate(count: int, draw: SeededDraws) -> FloatArray:
    """Return a gate: turns of 2 to 6 s with straights of 1.5 to 5 s between them."""
    gate = np.zeros(count)
    at = 0
    while at < count:
        turn, straight = draw.rng.uniform(2.0, 6.0), draw.rng.uniform(1.5, 5.0)
        gate[at : at + round(turn / STEP_S)] = draw.rng.uniform(0.7, 1.0)
        at += round((turn + straight) / STEP_S)
    return gate


def _steering(
    stretches: list[RidingStretch], lock_deg: float, draw: SeededDraws
) -> tuple[FloatArray, FloatArray, BoolArray]:
    swing, period = _held(stretches, "swing"), _held(stretches, "period_s")
    gated = _held(stretches, "gated") > 0.5
    open_gate = np.where(gated, _gate(swing.size, draw), 1.0)
    size = smoothed(smoothed(swing * open_gate, 0.7), 0.5)
    wander = 1.0 + 0.25 * np.sin(np.arange(swing.size) * STEP_S / 9.7 + draw.rng.uniform(0, 6))
    phase = 2 * np.pi * np.cumsum(STEP_S / (period * wander)) + draw.rng.uniform(0, 6)
    angle = lock_deg * size * np.clip(1.25 * np.sin(phase), -1.0, 1.0)
    angle = smoothed(angle, 0.15)
    rate = np.gradient(angle, STEP_S)
    moving = _held(stretches, "kph") > 3.0
    inward = (np.sign(rate) == -np.sign(angle)) & (np.abs(angle) > 0.02 * lock_deg)
    return angle, rate, (open_gate < 0.5) & moving & inward


def _engine(stretches: list[RidingStretch], kph: FloatArray, vehicle: ForeignVehicle) -> FloatArray:
    states = np.repeat(
        [{"off": 0, "crank": 1, "run": 2}[part.engine] for part in stretches],
        [round(part.seconds / STEP_S) for part in stretches],
    )
    running = vehicle.idle_rpm + vehicle.rpm_per_kph * smoothed(kph, 0.8)
    rpm = np.where(states == 2, running, 0.0)
    rpm = np.where(states == 2, smoothed(rpm, 0.6), 0.0)
    fall = smoothed(np.where(states == 2, running, 0.0), 1.0)
    rpm = np.where(states == 0, np.where(fall < 0.6 * vehicle.idle_rpm, 0.0, fall), rpm)
    crank = states == 1
    time_s = np.arange(crank.size) * STEP_S
    rpm[crank] = 230.0 + 40.0 * np.sin(2 * np.pi * 6.0 * time_s[crank])
    return rpm


def _starter(stretches: list[RidingStretch], amps: float) -> FloatArray:
    """Starter current: 60 ms of inrush, a plateau that breathes with each compression."""
    total = np.zeros(sum(round(part.seconds / STEP_S) for part in stretches))
    at = 0
    for part in stretches:
        count = round(part.seconds / STEP_S)
        if part.engine == "crank":
            time_s = np.arange(count) * STEP_S
            total[at : at + count] = amps * (1.0 + 0.1 * np.sin(2 * np.pi * 6.0 * time_s))
            total[at : at + 6] = amps * 1.8
        at += count
    return total


def ride_inputs(
    stretches: list[RidingStretch], vehicle: ForeignVehicle, draw: SeededDraws
) -> RideInputs:
    """Return the ride of a sound vehicle; situations change it afterwards."""
    kph = np.maximum(smoothed(_held(stretches, "kph"), 4.0), 0.0)
    angle, rate, released = _steering(stretches, vehicle.lock_deg, draw)
    count = kph.size
    key = _held(stretches, "key") > 0.5
    rpm = _engine(stretches, kph, vehicle) if vehicle.has_engine else np.zeros(count)
    flat = np.ones(count)
    charge = _charge(vehicle, kph, draw)
    bend = np.clip(kph / 20.0, 0.0, 1.0) * 0.08 * angle / vehicle.lock_deg
    wheels = {
        "fl": kph * (1 + bend), "fr": kph * (1 - bend), "rl": kph * (1 + 0.8 * bend),
        "rr": kph * (1 - 0.8 * bend),
    }  # fmt: skip
    modes = max(1, len(vehicle.gain))
    return RideInputs(
        time_s=np.arange(count) * STEP_S, key=key, rpm=rpm, kph=kph, angle_deg=angle,
        rate_deg_s=rate, released=released, starter_a=_starter(stretches, vehicle.starter_a),
        charge_v=charge, ambient_c=flat * vehicle.ambient_c,
        load_a=flat * vehicle.base_load_a, path_ohm=flat * vehicle.path_ohm, contact=flat > 0,
        source_share=flat.copy(), ripple_v=np.zeros(count), effort=flat.copy(),
        mode=np.full(count, modes // 2, dtype=np.int64), bus_kph=kph.copy(), bus_rpm=rpm.copy(),
        kph_lost=flat < 0, rpm_lost=flat < 0, sensor_bias_k=np.zeros(count),
        left_share=flat.copy(), right_share=flat.copy(), torque_bias_nm=np.zeros(count),
        unasked_nm=np.zeros(count), forced_pct=flat * 100.0, fault_shown=flat < 0,
        outside_pct=flat * 100.0,
        wheel_kph=wheels,
    )  # fmt: skip


def _charge(vehicle: ForeignVehicle, kph: FloatArray, draw: SeededDraws) -> FloatArray:
    """Charging voltage: fixed, or 12.3 to 15 V by design (low while riding, high on overrun)."""
    flat = np.full(kph.size, vehicle.charge_v)
    if not vehicle.regulated:
        return flat
    slowing = np.gradient(smoothed(kph, 1.0), STEP_S) < -1.0
    low = draw.between(12.3, 12.6)
    high = draw.between(14.6, 15.0)
    settled = (np.arange(kph.size) * STEP_S > draw.between(15.0, 50.0)) & (kph > 8.0)
    return smoothed(np.where(slowing, high, np.where(settled, low, flat)), 2.5)

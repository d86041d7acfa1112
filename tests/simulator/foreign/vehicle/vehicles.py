"""Invented vehicles that differ in physics: engine or none, 12 to 48 V, lead or lithium."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from tests.simulator.foreign.draws import SeededDraws


@dataclass(frozen=True, slots=True, kw_only=True)
class ForeignVehicle:
    """A vehicle's physics; the unit ends each name.

    ``source_a`` is the most that alternator or converter give; an alternator gives half of it
    at ``half_rpm``. ``gain`` is the assist map (assist over driver torque) at ``gain_kph``.
    ``winding_j_per_k`` and the like are the two-node heat model.
    """

    kind: str
    nominal_v: float
    source: str
    regulated: bool
    battery: str
    has_engine: bool
    needs_engine: bool
    open_v: float
    battery_ohm: float
    polar_ohm: float
    polar_s: float
    charge_ohm: float
    charge_v: float
    source_a: float
    half_rpm: float
    base_load_a: float
    starter_a: float
    path_ohm: float
    gain_kph: tuple[float, ...]
    gain: dict[str, tuple[float, ...]]
    deadband_nm: float
    max_assist_nm: float
    amps_per_nm: float
    motor_ohm: float
    standby_a: float
    winding_j_per_k: float
    housing_j_per_k: float
    winding_k_per_w: float
    air_k_per_w: float
    ambient_c: float
    start_c: float
    coolant_c: float
    lock_deg: float
    park_nm: float
    roll_nm: float
    align_nm: float
    idle_rpm: float
    rpm_per_kph: float
    top_kph: float
    boot_s: float
    reset_v: float

    @property
    def scale(self) -> float:
        """Return the nominal supply over 12 V."""
        return self.nominal_v / 12.0


def _gains(draw: SeededDraws, *, modes: bool) -> dict[str, tuple[float, ...]]:
    low, high = draw.between(3.4, 5.6), draw.between(0.7, 1.5)
    shape = (1.0, 0.93, 0.72, 0.42, 0.16, 0.0)
    normal = tuple(round(high + (low - high) * part, 3) for part in shape)
    if not modes:
        return {"*": normal}
    names = draw.one_of((("Low", "Mid", "Max"), ("Sport", "Normal", "Comfort")))
    firm = draw.between(0.55, 0.75)
    soft = draw.between(1.12, 1.3)
    return {
        names[0]: tuple(round(value * firm, 3) for value in normal),
        names[1]: normal,
        names[2]: tuple(round(value * soft, 3) for value in normal),
    }


def _steering(draw: SeededDraws, *, bar: bool) -> dict[str, float]:
    return {
        "lock_deg": draw.between(32.0, 44.0) if bar else draw.between(380.0, 540.0),
        "park_nm": draw.between(27.0, 36.0),
        "roll_nm": draw.between(8.0, 12.0),
        "align_nm": draw.between(3.0, 5.5),
        "deadband_nm": draw.between(0.2, 0.8),
        "max_assist_nm": draw.between(27.0, 40.0),
    }


def _module(draw: SeededDraws, scale: float) -> dict[str, float]:
    """Draw a module of the same power at any voltage: current falls as voltage rises."""
    amps = draw.between(1.9, 2.4) / scale
    return {
        "amps_per_nm": amps,
        "motor_ohm": draw.between(0.10, 0.15) * scale**2,
        "standby_a": draw.between(0.6, 1.8) / scale,
        "winding_j_per_k": draw.between(55.0, 110.0),
        "housing_j_per_k": draw.between(190.0, 320.0),
        "winding_k_per_w": draw.between(0.10, 0.2),
        "air_k_per_w": draw.between(0.6, 1.0),
        "boot_s": draw.between(0.12, 0.6),
        "reset_v": draw.between(4.6, 6.4) * scale,
    }


def _weather(draw: SeededDraws) -> dict[str, float]:
    ambient = draw.between(4.0, 36.0)
    return {
        "ambient_c": ambient,
        "start_c": ambient + draw.between(8.0, 30.0),
        "coolant_c": ambient + draw.between(30.0, 60.0),
    }


def _starter_a(draw: SeededDraws, open_v: float, ohm: float, scale: float) -> float:
    """Draw a starter that a sound battery turns at 10 V or more (load test: 9.6 V at 21 degC)."""
    return (open_v - draw.between(10.6, 11.3) * scale) / ohm


def _lead(draw: SeededDraws, scale: float) -> dict[str, float | str]:
    open_v = draw.between(12.45, 12.75) * scale
    ohm = draw.between(0.007, 0.014) * scale**1.5
    return {
        "battery": "lead",
        "open_v": open_v,
        "battery_ohm": ohm,
        "polar_ohm": draw.between(0.004, 0.008) * scale**1.5,
        "polar_s": draw.between(12.0, 40.0),
        "charge_ohm": draw.between(0.08, 0.15) * scale**1.5,
        "starter_a": _starter_a(draw, open_v, ohm, scale),
        "path_ohm": draw.between(0.006, 0.017) * scale**1.5,
    }


def _lithium(draw: SeededDraws, scale: float) -> dict[str, float | str]:
    open_v = draw.between(13.1, 13.35) * scale
    ohm = draw.between(0.006, 0.012) * scale**1.5
    return _lead(draw, scale) | {
        "battery": "lithium",
        "open_v": open_v,
        "battery_ohm": ohm,
        "polar_ohm": draw.between(0.002, 0.004) * scale**1.5,
        "starter_a": _starter_a(draw, open_v, ohm, scale),
    }


def _engine(
    draw: SeededDraws, source_a: tuple[float, float], charge: tuple[float, float]
) -> dict[str, float]:
    return {
        "source_a": draw.between(*source_a),
        "charge_v": draw.between(*charge),
        "half_rpm": draw.between(600.0, 1000.0),
        "base_load_a": draw.between(7.0, 14.0),
        "idle_rpm": draw.between(1050.0, 1400.0),
        "rpm_per_kph": draw.between(55.0, 80.0),
        "top_kph": draw.between(45.0, 75.0),
    }


def _no_engine(
    draw: SeededDraws, source_a: tuple[float, float], charge: tuple[float, float]
) -> dict[str, float]:
    return _engine(draw, source_a, charge) | {"idle_rpm": 0.0, "rpm_per_kph": 0.0, "starter_a": 0.0}


def trail_quad(draw: SeededDraws) -> ForeignVehicle:
    """12 V, a single-cylinder engine with a fixed-voltage alternator, handlebar."""
    return ForeignVehicle(
        kind="trail_quad", nominal_v=12.0, source="alternator", regulated=False, has_engine=True,
        needs_engine=draw.chance(0.5), gain_kph=(0.0, 8.0, 18.0, 35.0, 60.0, 85.0),
        gain=_gains(draw, modes=draw.chance(0.6)),
        **_steering(draw, bar=True), **_module(draw, 1.0), **_weather(draw),
        **(_lead(draw, 1.0) | _engine(draw, (46.0, 70.0), (13.9, 14.5))),
    )  # fmt: skip


def regulated_wagon(draw: SeededDraws) -> ForeignVehicle:
    """12 V, an alternator whose voltage the engine unit varies from 12.3 to 15 V by design."""
    return ForeignVehicle(
        kind="regulated_wagon", nominal_v=12.0, source="alternator", regulated=True,
        has_engine=True, needs_engine=draw.chance(0.3),
        gain_kph=(0.0, 10.0, 20.0, 40.0, 70.0, 110.0), gain=_gains(draw, modes=draw.chance(0.3)),
        **_steering(draw, bar=False), **_module(draw, 1.0), **_weather(draw),
        **(_lead(draw, 1.0) | _engine(draw, (90.0, 140.0), (13.9, 14.4))),
    )  # fmt: skip


def converter_cart(draw: SeededDraws) -> ForeignVehicle:
    """12 V from a converter, electric drive, no engine speed."""
    return ForeignVehicle(
        kind="converter_cart", nominal_v=12.0, source="dcdc", regulated=False, has_engine=False,
        needs_engine=False, gain_kph=(0.0, 6.0, 15.0, 30.0, 45.0, 60.0),
        gain=_gains(draw, modes=draw.chance(0.5)),
        **_steering(draw, bar=False), **_module(draw, 1.0), **_weather(draw),
        **(_lead(draw, 1.0) | _no_engine(draw, (60.0, 100.0), (13.4, 14.0))),
    )  # fmt: skip


def hauler_24v(draw: SeededDraws) -> ForeignVehicle:
    """24 V working machine with a Diesel engine."""
    return ForeignVehicle(
        kind="hauler_24v", nominal_v=24.0, source="alternator", regulated=False, has_engine=True,
        needs_engine=draw.chance(0.3), gain_kph=(0.0, 10.0, 20.0, 35.0, 55.0, 80.0),
        gain=_gains(draw, modes=False),
        **_steering(draw, bar=False), **_module(draw, 2.0), **_weather(draw),
        **(_lead(draw, 2.0) | _engine(draw, (45.0, 80.0), (27.6, 28.6))
           | {"idle_rpm": draw.between(700.0, 900.0), "rpm_per_kph": draw.between(18.0, 26.0)}),
    )  # fmt: skip


def runabout_48v(draw: SeededDraws) -> ForeignVehicle:
    """48 V traction battery that also feeds the steering; nothing charges on the ride."""
    lithium = _lithium(draw, 4.0)
    return ForeignVehicle(
        kind="runabout_48v", nominal_v=48.0, source="battery", regulated=False, has_engine=False,
        needs_engine=False, gain_kph=(0.0, 6.0, 14.0, 25.0, 40.0, 55.0),
        gain=_gains(draw, modes=draw.chance(0.4)),
        **_steering(draw, bar=True), **_module(draw, 4.0), **_weather(draw),
        **(lithium | _no_engine(draw, (0.001, 0.002), (54.0, 56.0))),
    )  # fmt: skip


def lithium_quad(draw: SeededDraws) -> ForeignVehicle:
    """12 V with a lithium starter battery that rests at 13.2 V."""
    return ForeignVehicle(
        kind="lithium_quad", nominal_v=12.0, source="alternator", regulated=False, has_engine=True,
        needs_engine=False, gain_kph=(0.0, 8.0, 18.0, 35.0, 60.0, 85.0),
        gain=_gains(draw, modes=draw.chance(0.6)),
        **_steering(draw, bar=True), **_module(draw, 1.0), **_weather(draw),
        **(_lithium(draw, 1.0) | _engine(draw, (46.0, 70.0), (13.9, 14.3))),
    )  # fmt: skip


VEHICLES: dict[str, Callable[[SeededDraws], ForeignVehicle]] = {
    "trail_quad": trail_quad,
    "regulated_wagon": regulated_wagon,
    "converter_cart": converter_cart,
    "hauler_24v": hauler_24v,
    "runabout_48v": runabout_48v,
    "lithium_quad": lithium_quad,
}

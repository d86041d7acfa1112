"""What no vehicle has: ranges, levels and steps of each channel by itself."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import Final, NamedTuple

import numpy as np

from canassist.decode.belief.suspicion import FEW, Likely, Suspicion, spoken
from canassist.model import FloatArray

_AMPERES = (Likely("milliamperes", 0.001), Likely("amperes, not milliamperes", 1000.0))
_CELSIUS = (
    Likely("degrees Fahrenheit", 5.0 / 9.0, -160.0 / 9.0),
    Likely("kelvin", 1.0, -273.15),
)
_TORQUES = (
    Likely("tenths of a newton metre", 0.1),
    Likely("hundredths of a newton metre", 0.01),
    Likely("thousandths of a newton metre", 0.001),
)


class Bounds(NamedTuple):
    """Physical bounds of one channel, in its unit.

    Attributes
    ----------
    low, high : float
        98 % of the samples lie within.
    usual : tuple of float
        Where the largest size lies if the unit is right: what says which unit mends it.
    fastest : float
        Slope, per second, that nearly all samples keep to.
    """

    low: float
    high: float
    usual: tuple[float, float]
    fastest: float
    mends: tuple[Likely, ...] = ()


_SPEED: Final = Bounds(
    -5.0,
    330.0,
    (3.0, 260.0),
    120.0,  # 3.4 g: wheels that spin or lock
    (
        Likely("wheel revolutions a minute", 0.12),
        Likely("hundredths of a km/h", 0.01),
        Likely("tenths of a km/h", 0.1),
        Likely("metres an hour", 0.001),
    ),
)
BOUNDS: Final[Mapping[str, Bounds]] = MappingProxyType(
    {
        "vehicle_speed": _SPEED,
        "engine_speed": Bounds(
            -50.0,
            20_000.0,
            (600.0, 12_000.0),
            40_000.0,
            (Likely("quarters of a revolution", 0.25), Likely("eighths of a revolution", 0.125)),
        ),
        "module_temperature": Bounds(-50.0, 180.0, (0.0, 120.0), 30.0, _CELSIUS),
        "ambient_temperature": Bounds(-50.0, 62.0, (-20.0, 50.0), 15.0, _CELSIUS),
        "coolant_temperature": Bounds(-50.0, 138.0, (0.0, 125.0), 20.0, _CELSIUS),
        "assist_limit": Bounds(-3.0, 130.0, (90.0, 105.0), float("inf")),
        "assist_torque": Bounds(-200.0, 200.0, (2.0, 120.0), float("inf"), _TORQUES),
        "driver_torque": Bounds(-45.0, 45.0, (1.0, 15.0), float("inf"), _TORQUES),
        "motor_current": Bounds(-400.0, 400.0, (3.0, 200.0), float("inf"), _AMPERES[:1]),
        "module_current": Bounds(-250.0, 250.0, (3.0, 150.0), float("inf"), _AMPERES[:1]),
        "system_current": Bounds(-3000.0, 3000.0, (1.0, 1500.0), float("inf"), _AMPERES[:1]),
        "steering_angle": Bounds(
            -1500.0,
            1500.0,
            (5.0, 900.0),
            4000.0,
            (Likely("tenths of a degree", 0.1), Likely("hundredths of a degree", 0.01)),
        ),
        **dict.fromkeys(
            ("wheel_speed_fl", "wheel_speed_fr", "wheel_speed_rl", "wheel_speed_rr"), _SPEED
        ),
    }
)
"""Every measured channel but the voltages, which have levels of their own."""

_FEW_VALUES: Final = 16
"""Fewer different values step when a unit wakes, which is no slope."""

NOMINAL_V: Final = ((11.0, 15.6), (22.0, 31.5), (44.0, 57.0))
LEAST_SUPPLY_V: Final = 6.0
"""A unit that sends lives on more: controllers reset below (common practice, no source)."""
MOST_SUPPLY_V: Final = 62.0

_TENS: Final = {
    0.001: "millivolts",
    0.01: "hundredths of a volt",
    0.1: "tenths of a volt",
    10.0: "volts times ten",
    100.0: "volts times a hundred",
    1000.0: "volts where the database says millivolts",
}


def judge_bounds(name: str, one: Suspicion) -> None:
    """Hold a channel out whose values no vehicle has."""
    if one.shape.samples < FEW or not one.channel.unit_known:
        return
    if name in {"supply_voltage", "system_voltage"}:
        _judge_supply(one)
    elif name in BOUNDS:
        _judge_range(name, one, BOUNDS[name])
        _JUDGES.get(name, _no_more)(one)


def _judge_range(name: str, one: Suspicion, bounds: Bounds) -> None:
    shape = one.shape
    if shape.p1 < bounds.low or shape.p99 > bounds.high:
        one.hold(
            f"reads {shape.p1:.4g} to {shape.p99:.4g} {one.channel.unit}, which no "
            f"{spoken(name)} does",
            _mend(max(abs(shape.p1), abs(shape.p99)), bounds),
        )
    elif _jumps(name, one, bounds):
        one.hold(
            f"jumps about by {shape.steepest:.4g} {one.channel.unit} in a second, as no "
            f"{spoken(name)} does"
        )


def _jumps(name: str, one: Suspicion, bounds: Bounds) -> bool:
    """Tell whether it moves as no measured value does, most of the time."""
    shape = one.shape
    random = shape.noise and shape.spread > 0.2 * (bounds.usual[1] - bounds.usual[0])
    noisy = {"driver_torque", "assist_torque", "motor_current", "module_current", "system_current"}
    steep = shape.different > _FEW_VALUES and shape.steepest > bounds.fastest
    return shape.counter or (random and name not in noisy) or steep


def _mend(size: float, bounds: Bounds) -> Likely | None:
    """Return the unit that puts a size where it usually lies; the first that does."""
    low, high = bounds.usual
    fits = (one for one in bounds.mends if low <= size * one.scale + one.offset <= high)
    return next(fits, None)


def _judge_supply(one: Suspicion) -> None:
    volts = one.shape.median
    if any(low <= volts <= high for low, high in NOMINAL_V):
        one.checked.add("unit")
        return
    if volts >= LEAST_SUPPLY_V and any(low <= one.shape.high <= high for low, high in NOMINAL_V):
        one.checked.add("unit")  # a source that gave way was whole at first
        return
    if LEAST_SUPPLY_V <= volts <= MOST_SUPPLY_V:
        return
    scale = next(
        (s for s in _TENS if any(low <= volts * s <= high for low, high in NOMINAL_V)), None
    )
    one.hold(
        f"sits at {volts:.4g} V, and a unit that sends cannot live on that",
        Likely(_TENS[scale], scale) if scale else None,
    )


def _judge_engine(one: Suspicion) -> None:
    """Expect an idle or more of an engine that runs longer than a starter turns it."""
    time_s, value = one.channel.valid()
    turning = value > _TURNING_RPM
    if not turning.any():
        return
    idle = float(np.percentile(value[turning], 10))
    if _SURE_IDLE_RPM[0] <= idle <= _SURE_IDLE_RPM[1]:
        one.checked.add("unit")
    elif idle < _LEAST_IDLE_RPM and np.count_nonzero(turning) * _step(time_s) > _CRANKED_S:
        mends = (Likely("radians a second", 9.5493), Likely("revolutions a second", 60.0))
        fits = (m for m in mends if _IDLE_RPM[0] <= idle * m.scale <= _IDLE_RPM[1])
        one.hold(f"runs at {idle:.4g} rpm for long, below any idle", next(fits, None))


def _step(time_s: FloatArray) -> float:
    return float(np.median(np.diff(time_s))) if len(time_s) > 1 else 0.0


_IDLE_RPM: Final = (450.0, 2300.0)
_SURE_IDLE_RPM: Final = (600.0, 1800.0)
"""Engines idle within; half or twice an ordinary idle lies outside (common practice, no source)."""
_LEAST_IDLE_RPM: Final = 300.0
_TURNING_RPM: Final = 5.0
_CRANKED_S: Final = 20.0


def _judge_limit(one: Suspicion) -> None:
    if one.shape.high <= 1.05 and one.shape.high > 0.0:  # noqa: PLR2004 - a share of one, a little over
        one.hold(
            f"never reads more than {one.shape.high:g} %",
            Likely("a share of 0 to 1", 100.0),
        )
    elif 95.0 <= one.shape.high <= 105.0:  # noqa: PLR2004 - full assist
        one.checked.add("unit")


def _judge_size(low: float, high: float) -> Callable[[Suspicion], None]:
    """Return a judge that believes the unit where the size is a usual one, ten times off is not."""

    def judge(one: Suspicion) -> None:
        if not one.held_out and low <= one.shape.reach <= high:
            one.checked.add("unit")

    return judge


def _no_more(one: Suspicion) -> None:
    """Nothing else is known of it."""


_JUDGES: Final[Mapping[str, Callable[[Suspicion], None]]] = MappingProxyType(
    {
        "engine_speed": _judge_engine,
        "assist_limit": _judge_limit,
        "motor_current": _judge_size(8.0, 130.0),
        "module_current": _judge_size(4.0, 100.0),
    }
)

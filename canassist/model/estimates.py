"""What physics estimates of a ride, as frozen values."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from canassist.model.frames import FloatArray
from canassist.model.profile import Curve

if TYPE_CHECKING:
    from collections.abc import Mapping


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """An estimated figure with its 90 % interval.

    Attributes
    ----------
    count : int
        Independent stretches (not samples) that it stands on.
    sensor_share : float
        What the sensors' own gain errors may be, as a share of the value. The interval
        holds it; `repeatability` is the interval without.
    """

    value: float
    low: float
    high: float
    unit: str
    count: int
    sensor_share: float = 0.0

    def with_sensors(self, share: float) -> Estimate:
        """Return it with the sensors' gain errors in its interval, both as root of squares."""
        error = share * abs(self.value)
        return replace(
            self,
            low=self.value - math.hypot(self.value - self.low, error),
            high=self.value + math.hypot(self.high - self.value, error),
            sensor_share=share,
        )

    def repeatability(self) -> Estimate:
        """Return it with its statistical spread alone: what the same sensors would repeat."""
        error = self.sensor_share * abs(self.value)
        below, above = self.value - self.low, self.high - self.value
        return replace(
            self,
            low=self.value - math.sqrt(max(below**2 - error**2, 0.0)),
            high=self.value + math.sqrt(max(above**2 - error**2, 0.0)),
            sensor_share=0.0,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Points:
    """Points of a physics plot: one x and one y each, both shape (n,)."""

    x: FloatArray
    y: FloatArray

    @staticmethod
    def none() -> Points:
        """Return an empty set of points."""
        return Points(x=np.empty(0), y=np.empty(0))


@dataclass(frozen=True, slots=True, kw_only=True)
class SupplyPath:
    """Resistance between the source and the steering module.

    Attributes
    ----------
    method : str
        ``"difference"`` (system minus module voltage on module current),
        ``"fast_split"`` (steps of module voltage on steps of current) or
        ``"motor_power"`` (guessed from the motor; in results of version 0.1 only).
    path_ohm : Estimate
        Wiring, connectors and grounds together.
    source_ohm : Estimate or None
        Inner resistance of battery and alternator, where it can be told apart.
    peak_current_a, drop_v : float
        Measured peak of the module's current and what the path loses at it.
    open_voltage_v : float
        Voltage of the fitted line at no current.
    points : Points
        Module current in A against voltage drop or module voltage in V.
    """

    method: str
    path_ohm: Estimate
    source_ohm: Estimate | None
    peak_current_a: float
    drop_v: float
    open_voltage_v: float
    points: Points


@dataclass(frozen=True, slots=True, kw_only=True)
class ThermalFit:
    """First-order heating of the module by the square of its current.

    ``gain_k_per_a2`` is the settled rise over ambient per ampere squared, ``fit``
    the share of the variation explained (0..1); ``time_s`` and ``model_c`` draw it.
    ``to_derate_s`` is from ambient at the measured load, ``recover_s`` from the
    hottest sample back to the recovery level without load; None where never.
    """

    tau_s: Estimate
    gain_k_per_a2: Estimate
    ambient_c: float
    fit: float
    load_a2: float
    to_derate_s: float | None
    recover_s: float | None
    sustained_current_a: float | None
    time_s: FloatArray
    model_c: FloatArray
    driven_by: str = "motor_current"


@dataclass(frozen=True, slots=True, kw_only=True)
class AssistBand:
    """Assist gain in one band of road speed, as ridden against as expected."""

    speed_low_kph: float
    speed_high_kph: float
    gain: Estimate | None
    expected_gain: float | None
    left_gain: Estimate | None
    right_gain: Estimate | None
    points: Points
    """Driver torque against delivered assist, both in N·m, at full assist limit."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AssistFit:
    """Delivered assist against what the map calls for.

    ``map_from`` is ``"profile"``, ``"ride"`` or ``"none"``; ``lag_s`` the measured
    delay from driver torque to assist. ``ratio`` is delivered over expected.
    """

    map_from: str
    lag_s: float
    ratio: Estimate | None
    side_difference: Estimate | None
    bands: tuple[AssistBand, ...] = ()
    speed_kph: tuple[float, ...] = ()
    gains: Mapping[str, tuple[float, ...]] = field(default_factory=dict)
    driver_deadband_nm: float = 0.5
    max_assist_nm: float = 40.0
    known_up_to_nm: float = float("inf")
    """Beyond this, at full assist limit, a learned map says nothing."""
    unshown_kph: tuple[tuple[float, float], ...] = ()
    """Spans of road speed of which a learned map says nothing: too little was steered there."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LineAgainstRide:
    """A given line held against what the module did on the ride.

    ``quantity`` is ``"temperature"`` or ``"supply"``. ``ride_start`` and ``ride_zero`` are the
    ride's own line, in degC or V; NaN where the ride only shows that the given one does not
    hold (full assist for ``kept_s`` seconds beyond it). Where they disagree nobody is blamed
    for it: `LimitLines` then holds the ride's line.
    """

    quantity: str
    agrees: bool
    given_start: float
    given_zero: float
    ride_start: float = float("nan")
    ride_zero: float = float("nan")
    kept_s: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitLines:
    """Temperature and supply lines that the module reduces assist by.

    ``source`` is ``"profile"`` where both lines are given, ``"ride"`` where one was learned,
    else ``"assumed"``. Each line has a source of its own; empty is the common one. A curve
    holds in place of its line; ``tested`` tells how given lines agree with the ride.
    """

    derate_start_c: float
    derate_zero_c: float
    derate_start_v: float
    derate_zero_v: float
    source: str
    temperature_source: str = ""
    supply_source: str = ""
    temperature_curve: Curve = ()
    supply_curve: Curve = ()
    tested: tuple[LineAgainstRide, ...] = ()

    @property
    def temperature_from(self) -> str:
        """Where the temperature line is from."""
        return self.temperature_source or self.source

    @property
    def supply_from(self) -> str:
        """Where the supply line is from."""
        return self.supply_source or self.source


@dataclass(frozen=True, slots=True, kw_only=True)
class ChargingFit:
    """Supply with the engine above its charging speed: median volts and time seen."""

    voltage_v: Estimate
    seconds: float
    below_limit_s: float
    points: Points
    """Engine speed in rpm against supply in V."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CrankFit:
    """One start of the engine.

    ``inrush_min_v`` is the lowest sample of all, ``plateau_min_v`` the lowest from
    0.3 s after the starter engaged; None where the log does not hold it.
    """

    start_s: float
    end_s: float
    inrush_min_v: float
    plateau_min_v: float | None
    rest_v: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class TorqueRest:
    """Where the driver torque rests with nobody steering."""

    offset_nm: Estimate
    seconds: float
    drift_nm_per_k: Estimate | None
    time_s: FloatArray
    torque_nm: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class ColdStart:
    """The module's temperature at a cold start, against air and coolant.

    ``apart_k`` is how far it reads above the nearer one of them (``reference`` names one);
    ``believable`` is False where no rest or sun explains that: the sensor is asked first,
    and nothing that rests on the module's temperature is sure.
    """

    module_c: float
    reference_c: float
    reference: str
    apart_k: float
    believable: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Effort:
    """How hard the steering was for what was ridden.

    ``torque_p90_nm`` is the 90th percentile of absolute driver torque in slow
    steering, ``saturated_share`` the share of it with assist at its maximum.
    """

    torque_p90_nm: float | None
    saturated_share: float | None
    mean_current_a: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Physics:
    """Every estimate of a ride; None where the log does not carry it."""

    limit_lines: LimitLines | None = None
    supply_path: SupplyPath | None = None
    thermal: ThermalFit | None = None
    assist: AssistFit | None = None
    charging: ChargingFit | None = None
    cranks: tuple[CrankFit, ...] = ()
    torque_rest: TorqueRest | None = None
    effort: Effort | None = None
    cold_start: ColdStart | None = None
    learned_notes: tuple[str, ...] = ()

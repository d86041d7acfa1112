"""The invented vehicle in figures: supply, steering module, heat, assist map."""

from __future__ import annotations

from dataclasses import dataclass, field
from types import MappingProxyType
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Mapping

MODES: Final = ("Light", "Medium", "Firm")


@dataclass(frozen=True, slots=True, kw_only=True)
class Battery:
    """A lead battery: open-circuit voltage, a fast and a slow inner resistance.

    The slow part takes ``slow_tau_s`` to build up and is larger while charging.
    """

    charge: float = 0.9
    capacity_ah: float = 20.0
    inner_ohm: float = 0.010
    slow_ohm: float = 0.006
    slow_charging_ohm: float = 0.05
    slow_tau_s: float = 8.0

    def rest_v(self, charge: float) -> float:
        """Return the open-circuit voltage: 11.89 V empty, 12.65 V full (common table)."""
        return 11.89 + 0.76 * charge


@dataclass(frozen=True, slots=True, kw_only=True)
class Alternator:
    """Holds ``set_v`` until the load passes what it can deliver at that engine speed."""

    set_v: float = 14.2
    rpm: tuple[float, ...] = (650.0, 800.0, 1100.0, 1600.0, 2500.0, 4500.0)
    limit_a: tuple[float, ...] = (0.0, 15.0, 30.0, 42.0, 56.0, 65.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Starter:
    """The starter motor as a resistance: locked at first, turning then."""

    locked_ohm: float = 0.046
    turning_ohm: float = 0.105
    inrush_s: float = 0.06


@dataclass(frozen=True, slots=True, kw_only=True)
class HeatPath:
    """Two nodes in a row: power stage (where the sensor sits), housing, surroundings.

    ``loss_ohm`` times motor current squared is the heat that goes into the power stage.
    """

    loss_ohm: float = 0.045
    stage_j_per_k: float = 40.0
    housing_j_per_k: float = 270.0
    stage_k_per_w: float = 0.08
    housing_k_per_w: float = 0.75

    @property
    def gain_k_per_a2(self) -> float:
        """Settled rise over the surroundings per ampere squared."""
        return self.loss_ohm * (self.stage_k_per_w + self.housing_k_per_w)


@dataclass(frozen=True, slots=True, kw_only=True)
class ProtectionRule:
    """How the module reduces assist by itself.

    Assist is full up to the start of each line and falls to nothing at its zero. The
    way back is later by the hysteresis. The limit moves no faster than the two rates.
    """

    start_c: float = 85.0
    zero_c: float = 115.0
    hysteresis_c: float = 2.0
    start_v: float = 11.0
    zero_v: float = 9.0
    hysteresis_v: float = 0.2
    voltage_tau_s: float = 0.06
    high_v: float = 16.0
    high_zero_v: float = 18.0
    down_pct_per_s: float = 250.0
    up_pct_per_s: float = 100.0
    lost_speed_pct: float = 50.0
    lost_speed_after_s: float = 0.3
    brown_out_v: float = 5.0
    boot_s: float = 0.4


def _gains() -> Mapping[str, tuple[float, ...]]:
    return MappingProxyType(
        {
            "Light": (4.6, 4.2, 3.5, 2.4, 1.6, 1.2),
            "Medium": (4.0, 3.6, 3.0, 2.0, 1.3, 1.0),
            "Firm": (3.2, 2.9, 2.4, 1.6, 1.0, 0.8),
        }
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class AssistLaw:
    """Assist over driver torque by road speed and mode, and the motor that makes it."""

    speed_kph: tuple[float, ...] = (0.0, 10.0, 20.0, 40.0, 60.0, 80.0)
    gains: Mapping[str, tuple[float, ...]] = field(default_factory=_gains)
    deadband_nm: float = 0.5
    max_assist_nm: float = 40.0
    lag_s: float = 0.06
    nm_per_a: float = 0.5
    winding_ohm: float = 0.09
    efficiency: float = 0.85
    standby_w: float = 8.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Chassis:
    """What the steering has to overcome, referred to the input shaft."""

    lock_deg: float = 270.0
    scrub_nm: float = 36.0
    rolling_scrub_nm: float = 4.0
    scrub_speed_kph: float = 7.0
    hold_nm: float = 26.0
    strength_nm: float = 16.0
    """What the rider can pull at the most."""


@dataclass(frozen=True, slots=True, kw_only=True)
class VehicleModel:
    """One vehicle on one day."""

    name: str = "Demo trail vehicle"
    battery: Battery = field(default_factory=Battery)
    alternator: Alternator = field(default_factory=Alternator)
    starter: Starter = field(default_factory=Starter)
    heat: HeatPath = field(default_factory=HeatPath)
    protection: ProtectionRule = field(default_factory=ProtectionRule)
    assist: AssistLaw = field(default_factory=AssistLaw)
    chassis: Chassis = field(default_factory=Chassis)
    path_ohm: float = 0.008
    """Wiring, connectors and grounds between the board supply and the module."""
    base_load_a: float = 12.0
    ambient_c: float = 22.0
    bay_rise_k: float = 14.0
    """How much warmer than the air the place is where the module sits."""
    module_start_c: float = 40.0
    coolant_start_c: float = 45.0
    idle_rpm: float = 1150.0

"""The vehicle profile as frozen values."""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Mapping


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """Every limit that decides a finding; the unit ends the name."""

    derate_start_c: float
    derate_zero_c: float
    derate_start_v: float
    derate_zero_v: float
    undervoltage_v: float
    cranking_v: float
    charging_v: float
    charging_rpm: float
    overvoltage_v: float
    full_assist_pct: float
    recovered_pct: float
    max_circuit_ohm: float
    torque_offset_nm: float
    assist_tolerance: float
    side_tolerance: float
    stuck_s: float
    jump_kph: float
    jump_rpm: float
    jump_c: float
    slow_kph: float
    cruise_kph: float

    @property
    def hot_c(self) -> float:
        """Module temperature above which riding counts as hot."""
        return self.derate_start_c - 5.0


LIMIT_NAMES = tuple(item.name for item in fields(Limits))


class LimitFact(NamedTuple):
    """Default value of a limit, its unit, and where it comes from."""

    value: float
    unit: str
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelSpec:
    """Where a profile says that a channel comes from.

    ``scale`` and ``offset`` replace the automatic unit conversion; ``invalid`` holds
    database values (after the database's own factor) that mean "no value".
    """

    signal: str
    scale: float | None = None
    offset: float | None = None
    invalid: tuple[float, ...] = ()
    stale_after_s: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class IntegritySpec:
    """Alive counter and checksum signals of one message."""

    message: str
    counter: str = ""
    checksum: str = ""
    method: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class AssistMap:
    """Assist torque over driver torque by road speed, for each mode (``"*"``: every mode)."""

    speed_kph: tuple[float, ...]
    gains: Mapping[str, tuple[float, ...]]
    driver_deadband_nm: float
    max_assist_nm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Profile:
    """What is known of a vehicle.

    Attributes
    ----------
    given : frozenset of str
        Dotted names that a profile file sets, such as ``"limits.charging_v"``.
    file_name : str
        Name of the profile file; empty where there is none.
    nominal_v : float
        Nominal supply (12, 24 or 48 V) as far as known; 12 unless said.
    bit_rate_bps : int or None
        Nominal bit rate of the vehicle's buses, in bit/s; inferred from the log unless said.
    """

    limits: Limits
    name: str = ""
    file_name: str = ""
    nominal_v: float = 12.0
    bit_rate_bps: int | None = None
    channels: Mapping[str, ChannelSpec] = field(default_factory=dict)
    integrity: tuple[IntegritySpec, ...] = ()
    status_reduced: frozenset[str] = frozenset()
    status_off: frozenset[str] = frozenset()
    assist_map: AssistMap | None = None
    given: frozenset[str] = frozenset()

    @property
    def assumed(self) -> tuple[str, ...]:
        """Limits that no profile file gave, as ``"limits.NAME"``."""
        return tuple(f"limits.{name}" for name in LIMIT_NAMES if f"limits.{name}" not in self.given)

    def gives(self, *limits: str) -> bool:
        """Tell whether a profile file set every one of these limits."""
        return all(f"limits.{name}" in self.given for name in limits)

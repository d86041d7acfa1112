"""The vehicle profile as frozen values."""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from typing import TYPE_CHECKING, Final, NamedTuple

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
    effort_nm: float

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


Curve = tuple[tuple[float, float], ...]
"""Points (x, y) in order of x, either way; linear between them, flat beyond, a step at one x."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Protection:
    """The module's own laws of available assist, in %; empty or None where not known.

    Attributes
    ----------
    temperature, supply, road_speed, engine_speed : Curve
        Assist in % over degC, V, km/h and rpm. Of several the lowest holds.
    hysteresis_k, hysteresis_v : float or None
        How far the curve is moved on the way back.
    start_ramp_s : float or None
        From silent or stopped to full assist.
    latches : frozenset of str
        What stays reduced until key-off: temperature, supply, duty, signal.
    duty_rule : bool or None
        The module also limits by accumulated motor load, which no signal shows.
    returns_to_center : bool or None
        Assist without driver torque towards the centre is by design.
    """

    temperature: Curve = ()
    supply: Curve = ()
    road_speed: Curve = ()
    engine_speed: Curve = ()
    hysteresis_k: float | None = None
    hysteresis_v: float | None = None
    start_ramp_s: float | None = None
    latches: frozenset[str] = frozenset()
    duty_rule: bool | None = None
    returns_to_center: bool | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SupplySpec:
    """What feeds the vehicle; empty or None where not known.

    ``source`` is ``"alternator"``, ``"dcdc"`` or ``"battery"``, ``battery`` ``"lead"`` or
    ``"lithium"``; ``regulated``: the charging voltage is varied by design.
    """

    source: str = ""
    regulated: bool | None = None
    battery: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class LearnedFigure:
    """A figure that rides of known-good vehicles gave, and how many stand behind it.

    ``value`` is a number, a word or points; ``by`` names what the x of points is. ``seconds``
    is the riding behind it, where that is counted.
    """

    value: float | str | Curve | None = None
    low: float | None = None
    high: float | None = None
    rides: int = 0
    vehicles: int = 0
    unit: str = ""
    by: str = ""
    seconds: float | None = None

    @property
    def source(self) -> str:
        """Say from what it was learned, as part of a sentence."""
        rides, vehicles = _count(self.rides, "ride"), _count(self.vehicles, "vehicle")
        return f"learned from {rides} of {vehicles}"

    def holds(self, value: float) -> bool:
        """Tell whether `value` is what was learned, or was changed by hand since."""
        if isinstance(self.value, float):
            return abs(value - self.value) <= SAME_SHARE * max(abs(value), abs(self.value))
        above = self.low is None or value >= self.low
        return above and (self.high is None or value <= self.high)


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


SAME_SHARE: Final = 1e-6
"""Figures that differ by a smaller share are the same one, written and read again."""

VEHICLES_LEAST: Final = 3
"""A learned limit counts as given where this many vehicles stand behind it."""


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
    protection : Protection
        The module's own laws. A curve of temperature or supply stands in `limits` too: its
        last point at 100 % as ``derate_start``, its first at 0 as ``derate_zero`` (NaN
        where it has none).
    learned : mapping of dotted name to LearnedFigure
        What `learn` wrote: limits as ``"limits.NAME"``, all else by names of its own.
    notes : tuple of str
        Where the profile contradicts itself, and which part of it holds.
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
    protection: Protection = field(default_factory=Protection)
    supply: SupplySpec = field(default_factory=SupplySpec)
    learned: Mapping[str, LearnedFigure] = field(default_factory=dict)
    notes: tuple[str, ...] = ()

    @property
    def assumed(self) -> tuple[str, ...]:
        """Limits that no profile file gave, as ``"limits.NAME"``."""
        return tuple(f"limits.{name}" for name in LIMIT_NAMES if f"limits.{name}" not in self.given)

    def gives(self, *limits: str) -> bool:
        """Tell whether a profile file set every one of these limits."""
        return all(f"limits.{name}" in self.given for name in limits)

    @property
    def thinly_learned(self) -> frozenset[str]:
        """Limits, as ``"limits.NAME"``, that `learn` wrote from fewer than three vehicles.

        What rests on one is held at moderate. A limit that was changed by hand since is none.
        """
        return frozenset(
            name
            for name, figure in self.learned_used.items()
            if name.startswith("limits.") and figure.vehicles < VEHICLES_LEAST
        )

    @property
    def learned_used(self) -> Mapping[str, LearnedFigure]:
        """What `learn` wrote and no hand changed since, of all that the profile gives."""
        return {
            name: figure
            for name, figure in self.learned.items()
            if not name.startswith("limits.")
            or (name in self.given and figure.holds(getattr(self.limits, name[7:], float("nan"))))
        }

    @property
    def learned_from(self) -> LearnedFigure | None:
        """Rides and vehicles behind all that was learned and is used; None for none."""
        used = self.learned_used.values()
        if not used:
            return None
        return LearnedFigure(
            rides=max(figure.rides for figure in used),
            vehicles=max(figure.vehicles for figure in used),
        )

    def proves(self, *limits: str) -> bool:
        """Tell whether every one of these limits is given, by hand or by three vehicles."""
        thin = self.thinly_learned
        return self.gives(*limits) and not any(f"limits.{name}" in thin for name in limits)

"""Causes, the evidence for them and what a ride can tell, as frozen values."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping


class Strength(StrEnum):
    """How sure a conclusion is."""

    STRONG = "strong"
    MODERATE = "moderate"
    WEAK = "weak"


class ConclusionRole(StrEnum):
    """Whether a conclusion answers the complaint, or was only found beside it."""

    ANSWER = "answer"
    ALSO_SEEN = "also_seen"


class ExplainsComplaint(StrEnum):
    """Whether a conclusion explains heavy steering at the moment complained of."""

    YES = "yes"
    PARTLY = "partly"
    NO = "no"


class Code(StrEnum):
    """What a conclusion says."""

    NO_FAULT_FOUND = "no_fault_found"
    THERMAL_PROTECTION = "thermal_protection"
    DUTY_PROTECTION = "duty_protection"
    LOW_BATTERY = "low_battery"
    CHARGING_FAULT = "charging_fault"
    SUPPLY_RESISTANCE = "supply_resistance"
    SUPPLY_BREAK = "supply_break"
    OVERVOLTAGE_FAULT = "overvoltage_fault"
    SPEED_SIGNAL_FAULT = "speed_signal_fault"
    TORQUE_SENSOR_OFFSET = "torque_sensor_offset"
    ASSIST_MAP_DEVIATION = "assist_map_deviation"
    MODULE_SUSPECT = "module_suspect"
    BUS_FAULT = "bus_fault"
    MECHANICAL_LOAD = "mechanical_load"
    INCONCLUSIVE = "inconclusive"


BLAMELESS = frozenset(
    {
        Code.NO_FAULT_FOUND,
        Code.THERMAL_PROTECTION,
        Code.DUTY_PROTECTION,
        Code.MECHANICAL_LOAD,
        Code.INCONCLUSIVE,
    }
)
"""Codes that blame no part; every other one is never strong on assumed limits."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CitedSamples:
    """Samples that a reason rests on: a channel over a stretch of time, s."""

    channel: str
    start_s: float
    end_s: float


class Bound(StrEnum):
    """On which side of its limit a cited channel was."""

    AT_LEAST = "at_least"
    AT_MOST = "at_most"
    FELL_BELOW = "fell_below"
    ROSE_ABOVE = "rose_above"


@dataclass(frozen=True, slots=True, kw_only=True)
class Claim:
    """What a sentence says of the samples that it cites.

    ``value`` is the extreme that it names: the lowest for ``at_least`` and ``fell_below``, the
    highest for the others.
    """

    samples: tuple[CitedSamples, ...]
    bound: Bound
    value: float
    limit: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """One reason for or against a conclusion.

    Attributes
    ----------
    weight : float
        Above 0 in favour, below 0 against; its size says how much it counts (1 = alone
        enough for moderate).
    events : tuple of int
        Positions in the result's events.
    figure : str
        Name of the physics plot that shows it.
    samples : tuple of CitedSamples
        What it rests on. Reasons that share a channel and overlap in time are one
        observation and count once.
    claims : tuple of Claim
        What its sentence says of these samples, to be checked against them.
    """

    text: str
    weight: float
    events: tuple[int, ...] = ()
    figure: str = ""
    samples: tuple[CitedSamples, ...] = ()
    claims: tuple[Claim, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class NextCheck:
    """One step of the technician's next work: what to do, what to expect, what to mind."""

    text: str
    expect: str = ""
    cautions: tuple[str, ...] = ()

    def __str__(self) -> str:
        """Return step and expectation as one text."""
        return f"{self.text} {self.expect}" if self.expect else self.text


@dataclass(frozen=True, slots=True, kw_only=True)
class Conclusion:
    """One ranked answer to 'why was the steering heavy?'.

    Attributes
    ----------
    role : ConclusionRole
        What answers the complaint ranks before what was also seen.
    strength : Strength or None
        How sure; None where nothing is claimed (``inconclusive``).
    explains : float or None
        Share of all lost assist that it explains, 0 to 1; None where none was lost.
    explains_complaint : ExplainsComplaint or None
        Whether it explains heavy steering; None where that cannot be told.
    basis : str
        In one line how sure it is and on what it stands.
    """

    code: Code
    rank: int
    strength: Strength | None
    headline: str
    role: ConclusionRole = ConclusionRole.ANSWER
    explains: float | None = None
    explains_complaint: ExplainsComplaint | None = None
    because: tuple[Evidence, ...] = ()
    against: tuple[Evidence, ...] = ()
    next_checks: tuple[NextCheck, ...] = ()
    ride_on: str = ""
    basis: str = ""

    @property
    def cautions(self) -> tuple[str, ...]:
        """Every caution of the next checks, each once."""
        return tuple(dict.fromkeys(text for check in self.next_checks for text in check.cautions))

    @property
    def blames(self) -> bool:
        """Whether it blames a part and is at least moderately sure."""
        sure = self.strength in {Strength.STRONG, Strength.MODERATE}
        return sure and self.code not in BLAMELESS


@dataclass(frozen=True, slots=True, kw_only=True)
class Moment:
    """A moment that the customer complained of, and what the log shows there."""

    at_s: float
    text: str
    events: tuple[int, ...] = ()
    readings: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Need:
    """What one conclusion needs of a ride, and whether the ride had it.

    ``text`` says both in one sentence; ``met`` is False where a channel is missing or
    a condition was ridden too short.
    """

    code: Code
    met: bool
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Coverage:
    """What was ridden, and what cannot be told from it; None where a channel for it is missing.

    Attributes
    ----------
    low_speed_steering_s, cruise_s, engine_running_s, hot_s, standing_s : float or None
        Seconds of each condition.
    slow_left_s, slow_right_s : float or None
        Slow steering to each side.
    cranks : int or None
        Starts of the engine.
    modes_s : mapping of mode to float
    tail_s : float or None
        From the last moment that the engine ran or the vehicle rolled to the log's end.
    needed : mapping of name to float
        What each of these should reach.
    """

    low_speed_steering_s: float | None
    cruise_s: float | None
    engine_running_s: float | None
    hot_s: float | None
    standing_s: float | None = None
    slow_left_s: float | None = None
    slow_right_s: float | None = None
    cranks: int | None = None
    modes_s: Mapping[str, float] = field(default_factory=dict)
    tail_s: float | None = None
    needed: Mapping[str, float] = field(default_factory=dict)
    cannot_tell: tuple[str, ...] = ()
    ride_next: tuple[str, ...] = ()
    needs: tuple[Need, ...] = ()

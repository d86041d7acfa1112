"""What detection finds: spans of log time, as frozen values."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping


class EventKind(StrEnum):
    """Kinds of event."""

    DERATE = "derate"
    UNDERVOLTAGE = "undervoltage"
    OVERVOLTAGE = "overvoltage"
    CHARGING_LOW = "charging_low"
    ASSIST_DEVIATION = "assist_deviation"
    TORQUE_OFFSET = "torque_offset"
    SIGNAL_LOSS = "signal_loss"
    SIGNAL_STUCK = "signal_stuck"
    SIGNAL_JUMP = "signal_jump"
    MODULE_RESTART = "module_restart"
    BUS_DISTURBANCE = "bus_disturbance"
    LOG_GAP = "log_gap"
    TROUBLE_CODE = "trouble_code"


class Severity(StrEnum):
    """How much an event matters."""

    NOTE = "note"
    WARNING = "warning"
    SERIOUS = "serious"


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """A span of log time with one finding.

    Attributes
    ----------
    start_s, end_s : float
        Seconds since the earliest frame; `end_s` is None where the log ends first.
    cause : str or None
        The contract's word for it.
    channel : str or None
        The channel that it was seen on, where it is one of several.
    measured, expected : mapping of name to number or text
        Figures; the name ends in the unit. The same name in both is a pair.
    limits : mapping of name to float
        The limits that decided it, as they held at that moment, by their names in the profile.
    shares : mapping of cause to float
        How much of a derate each cause explains, 0..1.
    code : str
        Trouble code, for that kind only.
    channels_then : mapping of channel to float
        What the channels read at the start.
    text : str
        Plain sentence; empty until `conclude.wording` has written it.
    """

    kind: EventKind
    start_s: float
    end_s: float | None
    cause: str | None = None
    severity: Severity = Severity.WARNING
    channel: str | None = None
    measured: Mapping[str, float | str] = field(default_factory=dict)
    expected: Mapping[str, float | str] = field(default_factory=dict)
    limits: Mapping[str, float] = field(default_factory=dict)
    shares: Mapping[str, float] = field(default_factory=dict)
    code: str = ""
    channels_then: Mapping[str, float] = field(default_factory=dict)
    text: str = ""

    def __hash__(self) -> int:
        """Return a hash of what names the event; its figures are in mappings, which have none."""
        return hash((self.kind, self.start_s, self.end_s, self.cause, self.channel, self.code))

    def until(self, log_end_s: float) -> float:
        """Return the end, or the end of the log where the event outlasts it."""
        return log_end_s if self.end_s is None else self.end_s

"""What an event looks like: its family has a hue, a texture and a word."""

from __future__ import annotations

from enum import StrEnum
from typing import TYPE_CHECKING, Final, NamedTuple

from canassist.model import EventKind

if TYPE_CHECKING:
    from canassist.model import Event


class EventFamily(StrEnum):
    """Families of events, told apart by hue, texture and word."""

    HEAT = "heat"
    VOLTAGE = "voltage"
    SIGNAL = "signal"
    ASSIST = "assist"
    NOTE = "note"


class EventStyle(NamedTuple):
    """How a family is drawn.

    ``hue`` fills the band; ``edge`` draws edges and texture, 3:1 or more on the page
    (WCAG 2.2, 1.4.11); ``shape`` is the texture as plotly names it.
    """

    hue: str
    edge: str
    dark_edge: str
    shape: str
    word: str


EVENT_STYLES: Final[dict[EventFamily, EventStyle]] = {
    # Hues: the colour-blind-safe set of Okabe and Ito (2008).
    EventFamily.HEAT: EventStyle("#D55E00", "#B04D00", "#F08A3C", "/", "heat"),
    EventFamily.VOLTAGE: EventStyle("#0072B2", "#0072B2", "#56B4E9", "-", "voltage"),
    EventFamily.SIGNAL: EventStyle("#999999", "#6B6B6B", "#B5B5B5", ".", "signal"),
    EventFamily.ASSIST: EventStyle("#CC79A7", "#A85A88", "#E29BC4", "", "assist"),
    EventFamily.NOTE: EventStyle("#1B2430", "#5B6470", "#A9AEB5", "|", "note"),
}

_BY_KIND: Final = {
    EventKind.UNDERVOLTAGE: EventFamily.VOLTAGE,
    EventKind.OVERVOLTAGE: EventFamily.VOLTAGE,
    EventKind.CHARGING_LOW: EventFamily.VOLTAGE,
    EventKind.ASSIST_DEVIATION: EventFamily.ASSIST,
    EventKind.TORQUE_OFFSET: EventFamily.ASSIST,
    EventKind.TROUBLE_CODE: EventFamily.NOTE,
}

_BY_DERATE_CAUSE: Final = {
    "temperature": EventFamily.HEAT,
    "temperature+voltage": EventFamily.HEAT,
    "voltage": EventFamily.VOLTAGE,
    "overvoltage": EventFamily.VOLTAGE,
    "speed_signal": EventFamily.SIGNAL,
    "engine_stopped": EventFamily.NOTE,
    "unexplained": EventFamily.ASSIST,
}

KIND_WORDS: Final = {
    EventKind.DERATE: "Assist reduced",
    EventKind.UNDERVOLTAGE: "Supply too low",
    EventKind.OVERVOLTAGE: "Supply too high",
    EventKind.CHARGING_LOW: "Charging low",
    EventKind.ASSIST_DEVIATION: "Assist off its map",
    EventKind.TORQUE_OFFSET: "Torque does not rest at zero",
    EventKind.SIGNAL_LOSS: "Signal lost",
    EventKind.SIGNAL_STUCK: "Signal stuck",
    EventKind.SIGNAL_JUMP: "Signal jumped",
    EventKind.MODULE_RESTART: "Module restarted",
    EventKind.BUS_DISTURBANCE: "Bus disturbed",
    EventKind.LOG_GAP: "Recording stopped",
    EventKind.TROUBLE_CODE: "Trouble code",
}

CAUSE_WORDS: Final = {
    "temperature": "heat",
    "voltage": "low supply",
    "temperature+voltage": "heat and low supply",
    "speed_signal": "speed signal",
    "engine_stopped": "engine stopped",
    "overvoltage": "high supply",
    "unexplained": "not explained",
    "cranking": "engine being started",
    "steering_load": "the steering's own load",
    "charging": "no charging",
    "supply_break": "supply broken for moments",
    "other_load": "another load",
    "low": "too little",
    "high": "too much",
    "left_low": "too little to the left",
    "right_low": "too little to the right",
    "ignores_speed": "does not follow road speed",
    "uncommanded": "without the rider's torque",
}


def family_of(event: Event) -> EventFamily:
    """Return the family that an event is drawn in."""
    if event.kind is EventKind.DERATE:
        return _BY_DERATE_CAUSE.get(event.cause or "unexplained", EventFamily.ASSIST)
    return _BY_KIND.get(event.kind, EventFamily.SIGNAL)


def kind_words(event: Event) -> str:
    """Return an event's kind in words."""
    return KIND_WORDS[event.kind]


def cause_words(event: Event) -> str:
    """Return an event's cause in words, empty where it has none."""
    if event.cause is None:
        return ""
    return CAUSE_WORDS.get(event.cause, event.cause.replace("_", " "))

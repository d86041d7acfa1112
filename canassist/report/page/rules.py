"""The rule behind each kind of event, in words, and the limits that it stands on."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from canassist.model import EventKind
from canassist.profile import limit_facts
from canassist.report.page.measures import Measures, words_of
from canassist.report.page.shortening import short

if TYPE_CHECKING:
    from canassist.model import Event, Profile
    from canassist.report.page.masks import Mask

_RULES: Final[dict[EventKind, tuple[str, tuple[str, ...]]]] = {
    EventKind.DERATE: (
        "Assist available stays below the first limit for 0.3 s or more, until it is back at "
        "the second one for 1 s. Heat and low supply are blamed by how much of the lost assist "
        "each of their lines explains.",
        (
            "full_assist_pct",
            "recovered_pct",
            "derate_start_c",
            "derate_zero_c",
            "derate_start_v",
            "derate_zero_v",
        ),
    ),
    EventKind.UNDERVOLTAGE: (
        "One sample of the supply below the limit is enough (while the starter turns, below the "
        "cranking limit); over once 0.2 V above it for 0.2 s.",
        ("undervoltage_v", "cranking_v"),
    ),
    EventKind.OVERVOLTAGE: (
        "Supply above the limit for 1 s or more; over once 0.2 V below it for 0.2 s.",
        ("overvoltage_v",),
    ),
    EventKind.CHARGING_LOW: (
        "Engine above its charging speed and supply below the charging limit, both for 30 s or "
        "more; over once the supply is 0.2 V above it for 5 s, or the engine slower.",
        ("charging_rpm", "charging_v"),
    ),
    EventKind.ASSIST_DEVIATION: (
        "Assist is off what road speed, driver torque, mode and assist available call for by "
        "more than the tolerance, for 1 s of steering or more; judged from 3 N·m up.",
        ("assist_tolerance", "side_tolerance"),
    ),
    EventKind.TORQUE_OFFSET: (
        "With the steering at rest (slower than 5 °/s, torque steady for 1 s) the whole interval "
        "of the torque reading lies beyond the limit.",
        ("torque_offset_nm",),
    ),
    EventKind.SIGNAL_LOSS: (
        "The signal stops, or sends its \u201cno value\u201d code, while the bus goes on.",
        (),
    ),
    EventKind.SIGNAL_STUCK: (
        "The signal repeats one value while other channels say that it must move.",
        ("stuck_s",),
    ),
    EventKind.SIGNAL_JUMP: (
        "A step within 0.1 s that no machine can make.",
        ("jump_kph", "jump_rpm", "jump_c"),
    ),
    EventKind.MODULE_RESTART: (
        "All messages of the module are silent for 0.2 s and 5 periods or more while the bus "
        "goes on, and come back.",
        (),
    ),
    EventKind.BUS_DISTURBANCE: (
        "Three error frames or more, less than 1 s apart, or one of several buses silent for "
        "1 s or more.",
        (),
    ),
    EventKind.LOG_GAP: ("No frame on any bus for 1 s or more.", ()),
    EventKind.TROUBLE_CODE: ("A code read from the bus, from first seen to last seen.", ()),
}


@dataclass(frozen=True, slots=True)
class LimitLine:
    """One limit as it was used."""

    name: str
    words: str
    value: str
    default: str
    origin: str
    source: str
    changed: bool
    given: bool


@dataclass(frozen=True, slots=True)
class Rulebook:
    """Tells which rule and which limits stand behind an event."""

    profile: Profile
    measures: Measures
    mask: Mask = str

    def rule(self, event: Event) -> str:
        """Return the rule of an event's kind in words."""
        return self.measures.sentence(_RULES[event.kind][0])

    def limits_of(self, event: Event) -> tuple[LimitLine, ...]:
        """Return the limits that an event's kind is judged by."""
        names = _RULES[event.kind][1]
        if event.kind is EventKind.DERATE and event.cause == "temperature":
            names = names[:4]
        elif event.kind is EventKind.DERATE and event.cause == "voltage":
            names = (*names[:2], *names[4:])
        return tuple(self.limit(name) for name in names)

    def limit(self, name: str) -> LimitLine:
        """Return one limit: what it was, what it would have been, where it came from."""
        fact, value = limit_facts()[name], getattr(self.profile.limits, name)
        given = self.profile.gives(name)
        learned = self.profile.learned_used.get(f"limits.{name}")
        origin = (short(self.mask(self.profile.file_name)) or "profile") if given else "assumed"
        if learned is not None:
            origin = f"{origin}, {learned.source}"
        return LimitLine(
            name=name,
            words=_LIMIT_WORDS.get(name, words_of(name)),
            value="none" if math.isnan(value) else self.measures.text(value, fact.unit),
            default=self.measures.text(fact.value, fact.unit),
            origin=origin,
            source="set by the profile" if given else fact.source.replace("degC", "°C"),
            changed=value != fact.value,
            given=given,
        )

    def all(self) -> tuple[LimitLine, ...]:
        """Return every limit, in the order of the profile."""
        return tuple(self.limit(name) for name in limit_facts())


_LIMIT_WORDS: Final = {
    "derate_start_c": "assist starts to fall at",
    "derate_zero_c": "no assist left at",
    "derate_start_v": "assist starts to fall below",
    "derate_zero_v": "no assist left at",
    "undervoltage_v": "undervoltage below",
    "cranking_v": "while the starter turns, below",
    "charging_v": "charging above",
    "charging_rpm": "judged with the engine above",
    "overvoltage_v": "overvoltage above",
    "full_assist_pct": "reduced below",
    "recovered_pct": "recovered from",
    "max_circuit_ohm": "supply path, at most",
    "torque_offset_nm": "torque at rest, at most",
    "assist_tolerance": "assist off its map, at most",
    "side_tolerance": "left against right, at most",
    "stuck_s": "one value repeated for",
    "jump_kph": "step of road speed",
    "jump_rpm": "step of engine speed",
    "jump_c": "step of temperature",
    "slow_kph": "slow steering is below",
    "cruise_kph": "cruising is above",
    "effort_nm": "effort in slow steering, at most",
}

"""What a signal must be called to serve a channel: one rule a channel, as an open table.

Points are common practice, no source: a full word of the right quantity counts 2, the
thing it is measured of up to 4, the right unit 2; `TAKE` of them are enough to be taken
when nothing comes close. A person can add up the reasons that `canassist channels` shows.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Final

FULL_POINTS: Final = 10.0
"""Points that make a score of 1."""

QUANTITY_WORD: Final = 2.0
QUANTITY_LETTER: Final = 1.2
QUANTITY_AROUND: Final = 0.8
UNIT_RIGHT: Final = 2.0
UNIT_HALF: Final = 1.0
RANGE_RIGHT: Final = 0.5
RANGE_WRONG: Final = -2.0
SENDER_RIGHT: Final = 1.0
OTHER_QUANTITY: Final = -2.5
STRANGE_WORD: Final = -0.8
AROUND: Final = 0.6
"""Share of a word's points when it stands in the message's name, sender or comment."""

_Words = Mapping[str, float]
_NOTHING: Final[_Words] = MappingProxyType({})


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """How the words of a signal speak for one channel.

    Attributes
    ----------
    quantities : mapping of concept to points
        What it measures; none of them and no unit means no candidate.
    subjects : mapping of concept to points
        What it is measured of.
    most : float
        Points that all subjects together are worth at most.
    needs : tuple of frozenset
        Of each, one concept must appear in the name, message, sender or comment.
    bans : frozenset
        Concepts that rule a signal out by its name.
    against : mapping of concept to points
        Concepts that speak against it, less in the message's name.
    senders : frozenset
        Concepts of a sender that suits.
    reach, ceiling : float
        The range must reach at least to, and not beyond, in the channel's unit.
    signed : bool
        Whether it must be able to go below zero.
    text : bool
        A state with few values instead of a measurement.
    """

    quantities: _Words
    subjects: _Words
    most: float = 4.5
    needs: tuple[frozenset[str], ...] = ()
    bans: frozenset[str] = frozenset()
    against: _Words = field(default_factory=lambda: _NOTHING)
    senders: frozenset[str] = frozenset()
    reach: float = 0.0
    ceiling: float = float("inf")
    signed: bool = False
    text: bool = False


def _set(words: str) -> frozenset[str]:
    return frozenset(words.split())


_NEVER: Final = _set("target extreme counter checksum rate test time other")
_CORNERS: Final = _set("front_left front_right rear_left rear_right")
_STEERED: Final = _set("steering assist")

_SPEED: Final = Rule(
    quantities={"speed": QUANTITY_WORD},
    subjects={"vehicle": 3.0, "chassis": 1.5},
    bans=_NEVER
    | _CORNERS
    | _set(
        "fan pump turbo wiper tyre lead cruise trailer steering lateral limit offset flag crane average "
        "road alternator torque temperature angle"
    ),
    against={
        "display": -1.5,
        "gps": -2.0,
        "wheel": -1.0,
        "motor": -2.0,
        "transmission": -0.5,
        "predicted": -0.5,
        "sensor": -0.3,
        "cruise": -2.0,
        "lead": -2.5,
        "target": -2.0,
        "trailer": -2.0,
        "park": -2.0,
        "lane": -1.0,
        "limit": -1.5,
        "auxiliary": -1.0,
    },
    senders=_set("brake vehicle engine transmission chassis"),
    reach=40.0,
    ceiling=700.0,
)

_ENGINE: Final = Rule(
    quantities={"revs": QUANTITY_WORD, "speed": 1.5},
    subjects={"engine": 3.0, "motor": 2.5},
    most=3.5,
    needs=(_set("engine motor"),),
    bans=_NEVER
    | _CORNERS
    | _set(
        "transmission fan pump turbo wheel wiper steering assist alternator limit flag offset "
        "vehicle lead cruise torque temperature average"
    ),
    against={
        "steering": -4.0,
        "display": -1.0,
        "traction": -2.5,
        "transmission": -2.5,
        "pump": -2.0,
        "predicted": -0.5,
        "auxiliary": -1.0,
    },
    senders=_set("engine"),
    reach=3000.0,
    ceiling=70_000.0,
)

_NOT_THIS_SUPPLY: Final = _set(
    "traction trailer lamp solar cell pedal offset flag heater fuel tyre cabin wiper fan pump turbo "
    "winding limit oil exhaust intake gps lead torque temperature"
)

_SUPPLY: Final = Rule(
    quantities={"voltage": QUANTITY_WORD},
    subjects={"steering": 3.0, "supply": 1.5, "module": 1.0, "assist": 1.0, "actual": 0.2},
    needs=(_set("steering supply module"),),
    bans=_NEVER | _NOT_THIS_SUPPLY | _set("motor"),
    against={
        "sensor": -2.5,
        "alternator": -2.0,
        "auxiliary": -1.0,
        "open": -2.0,
        "predicted": -2.0,
        "battery": -0.5,
        "system": -1.0,
        "engine": -2.0,
        "transmission": -2.5,
        "brake": -2.5,
        "trailer": -4.0,
        "lamp": -3.0,
        "cabin": -3.0,
    },
    senders=_set("steering"),
    reach=14.0,
    ceiling=100.0,
)

_SYSTEM: Final = Rule(
    quantities={"voltage": QUANTITY_WORD},
    subjects={"battery": 3.0, "system": 2.5, "supply": 1.0, "alternator": 1.0, "vehicle": 1.0},
    most=4.0,
    needs=(_set("battery system supply alternator vehicle engine"),),
    bans=_NEVER | _NOT_THIS_SUPPLY | _set("steering assist motor"),
    against={
        "steering": -4.0,
        "sensor": -2.0,
        "auxiliary": -2.0,
        "open": -2.5,
        "predicted": -3.0,
        "alternator": -0.5,
        "trailer": -4.0,
        "traction": -4.0,
        "lamp": -3.0,
        "brake": -1.0,
        "transmission": -1.0,
        "cabin": -2.0,
    },
    senders=_set("battery system engine"),
    reach=14.0,
    ceiling=100.0,
)

_WARMTH_OF_OTHERS: Final = _set(
    "oil fuel intake exhaust cabin tyre transmission brake traction battery flag offset limit"
)

_MODULE_TEMPERATURE: Final = Rule(
    quantities={"temperature": QUANTITY_WORD},
    subjects={
        "module": 2.0,
        "powerstage": 2.0,
        "steering": 2.0,
        "assist": 1.0,
        "motor": 1.0,
        "winding": 0.3,
    },
    needs=(_STEERED,),
    bans=_NEVER | _WARMTH_OF_OTHERS | _set("coolant ambient engine"),
    against={
        "winding": -1.0,
        "predicted": -0.7,
        "engine": -2.0,
        "brake": -2.0,
        "sensor": -0.3,
        "auxiliary": -1.0,
    },
    senders=_set("steering"),
    reach=80.0,
    ceiling=1000.0,
)

_AMBIENT: Final = Rule(
    quantities={"temperature": QUANTITY_WORD},
    subjects={"ambient": 3.5, "air": 0.5},
    most=4.0,
    needs=(_set("ambient"),),
    bans=_NEVER | _WARMTH_OF_OTHERS | _set("coolant steering module powerstage"),
    against={"predicted": -1.5, "display": -0.5, "sensor": -0.3, "steering": -2.0, "lamp": -1.0},
    senders=_set("display cabin system vehicle"),
    reach=30.0,
    ceiling=1000.0,
)

_COOLANT: Final = Rule(
    quantities={"temperature": QUANTITY_WORD},
    subjects={"coolant": 3.5, "engine": 1.5, "motor": 1.0},
    most=4.0,
    needs=(_set("coolant engine motor"),),
    bans=_NEVER
    | _WARMTH_OF_OTHERS
    | _set("ambient steering air powerstage winding assist turbo column"),
    against={
        "steering": -4.0,
        "traction": -3.0,
        "battery": -2.5,
        "display": -0.5,
        "auxiliary": -1.0,
        "transmission": -1.0,
        "predicted": -0.5,
        "module": -1.5,
        "turbo": -2.0,
    },
    senders=_set("engine"),
    reach=80.0,
    ceiling=1000.0,
)

_LIMIT: Final = Rule(
    quantities={"limit": 2.0, "available": 2.0, "reduction": 2.0, "factor": 1.2},
    subjects={"assist": 3.0, "steering": 1.5, "torque": 0.5, "power": 0.5, "module": 0.5},
    most=4.0,
    needs=(_STEERED,),
    bans=_set(
        "target counter checksum rate test time other lane park brake cruise pedal trailer mode angle "
        "speed offset lead lamp voltage temperature engine display extreme"
    ),
    against={
        "driver": -2.0,
        "flag": -1.5,
        "status": -2.0,
        "current": -1.5,
        "sensor": -1.0,
        "lane": -3.0,
        "park": -3.0,
        "brake": -3.0,
        "trailer": -3.0,
        "engine": -3.0,
        "target": -1.5,
    },
    senders=_set("steering"),
    reach=90.0,
    ceiling=260.0,
)

_NOT_THIS_TORQUE: Final = _set(
    "brake engine transmission lane park limit available reduction offset flag overlay trailer "
    "alternator cruise pedal fan pump turbo traction temperature partial"
)

_ASSIST: Final = Rule(
    quantities={"torque": QUANTITY_WORD},
    subjects={"assist": 3.0, "motor": 1.5, "steering": 1.5, "delivered": 1.0},
    needs=(_STEERED,),
    bans=_NEVER | _NOT_THIS_TORQUE | _set("driver handwheel"),
    against={
        "sensor": -1.5,
        "column": -2.0,
        "wheel": -1.0,
        "predicted": -0.3,
        "lane": -2.0,
        "park": -2.0,
        "brake": -3.0,
        "engine": -3.0,
        "target": -1.5,
        "auxiliary": -1.0,
    },
    senders=_set("steering"),
    reach=5.0,
    ceiling=500.0,
    signed=True,
)

_DRIVER: Final = Rule(
    quantities={"torque": QUANTITY_WORD},
    subjects={
        "driver": 2.5,
        "column": 2.0,
        "handwheel": 2.0,
        "steering": 1.5,
        "sensor": 0.7,
        "wheel": 0.5,
    },
    most=4.0,
    needs=(_set("steering handwheel"),),
    bans=_NEVER | _NOT_THIS_TORQUE,
    against={
        "assist": -3.5,
        "motor": -3.5,
        "delivered": -2.5,
        "lane": -2.0,
        "park": -2.0,
        "brake": -3.0,
        "engine": -3.0,
        "target": -1.5,
        "auxiliary": -1.0,
        "predicted": -0.3,
    },
    senders=_set("steering"),
    reach=3.0,
    ceiling=200.0,
    signed=True,
)

_MOTOR_CURRENT: Final = Rule(
    quantities={"current": QUANTITY_WORD},
    subjects={"motor": 3.0, "assist": 1.5, "steering": 1.5, "winding": 0.5, "actual": 0.2},
    most=4.0,
    needs=(_STEERED,),
    bans=_NEVER | _set("battery supply limit alternator offset flag lamp trailer brake engine fan"),
    against={
        "sensor": -0.5,
        "module": -1.0,
        "system": -1.0,
        "engine": -2.5,
        "brake": -2.5,
        "traction": -3.0,
        "lamp": -2.0,
        "target": -1.5,
        "reduction": -2.0,
    },
    senders=_set("steering"),
    reach=15.0,
    ceiling=1000.0,
)

_MODULE_CURRENT: Final = Rule(
    quantities={"current": QUANTITY_WORD},
    subjects={"supply": 2.0, "module": 2.0, "battery": 1.5, "steering": 1.5, "system": 0.5},
    most=4.0,
    needs=(_STEERED,),
    bans=_NEVER
    | _set("motor winding limit alternator offset flag lamp trailer brake engine fan traction"),
    against={
        "sensor": -1.0,
        "assist": -0.5,
        "engine": -2.5,
        "brake": -2.5,
        "lamp": -2.0,
        "target": -1.5,
        "reduction": -2.0,
    },
    senders=_set("steering"),
    reach=15.0,
    ceiling=1000.0,
)

_SYSTEM_CURRENT: Final = Rule(
    quantities={"current": QUANTITY_WORD},
    subjects={"battery": 3.0, "system": 2.0},
    most=4.0,
    needs=(_set("battery system"),),
    bans=_NEVER
    | _set("steering assist motor winding limit alternator offset flag lamp trailer brake engine")
    | _set("fan traction cell heater cabin pump reduction solar"),
    against={
        "steering": -4.0,
        "alternator": -0.5,
        "auxiliary": -2.0,
        "traction": -4.0,
        "predicted": -1.5,
        "engine": -0.5,
        "brake": -2.0,
    },
    senders=_set("battery system"),
    reach=20.0,
    ceiling=5000.0,
    signed=True,
)

_STEERING_ANGLE: Final = Rule(
    quantities={"angle": QUANTITY_WORD},
    subjects={"steering": 3.0, "handwheel": 1.0, "column": 0.5, "actual": 0.2},
    most=4.0,
    needs=(_set("steering handwheel"),),
    bans=_NEVER | _set("speed torque temperature trailer flag offset lane lead lamp display pedal")
    | _set("road rear motor"),
    against={
        "park": -1.5,
        "lead": -0.8,
        "auxiliary": -1.0,
        "sensor": -0.3,
        "target": -1.5,
        "predicted": -0.1,
        "trailer": -2.0,
        "lane": -1.5,
        "gps": -2.0,
        "brake": -0.5,
    },
    senders=_set("steering"),
    reach=30.0,
    ceiling=10_000.0,
    signed=True,
)

_MODE: Final = Rule(
    quantities={"mode": QUANTITY_WORD, "factor": 1.2},
    subjects={"assist": 2.5, "steering": 2.0, "driver": 0.5, "module": 0.2},
    most=3.5,
    needs=(_STEERED,),
    bans=_NEVER
    | _set("flag lane park brake lamp torque current voltage temperature angle trailer cruise")
    | _set("limit available reduction sensor engine transmission"),
    against={
        "status": -1.0,
        "module": -0.8,
        "lane": -2.0,
        "park": -2.0,
        "brake": -2.0,
        "engine": -1.5,
        "target": -1.5,
    },
    senders=_set("steering display system"),
    text=True,
)

_STATUS: Final = Rule(
    quantities={"status": QUANTITY_WORD, "mode": 0.8},
    subjects={"steering": 2.5, "module": 1.5, "assist": 1.0},
    most=4.0,
    needs=(_STEERED,),
    bans=_NEVER
    | _set("lane park lamp torque current voltage temperature angle speed trailer cruise display")
    | _set("brake pedal engine transmission column lead overlay"),
    against={
        "mode": -2.0,
        "sensor": -1.5,
        "flag": -1.5,
        "offset": -2.0,
        "driver": -1.5,
        "lane": -2.0,
        "park": -2.0,
        "brake": -2.0,
        "trailer": -2.0,
        "engine": -2.0,
        "angle": -1.5,
        "handwheel": -1.5,
        "target": -1.5,
        "limit": -1.0,
    },
    senders=_set("steering"),
    text=True,
)

_WHEEL: Final = Rule(
    quantities={"speed": QUANTITY_WORD, "revs": 0.5},
    subjects={"wheel": 2.5, "actual": 0.2},
    most=2.5,
    bans=_NEVER | _set("flag torque status direction trailer steering offset angle pressure lead"),
    against={"predicted": -0.5, "gps": -2.0, "sensor": -0.2, "auxiliary": -0.5},
    senders=_set("brake wheel chassis"),
    reach=40.0,
    ceiling=700.0,
)

RULES: Final[Mapping[str, Rule]] = MappingProxyType(
    {
        "vehicle_speed": _SPEED,
        "engine_speed": _ENGINE,
        "supply_voltage": _SUPPLY,
        "system_voltage": _SYSTEM,
        "module_temperature": _MODULE_TEMPERATURE,
        "assist_limit": _LIMIT,
        "assist_torque": _ASSIST,
        "motor_current": _MOTOR_CURRENT,
        "module_current": _MODULE_CURRENT,
        "driver_torque": _DRIVER,
        "steering_angle": _STEERING_ANGLE,
        "assist_mode": _MODE,
        "module_status": _STATUS,
        "system_current": _SYSTEM_CURRENT,
        "ambient_temperature": _AMBIENT,
        "coolant_temperature": _COOLANT,
        "wheel_speed_fl": _WHEEL,
        "wheel_speed_fr": _WHEEL,
        "wheel_speed_rl": _WHEEL,
        "wheel_speed_rr": _WHEEL,
    }
)
"""The rule of every channel."""

WHEEL_CORNER: Final[Mapping[str, tuple[str, frozenset[str]]]] = MappingProxyType(
    {
        "wheel_speed_fl": ("front_left", _set("front left")),
        "wheel_speed_fr": ("front_right", _set("front right")),
        "wheel_speed_rl": ("rear_left", _set("rear left")),
        "wheel_speed_rr": ("rear_right", _set("rear right")),
    }
)
"""The concept, or the pair of concepts, that says which wheel it is."""

"""Rules of the electric channels and of temperatures."""

from __future__ import annotations

from typing import Final

from canassist.decode.matching.rules.rule import NEVER, QUANTITY_WORD, STEERED, Rule
from canassist.decode.matching.vocabulary import bag

_NOT_THIS_SUPPLY: Final = bag(
    "traction trailer lamp solar cell pedal offset flag heater fuel tyre cabin wiper fan pump "
    "turbo winding limit oil exhaust intake gps lead torque temperature"
)

SUPPLY_VOLTAGE: Final = Rule(
    quantities={"voltage": QUANTITY_WORD},
    subjects={"steering": 3.0, "supply": 1.5, "module": 1.0, "assist": 1.0, "actual": 0.2},
    needs=(bag("steering supply module"),),
    bans=NEVER | _NOT_THIS_SUPPLY | bag("motor"),
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
    senders=bag("steering"),
    reach=14.0,
    ceiling=100.0,
)

SYSTEM_VOLTAGE: Final = Rule(
    quantities={"voltage": QUANTITY_WORD},
    subjects={"battery": 3.0, "system": 2.5, "supply": 1.0, "alternator": 1.0, "vehicle": 1.0},
    most=4.0,
    needs=(bag("battery system supply alternator vehicle engine"),),
    bans=NEVER | _NOT_THIS_SUPPLY | bag("steering assist motor"),
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
    senders=bag("battery system engine"),
    reach=14.0,
    ceiling=100.0,
)

MOTOR_CURRENT: Final = Rule(
    quantities={"current": QUANTITY_WORD},
    subjects={"motor": 3.0, "assist": 1.5, "steering": 1.5, "winding": 0.5, "actual": 0.2},
    most=4.0,
    needs=(STEERED,),
    bans=NEVER | bag("battery supply limit alternator offset flag lamp trailer brake engine fan"),
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
    senders=bag("steering"),
    reach=15.0,
    ceiling=1000.0,
)

MODULE_CURRENT: Final = Rule(
    quantities={"current": QUANTITY_WORD},
    subjects={"supply": 2.0, "module": 2.0, "battery": 1.5, "steering": 1.5, "system": 0.5},
    most=4.0,
    needs=(STEERED,),
    bans=NEVER
    | bag("motor winding limit alternator offset flag lamp trailer brake engine fan traction"),
    against={
        "sensor": -1.0,
        "assist": -0.5,
        "engine": -2.5,
        "brake": -2.5,
        "lamp": -2.0,
        "target": -1.5,
        "reduction": -2.0,
    },
    senders=bag("steering"),
    reach=15.0,
    ceiling=1000.0,
)

SYSTEM_CURRENT: Final = Rule(
    quantities={"current": QUANTITY_WORD},
    subjects={"battery": 3.0, "system": 2.0},
    most=4.0,
    needs=(bag("battery system"),),
    bans=NEVER
    | bag("steering assist motor winding limit alternator offset flag lamp trailer brake engine")
    | bag("fan traction cell heater cabin pump reduction solar"),
    against={
        "steering": -4.0,
        "alternator": -0.5,
        "auxiliary": -2.0,
        "traction": -4.0,
        "predicted": -1.5,
        "engine": -0.5,
        "brake": -2.0,
    },
    senders=bag("battery system"),
    reach=20.0,
    ceiling=5000.0,
    signed=True,
)

_WARMTH_OF_OTHERS: Final = bag(
    "oil fuel intake exhaust cabin tyre transmission brake traction battery flag offset limit"
)

MODULE_TEMPERATURE: Final = Rule(
    quantities={"temperature": QUANTITY_WORD},
    subjects={
        "module": 2.0,
        "powerstage": 2.0,
        "steering": 2.0,
        "assist": 1.0,
        "motor": 1.0,
        "winding": 0.3,
    },
    needs=(STEERED,),
    bans=NEVER | _WARMTH_OF_OTHERS | bag("coolant ambient engine"),
    against={
        "winding": -1.0,
        "predicted": -0.7,
        "engine": -2.0,
        "brake": -2.0,
        "sensor": -0.3,
        "auxiliary": -1.0,
    },
    senders=bag("steering"),
    reach=80.0,
    ceiling=1000.0,
)

AMBIENT_TEMPERATURE: Final = Rule(
    quantities={"temperature": QUANTITY_WORD},
    subjects={"ambient": 3.5, "air": 0.5},
    most=4.0,
    needs=(bag("ambient"),),
    bans=NEVER | _WARMTH_OF_OTHERS | bag("coolant steering module powerstage"),
    against={"predicted": -1.5, "display": -0.5, "sensor": -0.3, "steering": -2.0, "lamp": -1.0},
    senders=bag("display cabin system vehicle"),
    reach=30.0,
    ceiling=1000.0,
)

COOLANT_TEMPERATURE: Final = Rule(
    quantities={"temperature": QUANTITY_WORD},
    subjects={"coolant": 3.5, "engine": 1.5, "motor": 1.0},
    most=4.0,
    needs=(bag("coolant engine motor"),),
    bans=NEVER
    | _WARMTH_OF_OTHERS
    | bag("ambient steering air powerstage winding assist turbo column"),
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
    senders=bag("engine"),
    reach=80.0,
    ceiling=1000.0,
)

"""Rules of the channels of motion: speeds of vehicle, wheels and engine."""

from __future__ import annotations

from typing import Final

from canassist.decode.matching.rules.rule import CORNERS, NEVER, QUANTITY_WORD, Rule
from canassist.decode.matching.vocabulary import bag

VEHICLE_SPEED: Final = Rule(
    quantities={"speed": QUANTITY_WORD},
    subjects={"vehicle": 3.0, "chassis": 1.5},
    bans=NEVER
    | CORNERS
    | bag(
        "fan pump turbo wiper tyre lead cruise trailer steering lateral limit offset flag crane "
        "average road alternator torque temperature angle"
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
    senders=bag("brake vehicle engine transmission chassis"),
    reach=40.0,
    ceiling=700.0,
)

ENGINE_SPEED: Final = Rule(
    quantities={"revs": QUANTITY_WORD, "speed": 1.5},
    subjects={"engine": 3.0, "motor": 2.5},
    most=3.5,
    needs=(bag("engine motor revs"),),
    bans=NEVER
    | CORNERS
    | bag(
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
    senders=bag("engine"),
    reach=3000.0,
    ceiling=70_000.0,
)

WHEEL_SPEED: Final = Rule(
    quantities={"speed": QUANTITY_WORD, "revs": 0.5},
    subjects={"wheel": 2.5, "actual": 0.2},
    most=2.5,
    bans=NEVER | bag("flag torque status direction trailer steering offset angle pressure lead"),
    against={"predicted": -0.5, "gps": -2.0, "sensor": -0.2, "auxiliary": -0.5},
    senders=bag("brake wheel chassis"),
    reach=40.0,
    ceiling=700.0,
)

"""Rules of what the steering does: assist, torques, angle, mode and status."""

from __future__ import annotations

from typing import Final

from canassist.decode.matching.rules.rule import NEVER, QUANTITY_WORD, STEERED, Rule
from canassist.decode.matching.vocabulary import bag

ASSIST_LIMIT: Final = Rule(
    quantities={"limit": 2.0, "available": 2.0, "reduction": 2.0, "factor": 1.2},
    subjects={"assist": 3.0, "steering": 1.5, "torque": 0.5, "power": 0.5, "module": 0.5},
    most=4.0,
    needs=(STEERED,),
    bans=bag(
        "target counter checksum rate test time other lane park brake cruise pedal trailer mode "
        "angle speed offset lead lamp voltage temperature engine display extreme"
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
    senders=bag("steering"),
    reach=90.0,
    ceiling=260.0,
)

_NOT_THIS_TORQUE: Final = bag(
    "brake engine transmission lane park limit available reduction offset flag overlay trailer "
    "alternator cruise pedal fan pump turbo traction temperature partial"
)

ASSIST_TORQUE: Final = Rule(
    quantities={"torque": QUANTITY_WORD},
    subjects={"assist": 3.0, "motor": 1.5, "steering": 1.5, "delivered": 1.0},
    needs=(STEERED,),
    bans=NEVER | _NOT_THIS_TORQUE | bag("driver handwheel"),
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
    senders=bag("steering"),
    reach=5.0,
    ceiling=500.0,
    signed=True,
)

DRIVER_TORQUE: Final = Rule(
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
    needs=(bag("steering handwheel"),),
    bans=NEVER | _NOT_THIS_TORQUE,
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
    senders=bag("steering"),
    reach=3.0,
    ceiling=200.0,
    signed=True,
)

STEERING_ANGLE: Final = Rule(
    quantities={"angle": QUANTITY_WORD},
    subjects={"steering": 3.0, "handwheel": 1.0, "column": 0.5, "actual": 0.2},
    most=4.0,
    needs=(bag("steering handwheel"),),
    bans=(NEVER - bag("calibrated"))  # a sensor that knows its middle
    | bag("speed torque temperature trailer flag offset lane lamp display pedal")
    | bag("road rear motor"),
    against={
        "vehicle": -2.5,
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
        "startup": -0.5,
    },
    senders=bag("steering"),
    reach=30.0,
    ceiling=10_000.0,
    signed=True,
)

ASSIST_MODE: Final = Rule(
    quantities={"mode": QUANTITY_WORD, "factor": 1.2},
    subjects={"assist": 2.5, "steering": 2.0, "driver": 0.5, "module": 0.2},
    most=3.5,
    needs=(STEERED,),
    bans=NEVER
    | bag("flag lane park brake lamp torque current voltage temperature angle trailer cruise")
    | bag("limit available reduction sensor engine transmission"),
    against={
        "status": -1.0,
        "module": -0.8,
        "lane": -2.0,
        "park": -2.0,
        "brake": -2.0,
        "engine": -1.5,
        "target": -1.5,
    },
    senders=bag("steering display system"),
    text=True,
)

MODULE_STATUS: Final = Rule(
    quantities={"status": QUANTITY_WORD, "mode": 0.8},
    subjects={"steering": 2.5, "module": 1.5, "assist": 1.0},
    most=4.0,
    needs=(STEERED,),
    bans=NEVER
    | bag("lane park lamp torque current voltage temperature angle speed trailer cruise display")
    | bag("brake pedal engine transmission column lead overlay"),
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
    senders=bag("steering"),
    text=True,
)

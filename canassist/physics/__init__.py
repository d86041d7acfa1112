"""Estimates that detection and conclusions both need: supply, heat, assist, engine."""

from canassist.model import Physics
from canassist.physics.assist_law import (
    EVERY_MODE,
    SLOWEST_S,
    AssistSamples,
    assist_samples,
    available_share,
    map_gain,
)
from canassist.physics.engine import (
    STARTED_RPM,
    StarterTurn,
    engine_stands,
    starter_turns,
    within,
)
from canassist.physics.life_of_ride import (
    ROLLING_KPH,
    LifeOfRide,
    last_of,
    life_of_ride,
    rolling,
    signs_of_life_s,
)
from canassist.physics.limits import (
    FULL_PCT,
    NOMINAL_V,
    curve_pct,
    fading,
    follow,
    has_engine,
    limit_lines,
    nominal_share,
    supply_limits_hold,
    supply_line_pct,
    temperature_line_pct,
)
from canassist.physics.module_carriers import (
    ModuleSilence,
    module_carriers,
)
from canassist.physics.study import study
from canassist.physics.thermal import mean_response

__all__ = [
    "EVERY_MODE",
    "FULL_PCT",
    "NOMINAL_V",
    "ROLLING_KPH",
    "SLOWEST_S",
    "STARTED_RPM",
    "AssistSamples",
    "LifeOfRide",
    "ModuleSilence",
    "Physics",
    "StarterTurn",
    "assist_samples",
    "available_share",
    "curve_pct",
    "engine_stands",
    "fading",
    "follow",
    "has_engine",
    "last_of",
    "life_of_ride",
    "limit_lines",
    "map_gain",
    "mean_response",
    "module_carriers",
    "nominal_share",
    "rolling",
    "signs_of_life_s",
    "starter_turns",
    "study",
    "supply_limits_hold",
    "supply_line_pct",
    "temperature_line_pct",
    "within",
]

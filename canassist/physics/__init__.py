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
from canassist.physics.limits import (
    FULL_PCT,
    NOMINAL_V,
    fading,
    follow,
    limit_lines,
    supply_limits_hold,
    supply_line_pct,
    temperature_line_pct,
)
from canassist.physics.study import study
from canassist.physics.thermal import mean_response

__all__ = [
    "EVERY_MODE",
    "FULL_PCT",
    "NOMINAL_V",
    "SLOWEST_S",
    "STARTED_RPM",
    "AssistSamples",
    "Physics",
    "StarterTurn",
    "assist_samples",
    "available_share",
    "engine_stands",
    "fading",
    "follow",
    "limit_lines",
    "map_gain",
    "mean_response",
    "starter_turns",
    "study",
    "supply_limits_hold",
    "supply_line_pct",
    "temperature_line_pct",
    "within",
]

"""Heat of the steering module: two nodes in a row, stepped exactly."""

from __future__ import annotations

import math
from typing import NamedTuple

from canassist.demo.plant.vehicle import HeatPath


class StepMatrix(NamedTuple):
    """One step of the two-node network: rises over the surroundings, and watts, to rises."""

    stage_stage: float
    stage_housing: float
    housing_stage: float
    housing_housing: float
    stage_watt: float
    housing_watt: float


def first_order_step(now_c: float, settled_c: float, *, tau_s: float, step_s: float) -> float:
    """Return the temperature of one node a step later, exactly.

    The solution of ``dT/dt = (settled - T) / tau``, where ``settled`` is the ambient
    temperature plus power times thermal resistance.
    """
    return settled_c + (now_c - settled_c) * math.exp(-step_s / tau_s)


def time_constants(heat: HeatPath) -> tuple[float, float]:
    """Return the slow and the fast time constant of the two-node network, in seconds."""
    a, b, c, d = _rates(heat)
    mean, spread = (a + d) / 2.0, math.sqrt(((a - d) / 2.0) ** 2 + b * c)
    return -1.0 / (mean + spread), -1.0 / (mean - spread)


def exact_step(heat: HeatPath, step_s: float) -> StepMatrix:
    """Return the step of the network for constant power over the step.

    Matrix exponential of a 2 x 2 matrix by its two real eigenvalues (Sylvester).
    """
    a, b, c, d = _rates(heat)
    slow, fast = (-1.0 / tau for tau in time_constants(heat))
    grow_slow, grow_fast = math.exp(slow * step_s), math.exp(fast * step_s)
    first = (grow_slow - grow_fast) / (slow - fast)
    rest = (slow * grow_fast - fast * grow_slow) / (slow - fast)
    e11, e12 = first * a + rest, first * b
    e21, e22 = first * c, first * d + rest
    # Settled rises for one watt, and what of them one step reaches.
    settled_stage, settled_housing = heat.stage_k_per_w + heat.housing_k_per_w, heat.housing_k_per_w
    watt_stage = settled_stage - e11 * settled_stage - e12 * settled_housing
    watt_housing = settled_housing - e21 * settled_stage - e22 * settled_housing
    return StepMatrix(e11, e12, e21, e22, watt_stage, watt_housing)


def _rates(heat: HeatPath) -> tuple[float, float, float, float]:
    inner = 1.0 / heat.stage_k_per_w
    outer = 1.0 / heat.housing_k_per_w
    return (
        -inner / heat.stage_j_per_k,
        inner / heat.stage_j_per_k,
        inner / heat.housing_j_per_k,
        -(inner + outer) / heat.housing_j_per_k,
    )

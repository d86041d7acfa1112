"""The truth about a simulated ride, by the same definitions that a report is held to.

Written from the noiseless channels alone and apart from the program's own detection, so
that the one can be held against the other.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from canassist.demo.plant import faults
from canassist.demo.plant.course import Course
from canassist.demo.plant.module_heat import time_constants
from canassist.demo.plant.plant import Run
from canassist.demo.plant.scenario import Scenario
from canassist.demo.plant.trouble import Trouble
from canassist.demo.truth import true_assist, true_signals, true_supply
from canassist.demo.truth.observe import Graded, Scene, TrueEvent
from canassist.model import Code, FloatArray

__all__ = ["TrueEvent", "Truth", "find_truth"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """What really happened in a ride.

    Attributes
    ----------
    events : tuple of TrueEvent
        In time order. Each stands out of the sensors' noise.
    doubtful : tuple of TrueEvent
        So near a limit that noise decides whether a reader sees them: finding one is
        no mistake, and missing one is none.
    conclusion : Code
        Why the steering was heavy.
    also : tuple of Code
        Conclusions that are as right.
    parameters : mapping of name to float
        What was planted; the name ends in the unit.
    """

    events: tuple[TrueEvent, ...]
    conclusion: Code
    also: tuple[Code, ...] = ()
    doubtful: tuple[TrueEvent, ...] = ()
    parameters: Mapping[str, float] = field(default_factory=dict)


def find_truth(
    scenario: Scenario,
    course: Course,
    trouble: Trouble,
    run: Run,
    told: Mapping[str, FloatArray],
) -> Truth:
    """Say what really happened in a simulated ride."""
    scene = Scene(scenario=scenario, course=course, trouble=trouble, run=run, told=told)
    graded = [Graded(event, sure=True) for event in true_assist.derates(scene)]
    if scene.has("supply_voltage"):
        graded += true_supply.undervoltage(scene)
        graded += true_supply.overvoltage(scene)
    graded += true_supply.charging_low(scene)
    if scene.has("assist_torque", "driver_torque"):
        graded += [Graded(event, sure=True) for event in true_assist.deviations(scene)]
    if scene.has("driver_torque"):
        graded += [Graded(event, sure=True) for event in true_assist.torque_offsets(scene)]
    graded += [Graded(event, sure=True) for event in true_signals.signal_events(scene)]
    graded += [Graded(event, sure=True) for event in true_signals.presence_events(scene)]
    graded += [Graded(event, sure=False) for event in true_signals.released_jumps(scene)]
    graded.sort(key=lambda item: (item[0].start_s, item[0].kind, item[0].channel or ""))
    return Truth(
        events=tuple(event for event, sure in graded if sure),
        doubtful=tuple(event for event, sure in graded if not sure),
        conclusion=scenario.conclusion,
        also=scenario.also,
        parameters=_parameters(scene),
    )


def _parameters(scene: Scene) -> dict[str, float]:
    vehicle = scene.scenario.vehicle
    slow, fast = time_constants(vehicle.heat)
    found = {
        "path_ohm": float(scene.trouble.path_ohm[-1]),
        "battery_ohm": vehicle.battery.inner_ohm,
        "battery_charge": vehicle.battery.charge,
        "tau_s": slow,
        "tau_fast_s": fast,
        "gain_k_per_a2": vehicle.heat.gain_k_per_a2,
        "bay_c": vehicle.ambient_c + vehicle.bay_rise_k,
        "offset_nm": float(scene.trouble.offset_nm[-1]),
        "drift_nm_per_k": float(scene.trouble.drift_nm_per_k[-1]),
        "peak_module_current_a": float(np.max(scene.run.module_a)),
    }
    for fault in scene.scenario.faults:
        if isinstance(fault, faults.AssistFactor):
            found |= {"left_factor": fault.left, "right_factor": fault.right}
    return {name: round(value, 6) for name, value in found.items()}

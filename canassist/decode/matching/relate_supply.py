"""Voltages and currents held together: whose supply it is, and which way a current counts.

Thresholds are common practice, no source: they sort signals and decide no finding.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.decode.matching.reference_signals import Field, Track, compare, leader, runs
from canassist.decode.matching.relate_steering import LEAST_WORKING, WORKING
from canassist.decode.matching.value_shape import common_grid, likeness, on_grid

if TYPE_CHECKING:
    from canassist.decode.matching.contender import Contender
    from canassist.model import FloatArray

_AGREES: Final = 0.5
_LOADED_DIP_V: Final = 0.05


def relate_supplies(field: Field, anchors: Mapping[str, Track], effort: Track | None) -> None:
    """Expect the module's own supply below the battery's, the more so under load."""
    system = leader("system_voltage", field, anchors)
    if system is None or effort is None:
        return
    for one in field.get("supply_voltage", ()):
        if not runs(one) or one.name == system.name or one.shape.constant:
            continue
        grid = common_grid(system.time_s, one.time_s, effort.time_s)
        drop = on_grid(grid, system.time_s, system.value) - on_grid(grid, one.time_s, one.value)
        work = on_grid(grid, effort.time_s, effort.value)
        _judge_drop(one, drop, work)


def _judge_drop(one: Contender, drop: FloatArray, work: FloatArray) -> None:
    known = ~(np.isnan(drop) | np.isnan(work))
    if np.count_nonzero(known) < 2 * LEAST_WORKING:
        return
    drop, work = drop[known], work[known]
    hard = work >= WORKING * np.percentile(work, 99)
    if min(np.count_nonzero(hard), np.count_nonzero(~hard)) < LEAST_WORKING:
        return
    deeper = float(np.median(drop[hard]) - np.median(drop[~hard]))
    if deeper >= _LOADED_DIP_V:
        one.add(1.0, f"dips {deeper:.2f} V deeper than the battery's under steering load")
    elif deeper <= -_LOADED_DIP_V:
        one.add(-1.5, f"dips {-deeper:.2f} V less than the battery's under steering load")
        one.ask(
            "it dips less under steering load than the battery's voltage does: are they swapped"
        )


def relate_battery_current(field: Field, anchors: Mapping[str, Track]) -> None:
    """Voltage falls as a battery is discharged: that tells which way its current counts."""
    volts = leader("system_voltage", field, anchors) or leader("supply_voltage", field, anchors)
    for one in field.get("system_current", ()):
        if not runs(one):
            continue
        sign = 0.0
        if volts is not None and not one.shape.constant:
            known, own = compare(volts, one)
            sign = likeness(known, own).correlation
        if sign >= _AGREES:
            one.rescale(-1.0)
            one.add(0.5, "rises with the voltage, so it counts charging as positive: turned round")
        elif sign <= -_AGREES:
            one.add(0.5, "rises as the voltage falls: discharge is positive")
        else:
            one.ask(
                "nothing in this log shows whether it counts charging or discharging as positive"
            )

"""What really happened to the supply, from the noiseless channels."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np

from canassist.demo.plant import faults
from canassist.demo.plant.sensors import NOISE
from canassist.demo.plant.trouble import within
from canassist.demo.truth.observe import Graded, Scene, TrueEvent, TrueSpan, graded, spans
from canassist.model import BoolArray, EventKind, FloatArray

_BACK_V: Final = 0.2
_BACK_HOLDS_S: Final = 0.2
_CHARGING_S: Final = 30.0
_CHARGING_BACK_S: Final = 5.0
_HIGH_S: Final = 1.0
_STARTER_LEAD_S: Final = 0.5
_STARTED_RPM: Final = 500.0
_SPREADS: Final = 4.0
"""Noise reaches this many standard deviations in a ride."""


def undervoltage(scene: Scene) -> list[Graded]:
    """Return each undervoltage, and whether it stands out of the noise."""
    supply = scene.samples("supply_voltage")
    limit = supply_limit(scene, supply.time_s)

    def find(margin_v: float) -> list[TrueSpan]:
        below = supply.value < limit + margin_v
        back = supply.value >= limit + margin_v + _BACK_V
        return spans(supply.time_s, below, back, holds_s=_BACK_HOLDS_S)

    found = graded(EventKind.UNDERVOLTAGE, supply, find, _margin_v(scene))
    return [Graded(_with_cause(scene, event), sure) for event, sure in found]


def overvoltage(scene: Scene) -> list[Graded]:
    """Return each overvoltage, and whether it stands out of the noise."""
    supply = scene.samples("supply_voltage")
    limit_v = scene.limits.overvoltage_v

    def find(margin_v: float) -> list[TrueSpan]:
        above = supply.value > limit_v - margin_v
        back = supply.value <= limit_v - margin_v - _BACK_V
        return spans(supply.time_s, above, back, lasts_s=_HIGH_S, holds_s=_BACK_HOLDS_S)

    return graded(EventKind.OVERVOLTAGE, supply, find, _margin_v(scene))


def charging_low(scene: Scene) -> list[Graded]:
    """Return each time without charging, and whether it stands out of the noise."""
    if not scene.has("engine_speed", "supply_voltage"):
        return []
    supply = scene.samples("supply_voltage")
    fast = scene.as_of("engine_speed", supply.time_s) > scene.limits.charging_rpm

    def find(margin_v: float) -> list[TrueSpan]:
        level_v = scene.limits.charging_v + margin_v
        back = supply.value >= level_v + _BACK_V
        return spans(
            supply.time_s,
            fast & (supply.value < level_v),
            back,
            lasts_s=_CHARGING_S,
            holds_s=_CHARGING_BACK_S,
            ends_at_once=~fast,
        )

    return graded(EventKind.CHARGING_LOW, supply, find, _margin_v(scene))


def supply_limit(scene: Scene, times: FloatArray) -> FloatArray:
    """Return the undervoltage limit at each time: a lower one while the starter turns."""
    turning = starter_turns(scene, times)
    return np.where(turning, scene.limits.cranking_v, scene.limits.undervoltage_v)


def starter_turns(scene: Scene, times: FloatArray) -> BoolArray:
    """Tell where the starter turns: 0.5 s before engine speed leaves zero, until 500 rpm."""
    engine = scene.samples("engine_speed")
    turning = np.zeros(len(times), dtype=np.bool_)
    leaves = np.flatnonzero((engine.value[1:] > 0) & (engine.value[:-1] == 0)) + 1
    for row in leaves:
        after = np.flatnonzero(engine.value[row:] > _STARTED_RPM)
        until = engine.time_s[row + after[0]] if len(after) else np.inf
        turning |= (times >= engine.time_s[row] - _STARTER_LEAD_S) & (times < until)
    return turning


def _margin_v(scene: Scene) -> float:
    return _SPREADS * NOISE["supply_voltage"] * scene.scenario.recording.noise


def _with_cause(scene: Scene, event: TrueEvent) -> TrueEvent:
    if not scene.has("engine_speed"):
        return event
    causes = _causes(scene, event)
    return replace(event, cause=causes[0], also=tuple(causes[1:]))


def _causes(scene: Scene, event: TrueEvent) -> list[str]:
    """Return what the dip would not be there without, the nearest cause first.

    A broken supply and a turning starter speak for themselves, and so does a stopped
    engine. Then: would the supply be above its limit without the steering's current,
    without the other loads, with an alternator that delivers?
    """
    start = np.array([event.start_s])
    for fault in scene.scenario.faults:
        if isinstance(fault, faults.SupplyBreak) and _touches(fault, event):
            return ["supply_break"]
    if starter_turns(scene, start)[0]:
        return ["cranking"]
    if scene.as_of("engine_speed", start)[0] == 0:
        return ["engine_stopped"]
    row = _lowest_row(scene, event)
    limit = scene.limits.undervoltage_v
    found = []
    weak = [f for f in scene.scenario.faults if isinstance(f, faults.AlternatorShare)]
    if any(within(scene.course.time_s[[row]], fault)[0] for fault in weak):
        found.append("charging")
    if scene.run.idle_module_v[row] >= limit:
        found.append("steering_load")
    other_v = scene.trouble.other_load_a[row] * scene.scenario.vehicle.battery.inner_ohm
    if scene.run.module_v[row] + other_v >= limit and other_v > 0:
        found.append("other_load")
    return found or ["other_load"]


def _touches(fault: faults.Fault, event: TrueEvent) -> bool:
    return fault.from_s - 0.1 <= event.start_s <= fault.until_s + 0.5


def _lowest_row(scene: Scene, event: TrueEvent) -> int:
    end = scene.course.time_s[-1] if event.end_s is None else event.end_s
    rows = scene.rows(np.array([event.start_s, end]))
    part = scene.run.module_v[rows[0] : rows[1] + 1]
    return int(rows[0] + np.argmin(part))

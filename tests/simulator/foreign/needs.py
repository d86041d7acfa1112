"""What an answer needs of the log: channels, how fast they come, and which seconds."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.simulator.foreign.bus.database import BusDatabase
from tests.simulator.foreign.plans import RidePlan
from tests.simulator.foreign.vehicle.plant import PlantRecord
from tests.simulator.foreign.vehicle.riding import STEP_S, RideInputs

LIMIT = "assist_limit|module_status"
NEEDS: dict[str, tuple[tuple[str, float], ...]] = {
    "thermal_protection": ((LIMIT, 0.2), ("module_temperature", 1.0), ("supply_voltage", 0.5)),
    "duty_protection": ((LIMIT, 0.2), ("module_temperature", 1.0), ("supply_voltage", 0.2),
                        ("motor_current|module_current|assist_torque", 0.2)),
    "low_battery": ((LIMIT, 0.2), ("supply_voltage", 0.1), ("system_voltage", 0.5)),
    "charging_fault": (("supply_voltage", 0.5), ("engine_speed|vehicle_speed", 0.5)),
    "supply_resistance": (("supply_voltage", 0.1), ("module_current", 0.1),
                          ("system_voltage", 0.5)),
    "supply_break": (("assist_limit|assist_torque|driver_torque", 0.05),),
    "overvoltage_fault": ((LIMIT, 0.2), ("supply_voltage", 0.5)),
    "speed_signal_fault": ((LIMIT, 0.2), ("vehicle_speed|engine_speed", 0.2)),
    "torque_sensor_offset": (("driver_torque", 0.1), ("steering_angle", 0.1),
                             ("vehicle_speed", 0.2)),
    "assist_map_deviation": (("driver_torque", 0.1), ("assist_torque", 0.1),
                             ("vehicle_speed", 0.2), ("assist_limit", 0.2)),
    "module_suspect": ((LIMIT, 0.2), ("supply_voltage", 0.1), ("module_temperature", 1.0),
                       ("vehicle_speed", 0.2), ("motor_current|module_current", 0.2)),
    "bus_fault": ((LIMIT, 0.2),),
    "no_fault_found": ((LIMIT, 0.2), ("supply_voltage", 0.2), ("module_temperature", 1.0),
                       ("vehicle_speed", 0.2), ("driver_torque", 0.1)),
}  # fmt: skip
NEVER_STRONG = frozenset({"duty_protection", "mechanical_load"})
"""Held at moderate by the contract, duty unless the profile names the rule."""
MEASURED = frozenset({"supply_break", "bus_fault", "thermal_protection", "no_fault_found"})
"""Answers that rest on no limit that only a profile gives."""
SLOW_NEEDED_S, CRUISE_NEEDED_S = 30.0, 45.0
BREAKS_FOR_STRONG = 2


@dataclass(slots=True, kw_only=True)
class LogContents:
    """What the log of one ride carries, as the writer of the log knows it."""

    plan: RidePlan
    inputs: RideInputs
    record: PlantRecord
    database: BusDatabase
    window: tuple[float, float]
    profile: bool
    readable: bool

    def _period(self, channel: str) -> float:
        found = self.database.signal(channel)
        if found is None:
            return float("inf")
        recording = self.plan.recording
        period = found[0].period_s
        if channel == "supply_voltage" and recording.supply_period_s:
            period = recording.supply_period_s
        return max(period / recording.keep_share, recording.bundle_s)

    def lacking(self, code: str) -> list[str]:
        """Return which channels an answer of this code lacks."""
        if not self.readable:
            return ["names"]
        lacking = []
        needs = NEEDS.get(code, ())
        if code == "module_suspect" and self.plan.internal_code:
            needs = needs[:1]  # the module says it itself
        for names, slowest_s in needs:
            if min(self._period(name) for name in names.split("|")) > slowest_s:
                lacking.append(names)
        return lacking

    def _inside(self, start_s: float, end_s: float) -> bool:
        if start_s < self.window[0] or end_s > self.window[1]:
            return False
        holes = self.plan.recording.holes
        return all(end_s <= start or start_s >= end for start, end in holes)

    def sees_onset(self, onsets: list[float]) -> bool:
        """Whether the log holds the seconds around at least one onset."""
        return self.count_inside(onsets) > 0

    def count_inside(self, onsets: list[float]) -> int:
        """Return how many of these moments the log holds, two seconds before and after."""
        return sum(self._inside(at - 2.0, at + 2.0) for at in onsets)

    def ridden(self) -> list[str]:
        """Return which conditions were not ridden long enough to say that all is well."""
        first, last = (round(edge / STEP_S) for edge in self.window)
        kph = self.inputs.kph[first:last]
        work = np.abs(self.record.driver_nm[first:last]) > 2.0
        lacking = []
        if float((work & (kph < 15.0)).sum()) * STEP_S < SLOW_NEEDED_S:
            lacking.append("slow steering")
        if float((kph > 30.0).sum()) * STEP_S < CRUISE_NEEDED_S:
            lacking.append("cruising")
        return lacking


def what_the_log_tells(
    contents: LogContents, code: str, onsets: list[float], *, clear: bool
) -> tuple[bool, bool, list[str]]:
    """Return whether the log tells this answer, whether strongly, and what it lacks."""
    lacking = contents.lacking(code)
    if code == "no_fault_found":
        lacking += contents.ridden()
    elif onsets and not contents.sees_onset(onsets):
        lacking.append("onset")
    plan = contents.plan
    if plan.uncertain:
        return False, False, [*lacking, "a cause that the bus cannot show"]
    if not clear and onsets:
        return False, False, [*lacking, "a clear loss"]
    tells = not lacking
    duty_known = contents.profile and "duty_rule" in plan.law.told
    strong = tells and (code not in NEVER_STRONG or (code == "duty_protection" and duty_known))
    strong = strong and (contents.profile or code in MEASURED)
    if code == "supply_break":
        strong = strong and contents.count_inside(onsets) >= BREAKS_FOR_STRONG
    if code == "module_suspect":
        strong = strong and plan.internal_code and plan.recording.stored_codes != "module_uds"
    return tells, strong, lacking

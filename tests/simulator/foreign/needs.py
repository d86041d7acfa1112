"""What an answer needs of the log: channels, how fast they come, and which seconds.

Where the contract says that something cannot be told without the profile (a status word's
meaning, a map, volts of a supply that is not a 12 V one), the profile is a need like a channel.
"""

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
    "charging_fault": (("supply_voltage", 0.5),),
    "supply_resistance": (("supply_voltage", 0.1), ("module_current", 0.1),
                          ("system_voltage", 0.5)),
    "supply_break": (("assist_limit|assist_torque|driver_torque", 0.05),),
    "overvoltage_fault": ((LIMIT, 0.2), ("supply_voltage", 0.5)),
    "speed_signal_fault": ((LIMIT, 0.2),),
    "torque_sensor_offset": (("driver_torque", 0.1), ("steering_angle", 0.1),
                             ("vehicle_speed", 0.2)),
    "assist_map_deviation": (("driver_torque", 0.1), ("assist_torque", 0.1),
                             ("vehicle_speed", 0.2), ("assist_limit", 0.2)),
    "module_suspect": ((LIMIT, 0.2), ("supply_voltage", 0.1), ("module_temperature", 1.0),
                       ("vehicle_speed", 0.2), ("motor_current|module_current", 0.2)),
    "mechanical_load": (("assist_limit", 0.2), ("vehicle_speed", 0.2), ("driver_torque", 0.1),
                        ("assist_torque", 0.1)),
    "bus_fault": ((LIMIT, 0.2),),
    "no_fault_found": ((LIMIT, 0.2), ("supply_voltage", 0.2), ("module_temperature", 1.0),
                       ("vehicle_speed", 0.2), ("driver_torque", 0.1)),
}  # fmt: skip
NEVER_STRONG = frozenset({"duty_protection", "mechanical_load"})
"""Held at moderate by the contract, duty unless the profile names the rule."""
MEASURED = frozenset({"supply_break", "bus_fault", "thermal_protection", "no_fault_found"})
"""Answers that rest on no limit that only a profile gives."""
VOLTS = frozenset({"low_battery", "charging_fault", "supply_resistance", "overvoltage_fault"})
"""Answers that rest on volts: without a profile known of a 12 V supply only."""
SLOW_NEEDED_S, CRUISE_NEEDED_S = 30.0, 45.0
DUTY_BEFORE_S = 45.0
"""Riding before an onset without which nobody sees what load had gathered, s."""
BREAKS_FOR_STRONG = 2
TWICE = 2


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
        if found is None or (found[1].scaling.odd and not self.profile):
            return float("inf")
        recording = self.plan.recording
        period = found[0].period_s
        if channel == "supply_voltage" and recording.supply_period_s:
            period = recording.supply_period_s
        return max(period / recording.keep_share, recording.bundle_s)

    def lacking(self, code: str) -> list[str]:
        """Return which channels an answer of this code lacks, and what else of the workshop's."""
        if not self.readable:
            return ["names"]
        lacking = []
        for names, slowest_s in self._needed(code):
            known = "assist_limit" if names == LIMIT and not self.profile else names
            if min(self._period(name) for name in known.split("|")) > slowest_s:
                lacking.append(known)
        return lacking + ([] if self.profile else self._of_the_profile(code))

    def _needed(self, code: str) -> tuple[tuple[str, float], ...]:
        needs = NEEDS.get(code, ())
        if code == "module_suspect" and self.own_word():
            return needs[:1]  # the module says it itself
        if code == "charging_fault":
            moving = "engine_speed" if self.plan.vehicle.has_engine else "vehicle_speed"
            return (*needs, (moving, 0.5))
        if code == "speed_signal_fault":
            return (*needs, *self._lost_signals())
        return needs

    def own_word(self) -> bool:
        """Tell whether the module itself says in this log that it has failed.

        A code from a diagnostic id that no database names says that some unit has.
        """
        stored = self.plan.recording.stored_codes
        if not self.plan.internal_code or stored == "module_uds":
            return False
        if not stored:
            shown = float(self.inputs.time_s[self.inputs.fault_shown][0])
            return self._period("module_status") < float("inf") and shown < self.window[1] - 1.0
        return self._code_inside()

    def _code_inside(self) -> bool:
        return self._inside(*(2 * [self.inputs.end_s + self.plan.recording.code_at_s]))

    def _lost_signals(self) -> list[tuple[str, float]]:
        """Return the speeds that are lost or false, and for a false one what witnesses it."""
        lost = []
        if self.inputs.rpm_lost.any():
            lost.append(("engine_speed", 0.2))
        else:
            lost.append(("vehicle_speed", 0.2))
        if "speed_signal_fault" in self.plan.deviation:
            lost.append(("wheel_speed_fl|engine_speed", 0.2))
        return lost

    def _of_the_profile(self, code: str) -> list[str]:
        """Return what only a profile gives, of what this answer rests on."""
        vehicle = self.plan.vehicle
        by_volts = code in VOLTS
        lacking = {
            "limits of this supply": by_volts and vehicle.nominal_v != 12.0,
            "what charges": by_volts and not vehicle.has_engine,
            "the module's own lines": code == "module_suspect" and not self.own_word(),
            "the law of speed": code == "no_fault_found" and bool(self.plan.law.speed),
            "a map": code == "mechanical_load",
            "a map, or which side is right": code == "assist_map_deviation"
            and not self.inputs.unasked_nm.any(),
        }
        return [words for words, so in lacking.items() if so]

    def _inside(self, start_s: float, end_s: float) -> bool:
        if start_s < self.window[0] or end_s > self.window[1]:
            return False
        holes = self.plan.recording.holes
        return all(end_s <= start or start_s >= end for start, end in holes)

    def not_seen(self, code: str, onsets: list[float]) -> list[str]:
        """Return which riding and which moments this answer lacks."""
        if code in {"no_fault_found", "mechanical_load"}:
            return self.ridden()
        if onsets and not self.sees_onset(code, onsets):
            return ["onset"]
        moments = [start for start, _ in self.plan.spans]
        if code in self.plan.deviation and moments and not self.count_inside(moments):
            return ["the moments of it"]
        return []

    def sees_onset(self, code: str, onsets: list[float]) -> bool:
        """Whether the log holds the seconds around as many onsets as this answer takes."""
        return self.count_inside(self._telling(code, onsets)) >= self._onsets_needed(code)

    def _telling(self, code: str, onsets: list[float]) -> list[float]:
        """Return the onsets before which the log holds what brought them about."""
        if code != "duty_protection":
            return onsets
        before_s = max(DUTY_BEFORE_S, self.plan.law.figures.get("tau_s", 0.0))
        return [at for at in onsets if at - before_s >= self.window[0]]

    def _onsets_needed(self, code: str) -> int:
        """Return how many: twice where only the repetition tells."""
        by_exclusion = code == "module_suspect" and not self.own_word()
        by_repeats = code == "duty_protection" and not self.knows_duty()
        return TWICE if (by_exclusion and not self._told_by_code()) or by_repeats else 1

    def _told_by_code(self) -> bool:
        return self.plan.recording.stored_codes == "module_uds" and self._code_inside()

    def knows_duty(self) -> bool:
        """Tell whether the profile says that there is a rule of duty."""
        return self.profile and "duty_rule" in self.plan.law.told

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
    lacking = contents.lacking(code) + contents.not_seen(code, onsets)
    plan = contents.plan
    if plan.uncertain:
        return False, False, [*lacking, "a cause that the bus cannot show"]
    if not clear and onsets:
        return False, False, [*lacking, "a clear loss"]
    tells = not lacking
    duty_known = code == "duty_protection" and contents.knows_duty()
    strong = tells and (code not in NEVER_STRONG or duty_known)
    strong = strong and (contents.profile or code in MEASURED)
    if code == "supply_break":
        strong = strong and contents.count_inside(onsets) >= BREAKS_FOR_STRONG
    if code == "module_suspect":
        strong = strong and contents.own_word()
    return tells, strong, lacking

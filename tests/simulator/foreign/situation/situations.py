"""All situations by name, with the vehicles and laws that they make sense for."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from tests.simulator.foreign.draws import SeededDraws
from tests.simulator.foreign.plans import RidePlan
from tests.simulator.foreign.situation import situations_module as module
from tests.simulator.foreign.situation import situations_riding as ride
from tests.simulator.foreign.situation import situations_supply as supply
from tests.simulator.foreign.vehicle.vehicles import VEHICLES

ALL = tuple(VEHICLES)
ENGINE = ("trail_quad", "regulated_wagon", "hauler_24v", "lithium_quad")
LEAD_ENGINE = ("trail_quad", "regulated_wagon", "hauler_24v")
MODES = ("trail_quad", "converter_cart", "lithium_quad")
SOURCE = ("trail_quad", "regulated_wagon", "converter_cart", "hauler_24v")


@dataclass(frozen=True, slots=True)
class SituationEntry:
    """One situation: how it changes a plan, and which vehicles it suits."""

    prepare: Callable[[RidePlan, SeededDraws], None]
    vehicles: tuple[str, ...] = ALL
    laws: tuple[str, ...] = ()


SITUATIONS: dict[str, SituationEntry] = {
    "ordinary": SituationEntry(ride.ordinary),
    "hot_work": SituationEntry(ride.hot_work),
    "hard_rider": SituationEntry(ride.hard_rider),
    "stiff_tyres": SituationEntry(ride.stiff_tyres),
    "cut_middle": SituationEntry(ride.cut_middle),
    "thinned": SituationEntry(ride.thinned),
    "recorder_holes": SituationEntry(ride.recorder_holes),
    "wheels_spin": SituationEntry(ride.wheels_spin),
    "dead_rear": SituationEntry(ride.dead_rear),
    "stored_codes": SituationEntry(ride.stored_codes),
    "mode_change": SituationEntry(ride.mode_change, MODES),
    "errors_at_wake": SituationEntry(ride.errors_at_wake),
    "heat_and_errors": SituationEntry(ride.heat_and_errors),
    "one_odd": SituationEntry(ride.one_odd),
    "hot_and_loose": SituationEntry(ride.hot_and_loose),
    "bundled": SituationEntry(ride.bundled),
    "bus_errors": SituationEntry(ride.bus_errors),
    "short_trip": SituationEntry(ride.short_trip),
    "stop_and_go": SituationEntry(ride.stop_and_go),
    "loose_plug": SituationEntry(supply.loose_plug),
    "one_opening": SituationEntry(supply.one_opening),
    "load_opening": SituationEntry(supply.load_opening),
    "path_resistance": SituationEntry(supply.path_resistance),
    "path_resistance_24v": SituationEntry(supply.path_resistance, ("hauler_24v",)),
    "feed_open": SituationEntry(supply.feed_open),
    "dead_source": SituationEntry(supply.dead_source, SOURCE),
    "source_fails": SituationEntry(supply.source_fails, SOURCE),
    "weak_battery": SituationEntry(supply.weak_battery, ("trail_quad", "hauler_24v")),
    "flat_taking": SituationEntry(supply.flat_taking, SOURCE),
    "cold_crank": SituationEntry(supply.cold_crank, LEAD_ENGINE),
    "single_cylinder": SituationEntry(supply.single_cylinder, ENGINE),
    "accessories": SituationEntry(supply.accessories, SOURCE),
    "fluttering_contact": SituationEntry(supply.fluttering_contact),
    "winch": SituationEntry(supply.winch),
    "slow_samples": SituationEntry(supply.slow_samples, LEAD_ENGINE),
    "overvoltage": SituationEntry(supply.overvoltage, SOURCE),
    "key_cycles": SituationEntry(supply.key_cycles),
    "asleep": SituationEntry(supply.asleep),
    "engine_stall": SituationEntry(supply.engine_stall, ENGINE),
    "lithium_ride": SituationEntry(supply.lithium_ride, ("lithium_quad", "runabout_48v")),
    "regulated_ride": SituationEntry(supply.regulated_ride, ("regulated_wagon",)),
    "speed_lost": SituationEntry(module.speed_lost),
    "speed_lost_engine_off": SituationEntry(module.speed_lost_engine_off, ENGINE),
    "speed_stuck": SituationEntry(module.speed_stuck),
    "rpm_lost": SituationEntry(module.rpm_lost, ENGINE),
    "torque_offset": SituationEntry(module.torque_offset),
    "map_low": SituationEntry(module.map_low),
    "one_sided": SituationEntry(module.one_sided),
    "steers_unasked": SituationEntry(module.steers_unasked),
    "fault_status": SituationEntry(module.fault_status),
    "fault_code": SituationEntry(module.fault_code),
    "fault_silent": SituationEntry(module.fault_silent),
    "sensor_high": SituationEntry(module.sensor_high),
    "temperature_glitch": SituationEntry(module.temperature_glitch),
    "end_hold": SituationEntry(module.end_hold),
    "temperature_stuck": SituationEntry(module.temperature_stuck),
}  # fmt: skip

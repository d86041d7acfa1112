"""Fleets of one foreign model each: vehicles that differ a little, rides, and what is true."""

from __future__ import annotations

import gzip
from dataclasses import dataclass, replace
from pathlib import Path

from tests.simulator.foreign.bus.candump import candump_text
from tests.simulator.foreign.bus.database import BusDatabase, build_database, dbc_text
from tests.simulator.foreign.bus.profile_text import profile_text
from tests.simulator.foreign.bus.recorder import Recorder
from tests.simulator.foreign.bus.styles import draw_style
from tests.simulator.foreign.draws import SeededDraws
from tests.simulator.foreign.plans import RidePlan, begin, hot_ride, mixed_ride, moments, riding
from tests.simulator.foreign.situation.situations import SITUATIONS
from tests.simulator.foreign.truth import settle_cranking
from tests.simulator.foreign.vehicle.laws import LAWS, LawChoice, choose_law
from tests.simulator.foreign.vehicle.plant import PlantRecord, run_plant
from tests.simulator.foreign.vehicle.riding import RideInputs, ride_inputs
from tests.simulator.foreign.vehicle.vehicles import VEHICLES, ForeignVehicle

EPOCH_S = 1_770_000_000
SOUND = ("start_and_mixed", "hot", "heavy_consumer", "key_cycles")
"""The four rides of each sound vehicle: between them they ride every kind of law."""

SPREAD = {
    "path_ohm": 0.08, "battery_ohm": 0.08, "park_nm": 0.05, "roll_nm": 0.05, "air_k_per_w": 0.06,
    "winding_k_per_w": 0.05, "deadband_nm": 0.03, "source_a": 0.04, "charge_v": 0.004,
}  # fmt: skip
"""How vehicles of one model differ, as a share (one sigma); own choice."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fleet:
    """One model: its law, its common figures and its database."""

    law_name: str
    kind: str
    seed: int
    held_out: bool
    vehicle: ForeignVehicle
    law: LawChoice
    database: BusDatabase

    def draws(self, purpose: str, number: int = 0) -> SeededDraws:
        """Return draws of one purpose and vehicle or ride."""
        name = f"fleet/{self.law_name}/{self.kind}/{self.seed}/{purpose}"
        return SeededDraws(name, number, held_out=self.held_out)


@dataclass(frozen=True, slots=True, kw_only=True)
class FleetRide:
    """One ride: what truly happened beside what the recorder wrote."""

    log: bytes
    plan: RidePlan
    inputs: RideInputs
    record: PlantRecord


def fleet(law: str, seed: int, *, held_out: bool = False) -> Fleet:
    """Return the model of a law; kinds of vehicle take turns."""
    kinds = list(VEHICLES)
    if law == "engine_speed":
        kinds = [kind for kind in kinds if kind not in {"converter_cart", "runabout_48v"}]
    kind = kinds[(list(LAWS).index(law) + seed) % len(kinds)]
    name = f"fleet/{law}/{kind}/{seed}"
    draw = {
        part: SeededDraws(f"{name}/{part}", 0, held_out=held_out)
        for part in ("vehicle", "law", "bus")
    }
    vehicle = VEHICLES[kind](draw["vehicle"])
    choice = choose_law(law, draw["law"], vehicle)
    absent = set()
    if not vehicle.has_engine:
        absent |= {"engine_speed", "coolant_temperature"}
    if len(vehicle.gain) < 2:
        absent.add("assist_mode")
    if not choice.limit_shown:
        absent.add("assist_limit")
    modes = tuple(vehicle.gain) if len(vehicle.gain) > 1 else ()
    database = build_database(draw_style(draw["bus"]), modes, frozenset(absent), draw["bus"])
    return Fleet(
        law_name=law, kind=kind, seed=seed, held_out=held_out, vehicle=vehicle, law=choice,
        database=database,
    )  # fmt: skip


def individual(model: Fleet, number: int) -> ForeignVehicle:
    """Return one vehicle of the model."""
    draw = model.draws("individual", number)
    changed = {
        name: getattr(model.vehicle, name) * (1.0 + share * float(draw.rng.normal()))
        for name, share in SPREAD.items()
    }
    return replace(model.vehicle, **changed)


def _prepare(plan: RidePlan, situation: str, draw: SeededDraws) -> None:
    """Lay out a ride; the four sound ones are this file's, faults are situations by name."""
    if situation == "start_and_mixed":
        begin(plan, draw, cold_share=1.0)
        mixed_ride(plan, draw)
    elif situation == "hot":
        hot_ride(plan, draw)
    elif situation == "heavy_consumer":
        _heavy_consumer(plan, draw)
    else:
        SITUATIONS[situation].prepare(plan, draw)


def _heavy_consumer(plan: RidePlan, draw: SeededDraws) -> None:
    """Pull the supply down through the law's whole range with a winch; nothing is wrong."""
    begin(plan, draw, cold_share=1.0)
    mixed_ride(plan, draw)
    vehicle = plan.vehicle
    reach_v = vehicle.open_v - min(volts for volts, _ in plan.law.supply)
    source_a = vehicle.source_a if vehicle.source != "battery" else 0.0
    most = reach_v / vehicle.battery_ohm + 0.7 * source_a - vehicle.base_load_a

    def effect(inputs: RideInputs, local: SeededDraws) -> None:
        for at in moments(inputs, riding(inputs), local, 8, 12.0):
            amps = local.between(0.45, 1.0) * most
            inputs.load_a[inputs.span(at, at + local.between(1.5, 4.0))] += amps

    plan.effects.append(effect)


def fleet_ride(model: Fleet, number: int, situation: str, seed: int) -> FleetRide:
    """Return one ride of one vehicle."""
    draw = model.draws(f"{number}/{situation}", seed)
    vehicle = individual(model, number)
    weather = draw.between(6.0, 34.0)
    vehicle = replace(
        vehicle, ambient_c=weather, start_c=weather + draw.between(5.0, 20.0),
        coolant_c=weather + draw.between(20.0, 50.0),
    )  # fmt: skip
    plan = RidePlan(vehicle=vehicle, law=replace(model.law), stretches=[])
    _prepare(plan, situation, draw)
    _sensors(plan, model.draws("sensors", number))
    inputs = ride_inputs(plan.stretches, plan.vehicle, draw)
    for effect in plan.effects:
        effect(inputs, draw)
    record = run_plant(plan.vehicle, plan.law, inputs, warm=plan.warm)
    settle_cranking(record, inputs)
    window = plan.recording.cut or (0.0, inputs.end_s + 1.0)
    recorder = Recorder(plan, inputs, record, model.draws(f"noise/{number}/{situation}", seed))
    traffic = recorder.kept_traffic(model.database, window)
    log = candump_text(traffic, epoch_s=EPOCH_S + 10_000 * number + 1_000 * seed)
    return FleetRide(log=log, plan=plan, inputs=inputs, record=record)


def _sensors(plan: RidePlan, draw: SeededDraws) -> None:
    """Gain and zero errors, one set a vehicle (common practice, no source)."""
    for channel, share in (("module_current", 0.04), ("motor_current", 0.04)):
        plan.recording.gain[channel] = 1.0 + draw.between(-share, share)
    for channel in ("supply_voltage", "system_voltage"):
        plan.recording.gain[channel] = 1.0 + draw.between(-0.005, 0.005)
    plan.recording.shift["driver_torque"] = draw.between(-0.08, 0.08)


def write_model(model: Fleet, folder: Path) -> tuple[Path, Path]:
    """Write the model's database and its true profile; return both."""
    folder.mkdir(parents=True, exist_ok=True)
    dbc, profile = folder / "vehicle.dbc", folder / "true.toml"
    dbc.write_text(dbc_text(model.database), encoding="utf-8")
    plan = RidePlan(vehicle=model.vehicle, law=model.law, stretches=[])
    text = profile_text(plan, model.database, model.draws("profile"))
    profile.write_text(text, encoding="utf-8")
    start = folder / "channels.toml"
    start.write_text(_channels_only(text), encoding="utf-8")
    return dbc, profile


def _channels_only(text: str) -> str:
    """Return what a workshop knows before it learns: which signal is which channel."""
    parts = text.split("\n\n")
    kept = [part for part in parts if part.startswith(("profile", "[vehicle]", "[channels"))]
    return "\n\n".join(kept).rstrip() + "\n"


def write_ride(ride: FleetRide, path: Path) -> None:
    """Write the log, packed."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(gzip.compress(ride.log, 1, mtime=0))

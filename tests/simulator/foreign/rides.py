"""One ride from its name and seed: log, database, profile and truth, byte for byte the same."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from tests.simulator.foreign.bus.candump import candump_text
from tests.simulator.foreign.bus.database import (
    BusDatabase,
    build_database,
    dbc_text,
    without_senders,
)
from tests.simulator.foreign.bus.profile_text import profile_text
from tests.simulator.foreign.bus.recorder import Recorder
from tests.simulator.foreign.bus.styles import CHANNELS, draw_style
from tests.simulator.foreign.draws import SeededDraws
from tests.simulator.foreign.needs import LogContents, what_the_log_tells
from tests.simulator.foreign.plans import RidePlan
from tests.simulator.foreign.situation.situations import SITUATIONS
from tests.simulator.foreign.truth import (
    PlantedEvent,
    RideTruth,
    derates,
    losses,
    right_answers,
    settle_cranking,
    silences,
)
from tests.simulator.foreign.vehicle.laws import LAWS, choose_law
from tests.simulator.foreign.vehicle.plant import PlantRecord, run_plant
from tests.simulator.foreign.vehicle.riding import RideInputs, ride_inputs
from tests.simulator.foreign.vehicle.vehicles import VEHICLES

VARIANTS = (
    "as_is", "no_profile", "profile_10pct", "units_wrong", "no_senders", "four_channels",
    "cut_60s",
)  # fmt: skip
READABLE = frozenset({"camel", "snake"})
"""Naming styles that say to a stranger what each signal is; the others need a profile."""
EPOCH_S = 1_764_000_000
FOUR = ("vehicle_speed", "driver_torque", "supply_voltage")
WRONG_UNIT = {
    "V": "mV", "mV": "V", "km/h": "mph", "mph": "km/h", "m/s": "km/h", "degC": "degF",
    "°C": "degF", "degF": "degC", "C": "degF", "Nm": "cNm", "N.m": "cNm", "A": "mA", "mA": "A",
    "deg": "rad", "rad": "deg", "rpm": "1/s", "1/min": "1/s", "%": "permil",
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class RideName:
    """What a ride is made from."""

    law: str
    situation: str
    vehicle: str
    seed: int
    held_out: bool

    def __str__(self) -> str:
        """Return the name that files and tables carry."""
        return f"{self.law}.{self.situation}.{self.vehicle}.{self.seed}"


@dataclass(frozen=True, slots=True, kw_only=True)
class PlantedRide:
    """A ride before it is written: the plant's arrays beside the plan."""

    name: RideName
    plan: RidePlan
    inputs: RideInputs
    record: PlantRecord
    database: BusDatabase


@dataclass(frozen=True, slots=True, kw_only=True)
class ForeignRide:
    """A ride's files."""

    log: bytes
    dbc: str
    profile: str
    truth: RideTruth

    def write(self, folder: Path) -> tuple[Path, Path, Path]:
        """Write the files; return log, database and profile."""
        folder.mkdir(parents=True, exist_ok=True)
        paths = folder / "ride.log", folder / "vehicle.dbc", folder / "vehicle.toml"
        paths[0].write_bytes(self.log)
        paths[1].write_text(self.dbc, encoding="utf-8")
        paths[2].write_text(self.profile, encoding="utf-8")
        (folder / "truth.json").write_text(self.truth.to_json(), encoding="utf-8")
        return paths


def _draws(name: RideName, purpose: str) -> SeededDraws:
    return SeededDraws(
        f"{purpose}/{name.law}/{name.situation}/{name.vehicle}", name.seed, held_out=name.held_out
    )


def simulate(name: RideName) -> PlantedRide:
    """Run the plant for this name."""
    vehicle = VEHICLES[name.vehicle](_draws(name, "vehicle"))
    law = choose_law(name.law, _draws(name, "law"), vehicle)
    plan = RidePlan(vehicle=vehicle, law=law, stretches=[])
    draw = _draws(name, "situation")
    SITUATIONS[name.situation].prepare(plan, draw)
    _imperfect_sensors(plan, _draws(name, "sensors"))
    inputs = ride_inputs(plan.stretches, plan.vehicle, draw)
    for effect in plan.effects:
        effect(inputs, draw)
    record = run_plant(plan.vehicle, plan.law, inputs, warm=plan.warm)
    settle_cranking(record, inputs)
    bus = _draws(name, "bus")
    style = draw_style(bus)
    database = build_database(style, _modes(plan), _absent(plan, bus), bus)
    return PlantedRide(name=name, plan=plan, inputs=inputs, record=record, database=database)


def _imperfect_sensors(plan: RidePlan, draw: SeededDraws) -> None:
    """Gain and zero errors as the trade knows them (common practice, no source)."""
    for channel, share in (("module_current", 0.06), ("motor_current", 0.05)):
        plan.recording.gain[channel] = 1.0 + draw.between(-share, share)
    for channel in ("supply_voltage", "system_voltage"):
        plan.recording.gain[channel] = 1.0 + draw.between(-0.006, 0.006)
    plan.recording.shift["driver_torque"] = draw.between(-0.08, 0.08)


def _modes(plan: RidePlan) -> tuple[str, ...]:
    return tuple(plan.vehicle.gain) if len(plan.vehicle.gain) > 1 else ()


def _absent(plan: RidePlan, draw: SeededDraws) -> frozenset[str]:
    """Channels that this maker does not send."""
    absent = set()
    if not plan.vehicle.has_engine:
        absent |= {"engine_speed", "coolant_temperature"}
    if len(plan.vehicle.gain) < 2:
        absent.add("assist_mode")
    if not plan.law.limit_shown:
        absent.add("assist_limit")
    maybe = {"system_current": 0.5, "system_voltage": 0.2, "ambient_temperature": 0.25,
             "module_current": 0.12, "motor_current": 0.1}  # fmt: skip
    absent |= {channel for channel, share in maybe.items() if draw.chance(share)}
    if plan.law.limit_shown and draw.chance(0.3) and not plan.internal_code:
        absent.add("module_status")
    return frozenset(absent)


def _window(ride: PlantedRide, variant: str, onsets: list[float]) -> tuple[float, float]:
    whole = ride.plan.recording.cut or (0.0, ride.inputs.end_s + 1.0)
    if variant != "cut_60s":
        return whole
    draw = _draws(ride.name, "cut")
    inside = [at for at in onsets if whole[0] + 5.0 < at < whole[1] - 5.0]
    first = inside[0] - draw.between(12.0, 40.0) if inside else draw.between(10.0, 90.0)
    first = max(whole[0], min(first, whole[1] - 60.0))
    return first, min(whole[1], first + 60.0)


def _database(ride: PlantedRide, variant: str) -> BusDatabase:
    database = ride.database
    if variant == "no_senders":
        return without_senders(database)
    if variant == "four_channels":
        limit = "assist_limit" if ride.plan.law.limit_shown else "module_status"
        return replace(database, hidden=frozenset(set(CHANNELS) - {*FOUR, limit}))
    if variant == "units_wrong":
        return replace(database, unit_texts=_wrong_unit(ride))
    return database


def _wrong_unit(ride: PlantedRide) -> dict[str, str]:
    """Give one channel of the database another unit's name; seeds take turns."""
    choices = [
        (item.channel, WRONG_UNIT[item.scaling.unit])
        for message in ride.database.messages
        for item in message.signals
        if not item.scaling.odd and item.scaling.unit in WRONG_UNIT
    ]
    channel, unit = choices[int(_draws(ride.name, "unit").rng.integers(len(choices)))]
    return {channel: unit}


def _truth(
    ride: PlantedRide, variant: str, contents: LogContents, events: list[PlantedEvent]
) -> RideTruth:
    plan, name = ride.plan, ride.name
    lost, deepest = losses(plan, ride.record, ride.inputs, _clipped(events, contents.window))
    answers, clear = right_answers(plan, lost, deepest)
    main = max(lost, key=lambda code: lost[code]) if clear else answers[0]
    onsets = _onsets(plan, events, main)
    tells, strongly, lacking = what_the_log_tells(contents, main, onsets, clear=clear)
    if variant == "units_wrong":
        tells = strongly = False
    if any(event.root == "end_stop" for event in events):
        # no channel and no profile tells of it: the bar's place alone would
        answers = sorted({*answers, "inconclusive", "duty_protection"})
        tells = strongly = False
    return RideTruth(
        name=str(name), law=name.law, situation=name.situation, vehicle=name.vehicle,
        seed=name.seed, held_out=name.held_out, variant=variant, answers=answers,
        true_codes=sorted({*answers, *lost, *plan.also_true}), module_sound=plan.module_sound,
        internal_code=plan.internal_code, loses_assist=bool(lost), clear_loss=clear, tells=tells,
        tells_strongly=strongly, missing=lacking,
        loss_pct_s={code: round(amount, 1) for code, amount in sorted(lost.items())},
        events=_within(events, contents.window), marks=plan.marks, log_start_s=0.0,
        figures=plan.law.figures,
    )  # fmt: skip


def _onsets(plan: RidePlan, events: list[PlantedEvent], code: str) -> list[float]:
    """Return when what this code names begins; a break once, not again with its ramp."""
    kind = "module_restart" if code == "supply_break" else ""
    named = [event for event in events if plan.blame.get(event.root) == code]
    return [event.start_s for event in named if kind in {"", event.kind}]


def _clipped(events: list[PlantedEvent], window: tuple[float, float]) -> list[PlantedEvent]:
    """Return the events as far as the log holds them."""
    return [
        replace(event, start_s=max(event.start_s, window[0]), end_s=min(event.end_s, window[1]))
        for event in _within(events, window)
    ]


def _within(events: list[PlantedEvent], window: tuple[float, float]) -> list[PlantedEvent]:
    return [event for event in events if event.end_s > window[0] and event.start_s < window[1]]


def make_ride(name: RideName, variant: str = "as_is") -> ForeignRide:
    """Return a ride's files for one variant."""
    ride = simulate(name)
    events = sorted(
        derates(ride.record) + silences(ride.record, ride.inputs), key=lambda item: item.start_s
    )
    lost, _ = losses(ride.plan, ride.record, ride.inputs, events)
    main = max(lost, key=lambda code: lost[code], default="")
    onsets = _onsets(ride.plan, events, main)
    window = _window(ride, variant, onsets)
    database = _database(ride, variant)
    profile = variant != "no_profile"
    draw = _draws(ride.name, "profile")
    text = profile_text(ride.plan, database, draw,
                        wrong_share=0.1 if variant == "profile_10pct" else 0.0)  # fmt: skip
    contents = LogContents(
        plan=ride.plan, inputs=ride.inputs, record=ride.record, database=database, window=window,
        profile=profile, readable=profile or database.naming in READABLE,
    )  # fmt: skip
    recorder = Recorder(ride.plan, ride.inputs, ride.record, _draws(name, "noise"))
    traffic = recorder.kept_traffic(ride.database, window)
    return ForeignRide(
        log=candump_text(traffic, epoch_s=EPOCH_S + name.seed * 1000),
        dbc=dbc_text(database), profile=text if profile else "",
        truth=replace(_truth(ride, variant, contents, events), log_start_s=traffic.start_s),
    )  # fmt: skip


def ride_names(count: int, *, held_out: bool, first: int = 0) -> Iterator[RideName]:
    """Walk laws and situations so that each meets each; vehicles take turns."""
    laws, situations = list(LAWS), list(SITUATIONS)
    for place in range(first, first + count):
        situation = situations[place % len(situations)]
        entry = SITUATIONS[situation]
        draw = np.random.default_rng([91, int(held_out), place])
        law = laws[(5 * (place // len(situations)) + place) % len(laws)]
        vehicle = entry.vehicles[int(draw.integers(len(entry.vehicles)))]
        yield RideName(law=law, situation=situation, vehicle=vehicle, seed=place, held_out=held_out)

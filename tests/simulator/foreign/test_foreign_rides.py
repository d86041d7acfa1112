"""The foreign rides are what their names and truth files say, read by other libraries."""

from __future__ import annotations

import math
from pathlib import Path

import can
import cantools
import numpy as np
import pytest

from tests.simulator.foreign.bus.recorder import NOISE, channel_values
from tests.simulator.foreign.draws import CELLS, SeededDraws
from tests.simulator.foreign.rides import RideName, make_ride, ride_names, simulate
from tests.simulator.foreign.situation.situations import SITUATIONS
from tests.simulator.foreign.truth import derates
from tests.simulator.foreign.vehicle.laws import LAWS, choose_law
from tests.simulator.foreign.vehicle.riding import STEP_S
from tests.simulator.foreign.vehicle.vehicles import VEHICLES


def ride_name(
    law: str, situation: str, vehicle: str = "trail_quad", seed: int = 3, *, held_out: bool = False
) -> RideName:
    return RideName(law=law, situation=situation, vehicle=vehicle, seed=seed, held_out=held_out)


def test_the_same_seed_gives_the_same_bytes() -> None:
    name = ride_name("stepped_heat", "loose_plug")
    first, second = make_ride(name), make_ride(name)
    assert first.log == second.log
    assert (first.dbc, first.profile) == (second.dbc, second.profile)
    assert first.truth.to_json() == second.truth.to_json()
    assert make_ride(ride_name("stepped_heat", "loose_plug", seed=4)).log != first.log


def test_no_value_of_one_set_is_ever_drawn_in_the_other() -> None:
    for held_out in (False, True):
        for seed in range(200):
            draws = SeededDraws("any", seed, held_out=held_out)
            vehicle = list(VEHICLES.values())[seed % len(VEHICLES)](draws)
            choose_law(list(LAWS)[seed % len(LAWS)], draws, vehicle)
            for low, high, value in draws.taken:
                cell = math.floor((value - low) / (high - low) * CELLS)
                assert cell % 2 == int(held_out)


def test_the_sets_share_no_random_stream() -> None:
    tuning = SeededDraws("any", 5, held_out=False).rng.random(4)
    assert not np.allclose(tuning, SeededDraws("any", 5, held_out=True).rng.random(4))


def test_every_law_meets_every_situation() -> None:
    count = len(LAWS) * len(SITUATIONS)
    met = {(name.law, name.situation) for name in ride_names(count, held_out=False)}
    assert len(met) == count


@pytest.mark.parametrize("seed", range(6))
def test_files_decode_to_the_plants_values(seed: int, tmp_path: Path) -> None:
    """python-can reads the log, cantools the database; both know nothing of the simulator."""
    vehicle = list(VEHICLES)[seed]
    name = ride_name("other_lines", "short_trip", vehicle, seed)
    log, dbc, _ = make_ride(name).write(tmp_path)
    ride = simulate(name)
    truth = channel_values(ride.plan, ride.inputs, ride.record)
    database = cantools.database.load_file(dbc)
    epoch = 1_764_000_000 + seed * 1000
    frames = list(can.LogReader(log))
    assert frames == sorted(frames, key=lambda frame: frame.timestamp)
    compared = 0
    for message in ride.database.messages:
        rows = [frame for frame in frames if frame.arbitration_id == message.frame_id]
        assert rows, message.name
        for frame in rows[:: max(1, len(rows) // 40)]:
            values = database.decode_message(frame.arbitration_id, frame.data, decode_choices=False)
            place = min(int((frame.timestamp - epoch) / STEP_S + 1e-6), ride.record.root.size - 1)
            for item in message.signals:
                scaling = item.scaling
                near = truth[item.channel][max(0, place - 1) : place + 2]
                expected = near * scaling.per_unit + scaling.base
                noise = 6.0 * NOISE.get(item.channel, 0.0) * ride.plan.vehicle.scale
                slack = 1.01 * scaling.factor + noise * abs(scaling.per_unit)
                low, high = expected.min() - slack, expected.max() + slack
                assert low <= float(values[item.name]) <= high, (item.channel, expected, values)
                compared += 1
    assert compared > 300


def test_a_start_ramp_lasts_as_drawn() -> None:
    ride = simulate(ride_name("slow_start", "loose_plug", "runabout_48v"))
    ramp_s = ride.plan.law.ramp_s
    starts = np.flatnonzero(np.diff(ride.record.on) > 0) + 1
    assert starts.size >= 3
    shown = 0
    for start, end in zip(starts, [*starts[1:], ride.record.on.size], strict=True):
        limit = ride.record.limit_pct[start:end]
        if (limit > 99.99).any() and ride.record.on[start:end].all():
            assert np.argmax(limit > 99.99) * STEP_S == pytest.approx(ramp_s, abs=0.03)
            shown += 1
    assert shown or ramp_s > 10.0


@pytest.mark.parametrize("law", ["stepped_heat", "hysteresis_heat", "concave_heat"])
def test_heat_laws_reduce_by_heat(law: str) -> None:
    ride = simulate(ride_name(law, "hot_work", seed=1))
    events = [event for event in derates(ride.record) if event.root == "heat"]
    assert events
    full = max(temperature for temperature, pct in ride.plan.law.heat if pct >= 100)
    at = round(events[0].start_s / STEP_S)
    assert ride.record.told_c[at] >= full

"""Figures learned from three recordings of one real model, against a fit by hand.

By hand: python-can reads the logs, cantools decodes, numpy and scipy do the rest; nothing of
canassist takes part.
"""

from __future__ import annotations

import shutil
from collections import defaultdict
from pathlib import Path

import can
import cantools
import numpy as np
import pytest
from scipy.stats import median_abs_deviation

from canassist.learning import LearnOptions, learn
from canassist.model import LearnedFigure

LOGS = ("drive_eps_volt_speed.trc", "crank_9v.trc", "idle_steer_modes.log")
MODULE, ENGINE = "EPAS_INFO", "EngVehicleSpThrottle"
NO_VALUE_V = 18.75

Columns = dict[str, np.ndarray]


@pytest.fixture(scope="module")
def learned(
    shared_data: Path, tmp_path_factory: pytest.TempPathFactory
) -> dict[str, LearnedFigure]:
    rides = tmp_path_factory.mktemp("model") / "one"
    rides.mkdir()
    for log in LOGS:
        shutil.copyfile(shared_data / "car_a" / log, rides / log)
    found = learn(
        [str(rides)],
        dbc=[str(shared_data / "dbc" / "car_a_800kB.dbc")],
        profile=str(shared_data / "profiles" / "car_a.toml"),
        options=LearnOptions(workers=1),
    )
    assert (found.rides, found.vehicles) == (3, 1)
    return dict(found.profile.learned)


@pytest.fixture(scope="module")
def by_hand(shared_data: Path) -> dict[str, dict[str, Columns]]:
    database = cantools.database.load_file(
        shared_data / "dbc" / "car_a_800kB.dbc", strict=False, encoding="cp1252"
    )
    messages = {database.get_message_by_name(name).frame_id: name for name in (MODULE, ENGINE)}
    return {log: decoded(shared_data / "car_a" / log, database, messages) for log in LOGS}


def decoded(path: Path, database: object, messages: dict[int, str]) -> dict[str, Columns]:
    rows: dict[str, dict[str, list[float]]] = {
        name: defaultdict(list) for name in messages.values()
    }
    with can.LogReader(path) as frames:
        for frame in frames:
            if frame.arbitration_id not in messages:
                continue
            name = messages[frame.arbitration_id]
            values = database.decode_message(  # type: ignore[attr-defined]
                frame.arbitration_id, frame.data, decode_choices=False
            )
            rows[name]["time_s"].append(frame.timestamp)
            for signal, value in values.items():
                rows[name][signal].append(float(value))
    return {name: {key: np.array(x) for key, x in table.items()} for name, table in rows.items()}


def supply_and_rpm(ride: dict[str, Columns]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return times, supply in V and engine speed as last heard, where both are known."""
    module, engine = ride[MODULE], ride[ENGINE]
    place = np.searchsorted(engine["time_s"], module["time_s"], side="right") - 1
    known = (place >= 0) & (module["SteMdule_U_Meas"] != NO_VALUE_V)
    rpm = engine["EngAout_N_Actl"][np.maximum(place, 0)]
    return module["time_s"][known], module["SteMdule_U_Meas"][known], rpm[known]


@pytest.mark.slow
def test_the_module_sends_as_often_as_counted_by_hand(
    learned: dict[str, LearnedFigure], by_hand: dict[str, dict[str, Columns]]
) -> None:
    periods = [np.median(np.diff(ride[MODULE]["time_s"])) for ride in by_hand.values()]
    assert learned["messages.EPAS_INFO.period_s"].value == pytest.approx(
        float(np.median(periods)), rel=0.02
    )


@pytest.mark.slow
def test_charging_by_engine_speed_is_that_of_the_samples(
    learned: dict[str, LearnedFigure], by_hand: dict[str, dict[str, Columns]]
) -> None:
    pooled: dict[float, list[float]] = defaultdict(list)
    for ride in by_hand.values():
        _, volts, rpm = supply_and_rpm(ride)
        for middle in (750.0, 1250.0):
            pooled[middle] += volts[np.abs(rpm - middle) < 250.0].tolist()
    curve = learned["charging"].value
    assert isinstance(curve, tuple)
    assert {x for x, _ in curve} == set(pooled)
    for rpm_middle, volts_learned in curve:
        assert volts_learned == pytest.approx(float(np.median(pooled[rpm_middle])), abs=0.05)


@pytest.mark.slow
def test_the_cranking_level_is_the_lowest_sample_after_the_inrush(
    learned: dict[str, LearnedFigure], by_hand: dict[str, dict[str, Columns]]
) -> None:
    ride = by_hand["crank_9v.trc"]
    time_s, volts, rpm = supply_and_rpm(ride)
    last = time_s[rpm > 500.0][0]
    before = time_s <= last
    engaged = time_s[before][1:][np.argmin(np.diff(volts[before]))]  # the steepest fall
    first = engaged + 0.3
    lowest = float(volts[(time_s >= first) & (time_s <= last)].min())
    curve = learned["cranking"].value
    assert isinstance(curve, tuple)
    assert curve[0][1] == pytest.approx(lowest, abs=0.1)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("signal", "name"),
    [("SteeringColumnTorque", "driver_torque"), ("SteMdule_I_Est", "module_current")],
)
def test_noise_and_steps_are_those_of_the_samples(
    learned: dict[str, LearnedFigure],
    by_hand: dict[str, dict[str, Columns]],
    signal: str,
    name: str,
) -> None:
    rides = [ride[MODULE][signal] for ride in by_hand.values()]
    steps = [np.abs(np.diff(values)) for values in rides]
    least = float(np.median([step[step > 1e-9].min() for step in steps]))
    assert learned[f"resolution.{name}"].value == pytest.approx(least, rel=0.01)
    bends = [np.diff(values, 2) for values in rides]
    spread = [
        median_abs_deviation(bend, center=lambda x, **_: 0.0 * np.mean(x), scale="normal")
        for bend in bends
    ]
    noise = float(np.median(spread)) / np.sqrt(6.0)
    assert learned[f"noise.{name}"].value == pytest.approx(noise, rel=0.05, abs=1e-6)

"""Real buses: what comes out with no database, against a decode by hand; and with one."""

from __future__ import annotations

import csv
import re
from typing import TYPE_CHECKING

import numpy as np
import pytest

from canassist import analyze
from canassist.decode import DecodedRide, decode_ride, load_databases, plan_reading
from canassist.profile import default_profile, read_profile
from tests.decode.hand_frames import recording

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path


def decoded(
    folder: Path, *logs: str, database: str | None = None, profile: str | None = None
) -> DecodedRide:
    known = read_profile(folder / "profiles" / profile) if profile else default_profile()
    databases = load_databases([folder / "dbc" / database] if database else [])
    frames, stats = recording(*(folder / log for log in logs))
    return decode_ride(frames, plan_reading(databases, known), known, stats)


def hand_read_candump(path: Path, can_id: str) -> list[bytes]:
    """Return all payloads of an identifier by plain text work."""
    found = re.findall(rf"^\S+ \S+ {can_id}#(\S*)", path.read_text("ascii"), re.MULTILINE)
    return [bytes.fromhex(data) for data in found]


def hand_read_asc(path: Path, can_id: str) -> list[tuple[float, bytes]]:
    rows = []
    for line in path.read_text("latin-1").splitlines():
        fields = line.split()
        if len(fields) > 6 and fields[2].upper() == can_id and fields[4] == "d":
            size = int(fields[5])
            rows.append((float(fields[0]), bytes.fromhex("".join(fields[6 : 6 + size]))))
    return rows


TRUCK = "truck_a/idle_127s_dm1_bam.log"


def test_a_trucks_broadcasts_come_out_with_no_database(shared_data: Path) -> None:
    found = decoded(shared_data, TRUCK)
    revs = [
        int.from_bytes(data[3:5], "little") * 0.125
        for data in hand_read_candump(shared_data / TRUCK, "0CF00400")
    ]
    volts = [
        int.from_bytes(data[4:6], "little") * 0.05
        for data in hand_read_candump(shared_data / TRUCK, "18FEF700")
    ]
    coolant = [data[0] - 40.0 for data in hand_read_candump(shared_data / TRUCK, "18FEEE00")]
    channels = found.channels
    assert channels["engine_speed"].value.tolist() == revs
    assert channels["system_voltage"].value.tolist() == pytest.approx(volts, abs=1e-12)
    assert channels["coolant_temperature"].value.tolist() == coolant
    assert {one.chosen_by for one in channels.values()} == {"standard"}
    ranges = {
        "engine_speed": (646.5, 653.75),
        "system_voltage": (13.2, 13.5),
        "coolant_temperature": (71.0, 72.0),
        "ambient_temperature": (13.2, 13.8),
        "vehicle_speed": (0.0, 0.0),
    }
    assert set(channels) == {*ranges, "supply_voltage"}
    assert channels["supply_voltage"].stands_in
    for name, (low, high) in ranges.items():
        values = channels[name].valid()[1]
        assert (values.min(), values.max()) == pytest.approx((low, high), abs=0.02)


def test_a_trucks_broadcast_trouble_codes_come_out(shared_data: Path) -> None:
    """18 bytes by BAM, 127 times: worked out by hand beside the recording."""
    found = decoded(shared_data, TRUCK)
    assert {one.code for one in found.trouble_codes} == {
        "SPN 980 FMI 9",
        "SPN 3216 FMI 20",
        "SPN 609 FMI 9",
        "SPN 609 FMI 12",
    }
    assert {one.sender for one in found.trouble_codes} == {"address 00"}
    assert all(one.last_s - one.first_s > 125 for one in found.trouble_codes)


PIDS: dict[str, tuple[int, Callable[[bytes], float]]] = {
    "engine_speed": (0x0C, lambda data: (256 * data[3] + data[4]) / 4),
    "vehicle_speed": (0x0D, lambda data: float(data[3])),
    "system_voltage": (0x42, lambda data: (256 * data[3] + data[4]) / 1000),
    "coolant_temperature": (0x05, lambda data: data[3] - 40.0),
}


@pytest.mark.parametrize(
    ("part", "ranges"),
    [
        (
            "trip1_part1.asc",
            {
                "vehicle_speed": (0, 75),
                "engine_speed": (0, 3114),
                "coolant_temperature": (24, 93),
                "system_voltage": (11.86, 14.88),
            },
        ),
        (
            "trip1_part2.asc",
            {
                "vehicle_speed": (17, 88),
                "engine_speed": (925, 2505),
                "coolant_temperature": (89, 98),
                "system_voltage": (13.28, 14.90),
            },
        ),
    ],
)
def test_obd_replies_of_a_real_trip_come_out_with_no_database(
    shared_data: Path, part: str, ranges: dict[str, tuple[float, float]]
) -> None:
    found = decoded(shared_data, f"car_j_obd/{part}")
    rows = hand_read_asc(shared_data / "car_j_obd" / part, "7E8")
    for name, (number, formula) in PIDS.items():
        by_hand = [formula(data) for _, data in rows if data[1] == 0x41 and data[2] == number]
        channel = found.channels[name]
        assert channel.value.tolist() == pytest.approx(by_hand, abs=1e-9)
        assert len(by_hand) > 100
        assert (min(by_hand), max(by_hand)) == pytest.approx(ranges[name], abs=0.51)
        assert channel.chosen_by == "standard"


@pytest.mark.parametrize(
    "parts",
    [
        ["trip1_part1.asc", "trip1_part2.asc"],
        ["trip1_cut_a.blf", "trip1_cut_b.mf4", "trip1_cut_c.log"],
    ],
)
def test_a_trip_in_parts_has_the_channels_of_its_parts(shared_data: Path, parts: list[str]) -> None:
    """A charging voltage asked for every few seconds jumps like noise, about its level."""
    result = analyze([shared_data / "car_j_obd" / part for part in parts])
    assert set(result.channels) >= PIDS.keys()


@pytest.mark.parametrize(
    "log",
    [
        "car_a/drive_eps_volt_speed.trc",
        "car_d/drive_town_36s.log",
        "car_h/drive_gears.log",
        "car_i/highway_60s_eps_torque_4bus.log",
    ],
)
def test_nothing_standard_is_seen_where_nothing_is(shared_data: Path, log: str) -> None:
    found = decoded(shared_data, log)
    assert (dict(found.channels), found.trouble_codes, found.ids_known) == ({}, (), 0)


CAR_A = "car_a_800kB.dbc"


def test_a_real_module_comes_out_as_its_profile_says(shared_data: Path) -> None:
    log = "car_a/drive_eps_volt_speed.trc"
    channels = decoded(shared_data, log, database=CAR_A, profile="car_a.toml").channels
    ranges = {
        "vehicle_speed": (0, 49.33),
        "engine_speed": (496, 1146),
        "supply_voltage": (13.05, 14.35),
        "module_current": (0.65, 0.75),
        "driver_torque": (-0.25, 0.625),
        "module_status": (2, 2),
    }
    for name, (low, high) in ranges.items():
        values = channels[name].valid()[1]
        assert (values.min(), values.max()) == pytest.approx((low, high), abs=0.01)
    status = channels["module_status"]
    ((_, layout),) = load_databases([shared_data / "dbc" / CAR_A]).find(status.signal)
    assert status.text_at(0) == layout.labels[2]  # full assist


def test_a_waking_modules_empty_codes_are_no_values(shared_data: Path) -> None:
    """All ones read as 18.75 V, 140.75 A and 7.875 N·m: "Invalid" in its value tables."""
    log = "car_a/wake_sentinels_key_on.log"
    channels = decoded(shared_data, log, database=CAR_A, profile="car_a.toml").channels
    for name, false_value in (
        ("supply_voltage", 18.75),
        ("module_current", 140.75),
        ("driver_torque", 7.875),
    ):
        assert np.isnan(channels[name].value[0])
        assert false_value not in channels[name].value
        assert sum(channels[name].left_out.values()) == 1


def test_undervoltage_figures_equal_the_answers_beside_the_recordings(shared_data: Path) -> None:
    with (shared_data / "answers.tsv").open(encoding="utf-8") as source:
        answers = list(csv.DictReader(source, delimiter="\t"))
    assert answers
    for row in answers:
        found = decoded(shared_data, row["file"], database=CAR_A, profile="car_a.toml")
        supply = found.channels["supply_voltage"]
        assert supply.signal == row["signal"]
        time_s, volts = supply.valid()
        below = time_s[volts < float(row["threshold"])]
        assert len(below) == int(row["samples_below"])
        assert volts.min() == pytest.approx(float(row["min"]))
        assert time_s[volts.argmin()] == pytest.approx(float(row["t_min_s"]), abs=6e-4)
        ends = [row["first_below_s(from first frame)"], row["last_below_s"]]
        if len(below):
            assert [below[0], below[-1]] == pytest.approx([float(end) for end in ends], abs=6e-4)
        else:
            assert ends == ["", ""]


def test_wheel_speeds_equal_the_data_sets_own_speed(shared_data: Path) -> None:
    """The mean of the four wheels is the authors' reference to 1e-6 km/h."""
    found = decoded(
        shared_data,
        "car_i/highway_60s_eps_torque_4bus.log",
        database="car_e_f_i.dbc",
        profile="car_e_f_i.toml",
    )
    wheels = [found.channels[f"wheel_speed_{corner}"] for corner in ("fl", "fr", "rl", "rr")]
    mean = np.mean([wheel.value for wheel in wheels], axis=0)
    with (shared_data / "car_i/ref_speed.csv").open(encoding="utf-8") as source:
        reference = np.array([float(row["speed_mps"]) for row in csv.DictReader(source)]) * 3.6
    assert np.sqrt(np.mean((mean - reference) ** 2)) < 5e-6
    assert not found.channels["assist_torque"].unit_known  # raw counts
    assert not found.channels["driver_torque"].unit_known

"""Open databases of real vehicles, read with no profile: none wrong in silence.

The answers are the profiles beside the recordings and the ranges of their index, which
were found with other libraries. No signal's name stands here.
"""

from __future__ import annotations

import csv
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest

from canassist.decode import Databases, DecodedRide, decode_ride, load_databases, plan_reading
from canassist.profile import default_profile, read_profile
from tests.decode.hand_frames import recording

if TYPE_CHECKING:
    from collections.abc import Mapping

    from canassist.model import BusStats, Channel, FrameSource, MessageFrames

WITH_PROFILE = [
    ("car_a.toml", "car_a_800kB.dbc", "car_a/drive_eps_volt_speed.trc"),
    ("car_a.toml", "car_a_800kB.dbc", "car_a/crank_9v.trc"),
    ("car_a.toml", "car_a_800kB.dbc", "car_a/idle_steer_modes.log"),
    ("car_a.toml", "car_a_800kB.dbc", "car_a/assist_state_key_on.trc"),
    ("car_a.toml", "car_a_800kB.dbc", "car_a/wake_sentinels_key_on.log"),
    ("car_e_f_i.toml", "car_e_f_i.dbc", "car_e/steer_lock_to_lock.trc"),
    ("car_e_f_i.toml", "car_e_f_i.dbc", "car_f/drive_lowspeed_eps.log"),
    ("car_e_f_i.toml", "car_e_f_i.dbc", "car_i/highway_60s_eps_torque_4bus.log"),
]

# Lowest and highest values as the index beside the recordings gives them.
WITH_RANGES = [
    (
        "car_b.dbc",
        "car_b/crank_and_creep_drive.log",
        {
            "vehicle_speed": (0.0, 8.9),
            "engine_speed": (90.0, 1619.0),
            "steering_angle": (-274.0, 157.0),
        },
    ),
    (
        "car_c_d.dbc",
        "car_d/steer_lock_to_lock.log",
        {
            "engine_speed": (790.0, 837.0),
            "steering_angle": (-544.0, 550.0),
            "supply_voltage": (13.6, 14.9),
            "system_voltage": (13.6, 14.9),
        },
    ),
    (
        "car_c_d.dbc",
        "car_d/drive_town_36s.log",
        {
            "vehicle_speed": (0.0, 32.0),
            "engine_speed": (751.0, 2042.0),
            "steering_angle": (-477.0, 479.0),
            "supply_voltage": (13.4, 14.2),
            "system_voltage": (13.4, 14.2),
            "coolant_temperature": (91.0, 94.5),
        },
    ),
]

NOT_IN_THE_PROFILES = {
    "ambient_temperature": (-40.0, 60.0),
    "coolant_temperature": (-40.0, 130.0),
    "system_current": (-500.0, 500.0),
    "steering_angle": (-800.0, 800.0),
}
"""Channels that the answers do not speak of; their values must at least be possible."""


@cache
def frames_of(path: Path) -> tuple[Mapping[FrameSource, MessageFrames], BusStats]:
    return recording(path)


@cache
def database_at(path: Path) -> Databases:
    return load_databases([path])


def decoded(
    folder: Path, database: str, log: str, *, without: frozenset[str] = frozenset()
) -> DecodedRide:
    databases = database_at(folder / "dbc" / database)
    if without:
        kept = tuple(
            replace(
                message,
                signals=tuple(one for one in message.signals if one.full_name not in without),
            )
            for message in databases.messages
        )
        databases = replace(databases, messages=kept)
    frames, stats = frames_of(folder / log)
    profile = default_profile()
    return decode_ride(frames, plan_reading(databases, profile), profile, stats)


def answers(folder: Path, profile: str, database: str, log: str) -> dict[str, Channel]:
    """Return the channels as the profile beside the recording has them, where it has frames."""
    known = read_profile(folder / "profiles" / profile)
    databases = database_at(folder / "dbc" / database)
    frames, stats = frames_of(folder / log)
    found = decode_ride(frames, plan_reading(databases, known), known, stats)
    return {name: one for name, one in found.channels.items() if name in known.channels}


def reads_the_same(one: Channel, other: Channel) -> bool:
    """Tell whether two channels carry one quantity: within 3 % of its range, all the time."""
    (first_s, first), (second_s, second) = one.valid(), other.valid()
    apart = np.abs(np.interp(first_s, second_s, second) - first)
    return bool(np.ptp(first) > 0.0 and np.percentile(apart, 95) <= 0.03 * np.ptp(first))


@pytest.mark.parametrize(("profile", "database", "log"), WITH_PROFILE)
def test_no_channel_of_an_open_database_is_wrong_in_silence(
    shared_data: Path, profile: str, database: str, log: str
) -> None:
    found = decoded(shared_data, database, log)
    right = answers(shared_data, profile, database, log)
    for name, channel in found.channels.items():
        unasked = name in NOT_IN_THE_PROFILES and name not in right
        if channel.doubt or unasked or channel.stands_in:
            continue
        assert name in right, f"{name} is not in the answers"
        same = channel.signal == right[name].signal or reads_the_same(channel, right[name])
        assert same, f"{name} is taken from another signal"
    for name, (low, high) in NOT_IN_THE_PROFILES.items():
        if name in found.channels:
            values = found.channels[name].valid()[1]
            assert low <= values.min() <= values.max() <= high, name


@pytest.mark.parametrize(("profile", "database", "log"), WITH_PROFILE)
def test_what_is_missing_from_an_open_database_is_asked_about_or_has_no_unit(
    shared_data: Path, profile: str, database: str, log: str
) -> None:
    """All are found but what the bus leaves open: raw counts, and signals that rest unused."""
    found = decoded(shared_data, database, log)
    right = answers(shared_data, profile, database, log)
    sure = [name for name in right if name in found.channels and not found.channels[name].doubt]
    open_questions = [
        name
        for name in right
        if name in found.ranking and found.ranking[name].doubt and name not in sure
    ]
    raw = [name for name in ("driver_torque", "assist_torque") if name in right]
    assert len(sure) + len(open_questions) + len(raw) >= len(right)
    assert len(sure) >= len(right) // 2


@pytest.mark.parametrize(("profile", "database", "log"), WITH_PROFILE)
def test_no_wrong_signal_steps_in_for_a_missing_one(
    shared_data: Path, profile: str, database: str, log: str
) -> None:
    right = {name: one.signal for name, one in answers(shared_data, profile, database, log).items()}
    before = decoded(shared_data, database, log)
    for gone in (*({signal} for signal in right.values()), set(right.values())):
        found = decoded(shared_data, database, log, without=frozenset(gone))
        for name, channel in found.channels.items():
            if channel.doubt or channel.stands_in or channel.signal == right.get(name):
                continue
            old = before.channels.get(name)
            assert old is not None, f"{name} is new without its right signal"
            same = channel.signal == old.signal or reads_the_same(channel, old)
            assert same, f"{name} is taken from another signal"


@pytest.mark.parametrize(("database", "log", "ranges"), WITH_RANGES)
def test_ranges_are_those_of_the_index(
    shared_data: Path, database: str, log: str, ranges: dict[str, tuple[float, float]]
) -> None:
    found = decoded(shared_data, database, log)
    for name, (low, high) in ranges.items():
        channel = found.channels[name]
        assert not channel.doubt
        values = channel.valid()[1]
        step = 0.6 if name != "supply_voltage" else 0.06
        assert values.min() == pytest.approx(low, abs=step), name
        assert values.max() == pytest.approx(high, abs=step), name
    sure = {name for name, channel in found.channels.items() if not channel.doubt}
    wheels = {name for name in sure if name.startswith("wheel_speed")}
    assert sure - wheels - ranges.keys() <= NOT_IN_THE_PROFILES.keys()


def test_the_speed_found_is_the_data_sets_own(shared_data: Path) -> None:
    """The authors' own road speed of that minute in m/s; it is the mean of the wheels."""
    found = decoded(shared_data, "car_e_f_i.dbc", "car_i/highway_60s_eps_torque_4bus.log")
    with (shared_data / "car_i/ref_speed.csv").open(encoding="utf-8") as source:
        reference = [float(row["speed_mps"]) * 3.6 for row in csv.DictReader(source)]
    values = found.channels["vehicle_speed"].valid()[1]
    for share in (0, 10, 50, 90, 100):
        assert np.percentile(values, share) == pytest.approx(
            np.percentile(reference, share), rel=0.03
        )


# Lowest and highest values of the index for the rest of the recordings; a channel may be asked
# about or missing instead. None: the index says that nothing true of it is in the recording.
EVERY_OTHER: list[tuple[str, str, dict[str, tuple[float, float] | None]]] = [
    (
        "dbc/car_a_800kB.dbc",
        "car_a/clock_bundles_back_6s.trc",
        {
            "supply_voltage": (11.8, 12.0),
            "module_current": (0.75, 0.85),
            "system_voltage": (11.87, 11.95),
            "coolant_temperature": (77.0, 79.0),
            "vehicle_speed": (0.0, 0.0),
        },
    ),
    (
        "dbc/car_c_d.dbc",
        "car_d/thinned_recorder_9s.log",
        {
            "engine_speed": (887.0, 951.0),
            "steering_angle": (2.2, 2.3),
            "coolant_temperature": (76.5, 80.25),
            "vehicle_speed": (0.0, 0.0),
            "supply_voltage": None,
            "system_voltage": None,
        },
    ),
    (
        "dbc/car_h.dbc",
        "car_h/drive_gears.log",
        {
            "vehicle_speed": (20.0, 89.2),
            "engine_speed": (1375.0, 3789.0),
            "steering_angle": (-9.5, 66.3),
        },
    ),
    (
        "dbc/car_h.dbc",
        "car_h/thinned_recorder_rev_8s.log",
        {
            "engine_speed": (636.0, 2580.0),
            "steering_angle": (25.3, 25.3),
            "wheel_speed_fl": (0.0, 0.0),
            "coolant_temperature": (92.0, 92.0),
        },
    ),
    (
        "dbc/car_c_d.dbc",
        "car_l/supply_field_dead_start.log",
        {
            "engine_speed": (0.0, 1849.0),
            "steering_angle": (344.0, 344.1),
            "coolant_temperature": (64.5, 64.5),
            "vehicle_speed": (0.0, 3.0),
            "supply_voltage": None,
            "system_voltage": None,
        },
    ),
    (
        "dbc_real/real_01.dbc",
        "car_m/units_asleep_at_end.trc",
        {"engine_speed": (0.0, 1728.0), "vehicle_speed": (0.0, 0.0)},
    ),
    (
        "dbc_real/real_01.dbc",
        "car_m/drive_rear_wheels_dead.log",
        {
            "engine_speed": (606.0, 3914.0),
            "vehicle_speed": (0.0, 125.9),
            "wheel_speed_fl": (0.0, 123.3),
            "wheel_speed_fr": (0.0, 123.5),
            "wheel_speed_rl": None,
            "wheel_speed_rr": None,
        },
    ),
]


@pytest.mark.parametrize(("database", "log", "ranges"), EVERY_OTHER)
def test_each_channel_of_every_other_recording_is_right_or_asked(
    shared_data: Path, database: str, log: str, ranges: dict[str, tuple[float, float] | None]
) -> None:
    found = decoded(shared_data, f"../{database}", log)
    for name, channel in found.channels.items():
        if channel.doubt or channel.held_out or not channel.unit_known or name not in ranges:
            continue
        extent = ranges[name]
        assert extent is not None, name
        values = channel.valid()[1]
        assert values.min() >= extent[0] - 0.15, name
        assert values.max() <= extent[1] + 0.15, name

"""Channels whose unit or sign lies: asked about, mended or listed, never believed in silence.

The truth is the invented ride's own; the databases are the invented ones and, where they lie
beside the checkout, real ones over which the same ride is drawn.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import TYPE_CHECKING

import numpy as np
import pytest

from canassist.decode import decode_ride, load_databases, plan_reading
from canassist.decode.belief import believe
from canassist.model import CHANNEL_UNITS, Channel, FrameSource, Timeline
from canassist.profile import default_profile, parse_profile
from canassist.timeline import with_known_units
from canassist.units import conversion
from tests.decode.drawn_bus import draw_bus, read_answers
from tests.decode.invented_ride import database, frames_of, ride, sheet, vehicle_names
from tests.decode.lies import SIGNED, Lie, is_silent, lied, lies_of

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from canassist.decode import Databases, DecodedRide
    from canassist.model import BusStats, FloatArray, MessageFrames, Profile

FAST = ("camel_english", "german_letters", "us_units", "left_positive")
SLOW = tuple(name for name in vehicle_names() if name not in FAST)


@cache
def recorded(name: str) -> tuple[Mapping[FrameSource, MessageFrames], BusStats]:
    return frames_of(name)


def naming(signals: Mapping[str, str], more: str = "") -> Profile:
    lines = [f'{channel} = "{signal}"' for channel, signal in signals.items()]
    return parse_profile("\n".join(["[channels]", *lines, more]), "named.toml")


def silent_lies(
    databases: Databases,
    frames: Mapping[FrameSource, MessageFrames],
    stats: BusStats,
    right: Mapping[str, frozenset[str]],
    profile: Profile,
) -> list[str]:
    """Tell each lie about each channel, and return those that were believed in silence."""
    before = decode_ride(frames, plan_reading(databases, profile), profile, stats)
    believed = []
    for channel, signals in right.items():
        one = before.channels.get(channel)
        if one is None or one.signal not in signals or one.held_out or not one.unit_known:
            continue
        for lie in lies_of(channel):
            told = lied(databases, signals, lie)
            found = decode_ride(frames, plan_reading(told, profile), profile, stats)
            now = found.channels.get(channel)
            if now is not None and now.signal in signals and is_silent(now, lie, ride()):
                believed.append(f"{channel}: {lie.name}")
    return believed


def invented_lies(name: str, *, named: bool) -> list[str]:
    truth = sheet(name).truth
    frames, stats = recorded(name)
    profile = naming(truth) if named else default_profile()
    right = {channel: frozenset({signal}) for channel, signal in truth.items()}
    return silent_lies(database(name), frames, stats, right, profile)


@pytest.mark.parametrize("named", [True, False])
@pytest.mark.parametrize("name", FAST)
def test_no_false_unit_or_sign_is_believed(name: str, named: bool) -> None:
    assert invented_lies(name, named=named) == []


@pytest.mark.slow
@pytest.mark.parametrize("named", [True, False])
@pytest.mark.parametrize("name", SLOW)
def test_no_false_unit_or_sign_of_any_invented_vehicle_is_believed(name: str, named: bool) -> None:
    assert invented_lies(name, named=named) == []


@pytest.mark.slow
@pytest.mark.parametrize("named", [True, False])
def test_no_false_unit_or_sign_of_a_real_database_is_believed(
    shared_data: Path, named: bool
) -> None:
    folder = shared_data / "dbc_real"
    for name, answers in read_answers(folder / "answers.tsv").items():
        databases = load_databases([folder / name])
        bus = draw_bus(databases, answers)
        right = {
            channel: one.acceptable
            for channel, one in answers.items()
            if one.acceptable and not one.optional
        }
        units = {s.full_name: s.unit for m in databases.messages for s in m.signals}
        certain = {
            channel: min(signals)
            for channel, signals in right.items()
            if conversion(units[min(signals)], CHANNEL_UNITS[channel]) is not None
        }
        profile = naming(certain) if named else default_profile()
        assert silent_lies(databases, bus.frames, bus.stats, right, profile) == [], name


@pytest.mark.parametrize("name", vehicle_names())
def test_nothing_true_is_held_out(name: str) -> None:
    frames, stats = recorded(name)
    profile = naming(sheet(name).truth)
    found = decode_ride(frames, plan_reading(database(name), profile), profile, stats)
    units = {s.full_name: s.unit for m in database(name).messages for s in m.signals}
    held = {
        channel: one.held_out
        for channel, one in found.channels.items()
        if one.held_out and conversion(units[one.signal], CHANNEL_UNITS[channel]) is not None
    }
    assert held == {}


def lied_about(channel: str, number: int, more: str = "") -> tuple[DecodedRide, Channel]:
    """Return the ride and one channel of the first vehicle, told with one lie."""
    truth = sheet("camel_english").truth
    told = lied(database("camel_english"), {truth[channel]}, lies_of(channel)[number])
    frames, stats = recorded("camel_english")
    named = {name: signal for name, signal in truth.items() if name != channel or not more}
    profile = naming(named, more)
    found = decode_ride(frames, plan_reading(told, profile), profile, stats)
    return found, found.channels[channel]


@pytest.mark.parametrize(
    ("channel", "number", "unit"),
    [
        ("vehicle_speed", 0, "miles an hour"),
        ("wheel_speed_rl", 1, "wheel revolutions a minute"),
        ("supply_voltage", 0, "millivolts"),
        ("module_temperature", 1, "kelvin"),
        ("engine_speed", 1, "radians a second"),
        ("assist_limit", 0, "a share of 0 to 1"),
        ("steering_angle", 0, "radians"),
    ],
)
def test_the_likely_unit_is_said_and_the_profile_line_mends_it(
    channel: str, number: int, unit: str
) -> None:
    _, one = lied_about(channel, number)
    assert unit in one.held_out
    assert one.doubt
    _, mended = lied_about(channel, number, one.profile_lines)
    assert not mended.held_out
    assert not mended.doubt
    expected = np.interp(mended.time_s, ride()["time"], ride()[channel])
    assert np.nanmedian(np.abs(mended.value - expected)) < 0.02 * np.ptp(expected) + 0.2


def test_a_sign_that_runs_against_the_others_is_asked_about() -> None:
    found, angle = lied_about("steering_angle", -1)
    assert not angle.sign_known
    assert "right positive" in angle.doubt
    assert "scale = -" in angle.profile_lines
    for name in ("driver_torque", "assist_torque", "motor_current"):
        assert found.channels[name].sign_known
        assert not found.channels[name].doubt


def test_a_scale_that_the_profile_gives_is_an_answer() -> None:
    signal = sheet("camel_english").truth["vehicle_speed"]
    told = f'[channels.vehicle_speed]\nsignal = "{signal}"\nscale = 0.6213712\n'
    named = {k: v for k, v in sheet("camel_english").truth.items() if k != "vehicle_speed"}
    frames, stats = recorded("camel_english")
    profile = naming(named, told)
    plan = plan_reading(database("camel_english"), profile)
    speed = decode_ride(frames, plan, profile, stats).channels["vehicle_speed"]
    assert not speed.held_out


def test_what_is_held_out_is_judged_by_nothing() -> None:
    found, supply = lied_about("supply_voltage", 0)
    whole = Timeline(
        channels=found.channels,
        duration_s=150.0,
        start_utc=None,
        bus=recorded("camel_english")[1],
    )
    measured = with_known_units(whole)
    assert not measured.has("supply_voltage")
    assert measured.held_out["supply_voltage"] is supply


def test_a_road_speed_without_wheels_is_listed_as_not_checked() -> None:
    truth = sheet("camel_english").truth
    wheels = {signal for channel, signal in truth.items() if channel.startswith("wheel")}
    kept = tuple(
        replace(m, signals=tuple(s for s in m.signals if s.full_name not in wheels))
        for m in database("camel_english").messages
    )
    databases = replace(database("camel_english"), messages=kept)
    frames, stats = recorded("camel_english")
    plan = plan_reading(databases, default_profile())
    found = decode_ride(frames, plan, default_profile(), stats)
    assert found.channels["vehicle_speed"].not_checked == ("unit",)


def test_the_signs_of_all_that_steers_are_checked_by_the_wheels() -> None:
    frames, stats = recorded("camel_english")
    profile = naming(sheet("camel_english").truth)
    plan = plan_reading(database("camel_english"), profile)
    found = decode_ride(frames, plan, profile, stats).channels
    assert {name for name, one in found.items() if "sign" in one.not_checked} == set()
    without = {name: one for name, one in found.items() if not name.startswith("wheel")}
    lone = believe(without, profile, {})
    assert {name for name, one in lone.items() if "sign" in one.not_checked} == SIGNED


def with_changed(name: str, scale: float, offset: float = 0.0) -> dict[str, Channel]:
    """Return the channels of the first vehicle, one of them read on another scale."""
    frames, stats = recorded("camel_english")
    profile = naming(sheet("camel_english").truth)
    channels = dict(
        decode_ride(
            frames, plan_reading(database("camel_english"), profile), profile, stats
        ).channels
    )
    one = channels[name]
    channels[name] = replace(one, value=one.value * scale + offset)
    return believe(channels, default_profile(), {})


@pytest.mark.parametrize("name", ["driver_torque", "assist_torque"])
def test_a_torque_that_turns_no_bar_is_held_out_beside_the_one_that_does(name: str) -> None:
    judged = with_changed(name, 0.01)
    assert "never reads more than" in judged[name].held_out
    assert "times a hundred" in judged[name].held_out
    other = "assist_torque" if name == "driver_torque" else "driver_torque"
    assert not judged[other].held_out


MAP = """
[assist_map]
speed_kph = [0, 10, 20, 40, 60]
"*" = [4.0, 3.6, 3.0, 2.0, 1.3]
driver_deadband_nm = 0.5
max_assist_nm = 40.0
"""


def with_torques(factor: float, more: str) -> dict[str, tuple[str, ...]]:
    """Return what is not checked of the first vehicle's torques, assist read times `factor`."""
    truth = sheet("camel_english").truth
    frames, stats = recorded("camel_english")
    told = lied(database("camel_english"), {truth["assist_torque"]}, Lie("", factor))
    profile = naming(truth, more)
    found = decode_ride(frames, plan_reading(told, profile), profile, stats).channels
    return {name: found[name].not_checked for name in ("driver_torque", "assist_torque")}


def test_a_torque_unit_is_confirmed_by_the_profiles_map_alone() -> None:
    assert all("unit" in one for one in with_torques(1.0, "").values())
    assert not any("unit" in one for one in with_torques(1.0, MAP).values())


@pytest.mark.parametrize("factor", [1.3558, 1.0 / 1.3558, 8.85, 0.1])
def test_a_map_confirms_no_torque_that_another_unit_would_explain(factor: float) -> None:
    assert all("unit" in one for one in with_torques(factor, MAP).values())


def test_a_map_confirms_torques_of_a_module_that_gives_too_little() -> None:
    assert not any("unit" in one for one in with_torques(0.62, MAP).values())


@pytest.mark.parametrize("name", ["motor_current", "module_current"])
@pytest.mark.parametrize("factor", [10.0, 0.1])
def test_a_current_ten_times_off_is_not_called_checked(name: str, factor: float) -> None:
    one = with_changed(name, factor)[name]
    assert one.held_out or "unit" in one.not_checked


def test_a_scale_in_the_profile_leaves_nothing_unchecked() -> None:
    signal = sheet("camel_english").truth["driver_torque"]
    more = f'[channels.driver_torque]\nsignal = "{signal}"\nscale = 1.0\n'
    named = {k: v for k, v in sheet("camel_english").truth.items() if k != "driver_torque"}
    frames, stats = recorded("camel_english")
    profile = naming(named, more)
    plan = plan_reading(database("camel_english"), profile)
    found = decode_ride(frames, plan, profile, stats).channels
    assert found["driver_torque"].not_checked == ()
    assert "unit" in found["assist_torque"].not_checked


def judged_by_hand(values: Mapping[str, FloatArray]) -> dict[str, Channel]:
    """Judge channels of a minute, one value a second."""
    time_s = np.arange(0.0, 60.0, 1.0)
    channels = {
        name: Channel(
            name=name, unit=CHANNEL_UNITS[name], time_s=time_s, value=value, signal=f"T.{name}",
            source=FrameSource(0, 1), period_s=1.0, stale_after_s=5.0,
        )
        for name, value in values.items()
    }  # fmt: skip
    return believe(channels, default_profile(), {})


@pytest.mark.parametrize(
    ("air_c", "coolant_c", "module_c"),
    [
        pytest.param(29.0, 74.0, 75.0, id="all but the air warm from riding"),
        pytest.param(34.0, 81.0, 32.0, id="a warm engine, a module that rested"),
    ],
)
def test_an_engine_that_is_warm_from_riding_makes_no_temperature_false(
    air_c: float, coolant_c: float, module_c: float
) -> None:
    """Coolant takes hours to cool, a module minutes: either near the other says nothing of it."""
    rise = 0.02 * np.arange(0.0, 60.0, 1.0)
    judged = judged_by_hand(
        {
            "ambient_temperature": air_c + rise,
            "coolant_temperature": coolant_c + rise,
            "module_temperature": module_c + rise,
        }
    )
    assert not any(one.held_out for one in judged.values())


def test_a_coolant_in_fahrenheit_is_told_once_it_reads_hotter_than_any() -> None:
    rise = 2.0 * np.arange(0.0, 60.0, 1.0)
    judged = judged_by_hand(
        {
            "ambient_temperature": np.full(60, 27.0),
            "coolant_temperature": 81.0 + rise,
            "module_temperature": np.full(60, 28.0) + 0.02 * rise,
        }
    )
    assert judged["coolant_temperature"].held_out


def test_a_road_speed_that_stands_while_the_wheels_move_has_no_false_unit() -> None:
    """It is stuck, and that is a fault to be found; a ratio it has none."""
    wheels = np.where(np.arange(60) < 45, 6.5, np.linspace(6.5, 80.0, 60))
    values = {f"wheel_speed_{one}": wheels.copy() for one in ("fl", "fr", "rl", "rr")}
    judged = judged_by_hand({"vehicle_speed": np.full(60, 49.2), **values})
    assert not judged["vehicle_speed"].held_out
    apart = judged_by_hand({"vehicle_speed": 1.6 * wheels, **values})
    assert any(one.held_out for one in apart.values())

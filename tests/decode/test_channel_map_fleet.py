"""Twenty-two invented databases in many styles: every channel right or openly in doubt.

Camel case, snake case, capitals, formula letters, run-together and long names; English,
German, French, Spanish, Italian and Dutch; little and big endian; with decoys in each.
"""

from __future__ import annotations

import itertools
import re
from dataclasses import replace
from functools import cache
from typing import TYPE_CHECKING

import numpy as np
import pytest

from canassist.decode.decode_ride import DecodedRide, decode_ride
from canassist.decode.plan import plan_reading
from canassist.model import CHANNEL_UNITS
from canassist.profile import default_profile
from tests.decode.invented_ride import database, frames_of, ride, sheet, vehicle_names

if TYPE_CHECKING:
    from collections.abc import Mapping

    from canassist.model import BusStats, Channel, FrameSource, MessageFrames

NAMES = vehicle_names()
SIGNED = {"driver_torque", "assist_torque", "motor_current", "steering_angle"}
LAG_S = 0.011
"""A sample may be this much older than the truth beside it."""


@cache
def recorded(name: str, *, standing: bool) -> tuple[Mapping[FrameSource, MessageFrames], BusStats]:
    return frames_of(name, ride(standing=standing))


def decoded(
    name: str, *, without: frozenset[str] = frozenset(), standing: bool = False
) -> DecodedRide:
    """Decode the invented ride with that vehicle's database, or with a part of it."""
    profile, databases = default_profile(), database(name)
    if without:
        kept = tuple(
            replace(
                message,
                signals=tuple(one for one in message.signals if one.full_name not in without),
            )
            for message in databases.messages
        )
        databases = replace(databases, messages=kept)
    frames, stats = recorded(name, standing=standing)
    return decode_ride(frames, plan_reading(databases, profile), profile, stats)


def wrong_in_silence(found: DecodedRide, truth: Mapping[str, str]) -> dict[str, str]:
    """Return the channels that are taken from a wrong signal without a question."""
    return {
        channel: value.signal
        for channel, value in found.channels.items()
        if value.signal != truth.get(channel) and not value.doubt and not _stands_in(value, truth)
    }


def _stands_in(value: Channel, truth: Mapping[str, str]) -> bool:
    return value.stands_in and value.signal == truth.get("system_voltage")


@pytest.mark.parametrize("name", NAMES)
def test_every_channel_is_right_or_openly_in_doubt(name: str) -> None:
    found, answers = decoded(name), sheet(name)
    assert wrong_in_silence(found, answers.truth) == {}
    for channel, signal in answers.truth.items():
        value, choice = found.channels.get(channel), found.ranking.get(channel)
        if value is None or value.signal != signal:
            assert choice is not None, channel
            assert choice.doubt, f"{channel} is missing without a question"


def test_nearly_all_are_found_without_a_question() -> None:
    sure = missing = 0
    for name in NAMES:
        found, answers = decoded(name), sheet(name)
        for channel, signal in answers.truth.items():
            value = found.channels.get(channel)
            right = value is not None and value.signal == signal and not value.doubt
            sure, missing = sure + right, missing + (not right)
    assert sure >= 254
    assert missing <= 5  # the database without units leaves road speed and torques open


@pytest.mark.parametrize("name", NAMES)
def test_what_nothing_can_settle_stays_open(name: str) -> None:
    found = decoded(name)
    for channel in sheet(name).open:
        assert channel not in found.channels
        assert found.ranking[channel].doubt


@pytest.mark.parametrize("name", NAMES)
def test_values_are_the_truth_in_the_channels_unit(name: str) -> None:
    found, answers, truth = decoded(name), sheet(name), ride()
    for channel, signal in answers.truth.items():
        value = found.channels.get(channel)
        if value is None or value.signal != signal or value.doubt or CHANNEL_UNITS[channel] == "-":
            continue
        words = re.findall(r"[a-z][a-z_0-9]+", answers.carries[signal])
        quantity = next(word for word in words if word in truth)
        expected = np.interp(value.time_s, truth["time"], truth[quantity])
        actual = value.value
        if channel in SIGNED and not value.sign_known:
            expected, actual = np.abs(expected), np.abs(actual)
        slope = np.interp(value.time_s, truth["time"], _steepness(truth[quantity]))
        allowed = 0.012 * np.ptp(expected) + slope * LAG_S + 0.6
        assert np.all(np.abs(actual - expected) <= allowed), channel


def _steepness(quantity: np.ndarray) -> np.ndarray:
    """Largest slope within a few steps, per second."""
    steps = np.abs(np.diff(quantity, append=quantity[-1])) / 0.01
    return np.asarray(np.maximum.reduce([np.roll(steps, shift) for shift in range(-3, 4)]))


@pytest.mark.parametrize("name", NAMES)
def test_a_ride_that_stands_still_misleads_nobody(name: str) -> None:
    assert wrong_in_silence(decoded(name, standing=True), sheet(name).truth) == {}


@pytest.mark.parametrize("name", NAMES)
def test_where_the_right_signal_is_missing_no_wrong_one_steps_in_silently(name: str) -> None:
    truth = sheet(name).truth
    gone = [frozenset({signal}) for signal in truth.values()] + [frozenset(truth.values())]
    for without in gone:
        left = {channel: one for channel, one in truth.items() if one not in without}
        assert wrong_in_silence(decoded(name, without=without), left) == {}, sorted(without)


@pytest.mark.slow
@pytest.mark.parametrize("name", NAMES)
def test_where_two_right_signals_are_missing_no_wrong_one_steps_in_silently(name: str) -> None:
    truth = sheet(name).truth
    for pair in itertools.combinations(truth.values(), 2):
        left = {channel: one for channel, one in truth.items() if one not in pair}
        assert wrong_in_silence(decoded(name, without=frozenset(pair)), left) == {}, pair


def test_left_positive_signals_are_turned_where_the_database_says_so() -> None:
    found = decoded("left_positive")
    for channel in SIGNED:
        assert found.channels[channel].sign_known
        truth = np.interp(found.channels[channel].time_s, ride()["time"], ride()[channel])
        assert np.corrcoef(truth, found.channels[channel].value)[0, 1] > 0.99


def test_a_silent_database_leaves_the_sign_unknown() -> None:
    found = decoded("french_snake")
    assert not found.channels["driver_torque"].sign_known
    assert not found.channels["assist_torque"].sign_known


def test_assist_that_counts_against_the_driver_is_turned_with_it() -> None:
    found = decoded("silent_miles").channels
    driver, assist = found["driver_torque"], found["assist_torque"]
    held = np.interp(driver.time_s, assist.time_s, assist.value)
    assert np.corrcoef(driver.value, held)[0, 1] > 0.8


def test_a_current_without_direction_has_no_sign() -> None:
    current = decoded("german_compounds").channels["motor_current"]
    assert not current.sign_known
    assert np.nanmin(current.value) >= 0.0


def test_the_battery_stands_in_where_the_module_sends_no_voltage() -> None:
    found = decoded("camel_english", without=frozenset({"EpsStatus.EcuSupplyVolt"}))
    assert found.channels["supply_voltage"].stands_in
    assert found.channels["supply_voltage"].signal == "PowerState.BattVolt"


def test_each_choice_names_its_reason_and_who_came_second() -> None:
    found = decoded("camel_english")
    torque = found.channels["driver_torque"]
    assert torque.chosen_by in {"name", "unit", "behaviour"}
    assert found.channels["module_temperature"].runner_up is None  # nothing else was near
    speed = found.ranking["vehicle_speed"]
    best = speed.ranking[0]
    assert best.signal == "ChassisState.VehSpd"
    assert best.figures["high"] == pytest.approx(ride()["vehicle_speed"].max(), abs=0.1)
    assert {"name", "unit", "range", "behaviour"} <= best.parts.keys()
    assert any("wheels" in reason for reason in best.reasons)

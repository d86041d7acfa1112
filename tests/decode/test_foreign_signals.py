"""Vehicles drawn at random, in names that no rule knows: right, asked or open; never wrong."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from canassist.decode import MessageLayout, SignalLayout, decode_ride, plan_reading
from canassist.decode.matching.signed_amounts import direction_of
from canassist.model import CHANNEL_UNITS
from canassist.profile import default_profile
from tests.decode.foreign_vehicles import draw_vehicle, verdict

if TYPE_CHECKING:
    from pathlib import Path

    from canassist.model import FloatArray

NAMELESS = 20
"""A vehicle whose names are numbers, with units."""


def verdicts(seed: int, folder: Path) -> dict[str, str]:
    vehicle = draw_vehicle(seed, folder)
    profile = default_profile()
    plan = plan_reading(vehicle.databases, profile)
    found = decode_ride(vehicle.frames, plan, profile, vehicle.stats)
    assert found.fit is None or not found.fit.reason
    return {channel: verdict(found, channel, vehicle) for channel in CHANNEL_UNITS}


@pytest.mark.parametrize("seed", [2, 7, 28])
def test_no_channel_of_a_foreign_vehicle_is_wrong_in_silence(seed: int, tmp_path: Path) -> None:
    assert [said for said in verdicts(seed, tmp_path).values() if said.startswith("wrong")] == []


@pytest.mark.slow
def test_no_channel_of_a_hundred_foreign_vehicles_is_wrong_in_silence(tmp_path: Path) -> None:
    for seed in range(1, 101):
        said = verdicts(seed, tmp_path)
        wrong = {channel: one for channel, one in said.items() if one.startswith("wrong")}
        assert wrong == {}, seed


def test_behaviour_places_what_has_no_name(tmp_path: Path) -> None:
    said = verdicts(NAMELESS, tmp_path)
    for channel in ("engine_speed", "driver_torque", "assist_torque", "motor_current"):
        assert said[channel] == "right", channel


def amount_and_direction() -> tuple[MessageLayout, FloatArray, FloatArray]:
    time = np.arange(0.0, 60.0, 0.01)
    torque = 3.0 * np.sin(time) + np.sin(2.3 * time)
    amount = SignalLayout(message="M", name="Amount", start=0, length=8, scale=0.02)
    side = SignalLayout(message="M", name="Bit", start=8, length=1)
    return MessageLayout(name="M", key=1, length=2, signals=(amount, side)), torque, torque < 0


def test_an_amount_gets_the_direction_that_turns_where_it_is_small() -> None:
    message, torque, negative = amount_and_direction()
    found = direction_of(
        "driver_torque",
        message,
        message.signals[0],
        np.abs(torque),
        lambda _: negative.astype(np.float64),
    )
    assert found is not None
    assert found.name == "M.Bit"
    assert not found.side_known
    assert np.allclose(found.sign * np.abs(torque), torque)


def test_a_flag_that_turns_at_full_effort_is_no_direction() -> None:
    message, torque, _ = amount_and_direction()
    flag = (np.abs(torque) > 2.0).astype(np.float64)
    found = direction_of(
        "driver_torque", message, message.signals[0], np.abs(torque), lambda _: flag
    )
    assert found is None

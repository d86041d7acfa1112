"""Road speed held against the wheels."""

from __future__ import annotations

import numpy as np
import pytest

from canassist.conclude.plausibility import WHEELS, off_speed
from canassist.model import Channel, Code
from tests.conclude.hand_made import HandMade, constant, ridden


def ride(wheels_kph: float, *, speed_kph: float = 40.0, wheels: int = 4) -> HandMade:
    channels: dict[str, Channel] = ridden()
    channels["vehicle_speed"].value[:] = speed_kph
    for name in WHEELS[:wheels]:
        channels[name] = constant(name, wheels_kph)
    return HandMade(channels=channels)


def test_speed_that_reads_twice_what_the_wheels_say() -> None:
    found = off_speed(ride(20.0).timeline)
    assert found is not None
    assert found.seconds == pytest.approx(300.0, abs=1.0)
    assert (found.speed_kph, found.wheels_kph) == (40.0, 20.0)
    codes = [item.code for item in ride(20.0).verdict().conclusions]
    assert Code.SPEED_SIGNAL_FAULT in codes


@pytest.mark.parametrize("wheels_kph", [40.0, 36.0, 44.0, 33.0])
def test_tyres_and_slip_are_no_fault(wheels_kph: float) -> None:
    assert off_speed(ride(wheels_kph).timeline) is None


def test_one_wheel_alone_proves_nothing() -> None:
    assert off_speed(ride(20.0, wheels=1).timeline) is None


def test_one_false_wheel_of_four_does_not_count() -> None:
    channels = ride(40.0).channels
    channels["wheel_speed_fl"].value[:] = 5.0
    assert off_speed(HandMade(channels=channels).timeline) is None


def test_wheels_that_spin_beside_two_that_go_with_the_vehicle_are_no_fault() -> None:
    channels = ride(40.0).channels
    for name in WHEELS[2:]:
        channels[name].value[1000:1400] = 90.0
    assert off_speed(HandMade(channels=channels).timeline) is None


def test_dead_wheels_are_no_witnesses() -> None:
    channels = ride(40.0).channels
    for name in WHEELS[1:]:
        channels[name].value[:] = 0.0
    assert off_speed(HandMade(channels=channels).timeline) is None


def test_wheels_that_spin_for_a_moment_are_no_fault() -> None:
    channels = ride(40.0).channels
    for name in WHEELS:
        channels[name].value[1000:1040] = 90.0  # 4 s
    assert off_speed(HandMade(channels=channels).timeline) is None


def test_unknown_is_not_off() -> None:
    channels = ride(20.0).channels
    for name in WHEELS:
        channels[name].value[:] = np.nan
    assert off_speed(HandMade(channels=channels).timeline) is None

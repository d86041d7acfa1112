"""Overvoltage and low charging on rides worked by hand."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from canassist.detect.charging import find_charging_low
from canassist.detect.overvoltage import find_overvoltage
from canassist.model import FloatArray, Profile, SupplySpec, Timeline

Ride = Callable[..., Timeline]
Every = Callable[[float, float], FloatArray]


@pytest.mark.parametrize(("seconds", "count"), [(0.9, 0), (1.0, 1)])
def test_overvoltage_lasts_a_second(
    ride: Ride, every: Every, profile: Profile, seconds: float, count: int
) -> None:
    time_s = every(0.1, 5.0)
    high = (time_s > 0.99) & (time_s < 0.99 + seconds)
    supply = np.where(high, 15.8, 14.2)
    events = find_overvoltage(ride({"supply_voltage": (time_s, supply)}), profile)
    assert len(events) == count
    for event in events:
        assert (event.start_s, event.end_s) == pytest.approx((1.0, 2.0))
        assert event.measured["max_supply_v"] == 15.8
        assert event.expected["max_supply_v"] == 15.5


def test_overvoltage_needs_0_2_v_below_to_end(ride: Ride, every: Every, profile: Profile) -> None:
    time_s = every(0.1, 5.0)
    supply = np.where(time_s < 0.99, 14.2, np.where(time_s < 2.99, 15.8, 15.35))
    events = find_overvoltage(ride({"supply_voltage": (time_s, supply)}), profile)
    assert [e.start_s for e in events] == pytest.approx([1.0])
    assert events[0].end_s is None


def _charging(every: Every, low_s: float) -> dict[str, tuple[FloatArray, FloatArray]]:
    """Engine above 1500 rpm from 10 s; supply 12.8 V for `low_s` from there, then 14 V."""
    time_s = every(0.5, 120.0)
    rpm = np.where(time_s < 9.99, 1200.0, 3000.0)
    supply = np.where(time_s < 10.0 + low_s - 0.01, 12.8, 14.0)
    return {"supply_voltage": (time_s, supply), "engine_speed": (time_s, rpm)}


def test_charging_low_lasts_30_s(ride: Ride, every: Every, profile: Profile) -> None:
    assert find_charging_low(ride(_charging(every, 29.5)), profile) == []
    events = find_charging_low(ride(_charging(every, 30.0)), profile)
    assert [(e.start_s, e.end_s) for e in events] == [pytest.approx((10.0, 40.0))]
    assert events[0].measured["supply_v"] == 12.8
    assert events[0].expected == {"supply_v": 13.2, "engine_rpm": 1500.0}


def test_charging_low_ends_when_the_engine_slows(
    ride: Ride, every: Every, profile: Profile
) -> None:
    channels = _charging(every, 200.0)
    time_s, rpm = channels["engine_speed"]
    rpm[time_s > 69.9] = 1500.0
    events = find_charging_low(ride(channels), profile)
    assert [(e.start_s, e.end_s) for e in events] == [pytest.approx((10.0, 70.0))]


def test_a_blink_above_does_not_end_it_but_5_s_do(
    ride: Ride, every: Every, profile: Profile
) -> None:
    channels = _charging(every, 200.0)
    time_s, supply = channels["supply_voltage"]
    supply[(time_s > 49.9) & (time_s < 54.4)] = 13.6  # 4.5 s: goes on
    supply[(time_s > 89.9) & (time_s < 94.9)] = 13.6  # 5 s: ends
    events = find_charging_low(ride(channels), profile)
    assert [(e.start_s, e.end_s) for e in events] == [pytest.approx((10.0, 90.0))]


def test_nothing_without_engine_speed(ride: Ride, every: Every, profile: Profile) -> None:
    channels = _charging(every, 200.0)
    del channels["engine_speed"]
    assert find_charging_low(ride(channels), profile) == []


def test_on_a_converter_a_rolling_vehicle_stands_for_a_fast_engine(
    ride: Ride, every: Every, profile: Profile
) -> None:
    channels = _charging(every, 40.0)
    time_s = channels["engine_speed"][0]
    del channels["engine_speed"]
    channels["vehicle_speed"] = (time_s, np.where(time_s < 9.99, 0.0, 12.0))
    electric = replace(profile, supply=SupplySpec(source="dcdc"))
    assert find_charging_low(ride(channels), electric) == []  # its charging voltage is not given
    told = replace(electric, given=frozenset({"limits.charging_v"}))
    (event,) = find_charging_low(ride(channels), told)
    assert (event.start_s, event.end_s) == pytest.approx((10.0, 50.0))
    battery = replace(told, supply=SupplySpec(source="battery"))
    assert find_charging_low(ride(channels), battery) == []

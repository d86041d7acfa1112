"""Bounds and figures of events of supply, signals and bus, on rides worked by hand."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from canassist.detect import undervoltage
from canassist.detect.charging import find_charging_low
from canassist.detect.jumps import find_jumps
from canassist.detect.overvoltage import find_overvoltage
from canassist.detect.signals import find_losses
from canassist.model import (
    Estimate,
    Event,
    FloatArray,
    Physics,
    Points,
    Profile,
    Severity,
    SupplyPath,
    Timeline,
)
from canassist.physics import life_of_ride
from tests.detect.hand_rides import Samples

Ride = Callable[..., Timeline]
Every = Callable[[float, float], FloatArray]


def _on_24_v(profile: Profile, **limits: float) -> Profile:
    return replace(
        profile,
        nominal_v=24.0,
        limits=replace(profile.limits, **limits),
        given=frozenset({"vehicle.nominal_v", *(f"limits.{name}" for name in limits)}),
    )


def _dips(timeline: Timeline, profile: Profile, physics: Physics | None = None) -> list[Event]:
    known = physics or Physics()
    return undervoltage.find_undervoltage(timeline, profile, known, life_of_ride(timeline))


def _set(samples: Samples, span_s: tuple[float, float], value: float) -> None:
    samples[1][(samples[0] > span_s[0] - 0.01) & (samples[0] < span_s[1] - 0.01)] = value


# -- charging and too high a supply ------------------------------------------------------------


@pytest.mark.parametrize(("back_v", "end_s"), [(13.39, None), (13.41, 70.0)])
def test_charging_is_back_0_2_v_above_its_limit(
    ride: Ride, every: Every, profile: Profile, back_v: float, end_s: float | None
) -> None:
    time_s = every(0.5, 120.0)
    supply = np.where(time_s < 69.9, 12.8, back_v)
    channels = {"supply_voltage": (time_s, supply), "engine_speed": (time_s, np.full(241, 3e3))}
    (event,) = find_charging_low(ride(channels), profile)
    assert event.end_s == end_s


@pytest.mark.parametrize(("back_v", "end_s"), [(26.7, None), (26.85, 70.0)])
def test_on_24_v_charging_is_back_0_4_v_above_its_limit(
    ride: Ride, every: Every, profile: Profile, back_v: float, end_s: float | None
) -> None:
    time_s = every(0.5, 120.0)
    supply = np.where(time_s < 69.9, 25.6, back_v)
    channels = {"supply_voltage": (time_s, supply), "engine_speed": (time_s, np.full(241, 3e3))}
    (event,) = find_charging_low(ride(channels), _on_24_v(profile, charging_v=26.4))
    assert event.end_s == end_s


@pytest.mark.parametrize(
    ("volts", "high_v", "severity"),
    [
        (12.0, 17.9, Severity.WARNING),
        (12.0, 18.1, Severity.SERIOUS),
        (24.0, 35.9, Severity.WARNING),
        (24.0, 36.1, Severity.SERIOUS),
    ],
)
def test_overvoltage_is_serious_above_18_v_of_12(  # noqa: PLR0917 - fixtures and a table
    ride: Ride, every: Every, profile: Profile, volts: float, high_v: float, severity: Severity
) -> None:
    time_s = every(0.1, 5.0)
    given = profile if volts < 13.0 else _on_24_v(profile, overvoltage_v=31.0)
    supply = np.where((time_s > 0.99) & (time_s < 2.99), high_v, 1.18 * volts)
    (event,) = find_overvoltage(ride({"supply_voltage": (time_s, supply)}), given)
    assert event.severity is severity


# -- dips --------------------------------------------------------------------------------------


def _running(every: Every) -> dict[str, Samples]:
    time_s = every(0.05, 60.0)
    return {
        "supply_voltage": (time_s, np.full(len(time_s), 14.2)),
        "system_voltage": (time_s, np.full(len(time_s), 14.2)),
        "engine_speed": (time_s, np.full(len(time_s), 2500.0)),
        "module_current": (time_s, np.full(len(time_s), 2.0)),
    }


@pytest.mark.parametrize(("more_a", "cause"), [(28.0, "steering_load"), (12.0, "supply_break")])
def test_current_that_a_wire_could_carry_makes_a_fall_no_break(
    ride: Ride, every: Every, profile: Profile, more_a: float, cause: str
) -> None:
    """8 V at 28 A is 0.29 ohm, at 12 A 0.67 ohm: above 0.4 ohm nothing carries such a current."""
    channels = _running(every)
    del channels["system_voltage"]
    _set(channels["supply_voltage"], (30.0, 30.3), 6.2)
    _set(channels["module_current"], (30.0, 30.4), 2.0 + more_a)
    (event,) = _dips(ride(channels), profile)
    assert (event.cause == "supply_break") == (cause == "supply_break")


@pytest.mark.parametrize(("system_v", "broken"), [(9.0, True), (7.0, False)])
def test_a_break_leaves_most_of_the_system_voltage(
    ride: Ride, every: Every, profile: Profile, system_v: float, broken: bool
) -> None:
    """The module's falls by 12.2 V at the worst: half of that, 6.1 V, parts load and break."""
    channels = _running(every)
    _set(channels["supply_voltage"], (30.0, 30.1), 2.0)
    _set(channels["supply_voltage"], (30.1, 30.3), 10.0)
    _set(channels["module_current"], (30.0, 30.3), 0.0)
    _set(channels["system_voltage"], (30.0, 30.3), system_v)
    (event,) = _dips(ride(channels), profile)
    assert (event.cause == "supply_break") == broken


def _path(ohm: float) -> SupplyPath:
    """Return a path measured by the difference of two voltages, and a source of 20 milliohms."""
    return SupplyPath(
        method="difference",
        path_ohm=Estimate(value=ohm, low=ohm, high=ohm, unit="ohm", count=9),
        source_ohm=Estimate(value=0.02, low=0.01, high=0.03, unit="ohm", count=9),
        peak_current_a=60.0,
        drop_v=60.0 * ohm,
        open_voltage_v=14.0,
        points=Points.none(),
    )


@pytest.mark.parametrize(("ohm", "broken"), [(0.0, True), (0.03, False)])
def test_a_fall_that_path_and_source_explain_is_no_break(
    ride: Ride, every: Every, profile: Profile, ohm: float, broken: bool
) -> None:
    """50 A just after take 1.5 x (path + 0.02) ohm x 50 A: 1.5 or 3.8 V of 4.2."""
    channels = _running(every)
    del channels["system_voltage"]
    _set(channels["supply_voltage"], (30.0, 30.05), 10.0)
    _set(channels["module_current"], (30.05, 30.1), 52.0)
    (event,) = _dips(ride(channels), profile, Physics(supply_path=_path(ohm)))
    assert (event.cause == "supply_break") == broken


# -- signals -----------------------------------------------------------------------------------


def _moving(every: Every, period_s: float = 0.05) -> dict[str, Samples]:
    time_s = every(period_s, 60.0)
    return {
        "vehicle_speed": (time_s, 30.0 + np.sin(time_s)),
        "engine_speed": (time_s, 3000.0 + 100.0 * np.sin(time_s)),
    }


def _without(samples: Samples, start_s: float, end_s: float) -> Samples:
    kept = (samples[0] < start_s + 0.01) | (samples[0] > end_s - 0.01)
    return samples[0][kept], samples[1][kept]


@pytest.mark.parametrize(("next_s", "count"), [(25.5, 0), (25.6, 1), (25.7, 1)])
def test_a_channel_may_be_late_by_a_fifth_of_its_period(
    ride: Ride, every: Every, next_s: float, count: int
) -> None:
    """Period 0.1 s: stale after 0.5 s, lost after 0.52 s."""
    channels = _moving(every, 0.1)
    channels["vehicle_speed"] = _without(channels["vehicle_speed"], 25.0, next_s)
    timeline = ride(channels)
    assert len(find_losses(timeline, life_of_ride(timeline))) == count


def test_a_channel_that_is_a_tenth_of_a_period_late_is_not_lost(ride: Ride, every: Every) -> None:
    channels = _moving(every, 0.1)
    time_s, speed = _without(channels["vehicle_speed"], 25.0, 25.5)
    time_s[time_s > 25.4] += 0.01
    channels["vehicle_speed"] = (time_s, speed)
    timeline = ride(channels)
    assert find_losses(timeline, life_of_ride(timeline)) == []


def test_a_hole_of_the_recording_elsewhere_takes_nothing_from_a_silence(
    ride: Ride, every: Every
) -> None:
    channels = _moving(every)
    channels["vehicle_speed"] = _without(channels["vehicle_speed"], 25.0, 28.0)
    for hole_s in ((10.0, 12.0), (40.0, 41.0)):
        timeline = ride(channels, recording_gaps=[hole_s])
        (event,) = find_losses(timeline, life_of_ride(timeline))
        assert event.measured["silent_s"] == pytest.approx(3.0)


@pytest.mark.parametrize(("step_kph", "count"), [(8.0, 1), (7.0, 0)])
def test_a_step_may_be_spread_over_a_tenth_of_a_second(
    ride: Ride, every: Every, profile: Profile, step_kph: float, count: int
) -> None:
    """Two steps within 0.1 s: 15 km/h in all is possible, 16 is not; it comes back as it went."""
    channels = _moving(every)
    time_s, speed = channels["vehicle_speed"]
    speed[:] = np.where(time_s < 20.0, 29.0, 30.0)
    up = np.interp(time_s, [19.98, 20.04, 20.06, 20.1], [0.0, 1.0, 1.0, 2.0])
    up[time_s > 20.3] = 0.0
    channels["vehicle_speed"] = (time_s, np.full(len(time_s), 30.0) + step_kph * up)
    assert len(find_jumps(ride(channels), profile)) == count


def test_a_jump_is_told_from_the_sample_before_it(
    ride: Ride, every: Every, profile: Profile
) -> None:
    channels = _moving(every)
    time_s, speed = channels["vehicle_speed"]
    speed[:] = 30.0
    row = int(np.searchsorted(time_s, 30.0))
    speed[row - 1], speed[row] = 31.0, 90.0
    (event,) = find_jumps(ride(channels), profile)
    assert event.measured == {"step_kph": 59.0, "before_value": 31.0, "after_value": 90.0}

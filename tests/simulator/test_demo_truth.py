"""The truth of a ride follows from its noiseless channels, and each ride shows its fault."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pytest

from canassist.demo import RIDES, SimulatedRide, TrueEvent
from canassist.demo.plant.riding import Manoeuvre
from canassist.demo.truth.observe import Scene, spans
from canassist.demo.truth.true_supply import supply_limit
from canassist.model import BoolArray, Code, FloatArray

Rides = Mapping[str, SimulatedRide]


def _scene(ride: SimulatedRide) -> Scene:
    return Scene(
        scenario=ride.scenario,
        course=ride.course,
        trouble=ride.trouble,
        run=ride.run,
        told=ride.told,
    )


def _of(ride: SimulatedRide, kind: str, cause: str | None = None) -> list[TrueEvent]:
    return [e for e in ride.truth.events if e.kind == kind and cause in {None, e.cause}]


def _while(ride: SimulatedRide, manoeuvre: Manoeuvre) -> BoolArray:
    rows = [k for k, part in enumerate(ride.scenario.stretches) if part.manoeuvre is manoeuvre]
    return np.isin(ride.course.manoeuvre, rows)


def test_spans_of_the_two_threshold_example() -> None:
    """Reference sheet, trigger: on below 10.5, off above 11.5: two events."""
    values = np.array(
        [12.2, 11.0, 10.4, 10.6, 10.9, 10.4, 11.2, 11.6, 10.6, 9.0, 11.4, 11.5, 11.51]
    )
    found = spans(np.linspace(0.0, 1.2, 13), values < 10.5, values > 11.5)
    assert found == [(2, 7), (9, 12)]


def test_a_run_too_short_is_no_event_and_a_recovery_must_hold() -> None:
    time_s = np.linspace(0.0, 1.9, 20)
    low = np.zeros(20, dtype=np.bool_)
    low[2:4] = low[8:13] = low[14] = True
    assert spans(time_s, low, ~low, lasts_s=0.3, holds_s=0.3) == [(8, 15)]
    assert spans(time_s, low, ~low, lasts_s=0.3, holds_s=1.0) == [(8, None)]


def test_a_gap_does_not_count_towards_a_duration() -> None:
    time_s = np.array([0.0, 0.1, 0.2, 5.0, 5.1, 5.2, 5.3])
    low = np.array([False, True, True, True, False, False, False])
    assert spans(time_s, low, ~low, lasts_s=0.5) == []
    assert spans(time_s, low, ~low, lasts_s=0.1) == [(1, 4)]


def _slow_undervoltage(
    time_s: FloatArray, supply_v: FloatArray, limit_v: FloatArray
) -> list[tuple[float, float | None]]:
    """Walk sample by sample, as the definition reads."""
    found: list[tuple[float, float | None]] = []
    start, row = None, 0
    while row < len(time_s):
        if start is None:
            start = time_s[row] if supply_v[row] < limit_v[row] else None
            row += 1
            continue
        ahead = row
        while (
            ahead < len(time_s)
            and supply_v[ahead] >= limit_v[ahead] + 0.2
            and time_s[ahead] - time_s[row] < 0.2
        ):
            ahead += 1
        held = ahead < len(time_s) and supply_v[ahead] >= limit_v[ahead] + 0.2
        if supply_v[row] >= limit_v[row] + 0.2 and held and time_s[ahead] - time_s[row] >= 0.2:
            found.append((start, time_s[row]))
            start = None
        row += 1
    return found if start is None else [*found, (start, None)]


@pytest.mark.parametrize("name", ["weak_battery", "not_charging", "supply_resistance"])
def test_undervoltage_equals_a_walk_through_the_samples(name: str, rides: Rides) -> None:
    scene = _scene(rides[name])
    supply = scene.samples("supply_voltage")
    expected = _slow_undervoltage(supply.time_s, supply.value, supply_limit(scene, supply.time_s))
    every = [*rides[name].truth.events, *rides[name].truth.doubtful]
    found = {(e.start_s, e.end_s) for e in every if e.kind == "undervoltage"}
    assert len(expected) >= 5
    assert set(expected) <= found


@pytest.mark.parametrize("name", RIDES)
def test_a_derate_starts_with_the_first_low_sample_on_the_bus(name: str, rides: Rides) -> None:
    ride = rides[name]
    limit = ride.timeline().channels["assist_limit"]
    for event in _of(ride, "derate"):
        row = int(np.searchsorted(limit.time_s, event.start_s - 1e-9))
        assert limit.time_s[row] == pytest.approx(event.start_s, abs=1e-9)
        assert limit.value[row] < 95.0
        assert row == 0 or limit.value[row - 1] >= 95.0
        if event.end_s is not None:
            back = int(np.searchsorted(limit.time_s, event.end_s - 1e-9))
            assert limit.value[back] >= 98.0
            assert limit.value[back - 1] < 98.0


@pytest.mark.parametrize("name", RIDES)
def test_truth_of_sample_rides_leaves_hardly_a_doubt(name: str, rides: Rides) -> None:
    truth = rides[name].truth
    assert truth.conclusion is RIDES[name].conclusion
    assert len(truth.doubtful) <= 1
    assert [e.start_s for e in truth.events] == sorted(e.start_s for e in truth.events)


@pytest.mark.parametrize("name", ["healthy_mixed", "second_vehicle"])
def test_healthy_rides_hold_no_event_but_the_wait_for_the_engine(name: str, rides: Rides) -> None:
    ride = rides[name]
    assert [(e.kind, e.cause) for e in ride.truth.events] == [("derate", "engine_stopped")]
    slow = (ride.course.speed_kph < 15.0) & (np.abs(ride.run.told_driver_nm) > 2.0)
    assert slow.sum() * 0.01 > 60.0
    assert (ride.course.speed_kph > 30.0).sum() * 0.01 > 50.0


def test_the_healthy_ride_is_hot_for_a_while_and_not_reduced(rides: Rides) -> None:
    ride = rides["healthy_mixed"]
    assert (ride.run.stage_c > 80.0).sum() * 0.01 > 15.0
    assert ride.run.stage_c.max() < 84.0
    assert ride.course.mode.min() != ride.course.mode.max()


def test_heat_takes_assist_in_tight_turns(rides: Rides) -> None:
    ride = rides["hot_tight_turns"]
    assert len(_of(ride, "derate", "temperature")) >= 2
    assert ride.run.stage_c.max() > 88.0
    assert ride.run.module_v[ride.course.time_s > 10].min() > 11.3


def test_a_weak_battery_gives_way_cranking_and_steering(rides: Rides) -> None:
    ride = rides["weak_battery"]
    engaged = ride.course.time_s[ride.course.starter_on]
    judged = ride.course.starter_on & (ride.course.time_s > engaged[0] + 0.3)
    assert ride.run.module_v[judged].max() < 9.6
    assert ride.run.board_v[_while(ride, Manoeuvre.SWEEP)].min() < 11.0
    assert len(_of(ride, "undervoltage", "cranking")) == 1
    assert len(_of(ride, "derate", "voltage")) >= 5


def test_nothing_charges_with_the_engine_fast(rides: Rides) -> None:
    ride = rides["not_charging"]
    fast = ride.course.engine_rpm > 1500.0
    assert ride.run.module_v[fast].max() < 13.0
    assert sum((e.end_s or 0) - e.start_s for e in _of(ride, "charging_low")) > 120.0
    assert (ride.run.battery_a[fast] > 0).all()


def test_a_bad_joint_drops_at_the_module_alone(rides: Rides) -> None:
    ride = rides["supply_resistance"]
    assert ride.truth.parameters["path_ohm"] >= 0.05
    assert ride.run.module_a.max() > 55.0
    assert ride.run.module_v[ride.course.time_s > 10].min() < 10.5
    assert ride.run.board_v[ride.course.time_s > 10].min() > 12.0


def test_lost_road_speed_takes_half_the_assist(rides: Rides) -> None:
    ride = rides["speed_lost"]
    losses = [e for e in _of(ride, "signal_loss") if e.channel == "vehicle_speed"]
    assert len(losses) == 2
    assert len(_of(ride, "derate", "speed_signal")) == 2
    speed = ride.timeline().channels["vehicle_speed"]
    assert np.isnan(speed.value).sum() > 100  # one loss by its code ...
    assert np.diff(speed.time_s).max() > 15.0  # ... and one by silence
    lost = (ride.course.time_s > 80.0) & (ride.course.time_s < 95.0)
    assert (ride.run.limit_pct[lost] == 50.0).all()


def test_an_offset_shows_with_hands_off(rides: Rides) -> None:
    ride = rides["torque_offset"]
    hands_off = ride.course.hands == 0
    np.testing.assert_allclose(ride.run.told_driver_nm[hands_off], 0.75)
    assert len(_of(ride, "torque_offset")) == 1


@pytest.mark.parametrize("name", RIDES)
def test_the_timeline_is_the_noiseless_channel_but_for_noise_and_steps(
    name: str, rides: Rides
) -> None:
    ride, scene = rides[name], _scene(rides[name])
    timeline = ride.timeline()
    for channel, spread in (
        ("supply_voltage", 0.02),
        ("driver_torque", 0.03),
        ("assist_limit", 1e-9),
    ):
        seen, clean = timeline.channels[channel], scene.samples(channel)
        np.testing.assert_array_equal(seen.time_s, clean.time_s)
        error = seen.value - clean.value
        assert np.std(error) < spread
        assert np.abs(np.mean(error)) < spread / 10


def test_conclusions_of_the_sample_rides() -> None:
    assert [ride.conclusion for ride in RIDES.values()] == [
        Code.NO_FAULT_FOUND,
        Code.THERMAL_PROTECTION,
        Code.LOW_BATTERY,
        Code.CHARGING_FAULT,
        Code.SUPPLY_RESISTANCE,
        Code.SPEED_SIGNAL_FAULT,
        Code.TORQUE_SENSOR_OFFSET,
        Code.NO_FAULT_FOUND,
    ]

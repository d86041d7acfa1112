"""Seconds ridden, what cannot be told, what each conclusion needed, and the ride to make."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from canassist.conclude.coverage import count_coverage
from canassist.model import AssistFit, ChargingFit, Code, Coverage, Physics, Points
from canassist.profile import default_profile
from tests.conclude.hand_made import (
    DURATION_S,
    PERIOD_S,
    HandMade,
    constant,
    crank,
    estimate,
    lines,
    path,
    rest,
    ridden,
)


def count(ride: HandMade) -> Coverage:
    return count_coverage(ride.timeline, ride.physics, limits=ride.profile.limits)


def test_seconds_by_hand() -> None:
    """Half of 300 s at 8 km/h, half at 40; torque +3 N·m, a quarter of the ride -3 N·m."""
    covered = count(HandMade())
    assert covered.low_speed_steering_s == pytest.approx(150.0, abs=0.5)
    assert covered.cruise_s == pytest.approx(150.0, abs=0.5)
    assert covered.engine_running_s == pytest.approx(300.0, abs=0.5)
    assert covered.slow_left_s == pytest.approx(0.0, abs=0.5)
    assert covered.slow_right_s == pytest.approx(150.0, abs=0.5)
    assert covered.hot_s == 0.0


def test_the_slow_obvious_loop_counts_the_same() -> None:
    """Sample by sample, each holding until the next: the second method."""
    random = np.random.default_rng(3)
    channels = ridden()
    count_of = len(channels["vehicle_speed"].time_s)
    for name, low, high in (("vehicle_speed", 0, 60), ("driver_torque", -6, 6)):
        steps = np.repeat(random.uniform(low, high, count_of // 20 + 1), 20)[:count_of]
        channels[name].value[:] = steps
    slow = cruise = 0.0
    speed, torque = channels["vehicle_speed"].value, channels["driver_torque"].value
    for row in range(count_of):
        slow += PERIOD_S if speed[row] < 15.0 and abs(torque[row]) > 2.0 else 0.0
        cruise += PERIOD_S if speed[row] > 30.0 else 0.0
    covered = count(HandMade(channels=channels))
    assert covered.low_speed_steering_s == pytest.approx(slow, abs=0.2)
    assert covered.cruise_s == pytest.approx(cruise, abs=0.2)


def test_a_gap_counts_nothing() -> None:
    channels = ridden()
    speed = channels["vehicle_speed"]
    kept = (speed.time_s < 50.0) | (speed.time_s >= 100.0)
    channels["vehicle_speed"] = replace(speed, time_s=speed.time_s[kept], value=speed.value[kept])
    covered = count(HandMade(channels=channels))
    assert covered.low_speed_steering_s == pytest.approx(100.0 + speed.stale_after_s, abs=0.2)


def test_a_missing_channel_gives_unknown_and_not_zero() -> None:
    covered = count(HandMade().without("driver_torque", "engine_speed", "module_temperature"))
    assert covered.low_speed_steering_s is None
    assert covered.engine_running_s is None
    assert covered.cranks is None
    assert covered.hot_s is None
    assert covered.slow_left_s is None


def test_unknown_sign_gives_no_sides() -> None:
    channels = ridden()
    channels["driver_torque"] = replace(channels["driver_torque"], sign_known=False)
    covered = count(HandMade(channels=channels))
    assert covered.slow_left_s is None
    assert covered.low_speed_steering_s == pytest.approx(150.0, abs=0.5)


def test_modes_are_counted_by_their_text() -> None:
    channels = ridden()
    channels["assist_mode"] = constant("assist_mode", 1.0, labels={1.0: "Soft", 2.0: "Firm"})
    channels["assist_mode"].value[:500] = 2.0
    modes = count(HandMade(channels=channels)).modes_s
    assert modes["Firm"] == pytest.approx(50.0, abs=0.2)
    assert modes["Soft"] == pytest.approx(DURATION_S - 50.0, abs=0.6)


@pytest.mark.parametrize(
    ("missing", "said"),
    [
        ("module_temperature", "Whether heat reduced assist"),
        ("supply_voltage", "Whether supply reduced assist"),
        ("engine_speed", "Cranking, charging and engine stops"),
        ("module_current", "The resistance of the supply path"),
        ("vehicle_speed", "Anything that depends on road speed"),
        ("assist_torque", "Whether assist follows its map"),
        ("driver_torque", "Whether the torque reading is biased: the log has no driver torque."),
        ("steering_angle", "Whether the torque reading is biased: the log has no steering angle."),
        ("assist_limit", "How far assist was reduced"),
    ],
)
def test_what_a_missing_channel_hides_is_said(missing: str, said: str) -> None:
    verdict = HandMade().without(missing).verdict()
    assert any(text.startswith(said) for text in verdict.coverage.cannot_tell)
    assert not any(text.startswith(said + ": the log has no") for text in whole().cannot_tell)


def whole() -> Coverage:
    """Return the coverage of a ride that lacks nothing but heat."""
    full = Physics(
        limit_lines=lines(),
        supply_path=path(0.01, 0.008, 0.012),
        cranks=(crank(11.0),),
        torque_rest=rest(0.0),
        charging=ChargingFit(
            voltage_v=estimate(14.0, 13.9, 14.1),
            seconds=200.0,
            below_limit_s=0.0,
            points=Points.none(),
        ),
    )
    return HandMade(physics=full).verdict().coverage


def test_a_ride_that_lacks_little_says_little() -> None:
    assert len(whole().cannot_tell) <= 2  # no map, never hot
    assert any(
        "repeat slow tight turns" in text and "Off public roads" in text
        for text in whole().ride_next
    )


def test_unknown_signs_and_a_stand_in_are_said() -> None:
    channels = ridden()
    channels["motor_current"] = replace(channels["motor_current"], sign_known=False)
    channels["supply_voltage"] = replace(channels["supply_voltage"], stands_in=True)
    told = HandMade(channels=channels).verdict().coverage.cannot_tell
    assert "Left against right: the sign of motor current is not known." in told
    assert any("Some.supply_voltage stands in" in text for text in told)


def test_another_nominal_supply_without_limits_cannot_be_told() -> None:
    profile = replace(default_profile(), nominal_v=24.0)
    told = HandMade(profile=profile).verdict().coverage.cannot_tell
    assert any("nominally 24.0 V" in text for text in told)


def test_a_map_with_too_little_steering_to_compare_is_said() -> None:
    unseen = AssistFit(map_from="profile", lag_s=0.0, ratio=None, side_difference=None)
    told = HandMade(physics=Physics(limit_lines=lines(), assist=unseen)).verdict().coverage
    assert any("too little was steered" in text for text in told.cannot_tell)
    seen = replace(unseen, ratio=estimate(1.0, 0.97, 1.03))
    told = HandMade(physics=Physics(limit_lines=lines(), assist=seen)).verdict().coverage
    assert not any("follows its map" in text for text in told.cannot_tell)


def test_torque_that_comes_too_seldom_for_the_map_is_said() -> None:
    channels = ridden()
    channels["assist_torque"] = replace(channels["assist_torque"], period_s=0.5)
    told = HandMade(channels=channels).verdict().coverage.cannot_tell
    assert any("assist torque must come every 0.25 s" in text for text in told)


def test_a_supply_that_is_not_12_v_is_named_by_what_it_reads() -> None:
    channels = ridden()
    channels["supply_voltage"].value[:] = 27.6
    told = HandMade(channels=channels, profile=default_profile()).verdict().coverage.cannot_tell
    assert any("supply stood at 27.6 V" in text for text in told)
    assert not any("nominally 12.0 V" in text for text in told)


@pytest.mark.parametrize(("seconds", "told"), [(12.0, True), (29.9, True), (30.0, False)])
def test_charging_takes_thirty_seconds_to_tell(seconds: float, told: bool) -> None:
    """The event takes 30 s above the charging speed: on less it can neither be found nor denied."""
    short = ChargingFit(
        voltage_v=estimate(14.0, 13.9, 14.1),
        seconds=seconds,
        below_limit_s=0.0,
        points=Points.none(),
    )
    coverage = HandMade(physics=Physics(limit_lines=lines(), charging=short)).verdict().coverage
    assert any("Whether the battery is charged" in text for text in coverage.cannot_tell) is told
    assert any("for one minute, standing" in text for text in coverage.ride_next) is told


def test_what_the_recorder_lost_is_said() -> None:
    ride = HandMade(recording_gaps=((60.0, 72.0), (90.0, 91.5)), recorder_losses_s=(120.0,))
    told = ride.verdict().coverage.cannot_tell
    assert any("2 stretches" in text and "14 s in all" in text for text in told)
    assert any("lost frames (once, first at 2:00)" in text for text in told)


def test_needs_tell_what_each_conclusion_had() -> None:
    needs = {need.code: need for need in whole().needs}
    assert set(Code) - set(needs) == {Code.BUS_FAULT, Code.INCONCLUSIVE}
    assert needs[Code.LOW_BATTERY].met
    assert needs[Code.SUPPLY_RESISTANCE].met
    assert not needs[Code.THERMAL_PROTECTION].met  # never hot
    assert "0.0 s of hot running" in needs[Code.THERMAL_PROTECTION].text
    lacking = HandMade().without("module_current").verdict().coverage
    need = next(need for need in lacking.needs if need.code is Code.SUPPLY_RESISTANCE)
    assert not need.met
    assert "lacks module current" in need.text

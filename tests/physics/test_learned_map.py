"""The assist map that a ride shows, worked by hand."""

from __future__ import annotations

import numpy as np
import pytest

from canassist.model import AssistFit, FloatArray
from canassist.physics import study
from canassist.profile import default_profile
from tests.detect.hand_rides import Samples, make_ride

STEP_S = 0.02


def _waves(until_s: float, *, peak_nm: float = 4.0) -> tuple[FloatArray, FloatArray]:
    """Return slow turns to both sides, a triangle of 8 s: steady to 0.6 N·m within 0.1 s."""
    time_s = np.arange(round(until_s / STEP_S) + 1) * STEP_S
    phase = (time_s / 8.0) % 1.0
    wave = np.where(phase < 0.5, 4.0 * phase - 1.0, 3.0 - 4.0 * phase)
    return time_s, peak_nm * wave


def _learn(
    time_s: FloatArray,
    driver: FloatArray,
    gain: FloatArray | float,
    *,
    deadband_nm: float = 0.5,
    most_nm: float = np.inf,
    speed_kph: FloatArray | float = 2.0,
    **channels: FloatArray,
) -> AssistFit:
    assist = np.minimum(gain * np.maximum(np.abs(driver) - deadband_nm, 0.0), most_nm)
    parts = {
        "driver_torque": driver,
        "assist_torque": np.sign(driver) * assist,
        "vehicle_speed": np.broadcast_to(speed_kph, time_s.shape).copy(),
        **channels,
    }
    made: dict[str, Samples] = {name: (time_s, value) for name, value in parts.items()}
    fit = study(make_ride(made), default_profile()).assist
    assert fit is not None
    return fit


def test_gain_deadband_and_what_was_seen_are_learned() -> None:
    time_s, driver = _waves(60.0)
    fit = _learn(time_s, driver, 3.0)
    assert fit.map_from == "ride"
    assert fit.gains["*"] == pytest.approx((3.0,), rel=0.02)
    assert fit.speed_kph == (2.0,)
    assert fit.driver_deadband_nm == pytest.approx(0.5, abs=0.05)
    assert fit.known_up_to_nm == pytest.approx(10.5, rel=0.02)
    assert fit.max_assist_nm == np.inf
    assert (fit.unshown_kph[0], fit.unshown_kph[-1]) == ((4.0, 8.0), (80.0, np.inf))
    assert len(fit.unshown_kph) == 10


@pytest.mark.parametrize(("deadband_nm", "told_nm"), [(0.0, 0.0), (1.2, 1.2)])
def test_the_deadband_is_where_assist_begins(deadband_nm: float, told_nm: float) -> None:
    time_s, driver = _waves(80.0, peak_nm=5.0)
    fit = _learn(time_s, driver, 3.0, deadband_nm=deadband_nm)
    assert fit.driver_deadband_nm == pytest.approx(told_nm, abs=0.06)


def test_the_greatest_assist_is_learned_where_the_gain_calls_for_more() -> None:
    """At 4 N·m the gain of 3 calls for 10.5; 8 are given: 31 % more."""
    time_s, driver = _waves(80.0)
    fit = _learn(time_s, driver, 3.0, most_nm=8.0)
    assert fit.max_assist_nm == pytest.approx(8.0)
    assert fit.gains["*"] == pytest.approx((3.0,), rel=0.03)


def test_the_stronger_side_is_the_map() -> None:
    time_s, driver = _waves(80.0)
    fit = _learn(time_s, driver, np.where(driver > 0.0, 3.0, 1.8))
    assert fit.gains["*"] == pytest.approx((3.0,), rel=0.03)
    fit = _learn(time_s, driver, np.where(driver > 0.0, 1.8, 3.0))
    assert fit.gains["*"] == pytest.approx((3.0,), rel=0.03)


def test_the_gain_falls_with_road_speed_and_unridden_bands_are_told() -> None:
    time_s, driver = _waves(160.0)
    fast = time_s >= 80.0
    fit = _learn(time_s, driver, np.where(fast, 1.5, 3.0), speed_kph=np.where(fast, 18.0, 2.0))
    assert fit.speed_kph == (2.0, 18.0)
    assert fit.gains["*"] == pytest.approx((3.0, 1.5), rel=0.03)
    assert fit.unshown_kph[:4] == ((4.0, 8.0), (8.0, 12.0), (12.0, 16.0), (20.0, 30.0))


def test_a_mode_raises_the_whole_map() -> None:
    time_s, driver = _waves(160.0)
    second = time_s >= 100.0
    fit = _learn(
        time_s,
        driver,
        np.where(second, 4.0, 2.0),
        assist_mode=np.where(second, 1.0, 0.0),
    )
    assert fit.gains["0"] == pytest.approx((2.0,), rel=0.03)
    assert fit.gains["1"] == pytest.approx((4.0,), rel=0.03)
    assert fit.gains["*"] == pytest.approx((2.0,), rel=0.03)


def test_eight_seconds_of_steering_are_needed() -> None:
    """Each turn of 8 s has 6 s beyond 1 N·m and 5.5 s beyond 1.25."""
    time_s, driver = _waves(9.0)
    assert _learn(time_s, driver, 3.0).map_from == "none"
    time_s, driver = _waves(16.0)
    assert _learn(time_s, driver, 3.0).map_from == "ride"


def test_assist_of_a_module_at_half_its_limit_is_scaled_up_and_below_is_left_out() -> None:
    time_s, driver = _waves(80.0)
    half = np.full(len(time_s), 50.0)
    fit = _learn(time_s, driver, 1.5, assist_limit=half)
    assert fit.gains["*"] == pytest.approx((3.0,), rel=0.03)
    assert _learn(time_s, driver, 1.5, assist_limit=half - 1.0).map_from == "none"


def test_torque_that_moves_fast_shows_no_gain() -> None:
    """0.6 N·m within 0.1 s before and after: 3 N·m/s at most."""
    time_s, driver = _waves(80.0, peak_nm=5.9)
    assert _learn(time_s, driver, 3.0).map_from == "ride"
    time_s, driver = _waves(80.0, peak_nm=8.0)
    assert _learn(time_s, driver, 3.0).map_from == "none"

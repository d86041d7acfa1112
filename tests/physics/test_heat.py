"""Heating: the step response that is published, and what a fit makes of a ride."""

from __future__ import annotations

import numpy as np
import pytest

from canassist.model import Channel, Physics
from canassist.physics import study
from canassist.physics.thermal import (
    _binned,
    _hardest_minute,
    _moving,
    _time_to,
    _time_to_cool,
    mean_response,
)
from canassist.profile import default_profile
from tests.detect.hand_rides import make_ride


def _temperature(load: np.ndarray, tau_s: float, step_s: float) -> np.ndarray:
    """Return the response at each step's end by the slow, obvious loop."""
    level, out = 0.0, []
    for value in load:
        level = value + (level - value) * np.exp(-step_s / tau_s)
        out.append(level)
    return np.array(out)


def test_a_step_reaches_the_published_shares() -> None:
    """First-order step response after 1 to 5 time constants, from any text on control."""
    tau_s, step_s = 300.0, 0.01
    response = mean_response(np.ones(150_000), tau_s, step_s)
    rows = (np.arange(1, 6) * tau_s / step_s).astype(int)
    shares = [0.632121, 0.864665, 0.950213, 0.981684, 0.993262]
    assert response[rows - 1] == pytest.approx(shares, abs=2e-5)


def test_the_worked_heating_of_a_motor() -> None:
    """40 A through 12 mΩ at 0.9 K/W, 300 s: 28.1323 degC after 60 s, 35.9230 after 300 s."""
    rise = 40.0**2 * 0.012 * 0.9
    assert rise == pytest.approx(17.28)
    response = 25.0 + rise * mean_response(np.ones(30_000), 300.0, 0.01)
    assert response[5999] == pytest.approx(28.1323, abs=1e-3)
    assert response[29_999] == pytest.approx(35.9230, abs=1e-3)


def test_the_exact_gain_of_one_step() -> None:
    """Step 1 s, time constant 300 s: exact gain 0.00332778, backward Euler would be 0.00332226."""
    response = mean_response(np.array([1.0, 0.0]), 300.0, 1.0)
    # the mean over the second step of what the first one left, decaying from the gain
    gain = 0.00332778
    keep = np.exp(-1.0 / 300.0)
    assert response[1] == pytest.approx(gain * 300.0 * (1.0 - keep), rel=1e-5)


def test_fast_code_equals_the_plain_loop() -> None:
    rng = np.random.default_rng(8)
    for count in (1, 63, 64, 65, 500):
        load = rng.uniform(0.0, 3.0, size=count)
        ends = _temperature(load, 7.0, 1.0)
        starts = np.concatenate(([0.0], ends[:-1]))
        keep = np.exp(-1.0 / 7.0)
        mean = load + (starts - load) * 7.0 * (1.0 - keep)
        assert mean_response(load, 7.0, 1.0) == pytest.approx(mean)


def test_the_worked_cooling() -> None:
    """25 degC around, 300 s: 85 to 65.2192 degC takes 120 s; 60 to 40 K in 120 s is 295.956 s."""
    assert _time_to_cool(300.0, 60.0, 40.2192) == pytest.approx(120.0, abs=1e-3)
    assert _time_to_cool(295.956, 60.0, 40.0) == pytest.approx(120.0, abs=1e-3)
    assert _time_to_cool(300.0, 40.0, 60.0) is None


def test_heating_to_a_rise_is_the_step_response_turned_round() -> None:
    """63.2121 % after one time constant, half after 0.693147 of them; never beyond the end."""
    assert _time_to(300.0, 100.0, 63.2121) == pytest.approx(300.0, abs=1e-3)
    assert _time_to(300.0, 100.0, 50.0) == pytest.approx(0.693147 * 300.0, abs=1e-3)
    assert _time_to(300.0, 60.0, 60.0) is None


def test_the_hardest_minute_is_the_greatest_mean_of_sixty_steps() -> None:
    load = np.zeros(200)
    load[50:110] = 4.0
    load[150] = 100.0
    assert _hardest_minute(load) == pytest.approx(4.0)
    assert _hardest_minute(np.array([3.0, 6.0])) == pytest.approx(4.5)


def test_a_step_without_a_sample_has_no_mean() -> None:
    time_s, value = np.array([0.0, 0.9, 2.5, 9.9]), np.array([1.0, 3.0, 5.0, 7.0])
    means = _binned(time_s, value, 4)
    assert means == pytest.approx([2.0, np.nan, 5.0, 7.0], nan_ok=True)


def _readings(*lasts_s: float) -> Channel:
    """Return a temperature at 10 Hz that climbs by 0.05 K after each of these spans."""
    counts = [round(one * 10.0) + 1 for one in lasts_s]
    value = np.repeat(np.arange(len(counts)) * 0.05, counts)
    ride = make_ride({"module_temperature": (np.arange(len(value)) * 0.1, value)})
    return ride.channels["module_temperature"]


def test_a_value_repeated_for_longer_than_others_is_left_out() -> None:
    """The others last 2 s: 20 s is kept, 20.1 s is not; with fewer than 20 nothing is usual."""
    usual = [2.0] * 30
    assert len(_moving(_readings(*usual, 20.0))[0]) == 30 * 21 + 201
    assert len(_moving(_readings(*usual, 20.1))[0]) == 30 * 21
    assert len(_moving(_readings(*usual[:18], 90.0))[0]) == 18 * 21 + 901
    slow = [10.0] * 30
    assert len(_moving(_readings(*slow, 39.0))[0]) == 30 * 101 + 391
    assert len(_moving(_readings(*slow, 41.0))[0]) == 30 * 101


def _heated(
    *, period_s: float = 0.5, ambient_c: float = 20.0, gain: float = 0.02, current: str = "motor"
) -> Physics:
    """Heat by 30 A in turns of 100 s, at 200 s; the fit's own model, sampled exactly."""
    fine_s = np.arange(0.0, 1200.0, 0.1)
    amps = np.where((fine_s // 100.0) % 2.0 == 0.0, 30.0, 0.0)
    rise = gain * np.array(_temperature(amps**2, 200.0, 0.1))
    every = round(period_s / 0.1)
    channels = {
        "module_temperature": (fine_s[::every], ambient_c + rise[::every]),
        f"{current}_current": (fine_s, amps),
    }
    return study(make_ride(channels), default_profile())


def test_time_constant_gain_and_ambient_are_those_of_the_ride() -> None:
    fit = _heated().thermal
    assert fit is not None
    assert fit.tau_s.value == pytest.approx(200.0, rel=0.02)
    assert fit.gain_k_per_a2.value == pytest.approx(0.02, rel=0.02)
    assert fit.ambient_c == pytest.approx(20.0, abs=0.2)
    assert fit.fit == pytest.approx(1.0, abs=1e-3)
    assert fit.load_a2 == pytest.approx(900.0)
    assert fit.driven_by == "motor_current"
    assert fit.tau_s.low <= 200.0 <= fit.tau_s.high
    share = (fit.gain_k_per_a2.high - fit.gain_k_per_a2.low) / 2.0 / fit.gain_k_per_a2.value
    assert share == pytest.approx(0.10, abs=0.02)
    margin_k = 85.0 - fit.ambient_c
    assert fit.sustained_current_a == pytest.approx((margin_k / fit.gain_k_per_a2.value) ** 0.5)


def test_a_temperature_every_three_seconds_shows_the_same() -> None:
    fit = _heated(period_s=3.0, current="module").thermal
    assert fit is not None
    assert fit.tau_s.value == pytest.approx(200.0, rel=0.03)
    assert fit.driven_by == "module_current"


def test_less_than_three_kelvin_of_rise_shows_nothing() -> None:
    assert _heated(gain=0.0045).thermal is None
    assert _heated(gain=0.0060).thermal is not None


def test_what_heats_where_ambient_lies_above_the_line_sustains_nothing() -> None:
    fit = _heated(ambient_c=90.0).thermal
    assert fit is not None
    assert fit.sustained_current_a is None
    assert fit.to_derate_s == 0.0

"""Heating: the step response that is published, and what a fit makes of a ride."""

from __future__ import annotations

import numpy as np
import pytest

from canassist.physics.thermal import _time_to, _time_to_cool, mean_response


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

"""The room of statistics against scipy, on drawn values and at the edges."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize
from scipy import stats as outside

from canassist import stats

SEEDS = range(20)


@pytest.mark.parametrize("degrees", [1, 2, 5, 29, 30, 31, 60, 200])
def test_percentiles_of_students_t(degrees: int) -> None:
    assert stats.t95(degrees) == pytest.approx(outside.t.ppf(0.95, degrees), rel=2e-4)


@given(t=st.floats(-40, 40), degrees=st.integers(1, 400))
@settings(max_examples=200, deadline=None)
def test_tails_of_students_t(t: float, degrees: int) -> None:
    assert stats.t_tail(t, degrees) == pytest.approx(outside.t.sf(t, degrees), abs=1e-9)


@given(of=st.integers(1, 500), data=st.data())
@settings(max_examples=200, deadline=None)
def test_interval_of_a_share(of: int, data: st.DataObject) -> None:
    affected = data.draw(st.integers(0, of))
    low, high = stats.wilson(affected, of)
    reference = outside.binomtest(affected, of).proportion_ci(0.95, method="wilson")
    assert low == pytest.approx(reference.low, abs=1e-6)
    assert high == pytest.approx(reference.high, abs=1e-6)


@pytest.mark.parametrize("seed", SEEDS)
def test_several_tests_at_once(seed: int) -> None:
    """Compare with the definition: the largest of all smaller chances times what is left."""
    chances = np.random.default_rng(seed).random(9) ** 3
    order = np.sort(chances)
    slow = [
        min(1.0, max(order[i] * (len(order) - i) for i in range(int((order <= p).sum()))))
        for p in chances
    ]
    assert stats.holm(chances.tolist()) == pytest.approx(slow)


@pytest.mark.parametrize("seed", SEEDS)
def test_robust_line(seed: int) -> None:
    dice = np.random.default_rng(seed)
    x, y = dice.normal(size=31), dice.normal(size=31)
    reference = outside.theilslopes(y, x, method="joint")
    joint = outside.theilslopes(y, x)
    assert stats.theil_sen(x, y).slope == pytest.approx(reference.slope)
    assert stats.theil_sen(x, y).level == pytest.approx(joint.intercept)


@pytest.mark.parametrize("seed", SEEDS)
def test_line_by_least_squares(seed: int) -> None:
    dice = np.random.default_rng(seed)
    x, y = dice.normal(size=12), dice.normal(size=12)
    reference = outside.linregress(x, y)
    assert stats.least_squares(x, y) == pytest.approx((reference.slope, reference.intercept))


@pytest.mark.parametrize("seed", SEEDS)
def test_falling_sequence(seed: int) -> None:
    dice = np.random.default_rng(seed)
    value, weight = dice.normal(size=25), dice.random(25) + 0.1
    reference = optimize.isotonic_regression(value, weights=weight, increasing=False).x
    assert stats.falling(value, weight) == pytest.approx(reference)


@pytest.mark.parametrize("seed", SEEDS)
def test_share_of_pairs(seed: int) -> None:
    dice = np.random.default_rng(seed)
    one, other = dice.integers(0, 9, 14).astype(float), dice.integers(0, 9, 17).astype(float)
    pairs = outside.mannwhitneyu(one, other).statistic / (len(one) * len(other))
    assert stats.rank_share(one, other) == pytest.approx(pairs)


@pytest.mark.parametrize("seed", SEEDS)
def test_line_with_errors_in_both_variables(seed: int) -> None:
    """With equal error variances it is the first principal axis (singular values)."""
    dice = np.random.default_rng(seed)
    x = dice.normal(size=40)
    y = 0.7 * x + dice.normal(scale=0.2, size=40)
    axis = np.linalg.svd(np.column_stack([x - x.mean(), y - y.mean()]))[2][0]
    assert stats.deming(x, y, variance_ratio=1.0).slope == pytest.approx(axis[1] / axis[0])


def test_errors_in_both_variables_are_not_least_squares() -> None:
    """Noise in x flattens an ordinary line; the one with errors in both does not (by theory)."""
    dice = np.random.default_rng(5)
    true = dice.normal(size=4000)
    x, y = true + dice.normal(scale=0.5, size=4000), true + dice.normal(scale=0.5, size=4000)
    assert stats.least_squares(x, y).slope == pytest.approx(0.8, abs=0.03)
    assert stats.deming(x, y, variance_ratio=1.0).slope == pytest.approx(1.0, abs=0.04)
    assert math.isclose(
        stats.deming(x, y, variance_ratio=math.inf).slope, stats.least_squares(x, y).slope
    )


@pytest.mark.parametrize("seed", SEEDS)
def test_spread_is_the_scaled_median_deviation(seed: int) -> None:
    value = np.random.default_rng(seed).normal(size=33)
    middle, spread = stats.spread_of(value, 0.0)
    assert middle == pytest.approx(np.median(value))
    assert spread == pytest.approx(outside.median_abs_deviation(value, scale="normal"), rel=1e-4)

"""Tolerance factors against the noncentral t distribution and by drawing."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats as outside

from canassist.stats import tolerance_factor

TABLE = {3: 7.656, 5: 4.203, 10: 2.911, 20: 2.396, 30: 2.220, 50: 2.065}
"""95 % of the population with 95 % confidence, one-sided (reference sheet, section 9)."""


@pytest.mark.parametrize("count", sorted(TABLE))
def test_one_sided_factors(count: int) -> None:
    assert tolerance_factor(count) == pytest.approx(TABLE[count], abs=0.002)


@pytest.mark.parametrize("count", [2, 4, 7, 15])
def test_factors_by_the_noncentral_t(count: int) -> None:
    z = outside.norm.ppf(0.95)
    exact = outside.nct.ppf(0.95, count - 1, z * math.sqrt(count)) / math.sqrt(count)
    assert tolerance_factor(count) == pytest.approx(exact, rel=2e-3)


def test_a_bound_holds_as_often_as_it_says() -> None:
    dice = np.random.default_rng(3)
    drawn = dice.normal(size=(4000, 5))
    bound = drawn.mean(axis=1) + tolerance_factor(5) * drawn.std(axis=1, ddof=1)
    covered = outside.norm.cdf(bound) >= 0.95
    assert covered.mean() == pytest.approx(0.95, abs=0.012)


def test_one_value_gives_no_bound() -> None:
    with pytest.raises(ValueError, match="two"):
        tolerance_factor(1)

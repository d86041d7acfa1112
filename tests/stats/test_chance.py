"""Tails, allowances and differences, against published tables and a second method."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from canassist.comparison.significance import SpreadDifference, gap_of
from canassist.model import Estimate
from canassist.stats import (
    best_split,
    holm,
    jackknife_slope,
    mean_of_blocks,
    pooled,
    t95,
    t_tail,
    welch,
)


def estimate(value: float, half: float, count: int = 11) -> Estimate:
    return Estimate(value=value, low=value - half, high=value + half, unit="V", count=count)


@pytest.mark.parametrize(
    ("t", "degrees", "tail"),
    [(6.313752, 1, 0.05), (2.919986, 2, 0.05), (1.812461, 10, 0.05), (2.228139, 10, 0.025)],
)
def test_tail_of_student_t_agrees_with_the_common_table(
    t: float, degrees: int, tail: float
) -> None:
    assert t_tail(t, degrees) == pytest.approx(tail, abs=1e-7)


@given(t=st.floats(-30.0, 30.0), degrees=st.integers(1, 400))
def test_tail_of_student_t_agrees_with_a_second_method(t: float, degrees: int) -> None:
    assert t_tail(t, degrees) == pytest.approx(float(stats.t.sf(t, degrees)), abs=1e-10)


def test_tail_needs_a_degree_of_freedom() -> None:
    with pytest.raises(ValueError, match="degree of freedom"):
        t_tail(1.0, 0)


def test_holm_worked_by_hand() -> None:
    """Four chances: 0.005 x 4, 0.01 x 3, 0.03 x 2; 0.04 x 1 may not be below the one before."""
    assert holm([0.01, 0.04, 0.03, 0.005]) == pytest.approx([0.03, 0.06, 0.06, 0.02])


@given(st.lists(st.floats(0.0, 1.0), min_size=1, max_size=12))
def test_holm_keeps_the_order_and_pays_most_for_the_smallest(chances: list[float]) -> None:
    adjusted = holm(chances)
    assert min(adjusted) == pytest.approx(min(len(chances) * min(chances), 1.0))
    for (one, more), (other, further) in itertools.permutations(
        zip(chances, adjusted, strict=True), 2
    ):
        assert more >= one
        assert more <= further or one >= other


def test_holm_keeps_false_alarms_of_a_family_below_its_level() -> None:
    """4000 families of eight tests in which nothing differs: 5 % at most show anything."""
    dice = np.random.default_rng(1)
    alarms = sum(min(holm(family.tolist())) < 0.05 for family in dice.random((4000, 8)))
    assert alarms / 4000 <= 0.05 + 3.0 * math.sqrt(0.05 * 0.95 / 4000)


def test_difference_of_two_estimates_adds_their_spreads_in_quadrature() -> None:
    gap = gap_of(estimate(14.2, 0.3), estimate(13.4, 0.4))
    found = gap.estimate("V")
    assert found.value == pytest.approx(-0.8)
    assert found.high - found.value == pytest.approx(
        0.5 * t95(welch((0.3, 10), (0.4, 10))) / t95(10)
    )


def test_welch_degrees_of_the_textbook_case() -> None:
    """Equal spreads on 10 and 10 degrees: 20 degrees together."""
    assert welch((1.0, 10), (1.0, 10)) == 20


def test_a_ratio_is_judged_on_its_logarithm_and_shown_as_a_share() -> None:
    gap = gap_of(estimate(1.0, 0.01), estimate(0.7, 0.01), relative=True)
    assert gap.estimate("share").value == pytest.approx(-0.3)
    same = gap_of(estimate(0.7, 0.01), estimate(1.0, 0.01), relative=True)
    assert same.value == pytest.approx(-gap.value)


def test_a_difference_within_its_margin_is_never_called_rare() -> None:
    gap = SpreadDifference(value=0.09, spread_low=1e-6, spread_high=1e-6, degrees=20, count=21)
    assert gap.beyond(0.1) == 1.0
    assert gap.beyond(0.05) < 1e-6


def test_chance_beyond_a_margin_is_right_where_the_truth_lies_on_it() -> None:
    """True difference exactly at the margin: 5 % of draws are rarer than 5 %."""
    dice = np.random.default_rng(2)
    rare = 0
    for _ in range(3000):
        sample = dice.normal(0.1, 0.05, size=12)
        spread = float(sample.std(ddof=1)) / math.sqrt(12)
        gap = SpreadDifference(
            value=float(sample.mean()),
            spread_low=spread,
            spread_high=spread,
            degrees=11,
            count=12,
        )
        rare += gap.beyond(0.1) < 0.05
    assert rare / 3000 == pytest.approx(0.05, abs=0.012)


def test_rides_that_disagree_widen_their_common_estimate() -> None:
    agree = pooled([estimate(10.0, 1.0), estimate(10.1, 1.0)])
    apart = pooled([estimate(5.0, 1.0), estimate(15.0, 1.0)])
    assert agree is not None
    assert apart is not None
    assert apart.high - apart.low > 5.0 * (agree.high - agree.low)
    assert pooled([]) is None


def test_two_estimates_that_agree_are_pooled_as_worked_by_hand() -> None:
    """Equal spreads s = 1 / t(10) each, 22 blocks in all: half = t(21) s / sqrt(2) = 0.671435."""
    both = pooled([estimate(10.0, 1.0), estimate(10.2, 1.0)])
    assert both is not None
    assert both.value == pytest.approx(10.1)
    half = 1.720743 / 1.812461 / math.sqrt(2.0)
    assert (both.low, both.high) == pytest.approx((10.1 - half, 10.1 + half), rel=1e-5)
    assert both.count == 22


def test_single_blocks_are_pooled_by_one_degree_of_freedom() -> None:
    """Each counts as t(1) = 6.313752, and together with two blocks t(1) again."""
    both = pooled([estimate(10.0, 1.0, count=1), estimate(10.0, 1.0, count=1)])
    assert both is not None
    assert both.high - both.value == pytest.approx(1.0 / math.sqrt(2.0), rel=1e-6)


def test_a_mean_of_two_blocks_has_an_interval_and_of_one_has_none() -> None:
    two = mean_of_blocks(np.array([1.0, 3.0]), np.array([0, 1]), "V")
    assert two.high - two.value == pytest.approx(6.313752, rel=1e-6)  # t(1) * sqrt(2) / sqrt(2)
    with pytest.raises(ValueError, match="two blocks"):
        mean_of_blocks(np.array([1.0, 3.0]), np.array([0, 0]), "V")


def test_two_values_can_be_split_and_one_cannot() -> None:
    split = best_split(np.array([1.0, 2.0]))
    assert (split.before, split.share) == (1, 0.0)
    with pytest.raises(ValueError, match="two values"):
        best_split(np.array([1.0]))


def test_a_line_that_three_equal_blocks_carry_has_an_interval_two_do_not() -> None:
    three = np.array([[2.0, 2.0, 2.0]] * 3)
    assert jackknife_slope(three, variance_ratio=math.inf, unit="ohm") is not None
    assert jackknife_slope(three[:2], variance_ratio=math.inf, unit="ohm") is None
    uneven = np.array([[2.0, 2.0, 2.0]] * 2 + [[1.6, 1.6, 1.6]])
    assert jackknife_slope(uneven, variance_ratio=math.inf, unit="ohm") is None

"""Matching and resampling: bins, weights and intervals, worked by hand and by enumeration."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from canassist.comparison.matched import Cells, bin_of, crossed, matched, stretches


def cells(total: list[list[float]], weight: list[list[float]]) -> Cells:
    return Cells(total=np.array(total), weight=np.array(weight))


def one_bin(values: list[float] | np.ndarray) -> Cells:
    column = np.asarray(values, dtype=np.float64)[:, None]
    return Cells(total=column, weight=np.ones_like(column))


def test_bins_hold_their_lower_edge_and_leave_out_the_rest() -> None:
    value = np.array([-1.0, 0.0, 4.9, 5.0, 10.0, np.nan])
    assert bin_of(value, (0.0, 5.0, 10.0)).tolist() == [-1, 0, 0, 1, -1, -1]


def test_crossed_bins_number_every_pair_once() -> None:
    one, other = np.array([0, 0, 1, -1]), np.array([0, 2, 1, 1])
    code, bins = crossed((one, 2), (other, 3))
    assert code.tolist() == [0, 2, 4, -1]
    assert bins == 6


def test_sums_add_up_each_stretch_and_bin() -> None:
    found = Cells.sums(
        stretches(np.array([0.0, 1.0, 4.5, 9.0]), 4.0),
        np.array([0, 1, 1, -1]),
        np.array([1.0, 2.0, 3.0, 99.0]),
        np.ones(4),
        bins=2,
    )
    assert found.total.tolist() == [[1.0, 2.0], [0.0, 3.0]]
    assert found.weight.tolist() == [[1.0, 1.0], [0.0, 1.0]]


def test_like_is_compared_with_like() -> None:
    """A rode bin 0 mostly, B bin 1 mostly; in each bin both read the same.

    A plain mean would be 11 against 19. Matched, nothing is left of it.
    """
    a = cells([[90.0, 20.0]] * 6, [[9.0, 1.0]] * 6)
    b = cells([[10.0, 180.0]] * 6, [[1.0, 9.0]] * 6)
    found = matched(a, b, "V")
    assert found is not None
    assert found.gap.value == pytest.approx(0.0)
    assert found.a.value == found.b.value == pytest.approx(15.0)


def test_a_condition_that_one_side_lacks_does_not_count() -> None:
    a = cells([[10.0, 1000.0]] * 6, [[1.0, 10.0]] * 6)
    b = cells([[12.0, 0.0]] * 6, [[1.0, 0.0]] * 6)
    found = matched(a, b, "V")
    assert found is not None
    assert found.bins.tolist() == [0]
    assert found.gap.value == pytest.approx(2.0)


def test_nothing_in_common_is_told_as_nothing() -> None:
    a = cells([[10.0, 0.0]] * 6, [[1.0, 0.0]] * 6)
    b = cells([[0.0, 10.0]] * 6, [[0.0, 1.0]] * 6)
    assert matched(a, b, "V") is None
    assert matched(one_bin([1.0, 2.0, 3.0]), one_bin([1.0] * 9), "V") is None


def test_sides_turned_round_turn_the_sign_round() -> None:
    dice = np.random.default_rng(3)
    a, b = one_bin(dice.normal(10.0, 1.0, 30)), one_bin(dice.normal(12.0, 1.0, 25))
    one, other = matched(a, b, "V"), matched(b, a, "V")
    assert one is not None
    assert other is not None
    assert one.gap.value == pytest.approx(-other.gap.value)
    assert one.effect == pytest.approx(1.0 - other.effect)


def test_bootstrap_spread_is_that_of_the_exact_enumeration() -> None:
    """All 27 resamples of {1, 2, 6}: mean 3, standard deviation 1.2472 (by enumeration).

    The drawn spread, times root 3/2 for three stretches, is what the bootstrap gives.
    """
    resamples = [np.mean(draw) for draw in itertools.product((1.0, 2.0, 6.0), repeat=3)]
    assert len(resamples) == 27
    assert np.std(resamples) == pytest.approx(1.2472191)
    repeated = one_bin([1.0, 2.0, 6.0] * 4)  # twelve stretches: a quarter of the variance
    found = matched(repeated, repeated, "V")
    assert found is not None
    expected = 1.2472191 / 2.0 * np.sqrt(12 / 11) * np.sqrt(2.0)
    assert found.gap.spread_low == pytest.approx(expected, rel=0.08)


def test_intervals_cover_the_truth_as_often_as_they_say() -> None:
    """90 % intervals of a difference over stretches whose samples hang together."""
    dice = np.random.default_rng(4)
    held = 0
    for _ in range(300):
        sides = []
        for mean in (10.0, 11.0):
            level = mean + dice.normal(0.0, 1.0, 14)
            sample = level[:, None] + dice.normal(0.0, 0.1, (14, 20))
            sides.append(one_bin(sample.mean(axis=1)))
        found = matched(sides[0], sides[1], "V")
        assert found is not None
        ends = found.gap.estimate("V")
        held += ends.low <= 1.0 <= ends.high
    assert held / 300 == pytest.approx(0.90, abs=0.05)


@given(
    st.lists(st.floats(-50.0, 50.0), min_size=4, max_size=20),
    st.lists(st.floats(-50.0, 50.0), min_size=4, max_size=20),
)
def test_the_difference_lies_within_its_interval(a: list[float], b: list[float]) -> None:
    found = matched(one_bin(a), one_bin(b), "V")
    assert found is not None
    ends = found.gap.estimate("V")
    assert ends.low <= ends.value <= ends.high
    assert 0.0 <= found.effect <= 1.0

"""Published and hand-worked examples of every method that estimates stand on."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from canassist.stats import (
    best_split,
    block_sums,
    deming,
    deming_slope,
    falling,
    jackknife_slope,
    least_squares,
    mean_of_blocks,
    noise_variance,
    rank_share,
    rounding_variance,
    shorth,
    t95,
    theil_sen,
)

NORRIS = """.1 .2|338.8 337.4|118.1 118.2|888 884.6|9.2 10.1|228.1 226.5|668.5 666.3|998.5 996.3
|449.1 448.6|778.9 777|559.2 558.2|.3 .4|.1 .6|778.1 775.5|668.8 666.9|339.3 338|448.9 447.5
|10.8 11.6|557.7 556|228.3 228.1|998 995.8|888.8 887.6|119.6 120.2|.3 .3|.6 .3|557.6 556.8
|339.3 339.1|888 887.2|998.5 999|778.9 779|10.2 11.1|117.6 118.3|228.9 229.2|668.4 669.1
|449.2 448.9|.2 .5"""
"""NIST StRD, Norris: y and x of 36 pairs."""


NILE = """1120 1160 963 1210 1160 1160 813 1230 1370 1140 995 935 1110 994 1020 960 1180 799 958
1140 1100 1210 1150 1250 1260 1220 1030 1100 774 840 874 694 940 833 701 916 692 1020 1050 969 831
726 456 824 702 1120 1100 832 764 821 768 845 864 862 698 845 744 796 1040 759 781 865 845 944 984
897 822 1010 771 676 649 846 812 742 801 1040 860 874 848 890 744 749 838 1050 918 986 797 923 975
815 1020 906 901 1170 912 746 919 718 714 740"""
"""Annual flow of the Nile at Aswan, 1871 to 1970, in 10^8 m3 (a classic; statsmodels data set)."""


def _norris() -> tuple[np.ndarray, np.ndarray]:
    pairs = np.array([part.split() for part in NORRIS.replace("\n", "").split("|")], dtype=float)
    return pairs[:, 1], pairs[:, 0]


def test_least_squares_equals_nist_norris() -> None:
    """NIST Statistical Reference Datasets, Norris, certified values."""
    x, y = _norris()
    line = least_squares(x, y)
    assert line.slope == pytest.approx(1.00211681802045, rel=1e-10)
    assert line.level == pytest.approx(-0.262323073774029, rel=1e-8)


def test_theil_sen_on_norris() -> None:
    """Worked on the same data by the definition: the median of all 630 slopes."""
    line = theil_sen(*_norris())
    assert line.slope == pytest.approx(1.0021968366, rel=1e-9)
    assert line.level == pytest.approx(-0.0640158172, abs=1e-9)


def test_theil_sen_is_not_pulled_by_an_outlier() -> None:
    """Hand-worked: 28 pairs, one outlier of 30; least squares gives 2.43 and -1.95."""
    x = np.arange(8.0)
    y = np.array([0.1, 1.0, 2.1, 2.9, 4.2, 5.0, 30.0, 7.1])
    robust, plain = theil_sen(x, y), least_squares(x, y)
    assert (robust.slope, robust.level) == pytest.approx((1.0208333, -0.0229167), abs=1e-7)
    assert (plain.slope, plain.level) == pytest.approx((2.4285714, -1.95), abs=1e-7)


@pytest.mark.parametrize(
    ("ratio", "slope", "level"), [(1.0, 0.99536433, 0.03390701), (4.0, 0.99213074, 0.04360778)]
)
def test_deming_equals_the_worked_example(ratio: float, slope: float, level: float) -> None:
    """Closed form, orthogonal distance fit and (for ratio 1) singular vectors agree on these."""
    x, y = np.arange(1.0, 6.0), np.array([1.1, 1.9, 3.2, 3.8, 5.1])
    line = deming(x, y, variance_ratio=ratio)
    assert (line.slope, line.level) == pytest.approx((slope, level), abs=1e-8)


def test_voltage_on_current_gives_the_battery_behind_it() -> None:
    """Hand-worked: 10.34 mΩ and 12.609 V; Deming with 0.5 A and 0.01 V of noise 10.354 mΩ."""
    current = np.arange(0.0, 60.0, 10.0)
    volts = np.array([12.61, 12.49, 12.42, 12.29, 12.21, 12.08])
    plain = least_squares(current, volts)
    assert (plain.slope, plain.level) == pytest.approx((-0.01034286, 12.60857), abs=1e-5)
    line = deming(current, volts, variance_ratio=(0.01 / 0.5) ** 2)
    assert (line.slope, line.level) == pytest.approx((-0.01035446, 12.60886), abs=1e-5)


@pytest.mark.parametrize("ratio", [1e6, 1e12, 1e24, 1e200, math.inf])
def test_an_almost_exact_x_gives_least_squares_in_the_limit(ratio: float) -> None:
    """Rounding may not swallow the slope where one error is many orders above the other."""
    sums = np.array([3.0, 0.7, 0.06])
    assert deming_slope(sums, variance_ratio=ratio) == pytest.approx(0.02, rel=1e-5)


def test_an_almost_exact_y_gives_the_line_of_x_on_y_in_the_limit() -> None:
    sums = np.array([3.0, 0.7, 0.06])
    assert deming_slope(sums, variance_ratio=1e-24) == pytest.approx(0.7 / 0.06, rel=1e-9)


def test_no_error_in_x_is_least_squares() -> None:
    x, y = _norris()
    sums = block_sums(x, y, np.zeros(len(x), dtype=np.int64))
    slope = deming_slope(sums[0], variance_ratio=float("inf"))
    assert slope == pytest.approx(1.00211681802045, rel=1e-10)


def test_best_split_of_the_nile_is_after_1898() -> None:
    """The least squared error is left by a split after 28 years, when the dam was begun."""
    flow = np.array(NILE.split(), dtype=np.float64)
    assert (len(flow), flow.mean()) == (100, pytest.approx(919.35))
    split = best_split(flow)
    assert split.before == 28
    assert split.error == pytest.approx(1597457.194, abs=0.01)
    assert split.share == pytest.approx(1597457.194 / 2835156.75)
    # Mann and Whitney's U of the two parts: 1816.5 of 28 x 72 pairs
    assert rank_share(flow[:28], flow[28:]) * 28 * 72 == pytest.approx(1816.5)


def test_rank_share_equals_the_worked_example() -> None:
    """Mann and Whitney, documentation of scipy.stats.mannwhitneyu: U is 17 and 3 of 20."""
    males, females = np.array([19.0, 22, 16, 29, 24]), np.array([20.0, 11, 17, 12])
    assert rank_share(males, females) * 20 == pytest.approx(17.0)
    assert rank_share(females, males) * 20 == pytest.approx(3.0)


def test_ties_count_half() -> None:
    """Hand-worked: U is 2 of 16."""
    one, other = np.array([1.0, 2, 2, 3]), np.array([2.0, 4, 5, 6])
    assert rank_share(one, other) * 16 == pytest.approx(2.0)


@pytest.mark.parametrize("degrees", [1, 2, 5, 10, 30, 31, 40, 100, 1000])
def test_student_quantile_equals_scipy(degrees: int) -> None:
    assert t95(degrees) == pytest.approx(stats.t.ppf(0.95, degrees), abs=2e-4)


def test_student_quantile_needs_a_degree_of_freedom() -> None:
    with pytest.raises(ValueError, match="degree of freedom"):
        t95(0)


def test_alternating_values_keep_their_mean() -> None:
    """NIST StRD, NumAcc2: 1.2, then 1.1 and 1.3 in turn 500 times: mean 1.2 exactly."""
    value = np.concatenate(([1.2], np.tile([1.1, 1.3], 500)))
    estimate = mean_of_blocks(value, np.arange(1001, dtype=np.int64) // 77, "V")
    assert estimate.value == pytest.approx(1.2, abs=1e-3)
    assert estimate.low <= 1.2 <= estimate.high
    assert estimate.count == 13


def test_blocks_and_not_samples_make_the_interval() -> None:
    """Four blocks of one value each, a hundred samples or one: the same interval."""
    levels = np.array([1.0, 2.0, 3.0, 4.0])
    few = mean_of_blocks(levels, np.arange(4), "V")
    many = mean_of_blocks(np.repeat(levels, 100), np.repeat(np.arange(4), 100), "V")
    # by hand: mean 2.5, sd 1.290994, t(3) 2.353363, half 2.353363 * 1.290994 / 2 = 1.519090
    for estimate in (few, many):
        assert (estimate.low, estimate.high) == pytest.approx((0.980910, 4.019090), abs=1e-5)


def test_mean_of_one_block_has_no_interval() -> None:
    with pytest.raises(ValueError, match="two blocks"):
        mean_of_blocks(np.ones(5), np.zeros(5, dtype=np.int64), "V")


def test_rounding_has_a_twelfth_of_the_squared_step() -> None:
    """0.1 V steps: 0.01 / 12 V2, and the same from 20,000 rounded random values."""
    rng = np.random.default_rng(3)
    exact = rng.uniform(11.0, 14.0, size=20_000)
    told = np.round(exact * 10.0) / 10.0
    assert rounding_variance(told) == pytest.approx(0.01 / 12.0, rel=1e-6)
    assert np.var(told - exact) == pytest.approx(rounding_variance(told), rel=0.05)
    assert rounding_variance(np.full(5, 12.0)) == 0.0
    assert rounding_variance(np.empty(0)) == 0.0


def test_noise_is_told_from_what_is_smooth() -> None:
    rng = np.random.default_rng(4)
    time_s = np.arange(0.0, 100.0, 0.02)
    smooth = 12.0 + 2.0 * np.sin(time_s) + 3.0 * (time_s > 50.0)
    noisy = smooth + rng.normal(scale=0.05, size=len(time_s))
    assert np.sqrt(noise_variance(noisy)) == pytest.approx(0.05, rel=0.03)


def test_falling_equals_pooling_by_hand() -> None:
    """4, 2, 3, 1 with equal weights: 2 and 3 pool to 2.5."""
    assert falling(np.array([4.0, 2, 3, 1]), np.ones(4)).tolist() == [4.0, 2.5, 2.5, 1.0]
    assert falling(np.array([1.0, 4]), np.array([3.0, 1.0])).tolist() == [1.75, 1.75]


def test_the_shorth_ignores_the_far_half() -> None:
    """Of 0, 1, 1.1, 1.2, 9 the shortest interval with three values is 1 to 1.2."""
    assert shorth(np.array([9.0, 1.1, 0.0, 1.2, 1.0])) == pytest.approx(1.1)


def test_slope_interval_covers_in_about_nine_of_ten() -> None:
    """Errors in x and y, and slow common drifts in y that blocks have to bear."""
    rng = np.random.default_rng(20)
    inside = 0
    runs = 400
    for _ in range(runs):
        time_s = np.arange(0.0, 120.0, 0.1)
        block = np.floor(time_s / 6.0).astype(np.int64)
        load = 20.0 + 15.0 * np.sin(time_s * rng.uniform(0.6, 1.2))
        drift = np.repeat(rng.normal(scale=0.01, size=60), 20)
        volts = 0.05 * load + drift + rng.normal(scale=0.02, size=len(time_s))
        seen = load + rng.normal(scale=0.5, size=len(time_s))
        sums = block_sums(seen, volts, block)
        estimate = jackknife_slope(sums, variance_ratio=(0.02 / 0.5) ** 2, unit="ohm")
        assert estimate is not None
        inside += estimate.low <= 0.05 <= estimate.high
    assert 0.86 <= inside / runs <= 0.94

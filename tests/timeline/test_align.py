"""As-of values and lines between samples."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from canassist.timeline import as_of, between, window_extremes

LEFT = np.array([0.05, 0.10, 0.15, 0.25, 0.40])
RIGHT = np.array([0.0, 0.1, 0.2])
VALUE = np.array([1.0, 2.0, 3.0])


def test_backward_join_equals_the_worked_example() -> None:
    """As-of join worked with pandas.merge_asof (documentation of pandas, backward)."""
    assert as_of(RIGHT, VALUE, LEFT, max_age_s=1.0).tolist() == [1, 2, 2, 3, 3]


def test_a_bounded_age_leaves_the_old_value_unknown() -> None:
    """The same example with a tolerance of 0.08: 1 2 2 3 NaN."""
    joined = as_of(RIGHT, VALUE, LEFT, max_age_s=0.08)
    assert joined[:4].tolist() == [1, 2, 2, 3]
    assert np.isnan(joined[4])


def test_join_equals_pandas_on_random_times() -> None:
    rng = np.random.default_rng(3)
    for _ in range(50):
        right = np.unique(rng.integers(0, 1000, size=40)) / 100.0
        left = np.sort(rng.integers(0, 1000, size=60)) / 100.0
        value = rng.normal(size=len(right))
        joined = pd.merge_asof(
            pd.DataFrame({"t": left}),
            pd.DataFrame({"t": right, "v": value}),
            on="t",
            tolerance=0.500001,  # type: ignore[arg-type]  # the stubs know no numbers here
        )
        ours = as_of(right, value, left, max_age_s=0.5)
        np.testing.assert_array_equal(ours, joined["v"].to_numpy())


def test_no_value_codes_are_passed_over_until_too_old() -> None:
    time_s = np.array([0.0, 0.1, 0.2])
    value = np.array([5.0, np.nan, np.nan])
    joined = as_of(time_s, value, np.array([0.1, 0.25, 0.31]), max_age_s=0.3)
    assert joined[:2].tolist() == [5.0, 5.0]
    assert np.isnan(joined[2])


def test_nothing_known_before_the_first_sample() -> None:
    assert np.isnan(as_of(RIGHT + 1.0, VALUE, np.array([0.5]), max_age_s=9.0)).all()
    assert np.isnan(as_of(np.empty(0), np.empty(0), np.array([0.5]), max_age_s=9.0)).all()


def test_line_between_samples_equals_the_worked_example() -> None:
    """Linear join of the same example: 1.5 2 2.5, and nothing beyond the last sample."""
    straight = between(RIGHT, VALUE, LEFT, max_gap_s=0.1)
    assert straight[:3] == pytest.approx([1.5, 2.0, 2.5])
    assert np.isnan(straight[3:]).all()


def test_no_line_across_a_gap() -> None:
    straight = between(
        np.array([0.0, 5.0]), np.array([1.0, 2.0]), np.array([0.0, 2.5, 5.0]), max_gap_s=1.0
    )
    assert straight[[0, 2]].tolist() == [1.0, 2.0]
    assert np.isnan(straight[1])


@given(
    st.lists(st.tuples(st.integers(0, 300), st.integers(-9, 9)), min_size=1, max_size=60),
    st.integers(0, 40),
    st.integers(0, 40),
)
def test_window_extremes_equal_the_plain_loop(
    points: list[tuple[int, int]], before: int, after: int
) -> None:
    points = sorted(points)
    time_s = np.array([p[0] for p in points]) / 100.0
    value = np.array([p[1] for p in points], dtype=np.float64)
    value[value == 9] = np.nan
    low, high = window_extremes(time_s, value, before_s=before / 100.0, after_s=after / 100.0)
    for row, (ticks, _) in enumerate(points):
        inside = [
            v
            for (t, _), v in zip(points, value, strict=True)
            if ticks - before <= t <= ticks + after and not np.isnan(v)
        ]
        expected = (min(inside), max(inside)) if inside else (np.nan, np.nan)
        np.testing.assert_array_equal((low[row], high[row]), expected)

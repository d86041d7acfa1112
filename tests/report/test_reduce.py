"""Reduction for drawing keeps every minimum, maximum and gap."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from canassist.report.charts.reduce import bucket_edges, reduce_min_max

LEVELS = st.one_of(st.none(), st.floats(-1e3, 1e3))


def test_one_low_sample_in_a_long_ride_is_never_lost() -> None:
    time_s = np.arange(0.0, 3600.0, 0.01)
    supply = np.full(len(time_s), 14.0)
    supply[123_456], supply[-1] = 8.9, 15.9  # the last sample sits in the last, partial bucket
    x, y = reduce_min_max(time_s, supply, bucket_edges(0.0, 3600.0, 700), gap=0.25)
    assert y.min() == 8.9
    assert y.max() == 15.9
    assert x[y.argmin()] == time_s[123_456]
    assert len(y) <= 2 * 700 + 2


@given(
    levels=st.lists(LEVELS, min_size=1, max_size=60),
    steps=st.lists(st.sampled_from([0.0, 0.1, 0.3, 4.0]), min_size=60, max_size=60),
    count=st.integers(1, 9),
)
def test_it_agrees_with_the_slow_obvious_loop(
    levels: list[float | None], steps: list[float], count: int
) -> None:
    y = np.array([np.nan if level is None else level for level in levels])
    x = np.cumsum(steps[: len(y)])
    end = float(x[-1]) + 1.0
    edges = bucket_edges(0.0, end, count)
    kept_x, kept_y = reduce_min_max(x, y, edges, gap=1.0)
    kept = {(a, b) for a, b in zip(kept_x, kept_y, strict=True) if not np.isnan(b)}
    samples = {(a, b) for a, b in zip(x, y, strict=True) if not np.isnan(b)}
    assert kept <= samples
    for low, high in itertools.pairwise(edges):
        last = high == edges[-1]
        inside = [b for a, b in samples if low <= a < high or (last and a == high)]
        drawn = [b for a, b in kept if low <= a < high or (last and a == high)]
        if inside:
            assert min(drawn) == min(inside)
            assert max(drawn) == max(inside)


def test_a_gap_stays_a_gap_and_missing_values_break_the_line() -> None:
    x = np.array([0.0, 0.1, 0.2, 5.0, 5.1, 5.2, 5.3])
    y = np.array([1.0, 2.0, 3.0, 4.0, np.nan, 5.0, 6.0])
    kept_x, kept_y = reduce_min_max(x, y, bucket_edges(0.0, 6.0, 100), gap=1.0)
    assert np.isnan(kept_y).sum() == 2
    assert kept_x[np.isnan(kept_y)] == pytest.approx([5.0, 5.2])
    assert kept_y[~np.isnan(kept_y)] == pytest.approx([1, 2, 3, 4, 5, 6])


def test_windows_have_more_buckets_than_the_rest() -> None:
    edges = bucket_edges(0.0, 100.0, 10, windows=[(20.0, 30.0), (95.0, 130.0)], window_count=50)
    assert edges[0] == 0.0
    assert edges[-1] == 100.0
    assert np.all(np.diff(edges) > 0)
    assert ((edges >= 20) & (edges <= 30)).sum() == 51
    assert ((edges >= 95) & (edges <= 100)).sum() == 51


def test_nothing_to_draw_gives_nothing() -> None:
    empty = np.empty(0)
    for y in (empty, np.full(3, np.nan)):
        x = np.arange(float(len(y)))
        assert not len(reduce_min_max(x, y, np.array([0.0, 10.0]), gap=1.0)[0])

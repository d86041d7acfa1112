"""Hysteresis and minimum duration."""

from __future__ import annotations

import numpy as np
import pytest

from canassist.detect.spans import Span, find_spans, true_runs
from canassist.model import BoolArray, FloatArray


def test_two_thresholds_equal_the_worked_trigger() -> None:
    """Two-threshold trigger worked by hand: on below 10.5, off above 11.5, two events."""
    value = np.array([12.2, 11.0, 10.4, 10.6, 10.9, 10.4, 11.2, 11.6, 10.6, 9.0, 11.4, 11.5, 11.51])
    time_s = np.arange(len(value), dtype=np.float64) * 0.1
    spans = find_spans(time_s, value < 10.5, value > 11.5, stale_after_s=1.0)
    state = np.zeros(len(value), dtype=int)
    for span in spans:
        state[span.first : span.end] = 1
    assert state.tolist() == [0, 0, 1, 1, 1, 1, 1, 0, 0, 1, 1, 1, 0]
    assert len(spans) == 2


def test_a_run_is_measured_to_the_first_sample_that_is_not_part_of_it() -> None:
    time_s = np.arange(6.0) * 0.1
    state = np.array([False, True, True, True, False, True])
    runs = true_runs(time_s, state, stale_after_s=1.0)
    assert runs.first.tolist() == [1, 5]
    assert runs.stop.tolist() == [4, 6]
    assert runs.seconds == pytest.approx([0.3, 0.0])


def test_a_gap_counts_towards_neither_start_nor_end() -> None:
    time_s = np.array([0.0, 0.1, 5.0, 5.1, 5.2, 5.3, 9.0, 9.1])
    low = np.array([True, True, True, True, False, False, False, False])
    spans = find_spans(time_s, low, ~low, at_least_s=0.3, hold_s=0.3, stale_after_s=0.5)
    assert spans == [Span(0, None)]  # low: 0.1 + 0.1 + 0.1 s seen; back: only 0.2 s seen


def test_an_end_that_is_not_certain_is_left_open() -> None:
    time_s = np.arange(5.0) * 0.1
    low = np.array([False, True, True, False, False])
    assert find_spans(time_s, low, ~low, hold_s=0.2, stale_after_s=1.0) == [Span(1, None)]
    assert find_spans(time_s, low, ~low, hold_s=0.1, stale_after_s=1.0) == [Span(1, 3)]


def _run_seconds(time_s: FloatArray, state: BoolArray, row: int) -> float:
    stop = row
    while stop < len(state) and state[stop]:
        stop += 1
    steps = [time_s[k + 1] - time_s[k] for k in range(row, min(stop, len(state) - 1))]
    return float(sum(step for step in steps if step <= 0.25 + 1e-6))


def _run_starts(state: BoolArray, row: int) -> bool:
    return bool(state[row] and (row == 0 or not state[row - 1]))


def _by_hand(
    time_s: FloatArray, inside: BoolArray, outside: BoolArray, at_least_s: float, hold_s: float
) -> list[tuple[int, int | None]]:
    """Walk sample by sample, the slow and obvious way."""

    def lasts(state: BoolArray, row: int, seconds: float) -> bool:
        return _run_starts(state, row) and _run_seconds(time_s, state, row) >= seconds - 1e-6

    found: list[tuple[int, int | None]] = []
    first: int | None = None
    for row in range(len(time_s)):
        if first is None and lasts(inside, row, at_least_s):
            first = row
        elif first is not None and lasts(outside, row, hold_s):
            found.append((first, row))
            first = None
    return found if first is None else [*found, (first, None)]


def test_fast_code_equals_the_plain_loop_on_random_logs() -> None:
    rng = np.random.default_rng(11)
    for _ in range(500):
        count = int(rng.integers(1, 60))
        steps = rng.choice([0.05, 0.1, 0.4], size=count, p=[0.5, 0.4, 0.1])
        time_s = np.cumsum(steps)
        level = rng.integers(0, 3, size=count)
        inside, outside = level == 0, level == 2
        spans = find_spans(time_s, inside, outside, at_least_s=0.1, hold_s=0.15, stale_after_s=0.25)
        assert [tuple(s) for s in spans] == _by_hand(time_s, inside, outside, 0.1, 0.15)

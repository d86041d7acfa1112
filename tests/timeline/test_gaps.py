"""Silences, and time that was really seen."""

from __future__ import annotations

import numpy as np
import pytest

from canassist.timeline import present_share, seen_s, silences

TIME_S = np.array([0.0, 0.1, 0.2, 1.2, 1.3])


def test_a_gap_counts_nothing() -> None:
    assert seen_s(TIME_S, stale_after_s=0.5) == pytest.approx([0.0, 0.1, 0.2, 0.2, 0.3])


def test_a_silence_lies_between_two_samples_or_reaches_the_end() -> None:
    found = silences(TIME_S, longer_than_s=0.5, log_end_s=2.0)
    assert found == [(0.2, 1.2), (1.3, None)]


def test_a_step_of_exactly_the_bound_is_no_silence() -> None:
    assert silences(np.array([0.0, 0.3]), longer_than_s=0.3, log_end_s=0.3) == []


def test_present_share_counts_each_value_until_it_is_stale() -> None:
    # worked by hand: 0.1 + 0.1 + 0.5 + 0.1 + 0.5 = 1.3 s of 2.0 s
    assert present_share(TIME_S, stale_after_s=0.5, log_end_s=2.0) == pytest.approx(0.65)
    assert present_share(np.empty(0), stale_after_s=0.5, log_end_s=2.0) == 0.0
    assert np.isnan(present_share(TIME_S, stale_after_s=0.5, log_end_s=0.0))

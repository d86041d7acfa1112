"""A sample of the pairs of vehicles (`tests/bench/comparison_pairs.py`)."""

from __future__ import annotations

import pytest

from tests.bench.comparison_pairs import judge_pairs, opposite_root, pair_jobs


def test_what_goes_against_its_root_is_a_difference_of_its_own() -> None:
    """A worse path lowers the supply; here it stands higher, because B charges higher."""
    found = opposite_root(0)
    assert found.told == "against the path: supply_under_load"
    assert not found.wrong


@pytest.mark.slow
def test_verdicts_on_a_tenth_of_the_pairs_are_right_and_none_is_falsely_repaired() -> None:
    wrong = [(job, found) for job, found in judge_pairs(pair_jobs(0.1, 200)) if found.wrong]
    assert wrong == []

"""A seeded twentieth of the comparison table (`tests/bench/comparison.py`)."""

from __future__ import annotations

import pytest

from tests.bench.comparison import KINDS, Table, jobs, run


@pytest.fixture(scope="module")
def table() -> Table:
    return run(jobs(0.05), workers=1)


def test_two_rides_of_a_sound_vehicle_show_no_difference(table: Table) -> None:
    assert len(table.outcomes[""]) == 5
    assert table.false_alarms("") == []


def test_a_ride_is_the_same_as_itself_in_everything(table: Table) -> None:
    for _, outcome in table.outcomes["itself"]:
        told = {name: said for name, said in outcome.verdicts.items() if "onset" not in name}
        assert set(told.values()) == {"same"}, told


@pytest.mark.parametrize("kind", KINDS)
def test_a_planted_difference_is_found_and_nothing_else_blamed(table: Table, kind: str) -> None:
    assert table.share(kind, "found") == 1.0
    assert table.false_alarms(kind) == []


def test_intervals_hold_the_planted_sizes(table: Table) -> None:
    covered = [item.covered for kind in KINDS for _, item in table.outcomes[kind]]
    assert sum(covered) / len(covered) >= 0.8

"""A seeded fourteenth of the diagnosis table (`tests/bench/diagnosis.py`), on the tuning set."""

from __future__ import annotations

import statistics

import pytest

from tests.bench.diagnosis import AS_SIMULATED, BARE, Tables, jobs, run
from tests.simulator.scenarios import CONDITIONS, SCENARIOS

WORSE = [name for name in CONDITIONS if name != AS_SIMULATED]
ENOUGH_PLANTED = 10
"""Kinds that the sample holds less often are counted by the full table alone."""


@pytest.fixture(scope="module")
def tables() -> Tables:
    work = jobs(held_out=False, share=0.07, variants=[AS_SIMULATED])
    work += jobs(held_out=False, share=0.02, variants=[BARE])
    return run(work + jobs(held_out=False, share=0.01, variants=WORSE))


def test_the_first_conclusion_is_the_planted_one(tables: Tables) -> None:
    total = tables.totals[AS_SIMULATED]
    assert total.rides >= len(SCENARIOS)
    assert total.first_right >= 0.95, total.mistakes


def test_worse_recordings_change_few_answers(tables: Tables) -> None:
    rides = sum(tables.totals[name].rides for name in WORSE)
    right = sum(tables.totals[name].right for name in WORSE)
    assert right / rides >= 0.93, [tables.totals[name].confusion for name in WORSE]


def test_no_sound_ride_blames_module_sensor_or_map(tables: Tables) -> None:
    for total in tables.totals.values():
        assert total.blamed == []


def test_events_are_found_where_they_were_planted_and_nowhere_else(tables: Tables) -> None:
    for kind, score in tables.totals[AS_SIMULATED].kinds.items():
        if score.planted < ENOUGH_PLANTED:
            continue
        mistakes = [text for text in tables.totals[AS_SIMULATED].mistakes if kind in text]
        assert score.recall >= 0.95, mistakes
        assert score.precision >= 0.95, mistakes
        assert score.cause_planted == 0 or score.cause >= 0.95, mistakes


def test_derates_start_within_one_message_period(tables: Tables) -> None:
    periods = tables.totals[AS_SIMULATED].kinds["derate"].onset_periods
    assert statistics.median(periods) <= 1.0

"""Rates, intervals and outliers against published and hand-worked values."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from canassist.model.screening import ScreenedLog, ScreenFigure, Screening
from canassist.screen.fleet_statistics import MIN_RIDING_S, MOST_LOGS, Survey, screening
from canassist.screen.rides_in_order import RidesInOrder
from canassist.stats import spread_of, wilson


@given(of=st.integers(1, 500), share=st.floats(0, 1))
def test_intervals_equal_those_of_a_second_implementation(of: int, share: float) -> None:
    affected = round(share * of)
    other = stats.binomtest(affected, of).proportion_ci(0.95, method="wilson")
    assert wilson(affected, of) == pytest.approx((other.low, other.high), abs=1e-6)


def test_nothing_counted_says_nothing() -> None:
    assert wilson(0, 0) == (0.0, 1.0)


def test_spread_equals_a_second_implementation() -> None:
    values = [1.0, 4.0, 2.0, 9.0, 2.5]
    middle, spread = spread_of(values, 0.0)
    assert middle == 2.5
    assert spread == pytest.approx(stats.median_abs_deviation(values, scale="normal"), rel=1e-4)


def counted(logs: Iterable[ScreenedLog]) -> Screening:
    with RidesInOrder() as rides:
        for item in logs:
            rides.add(item)
        return screening(rides, version="0")


def ride(vehicle: str, number: int = 0, *, path_ohm: float = 0.008) -> ScreenedLog:
    return ScreenedLog(
        log=f"{vehicle}/{number}.log",
        vehicle=vehicle,
        code="no_fault_found",
        duration_s=MIN_RIDING_S,
        figures={ScreenFigure.PATH_OHM: path_ohm},
    )


def fleet_with(odd: ScreenedLog) -> list[ScreenedLog]:
    return [ride(f"sound{n}", path_ohm=0.008 + 0.0005 * (n % 3)) for n in range(10)] + [odd]


def test_a_vehicle_far_from_the_others_stands_apart() -> None:
    whole = counted(fleet_with(ride("odd", path_ohm=0.05)))
    assert [item.name for item in whole.vehicles if item.flagged] == ["odd"]
    assert whole.vehicles[0].name == "odd"


def test_lower_path_resistance_is_nothing_bad() -> None:
    whole = counted(fleet_with(ride("odd", path_ohm=-0.05)))
    assert not any(item.flagged for item in whole.vehicles)


def test_too_little_riding_is_never_ranked() -> None:
    odd = replace(ride("odd", path_ohm=0.05), duration_s=MIN_RIDING_S - 1, blames=True)
    whole = counted(fleet_with(odd))
    assert whole.vehicles[-1].name == "odd"
    assert not whole.vehicles[-1].flagged


def test_few_vehicles_are_not_held_against_each_other() -> None:
    rides = [ride(f"v{n}", path_ohm=0.008 if n else 0.05) for n in range(7)]
    whole = counted(rides)
    assert not any(item.flagged for item in whole.vehicles)
    assert math.isnan(whole.spreads[0].middle)


def test_many_rides_of_one_vehicle_count_once() -> None:
    bad = replace(ride("a"), code="low_battery", blames=True)
    rides = [replace(bad, log=f"a/{n}.log") for n in range(50)] + [ride("b"), ride("c")]
    whole = counted(rides)
    rate = next(item for item in whole.by_code if item.label == "low_battery")
    assert (rate.affected, rate.vehicles) == (1, 3)


def test_the_same_content_twice_counts_once() -> None:
    twice = replace(ride("a", 1), duplicate=True)
    whole = counted([ride("a"), twice])
    assert len(whole.vehicles[0].logs) == 1
    assert whole.duplicates == 1


@given(rides=st.lists(st.integers(1, 4000), min_size=1, max_size=200))
def test_as_many_logs_are_listed_as_the_page_holds(rides: list[int]) -> None:
    most = Survey(rides=Counter(rides)).listed()
    listed = sum(min(count, most) for count in rides)
    assert listed <= MOST_LOGS
    more = sum(min(count, most + 1) for count in rides)
    assert listed == sum(rides) or more > MOST_LOGS


def test_batches_and_model_years_are_counted_by_themselves() -> None:
    bad = replace(ride("a"), code="low_battery", blames=True, batch="B1", model_year="2025")
    sound = [replace(ride("b"), batch="B1", model_year="2024"), replace(ride("c"), batch="B2")]
    whole = counted([bad, *sound])
    assert [(rate.label, rate.affected, rate.vehicles) for rate in whole.by_batch] == [
        ("B1", 1, 2),
        ("B2", 0, 1),
    ]
    assert [(rate.label, rate.affected, rate.vehicles) for rate in whole.by_model_year] == [
        ("not told", 0, 1),
        ("2024", 0, 1),
        ("2025", 1, 1),
    ]
    assert whole.by_batch[0].places == whole.by_model_year[2].places == (1,)
    assert counted([ride("a")]).by_batch == ()

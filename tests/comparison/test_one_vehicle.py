"""Repaired is said of one vehicle only; consequences go the way of their root; air is air."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from canassist.comparison import compare
from canassist.comparison.air_speed import blown_response
from canassist.comparison.margins import margins
from canassist.comparison.measured_figure import Measured
from canassist.comparison.significance import SpreadDifference
from canassist.comparison.verdicts import judge_figures
from canassist.errors import InputError
from canassist.model import (
    Code,
    Estimate,
    FigureName,
    Finding,
    Identity,
    RepairState,
    Result,
    Role,
    VehicleRelation,
)
from canassist.report import comparison_json, render_comparison
from tests.bench.comparison import ridden
from tests.comparison.rides import after, faulty

VIN_A, VIN_B = "1M8GDM9AXKP042788", "5GZCZ43D13S812715"


def told(result: Result, *, vin: str = "", serial: str = "") -> Result:
    identity = Identity(vin=vin, serial_number=serial)
    return replace(result, timeline=replace(result.timeline, identity=identity))


@pytest.fixture(scope="module")
def mended() -> tuple[Result, Result]:
    """Return a ride with a bad offset, and one of the same vehicle without it."""
    scenario = faulty("offset_right")
    return ridden(scenario), ridden(after(scenario, repaired=True))


@pytest.mark.parametrize(
    ("vins", "serials", "said", "relation", "state"),
    [
        (("", ""), ("", ""), True, "one_vehicle", RepairState.REPAIRED),
        ((VIN_A, VIN_A), ("", ""), False, "one_vehicle", RepairState.REPAIRED),
        ((VIN_A, VIN_A), ("S1", "S2"), False, "one_vehicle", RepairState.REPAIRED),
        (("", ""), ("", ""), False, "not_told", RepairState.NOT_SHOWN),
        (("", ""), ("S1", "S1"), False, "not_told", RepairState.NOT_SHOWN),
        ((VIN_A, ""), ("", ""), False, "not_told", RepairState.NOT_SHOWN),
        ((VIN_A, VIN_B), ("", ""), False, "two_vehicles", None),
        ((VIN_A, VIN_B), ("", ""), True, "two_vehicles", None),
    ],
)
def test_repaired_is_said_of_one_vehicle_only(
    mended: tuple[Result, Result],
    *,
    vins: tuple[str, str],
    serials: tuple[str, str],
    said: bool,
    relation: str,
    state: RepairState | None,
) -> None:
    a, b = (
        told(one, vin=vin, serial=serial)
        for one, vin, serial in zip(mended, vins, serials, strict=True)
    )
    found = compare(a, b, same_vehicle=said)
    assert found.relation == VehicleRelation(relation)
    states = {item.code: item.state for item in found.repairs}
    assert states.get(Code.TORQUE_SENSOR_OFFSET) == state
    assert ("Repaired" in render_comparison(found)) == (state is RepairState.REPAIRED)


def test_a_side_of_several_vehicles_is_refused(mended: tuple[Result, Result]) -> None:
    one, other = mended
    mixed = [told(one, vin=VIN_A), told(other, vin=VIN_B)]
    with pytest.raises(InputError, match="B \\(fleet\\) come from 2 vehicles") as refused:
        compare(one, mixed, names=("A", "fleet"))
    assert VIN_A not in str(refused.value)


def test_every_sentence_names_the_vehicles_and_hides_their_numbers(
    mended: tuple[Result, Result],
) -> None:
    a, b = told(mended[0], vin=VIN_A), told(mended[1], vin=VIN_A)
    found = compare(a, b, names=(f"bike {VIN_A}", "bike 7"))
    for text in (found.headline, found.explains, *(item.text for item in found.repairs)):
        assert "A (bike" in text or "B (bike 7)" in text, text
    assert all("{" not in item.text for item in found.figures)
    for page in (render_comparison(found), comparison_json(found).decode()):
        assert VIN_A not in page
        assert "B (bike 7)" in page


def measured(value: float) -> Measured:
    side = Estimate(value=value, low=value, high=value, unit="", count=50)
    gap = SpreadDifference(value=value, spread_low=1e-6, spread_high=1e-6, degrees=50, count=50)
    return Measured(a=side, b=side, gap=gap, conditions="like")


@pytest.mark.parametrize(("drop_v", "role"), [(-2.0, Role.CONSEQUENCE), (2.0, Role.ROOT)])
def test_a_consequence_goes_the_way_its_root_sends_it(
    healthy: tuple[Result, Result], drop_v: float, role: Role
) -> None:
    """More path resistance lowers the supply under load; a higher supply is its own matter."""
    found = {
        FigureName.PATH_RESISTANCE: measured(0.06),
        FigureName.SUPPLY_UNDER_LOAD: measured(drop_v),
    }
    figures = judge_figures(found, margins(healthy[0].profile.limits))
    load = next(item for item in figures if item.name is FigureName.SUPPLY_UNDER_LOAD)
    assert load.verdict is Finding.DIFFERS
    assert load.role is role


def test_cooling_is_not_compared_where_air_was_another(healthy: tuple[Result, Result]) -> None:
    """The same ride, its road speed told 25 km/h higher: only air can then differ."""
    one = healthy[0]
    speed = one.timeline.channels["vehicle_speed"]
    faster = replace(speed, value=np.asarray(speed.value) + 25.0)
    channels = {**one.timeline.channels, "vehicle_speed": faster}
    other = replace(one, timeline=replace(one.timeline, channels=channels))
    found = compare(one, other)
    figure = found.figure(FigureName.TIME_CONSTANT)
    assert figure.difference is None
    assert "air cools the module" in figure.text


def test_the_response_in_moving_air_is_that_of_the_plain_loop() -> None:
    """Ten sub-steps a second of the differential equation, worked one by one."""
    dice = np.random.default_rng(5)
    load, shed = dice.uniform(0.0, 900.0, 400), dice.uniform(1.0, 3.0, 400)
    level, means = 0.0, []
    for watts, air in zip(load, shed, strict=True):
        parts = []
        for _ in range(50):
            level += 0.02 * (watts - air * level) / 40.0
            parts.append(level)
        means.append(np.mean(parts))
    assert blown_response(load, shed, 40.0) == pytest.approx(np.array(means), rel=0.01, abs=1.0)


def test_the_response_to_a_long_ride_does_not_overflow() -> None:
    """Six hours at forty seconds are beyond what an exponential of 64 bits holds."""
    ones = np.ones(6 * 3600)
    found = blown_response(100.0 * ones, 2.0 * ones, 40.0)
    assert found[-1] == pytest.approx(50.0)

"""A sample of the fleet with planted faults (`tests/bench/screening_ranks.py`)."""

from __future__ import annotations

import pytest

from canassist.model import BlamedPart, ScreenFigure, Standing
from canassist.screen.vehicle_ranking import suspicion
from tests.bench.screening_ranks import fleet, ranked


def apart(figure: ScreenFigure, z: float) -> Standing:
    return Standing(figure=figure, value=1.0, z=z, outlier=abs(z) > 3.5, rides=1, others=0.0)


def test_a_sure_blame_with_its_figure_out_stands_before_either_alone() -> None:
    blame = (BlamedPart("supply_resistance", "strong", 1),)
    far = (apart(ScreenFigure.PATH_OHM, 14.0),)
    both = suspicion(blame, far, 1)
    assert both > suspicion(blame, (), 1) > suspicion((), (apart(ScreenFigure.PATH_OHM, 7.0),), 1)


def test_a_blame_whose_figure_is_as_on_all_others_counts_half() -> None:
    """A limit that is wrong for the whole fleet condemns every vehicle, and none of them."""
    blame = (BlamedPart("supply_resistance", "moderate", 2),)
    usual = (apart(ScreenFigure.PATH_OHM, 0.3),)
    assert suspicion(blame, usual, 2) == pytest.approx(suspicion(blame, (), 2) / 2.0)


def test_a_suspicion_alone_flags_nothing() -> None:
    assert suspicion((BlamedPart("low_battery", "weak", 3),), (), 3) < 1.0


@pytest.mark.slow
def test_planted_vehicles_stand_before_all_sound_ones() -> None:
    vehicles = fleet(0.08, 700)
    planted = {item.name for item in vehicles if item.planted}
    found = ranked(vehicles, 1).vehicles
    assert {item.name for item in found[: len(planted)]} == planted

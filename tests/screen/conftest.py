"""Fleets that several tests share."""

from __future__ import annotations

import pytest

from tests.screen.fleets import Fleet, make_fleet


@pytest.fixture(scope="session")
def small_fleet(tmp_path_factory: pytest.TempPathFactory) -> Fleet:
    """Return three vehicles, the second with high path resistance, and one damaged log."""
    fleet = make_fleet(
        tmp_path_factory.mktemp("three") / "fleet", ["mixed", "path_resistance", "mixed"]
    )
    (fleet.logs / "vehicle00" / "broken.log").write_text("this is no recording\n", "utf-8")
    return fleet


@pytest.fixture(scope="session")
def fleet_of_eight(tmp_path_factory: pytest.TempPathFactory) -> Fleet:
    """Return eight vehicles, two of them faulty, and one damaged log."""
    planted = ["path_resistance", "not_charging", *["mixed"] * 6]
    fleet = make_fleet(tmp_path_factory.mktemp("eight") / "fleet", planted)
    (fleet.logs / "vehicle00" / "broken.log").write_text("this is no recording\n", "utf-8")
    return fleet

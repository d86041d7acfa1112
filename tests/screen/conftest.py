"""A fleet of invented vehicles: short rides with planted faults, written once."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from canassist.demo import TRAIL, VEHICLE, profile_text, simulate
from canassist.demo.frames import all_frames
from canassist.demo.layout import dbc_text
from canassist.demo.scenarios import draw_scenario
from canassist.demo.writers import log_bytes

ENDINGS = (".log.gz", ".blf", ".asc.gz")
FIRST_DAY = datetime(2026, 1, 10, tzinfo=UTC)


@dataclass(frozen=True)
class Fleet:
    """Folder of the logs, database and profile."""

    logs: Path
    dbc: str
    profile: str


def make_fleet(folder: Path, planted: list[str]) -> Fleet:
    """Write one short ride of each vehicle; what is planted names the scenario."""
    logs = folder / "rides"
    dbc, profile = folder / "vehicle.dbc", folder / "vehicle.toml"
    folder.mkdir(parents=True, exist_ok=True)
    dbc.write_text(dbc_text(TRAIL, "Invented."), "utf-8")
    profile.write_text(profile_text(TRAIL, VEHICLE), "utf-8")
    for number, name in enumerate(planted):
        scenario = replace(draw_scenario(name, number), layout=TRAIL)
        table = all_frames(simulate(scenario), ())
        ending = ENDINGS[number % len(ENDINGS)]
        start = FIRST_DAY + timedelta(days=20 * (number % 5))
        home = logs / f"vehicle{number:02d}"
        home.mkdir(parents=True)
        (home / f"ride{ending}").write_bytes(log_bytes(ending, table, start, quick=True))
    return Fleet(logs=logs, dbc=str(dbc), profile=str(profile))


MakeFleet = Callable[[Path, list[str]], Fleet]


@pytest.fixture(scope="session")
def make_a_fleet() -> MakeFleet:
    """Return what writes a fleet."""
    return make_fleet


@pytest.fixture(scope="session")
def small_fleet(tmp_path_factory: pytest.TempPathFactory) -> Fleet:
    """Return three vehicles, the second with high path resistance, and one damaged log."""
    fleet = make_fleet(tmp_path_factory.mktemp("fleet"), ["mixed", "path_resistance", "mixed"])
    (fleet.logs / "vehicle00" / "broken.log").write_text("this is no recording\n", "utf-8")
    return fleet


@pytest.fixture(scope="session")
def fleet_of_eight(tmp_path_factory: pytest.TempPathFactory) -> Fleet:
    """Return eight vehicles, two of them faulty, and one damaged log."""
    planted = ["path_resistance", "not_charging", *["mixed"] * 6]
    fleet = make_fleet(tmp_path_factory.mktemp("eight"), planted)
    (fleet.logs / "vehicle00" / "broken.log").write_text("this is no recording\n", "utf-8")
    return fleet

"""Fleets of invented vehicles: short rides with planted faults, written once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

from canassist.demo import TRAIL, VEHICLE, profile_text, simulate
from canassist.demo.bus.frame_table import FrameTable, all_frames
from canassist.demo.bus.message_layout import dbc_text
from canassist.demo.bus.writers import log_bytes
from tests.simulator.scenarios import draw_scenario

ENDINGS = (".log.gz", ".blf", ".asc.gz")
FIRST_DAY = datetime(2026, 1, 10, tzinfo=UTC)


@dataclass(frozen=True)
class Fleet:
    """Folder of the logs, database and profile."""

    logs: Path
    dbc: str
    profile: str


def empty_fleet(folder: Path) -> Fleet:
    """Write database and profile, and a folder for logs."""
    dbc, profile = folder / "vehicle.dbc", folder / "vehicle.toml"
    (folder / "rides").mkdir(parents=True)
    dbc.write_text(dbc_text(TRAIL, "Invented."), "utf-8")
    profile.write_text(profile_text(TRAIL, VEHICLE), "utf-8")
    return Fleet(logs=folder / "rides", dbc=str(dbc), profile=str(profile))


def ride_of(name: str, seed: int) -> FrameTable:
    """Simulate a ride of a scenario."""
    return all_frames(simulate(replace(draw_scenario(name, seed), layout=TRAIL)), ())


def make_fleet(folder: Path, planted: Sequence[str]) -> Fleet:
    """Write one short ride of each vehicle; what is planted names the scenario."""
    fleet = empty_fleet(folder)
    for number, name in enumerate(planted):
        ending = ENDINGS[number % len(ENDINGS)]
        start = FIRST_DAY + timedelta(days=20 * (number % 5))
        home = fleet.logs / f"vehicle{number:02d}"
        home.mkdir(parents=True)
        content = log_bytes(ending, ride_of(name, number), start, quick=True)
        (home / f"ride{ending}").write_bytes(content)
    return fleet

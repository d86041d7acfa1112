"""Fixtures of the demo's tests: each sample ride is simulated and written once."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import pytest

from canassist.demo import RIDES, SimulatedRide, WrittenRide, simulate, write_demo

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture(scope="session")
def rides() -> Mapping[str, SimulatedRide]:
    """Return the eight sample rides."""
    return {name: simulate(scenario) for name, scenario in RIDES.items()}


@pytest.fixture(scope="session")
def demo_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return an empty folder for the demo's files."""
    return tmp_path_factory.mktemp("demo")


@pytest.fixture(scope="session")
def written(demo_folder: Path) -> tuple[WrittenRide, ...]:
    """Return the demo's files, written once."""
    return write_demo(demo_folder)

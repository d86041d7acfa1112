"""Rides to compare, simulated and judged once."""

from __future__ import annotations

import pytest

from canassist.model import Result
from tests.comparison.rides import sound


@pytest.fixture(scope="session")
def healthy() -> tuple[Result, Result]:
    return sound(0, 0), sound(0, 1)

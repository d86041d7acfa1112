"""Fixtures for detectors: the maker of rides, a profile, evenly spaced times."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from canassist.model import AssistMap, FloatArray, Profile, Timeline
from canassist.profile import default_profile
from tests.detect.hand_rides import make_ride


@pytest.fixture
def ride() -> Callable[..., Timeline]:
    """Return the maker of rides: channel name to (times, values)."""
    return make_ride


@pytest.fixture
def profile() -> Profile:
    """Return the default limits with the contract's example map."""
    table = AssistMap(
        speed_kph=(0.0, 10.0, 20.0, 40.0, 60.0, 80.0),
        gains={"*": (4.0, 3.6, 3.0, 2.0, 1.3, 1.0)},
        driver_deadband_nm=0.5,
        max_assist_nm=40.0,
    )
    return replace(default_profile(), assist_map=table)


@pytest.fixture
def every() -> Callable[..., FloatArray]:
    """Return evenly spaced times: every(period, until) from 0, the end included."""

    def times(period_s: float, until_s: float) -> FloatArray:
        return np.arange(round(until_s / period_s) + 1, dtype=np.float64) * period_s

    return times

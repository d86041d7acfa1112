"""Torque offset: reported where the whole interval lies beyond its limit."""

from __future__ import annotations

import numpy as np
import pytest

from canassist.detect.torque_offset import find_torque_offset
from canassist.model import Estimate, Physics, Profile, TorqueRest


def _rest(low: float, value: float, high: float) -> Physics:
    return Physics(
        torque_rest=TorqueRest(
            offset_nm=Estimate(value=value, low=low, high=high, unit="N·m", count=9),
            seconds=9.0,
            drift_nm_per_k=None,
            time_s=np.array([2.0, 30.0, 61.0]),
            torque_nm=np.full(3, value),
        )
    )


@pytest.mark.parametrize(
    ("interval", "found"),
    [
        ((0.35, 0.45, 0.55), False),
        ((0.41, 0.50, 0.60), True),
        ((-0.60, -0.50, -0.41), True),
        ((-0.55, -0.45, -0.35), False),
        ((-0.10, 0.00, 0.10), False),
    ],
)
def test_the_whole_interval_lies_beyond(
    profile: Profile, interval: tuple[float, float, float], *, found: bool
) -> None:
    events = find_torque_offset(_rest(*interval), profile)
    assert len(events) == found
    for event in events:
        assert (event.start_s, event.end_s) == (2.0, 61.0)
        assert event.measured["offset_nm"] == interval[1]
        assert abs(float(event.expected["offset_nm"])) == 0.4


def test_nothing_without_rest(profile: Profile) -> None:
    assert find_torque_offset(Physics(), profile) == []

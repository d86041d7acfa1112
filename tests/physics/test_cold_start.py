"""The temperature sensor at a cold start, on rides worked by hand."""

from __future__ import annotations

import numpy as np
import pytest

from canassist.physics import study
from canassist.profile import default_profile
from tests.detect.hand_rides import make_ride


def _start(module_c: float, air_c: float, coolant_c: float, rpm: float = 0.0):  # type: ignore[no-untyped-def] # noqa: ANN202 - a value or None
    time_s = np.arange(600) * 0.1

    def flat(value: float) -> tuple[np.ndarray, np.ndarray]:
        return time_s, np.full(len(time_s), value)

    channels = {
        "module_temperature": flat(module_c),
        "ambient_temperature": flat(air_c),
        "coolant_temperature": flat(coolant_c),
        "engine_speed": flat(rpm),
    }
    return study(make_ride(channels), default_profile()).cold_start


@pytest.mark.parametrize(
    ("module_c", "believable"), [(12.0, True), (30.0, True), (62.0, False), (-38.0, False)]
)
def test_a_sensor_far_from_air_and_coolant_is_not_believed(
    module_c: float, believable: bool
) -> None:
    """Air and coolant at 12 and 14 degC: the vehicle has stood overnight."""
    check = _start(module_c, 12.0, 14.0)
    assert check is not None
    assert check.believable is believable
    assert check.apart_k == pytest.approx(min((module_c - 12.0, module_c - 14.0), key=abs))


def test_a_warm_engine_tells_nothing() -> None:
    """Coolant at 70 degC: the module may be warm from the ride before."""
    assert _start(62.0, 12.0, 70.0) is None


def test_nothing_without_anything_to_hold_it_against() -> None:
    time_s = np.arange(600) * 0.1
    channels = {"module_temperature": (time_s, np.full(600, 60.0))}
    assert study(make_ride(channels), default_profile()).cold_start is None

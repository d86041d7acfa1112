"""Each rule of the supply path on a ride made for it, at its boundary."""

from __future__ import annotations

import numpy as np
import pytest

from canassist.model import FloatArray, SupplyPath
from canassist.physics import study
from canassist.profile import default_profile
from tests.detect.hand_rides import Samples, make_ride

STEP_S = 0.05
LEVEL_V = 14.2
IDLE_RPM, CHARGING_RPM = 1100.0, 3000.0


def _time(until_s: float) -> FloatArray:
    return np.arange(round(until_s / STEP_S) + 1, dtype=np.float64) * STEP_S


def _steered(time_s: FloatArray, *, until_s: float, swing_a: float = 30.0) -> FloatArray:
    """Return a current that goes up and down twice a second while it is steered, from 5 A."""
    wave = np.array([0.0, 0.25, 0.5, 0.75, 1.0, 1.0, 0.75, 0.5, 0.25, 0.0])
    turned = wave[np.round(time_s / STEP_S).astype(int) % len(wave)]
    return 5.0 + np.where(time_s < until_s - STEP_S / 2, turned * swing_a, 0.0)


def _path(
    time_s: FloatArray,
    current_a: FloatArray,
    module_v: FloatArray,
    *,
    system_v: float | None = LEVEL_V,
    rpm: FloatArray | float | None = None,
    more: dict[str, Samples] | None = None,
) -> SupplyPath | None:
    channels: dict[str, Samples] = {
        "supply_voltage": (time_s, module_v),
        "module_current": (time_s, current_a),
        **(more or {}),
    }
    if system_v is not None:
        channels["system_voltage"] = (time_s, np.full(len(time_s), system_v))
    if rpm is not None:
        channels["engine_speed"] = (time_s, np.broadcast_to(rpm, time_s.shape).copy())
    return study(make_ride(channels), default_profile()).supply_path


def _over(current_a: FloatArray, ohm: FloatArray | float) -> FloatArray:
    return np.asarray(LEVEL_V - ohm * current_a)


# -- how much must have been steered ----------------------------------------------------------


@pytest.mark.parametrize(("until_s", "told"), [(17.95, False), (18.3, True)])
def test_four_stretches_of_six_seconds_with_steering_are_needed(
    until_s: float, *, told: bool
) -> None:
    time_s = _time(60.0)
    current_a = _steered(time_s, until_s=until_s)
    path = _path(time_s, current_a, _over(current_a, 0.02))
    assert path is not None
    assert (path.method == "difference") == told


@pytest.mark.parametrize(("until_s", "told"), [(5.95, False), (6.3, True)])
def test_fast_steps_need_four_stretches_of_two_seconds(until_s: float, *, told: bool) -> None:
    time_s = _time(60.0)
    current_a = _steered(time_s, until_s=until_s)
    path = _path(time_s, current_a, _over(current_a, 0.05), system_v=None, rpm=CHARGING_RPM)
    assert (path is not None) == told


@pytest.mark.parametrize(("swing_a", "told"), [(4.9, False), (5.1, True)])
def test_a_stretch_in_which_current_swings_by_less_than_5_a_says_nothing(
    swing_a: float, *, told: bool
) -> None:
    time_s = _time(60.0)
    current_a = _steered(time_s, until_s=60.0, swing_a=swing_a)
    assert (_path(time_s, current_a, _over(current_a, 0.02)) is not None) == told


# -- what is left out -------------------------------------------------------------------------


@pytest.mark.parametrize(("share", "in_path"), [(0.49, False), (0.51, True)])
def test_a_supply_below_half_its_usual_level_is_a_contact(share: float, *, in_path: bool) -> None:
    time_s = _time(120.0)
    current_a = _steered(time_s, until_s=120.0)
    module_v = _over(current_a, 0.01)
    usual_v = float(np.median(module_v))
    module_v[(current_a > 30.0) & (time_s % 10.0 < 1.0)] = share * usual_v
    path = _path(time_s, current_a, module_v)
    assert path is not None
    assert (path.path_ohm.value > 0.011) == in_path


@pytest.mark.parametrize(("after_s", "in_path"), [(0.9, False), (1.1, True)])
def test_a_second_after_the_starter_is_left_out(after_s: float, *, in_path: bool) -> None:
    """The starter turns from 2 s to 3 s; the drop that follows it is not the path's."""
    time_s = _time(40.0)
    current_a = _steered(time_s, until_s=40.0)
    rpm = np.where(time_s < 2.0, 0.0, np.where(time_s < 3.0, 220.0, IDLE_RPM))
    module_v = _over(current_a, 0.01)
    module_v[(time_s > 2.95) & (time_s < 3.0 + after_s) & (current_a > 10.0)] -= 4.0
    path = _path(time_s, current_a, module_v, rpm=rpm)
    assert path is not None
    assert (abs(path.path_ohm.value - 0.01) > 1e-6) == in_path


@pytest.mark.parametrize(("before_s", "in_path"), [(0.45, False), (0.6, True)])
def test_half_a_second_around_a_silence_of_the_module_is_a_contact(
    before_s: float, *, in_path: bool
) -> None:
    """The module is silent for a second of every ten; before, its supply sinks by 3 V."""
    time_s = _time(120.0)
    current_a = _steered(time_s, until_s=120.0)
    module_v = _over(current_a, 0.01)
    phase_s = time_s % 10.0
    sinks = (phase_s > 5.0 - before_s) & (phase_s < 5.0) & (current_a > 10.0)
    module_v[sinks] -= 3.0
    sends = (phase_s < 5.0) | (phase_s >= 6.0)
    channels = {
        "supply_voltage": (time_s[sends], module_v[sends]),
        "module_current": (time_s[sends], current_a[sends]),
        "assist_limit": (time_s[sends], np.full(int(sends.sum()), 100.0)),
        "system_voltage": (time_s, np.full(len(time_s), LEVEL_V)),
        "vehicle_speed": (time_s, np.full(len(time_s), 20.0)),
    }
    path = study(make_ride(channels), default_profile()).supply_path
    assert path is not None
    assert (path.path_ohm.value > 0.0105) == in_path


def test_without_any_value_of_the_supply_there_is_no_path() -> None:
    time_s = _time(60.0)
    current_a = _steered(time_s, until_s=60.0)
    assert _path(time_s, current_a, np.full(len(time_s), np.nan)) is None


# -- a path that gives way --------------------------------------------------------------------


@pytest.mark.parametrize(("more_ohm", "told_ohm"), [(0.0075, None), (0.0085, 0.0185)])
def test_a_path_has_changed_from_8_milliohm_on(more_ohm: float, told_ohm: float | None) -> None:
    time_s = _time(120.0)
    current_a = _steered(time_s, until_s=120.0)
    ohm = np.where(time_s < 60.0, 0.010, 0.010 + more_ohm)
    path = _path(time_s, current_a, _over(current_a, ohm))
    assert path is not None
    if told_ohm is None:
        assert 0.0105 < path.path_ohm.value < 0.010 + more_ohm - 0.0005
    else:
        assert path.path_ohm.value == pytest.approx(told_ohm, rel=1e-3)


def test_a_path_that_comes_and_goes_has_not_changed() -> None:
    """Every other stretch 10 and 30 mΩ: two levels in time leave most of the error."""
    time_s = _time(120.0)
    current_a = _steered(time_s, until_s=120.0)
    ohm = np.where(np.floor(time_s / 6.0) % 2 == 0, 0.010, 0.030)
    path = _path(time_s, current_a, _over(current_a, ohm))
    assert path is not None
    assert 0.018 < path.path_ohm.value < 0.026


def test_a_path_that_wanders_has_not_changed_though_its_later_half_is_higher() -> None:
    """10 and 30 mΩ by turns, then 20 and 40: two levels leave four fifths of the error."""
    time_s = _time(240.0)
    current_a = _steered(time_s, until_s=240.0)
    ohm = np.where(np.floor(time_s / 6.0) % 2 == 0, 0.010, 0.030) + 0.010 * (time_s >= 120.0)
    path = _path(time_s, current_a, _over(current_a, ohm))
    assert path is not None
    assert path.path_ohm.value < 0.031


# -- errors in both readings ------------------------------------------------------------------


def test_noise_of_the_current_does_not_flatten_the_line() -> None:
    """2 A of noise on a swing of 6 A: least squares of volts on amperes finds four fifths."""
    time_s = _time(600.0)
    rng = np.random.default_rng(11)
    true_a = _steered(time_s, until_s=600.0, swing_a=8.0)
    read_a = true_a + rng.normal(scale=2.0, size=len(time_s))
    module_v = _over(true_a, 0.05) + rng.normal(scale=0.01, size=len(time_s))
    least_squares = -float(np.polyfit(read_a, module_v, 1)[0])
    assert least_squares < 0.042
    path = _path(time_s, read_a, module_v)
    assert path is not None
    assert path.path_ohm.value == pytest.approx(0.05, rel=0.04)


# -- path and battery in one slope ------------------------------------------------------------


def _sagging(ohm: float, rpm: float) -> SupplyPath | None:
    """Return the path where the battery gives the current: its own loss is in the slope too."""
    time_s = _time(120.0)
    current_a = _steered(time_s, until_s=120.0)
    return _path(time_s, current_a, 12.4 - ohm * current_a, system_v=None, rpm=rpm)


def test_battery_and_path_together_within_the_limit_are_told_as_a_bound() -> None:
    """0.028 ohm in all is sound whatever part is the battery's; 0.033 could be either."""
    path = _sagging(0.028, IDLE_RPM)
    assert path is not None
    assert path.method == "fast_split"
    assert path.path_ohm.value == pytest.approx(0.028, rel=1e-6)
    assert path.path_ohm.high <= 0.030
    assert _sagging(0.033, IDLE_RPM) is None


def test_what_a_sound_source_may_hold_lowers_the_bound_by_what_was_not_seen() -> None:
    """50 mΩ where the level is held: unseen, up to 20 mΩ of it may be the source's."""
    time_s = _time(120.0)
    current_a = _steered(time_s, until_s=120.0)
    unseen = _path(time_s, current_a, _over(current_a, 0.05), system_v=None, rpm=CHARGING_RPM)
    assert unseen is not None
    assert unseen.source_ohm is None
    assert unseen.path_ohm.repeatability().low == pytest.approx(0.03, abs=1e-3)

    charged = (time_s % 60.0) < 30.0
    ahead_v = np.where(charged, LEVEL_V, 12.4 - 0.015 * current_a)
    rpm = np.where(charged, CHARGING_RPM, IDLE_RPM)
    seen = _path(time_s, current_a, ahead_v - 0.05 * current_a, system_v=None, rpm=rpm)
    assert seen is not None
    assert seen.source_ohm is not None
    assert seen.source_ohm.value == pytest.approx(0.015, abs=1e-3)
    assert seen.path_ohm.repeatability().low == pytest.approx(0.045, abs=1e-3)


def test_where_the_load_passes_the_alternator_the_battery_is_left_out() -> None:
    """Above 25 A the battery joins in with 20 mΩ of its own: no path of 30 mΩ comes of that."""
    time_s = _time(240.0)
    current_a = 5.0 + 35.0 * np.abs((time_s % 4.0) / 2.0 - 1.0)
    ahead_v = LEVEL_V - 0.02 * np.maximum(current_a - 25.0, 0.0)
    path = _path(time_s, current_a, ahead_v - 0.01 * current_a, system_v=None, rpm=CHARGING_RPM)
    assert path is not None
    assert path.path_ohm.value == pytest.approx(0.010, abs=1e-3)


def test_the_level_is_closed_in_on_although_readings_are_noisy() -> None:
    """Three amperes in ten pass what the alternator delivers, by 40 mΩ, under 20 mV of noise."""
    time_s = _time(600.0)
    rng = np.random.default_rng(3)
    current_a = 5.0 + 35.0 * np.abs((time_s % 4.0) / 2.0 - 1.0)
    ahead_v = LEVEL_V - 0.04 * np.maximum(current_a - 28.0, 0.0)
    module_v = ahead_v - 0.01 * current_a + rng.normal(scale=0.02, size=len(time_s))
    path = _path(time_s, current_a, module_v, system_v=None, rpm=CHARGING_RPM)
    assert path is not None
    assert path.path_ohm.value == pytest.approx(0.010, abs=8e-4)


def test_a_source_is_seen_where_it_gives_current_only() -> None:
    """Charging current flows the other way; there the alternator holds the level."""
    time_s = _time(120.0)
    current_a = _steered(time_s, until_s=120.0)
    gives = (time_s % 40.0) < 20.0
    battery_a = np.where(gives, current_a, -current_a)
    system_v = np.where(gives, 12.4 - 0.012 * current_a, LEVEL_V)
    more = {"system_voltage": (time_s, system_v), "system_current": (time_s, battery_a)}
    path = _path(time_s, current_a, system_v - 0.01 * current_a, system_v=None, more=more)
    assert path is not None
    assert path.source_ohm is not None
    assert path.source_ohm.value == pytest.approx(0.012, rel=1e-3)
    assert path.path_ohm.value == pytest.approx(0.010, rel=1e-3)


# -- what is kept -----------------------------------------------------------------------------


def test_points_for_drawing_are_bounded_and_the_drop_is_that_of_the_peak() -> None:
    time_s = _time(600.0)
    current_a = _steered(time_s, until_s=600.0)
    path = _path(time_s, current_a, _over(current_a, 0.02))
    assert path is not None
    assert 1000 < len(path.points.x) <= 2001
    assert path.peak_current_a == 35.0
    assert path.drop_v == pytest.approx(0.7, rel=1e-6)
    assert path.open_voltage_v == pytest.approx(LEVEL_V)

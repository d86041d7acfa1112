"""What a ride shows of the lines that the module reduces assist by, worked by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from canassist.model import FloatArray, LimitLines, Profile, Timeline
from canassist.physics import limit_lines
from canassist.physics.limit_learning import learn_lines
from canassist.profile import default_profile
from tests.detect.hand_rides import make_ride

PROFILE = default_profile()
HEAT_GIVEN = ("derate_start_c", "derate_zero_c")
SUPPLY_GIVEN = ("derate_start_v", "derate_zero_v")


def _profile(*, given: tuple[str, ...] = (), **limits: float) -> Profile:
    return replace(
        PROFILE,
        limits=replace(PROFILE.limits, **limits),
        given=frozenset(f"limits.{name}" for name in given),
    )


def _ride(value: FloatArray, limit_pct: FloatArray, *, name: str, rpm: float = 900.0) -> Timeline:
    time_s = np.arange(len(value)) * 0.1
    return make_ride(
        {
            name: (time_s, value),
            "assist_limit": (time_s, limit_pct),
            "engine_speed": (time_s, np.full(len(time_s), rpm)),
        }
    )


def _heating(start_c: float, zero_c: float, *, until_c: float = 120.0, **more: float) -> Timeline:
    """Warms from 60 degC at 0.5 K/s; assist falls straight from start to zero."""
    heat_c = np.arange(60.0, until_c, 0.05)
    limit = np.clip(100.0 * (zero_c - heat_c) / (zero_c - start_c), 0.0, 100.0)
    return _ride(heat_c, limit, name="module_temperature", **more)


def _sagging(start_v: float, zero_v: float, *, volts: float = 1.0) -> Timeline:
    supply_v = volts * np.arange(13.0, 8.0, -0.005)
    limit = np.clip(100.0 * (supply_v - zero_v) / (start_v - zero_v), 0.0, 100.0)
    return _ride(supply_v, limit, name="supply_voltage")


def _learned(ride: Timeline, profile: Profile = PROFILE) -> LimitLines:
    return learn_lines(ride, profile, limit_lines(profile))


def test_a_temperature_line_is_learned_where_none_is_given() -> None:
    lines = _learned(_heating(75.0, 105.0))
    assert (lines.derate_start_c, lines.derate_zero_c) == pytest.approx((75.0, 105.0), abs=0.1)
    assert (lines.source, lines.temperature_from, lines.supply_from) == ("ride", "ride", "assumed")
    assert lines.tested == ()


def test_a_supply_line_is_learned_where_none_is_given() -> None:
    lines = _learned(_sagging(10.5, 9.0))
    assert (lines.derate_start_v, lines.derate_zero_v) == pytest.approx((10.5, 9.0), abs=0.02)
    assert (lines.source, lines.temperature_from, lines.supply_from) == ("ride", "assumed", "ride")


def test_supply_lines_of_other_vehicles_are_as_many_times_as_wide() -> None:
    """At 48 V the line may be 20 V wide, at 12 V it may not."""
    wide = _sagging(44.0, 36.0, volts=4.0)
    lines = _learned(wide, replace(PROFILE, nominal_v=48.0))
    assert (lines.derate_start_v, lines.derate_zero_v) == pytest.approx((44.0, 36.0), abs=0.1)


@pytest.mark.parametrize(
    ("start_v", "zero_v", "told"),
    [(10.5, 10.1, False), (10.5, 9.9, True), (12.4, 7.5, True), (12.5, 7.3, False)],
)
def test_supply_lines_are_half_a_volt_to_five_volts_wide(
    start_v: float, zero_v: float, told: bool
) -> None:
    assert (_learned(_sagging(start_v, zero_v)).supply_from == "ride") is told


@pytest.mark.parametrize(("start_c", "zero_c"), [(75.0, 79.0), (62.0, 124.0)])
def test_a_line_of_a_width_that_no_module_has_is_not_learned(start_c: float, zero_c: float) -> None:
    """From start to zero modules take 5 to 60 K."""
    assert _learned(_heating(start_c, zero_c, until_c=125.0)).source == "assumed"


def test_nothing_is_learned_with_the_engine_at_rest() -> None:
    assert _learned(_heating(75.0, 105.0, rpm=500.0)).source == "assumed"


def test_too_small_a_piece_of_a_line_shows_none() -> None:
    """15 % of assist at least: 4.5 K of a line 30 K wide, from 92 % down."""
    assert _learned(_heating(75.0, 105.0, until_c=81.7)).source == "assumed"
    assert _learned(_heating(75.0, 105.0, until_c=82.3)).source == "ride"


def test_assist_that_is_short_before_the_line_begins_shows_none() -> None:
    ride = _heating(75.0, 105.0)
    limit = ride.channels["assist_limit"]
    cool = ride.channels["module_temperature"].value < 71.0

    def cut(share: float) -> Timeline:
        pct = limit.value.copy()
        rows = np.flatnonzero(cool)
        pct[rows[: round(share * len(rows))]] = 97.0
        return replace(ride, channels={**ride.channels, "assist_limit": replace(limit, value=pct)})

    assert _learned(cut(0.04)).source == "ride"
    assert _learned(cut(0.08)).source == "assumed"


def test_the_way_back_shows_no_line() -> None:
    """Cooling down, a module lags behind its line."""
    heat_c = np.arange(120.0, 60.0, -0.05)
    limit = np.clip(100.0 * (105.0 - heat_c) / 30.0, 0.0, 100.0)
    ride = _ride(heat_c, limit, name="module_temperature")
    assert _learned(ride).source == "assumed"


def test_a_given_line_that_the_ride_follows_agrees() -> None:
    given = _profile(given=HEAT_GIVEN, derate_start_c=75.0, derate_zero_c=105.0)
    lines = _learned(_heating(75.0, 105.0), given)
    (test,) = lines.tested
    assert (test.quantity, test.agrees) == ("temperature", True)
    assert (test.given_start, test.given_zero) == (75.0, 105.0)
    assert (test.ride_start, test.ride_zero) == pytest.approx((75.0, 105.0), abs=0.1)
    assert (lines.derate_start_c, lines.temperature_from) == (75.0, "profile")


def test_a_given_line_that_the_ride_contradicts_is_replaced_and_told() -> None:
    given = _profile(given=HEAT_GIVEN, derate_start_c=85.0, derate_zero_c=115.0)
    lines = _learned(_heating(75.0, 105.0), given)
    (test,) = lines.tested
    assert not test.agrees
    assert (test.given_start, test.given_zero) == (85.0, 115.0)
    assert (test.ride_start, test.ride_zero) == pytest.approx((75.0, 105.0), abs=0.1)
    assert lines.derate_start_c == pytest.approx(75.0, abs=0.1)
    assert lines.temperature_from == "ride"


def test_a_given_supply_line_is_told_in_volts() -> None:
    given = _profile(given=SUPPLY_GIVEN, derate_start_v=11.5, derate_zero_v=10.0)
    (test,) = _learned(_sagging(10.5, 9.0), given).tested
    assert (test.quantity, test.agrees) == ("supply", False)
    assert (test.given_start, test.given_zero) == (11.5, 10.0)
    assert (test.ride_start, test.ride_zero) == pytest.approx((10.5, 9.0), abs=0.02)


@pytest.mark.parametrize(("shift_k", "agrees"), [(2.8, True), (3.3, False), (-2.8, True)])
def test_a_steep_line_agrees_within_three_kelvin(shift_k: float, agrees: bool) -> None:
    """Over 10 K, 2.8 K are 28 % of assist: the kelvin count."""
    start, zero = 75.0 + shift_k, 85.0 + shift_k
    given = _profile(given=HEAT_GIVEN, derate_start_c=start, derate_zero_c=zero)
    (test,) = _learned(_heating(75.0, 85.0), given).tested
    assert test.agrees is agrees


@pytest.mark.parametrize(("shift_k", "agrees"), [(5.6, True), (6.6, False)])
def test_a_flat_line_agrees_within_twelve_per_cent(shift_k: float, agrees: bool) -> None:
    """Over 50 K, 5.6 K are 11.2 % of assist, 6.6 K are 13.2 %."""
    given = _profile(given=HEAT_GIVEN, derate_start_c=65.0 + shift_k, derate_zero_c=115.0 + shift_k)
    (test,) = _learned(_heating(65.0, 115.0), given).tested
    assert test.agrees is agrees


@pytest.mark.parametrize(
    ("heat_c", "rows", "kept_s"),
    [(89.5, 201, 20.0), (89.5, 199, None), (89.4, 400, None), (110.0, 401, 40.0)],
)
def test_full_assist_kept_beyond_a_given_line_is_told(
    heat_c: float, rows: int, kept_s: float | None
) -> None:
    """At 89.5 degC a line from 85 to 115 leaves 85 %; 20 s of full assist contradict it."""
    given = _profile(given=HEAT_GIVEN, derate_start_c=85.0, derate_zero_c=115.0)
    ride = _ride(np.full(rows, heat_c), np.full(rows, 98.0), name="module_temperature")
    tested = _learned(ride, given).tested
    assert [one.kept_s for one in tested] == ([] if kept_s is None else [pytest.approx(kept_s)])
    assert all(not one.agrees and np.isnan(one.ride_start) for one in tested)


def test_full_assist_kept_for_less_than_half_of_the_time_contradicts_nothing() -> None:
    given = _profile(given=HEAT_GIVEN, derate_start_c=85.0, derate_zero_c=115.0)
    limit = np.concatenate((np.full(210, 100.0), np.full(250, 20.0)))
    ride = _ride(np.full(460, 110.0), limit, name="module_temperature")
    assert _learned(ride, given).tested == ()


def test_what_nobody_gave_is_not_held_against_the_ride() -> None:
    ride = _ride(np.full(400, 110.0), np.full(400, 100.0), name="module_temperature")
    assert _learned(ride).tested == ()
    assert _learned(make_ride({})) == limit_lines(PROFILE)

"""Still more classes on which an answer said too much or too little: supply, heat, what is absent.

As in `test_seen_to_fail`: each class stands for many vehicles, and the rides are hand-made.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from canassist.detect import undervoltage
from canassist.detect.derate.speed_law import speed_law_pct
from canassist.model import Code, ColdStart, Physics, Strength, SupplySpec
from canassist.physics import life_of_ride
from canassist.physics.limit_learning import learn_lines
from canassist.profile import default_profile
from tests.conclude.hand_made import (
    HandMade,
    charging,
    crank,
    derate,
    dip,
    given_profile,
    lines,
    path,
    ridden,
)
from tests.conclude.test_seen_to_fail import (
    first,
    hot,
    low_charge,
    named,
    physics,
    silence,
    starting,
    vary,
)


@pytest.mark.parametrize(("after_a", "cause"), [(60.0, False), (0.0, True)])
def test_through_an_open_contact_nothing_flows(after_a: float, cause: bool) -> None:
    """Supply that falls at once while the module draws more was pulled down, and did not open."""
    channels = ridden()
    channels.pop("system_voltage")
    vary(channels, "supply_voltage", 60.0, 60.4, 4.0)
    vary(channels, "module_current", 60.0, 60.4, after_a)
    timeline = HandMade(channels=channels).timeline
    life = life_of_ride(timeline)
    (found,) = undervoltage.find_undervoltage(timeline, given_profile(), Physics(), life)
    assert (found.cause == "supply_break") is cause


def test_a_silence_after_a_sag_without_a_named_cause_is_no_opened_contact() -> None:
    """Without engine speed a dip has no cause, but it still came before the silence."""
    sagged = [event for at in (60.0, 120.0) for event in (dip(None, at, 8.0), silence(at + 0.8))]
    ride = HandMade(events=tuple(sagged)).without("engine_speed")
    assert Code.SUPPLY_BREAK not in named(ride.verdict())
    bare = HandMade(events=(silence(60.8), silence(120.8))).without("engine_speed")
    assert Code.SUPPLY_BREAK in named(bare.verdict())


@pytest.mark.parametrize(("plain", "broke"), [(4, False), (1, True)])
def test_one_quick_silence_among_many_of_a_starved_module_is_no_break(
    plain: int, broke: bool
) -> None:
    """Samples may miss how long supply sank first: the many tell what the one was."""
    sags = [dip("steering_load", 60.0 + 20.0 * place, 9.0) for place in range(plain + 2)]
    late = [silence(sag.start_s + 0.4) for sag in sags[:plain]]
    quick = [silence(sag.start_s + 0.04) for sag in sags[plain : plain + (2 if broke else 1)]]
    found = named(HandMade(events=(*sags, *late, *quick)).verdict())
    assert (Code.SUPPLY_BREAK in found) is broke


def test_a_sag_on_a_supply_without_limits_is_no_opened_contact() -> None:
    """24 V and no profile: no voltage is called low, but it had sunk before the module fell."""
    channels = ridden()
    channels["supply_voltage"].value[:] = 27.8
    events = (silence(60.5), silence(120.5))
    ride = HandMade(channels=channels, profile=default_profile(), events=events)
    assert Code.SUPPLY_BREAK in named(ride.verdict())
    for at in (60.0, 120.0):
        vary(channels, "supply_voltage", at, at + 0.5, 16.0)
    assert Code.SUPPLY_BREAK not in named(replace(ride, channels=channels).verdict())


def test_a_path_that_may_be_nothing_is_a_suspicion_only() -> None:
    events = (dip("steering_load", 60.0), derate("voltage", 60.2))
    ride = HandMade(events=events, physics=physics(supply_path=path(0.19, 0.0, 0.56)))
    assert named(ride.verdict())[Code.SUPPLY_RESISTANCE].strength is Strength.WEAK
    measured = replace(ride, physics=physics(supply_path=path(0.19, 0.17, 0.21)))
    assert first(measured.verdict()) is Code.SUPPLY_RESISTANCE


def test_no_module_reduces_by_a_supply_that_a_rested_battery_has() -> None:
    """A ramp at 13.5 to 14.5 V by something else is no supply line, whatever it looks like."""

    def learned(above_v: float) -> str:
        channels = ridden()
        count = len(channels["assist_limit"].time_s)
        sag = np.tile(np.concatenate([np.zeros(100), np.repeat(np.linspace(0.0, 1.8, 10), 10)]), 99)
        channels["supply_voltage"].value[:] = above_v - sag[:count]
        channels["assist_limit"].value[:] = 100.0 - 90.0 * np.maximum(sag[:count] - 0.6, 0.0) / 1.2
        timeline = HandMade(channels=channels).timeline
        return learn_lines(timeline, default_profile(), lines("assumed")).supply_from

    assert learned(11.4) == "ride"
    assert learned(14.5) != "ride"


def test_a_battery_is_not_said_to_fall_where_supply_stayed_up() -> None:
    """A reduction called one by voltage, with supply well above its limit, accuses no battery."""
    ride = HandMade(events=(derate("voltage"), derate("voltage", 120.0)))
    texts = [
        item.text for one in ride.verdict().conclusions for item in (*one.because, *one.against)
    ]
    assert not any("fell to" in text for text in texts)
    battery = named(ride.verdict()).get(Code.LOW_BATTERY)
    assert battery is None or battery.strength is Strength.WEAK


def test_a_24_v_start_is_held_to_24_v_figures_without_a_word_in_the_profile() -> None:
    """17.6 V at -12 °C: 2 x 8.8 V, above the 8.7 V of a load test."""
    channels = starting(17.6, -12.0)
    channels["supply_voltage"].value[channels["supply_voltage"].value == 13.9] = 27.8
    limits = replace(given_profile().limits, cranking_v=19.2, undervoltage_v=20.0)
    ride = HandMade(
        channels=channels,
        profile=replace(given_profile(), limits=limits),
        physics=physics(cranks=(crank(17.6),)),
    )
    assert Code.LOW_BATTERY not in named(ride.verdict())


def test_a_cold_engine_tells_of_a_module_that_reads_too_high() -> None:
    channels = hot()
    channels["module_temperature"].value[:] += 25.0
    ride = HandMade(channels=channels, events=(derate("temperature"),))
    assert first(ride.verdict()) is Code.THERMAL_PROTECTION
    cold = ColdStart(
        module_c=85.0,
        reference_c=22.0,
        reference="coolant_temperature",
        apart_k=63.0,
        believable=False,
    )
    beside = replace(ride, physics=replace(ride.physics, cold_start=cold))
    assert first(beside.verdict()) is Code.INCONCLUSIVE
    assert named(beside.verdict())[Code.THERMAL_PROTECTION].strength is Strength.WEAK


@pytest.mark.parametrize(
    ("rest_c", "strength"),
    [(97.0, Strength.MODERATE), (70.0, Strength.MODERATE), (55.0, Strength.STRONG)],
)
def test_a_reading_never_seen_cool_may_stand_too_high(rest_c: float, strength: Strength) -> None:
    """That it moves says nothing of its level: only a reading seen cool cannot be far too high."""
    channels = hot()
    value = channels["module_temperature"].value
    value[value < 97.0] = rest_c
    ride = HandMade(channels=channels, events=(derate("temperature"),))
    answer = named(ride.verdict())[Code.THERMAL_PROTECTION]
    assert answer.strength is strength
    assert ("if that reading is right" in answer.headline) is (strength is Strength.MODERATE)


def test_assist_that_nobody_measured_is_not_called_right() -> None:
    verdict = HandMade().without("assist_torque").verdict()
    assert first(verdict) is Code.NO_FAULT_FOUND
    assert verdict.conclusions[0].strength is Strength.WEAK
    assert "As far as this log shows" in verdict.conclusions[0].headline


def test_nobody_is_asked_to_record_the_engine_of_a_vehicle_without_one() -> None:
    profile = replace(given_profile(), supply=SupplySpec(source="dcdc"))
    ride = HandMade(profile=profile).without("engine_speed", "driver_torque")
    asked = " ".join(ride.verdict().coverage.ride_next)
    assert "driver torque" in asked
    assert "engine speed" not in asked


def test_a_minute_of_log_is_a_minute_of_engine() -> None:
    """The first and last message cost a tenth of a second, and no answer."""
    channels = ridden()
    channels["engine_speed"].value[:2402] = 0.0
    assert not any(
        "The engine ran for" in item.text
        for one in HandMade(channels=channels).verdict().conclusions
        for item in one.because
        if "needed" in item.text
    )


def test_a_battery_that_sags_where_a_source_gives_little_is_the_battery_s_own() -> None:
    """Low for 40 s by its dips, but at 13.0 V between them: something charges."""
    channels = ridden()
    time_s = channels["supply_voltage"].time_s
    inside = (time_s >= 100.0) & (time_s < 145.0)
    for name, low_v in (("supply_voltage", 10.0), ("system_voltage", 10.3)):
        channels[name].value[inside] = np.where(time_s[inside] % 3.0 < 1.5, low_v, 13.0)
    low = low_charge(100.0, 145.0)
    dips = tuple(dip("steering_load", at, 10.0) for at in (102.0, 120.0, 141.0))
    ride = HandMade(
        channels=channels,
        events=(low, *dips, derate("voltage", 102.2)),
        physics=physics(supply_path=path(0.01, 0.009, 0.011), charging=charging(13.9)),
    )
    assert first(ride.verdict()) is Code.LOW_BATTERY
    late = time_s >= 100.0
    for name in ("supply_voltage", "system_voltage"):
        channels[name].value[late] = np.minimum(channels[name].value[late], 11.9)
    path_alone = physics(supply_path=path(0.01, 0.009, 0.011), charging=charging(11.9))
    ride = replace(ride, channels=channels, physics=path_alone)
    assert first(ride.verdict()) is Code.CHARGING_FAULT


@pytest.mark.parametrize(("pulled_v", "law"), [(9.8, False), (13.9, True)])
def test_a_limit_that_comes_back_after_low_supply_is_no_law_of_standing(
    pulled_v: float, law: bool
) -> None:
    """Reduced at each standstill: by design where supply was good, by the dip before where not."""
    channels = ridden()
    time_s = channels["assist_limit"].time_s
    since = time_s % 30.0
    stands = (time_s > 20.0) & (since < 6.0)
    channels["vehicle_speed"].value[:] = np.where(stands, 0.0, 40.0)
    channels["assist_limit"].value[stands] = 60.0
    channels["supply_voltage"].value[stands & (since < 2.0)] = pulled_v
    timeline = HandMade(channels=channels).timeline
    left = speed_law_pct(
        timeline,
        given_profile(),
        time_s,
        channels["assist_limit"].value,
        lines(),
        life_of_ride(timeline),
    )
    assert (left is not None and bool((left < 70.0).any())) is law

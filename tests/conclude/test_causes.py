"""The answer on rides whose channels, estimates and events are written down by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from canassist.model import (
    BLAMELESS,
    LIMIT_NAMES,
    AssistFit,
    Case,
    Channel,
    Code,
    ConclusionRole,
    Effort,
    Event,
    EventKind,
    ExplainsComplaint,
    Physics,
    Severity,
    Strength,
    Verdict,
)
from canassist.profile import default_profile
from tests.conclude.hand_made import (
    HandMade,
    charging,
    constant,
    crank,
    derate,
    dip,
    estimate,
    given_profile,
    lines,
    path,
    rest,
    ridden,
)

GOOD_PATH = path(0.010, 0.008, 0.012)
BAD_PATH = path(0.050, 0.045, 0.056)


def physics(**parts: object) -> Physics:
    return Physics(**{"limit_lines": lines(), **parts})  # type: ignore[arg-type]  # fields by name


def codes(verdict: Verdict) -> list[Code]:
    return [conclusion.code for conclusion in verdict.conclusions]


def first(verdict: Verdict) -> tuple[Code, Strength | None]:
    return verdict.conclusions[0].code, verdict.conclusions[0].strength


def low_supply(name: str, lowest: float) -> dict[str, Channel]:
    """Return channels in which one voltage is this low while the events of a ride last."""
    channels = ridden()
    time_s = channels[name].time_s
    channels[name].value[(time_s >= 60.0) & (time_s < 87.0)] = lowest
    return channels


def hot() -> dict[str, Channel]:
    channels = ridden()
    channels["module_temperature"].value[600:900] = 97.0
    channels["module_temperature"].value[1200:1470] = 96.0
    return channels


def cranked(channels: dict[str, Channel], volts: float) -> dict[str, Channel]:
    """Return channels whose supply stands so low while the starter turns, 2 to 3 s."""
    time_s = channels["supply_voltage"].time_s
    channels["supply_voltage"].value[(time_s >= 2.0) & (time_s < 3.0)] = volts
    return channels


def no_charge() -> Event:
    return Event(kind=EventKind.CHARGING_LOW, start_s=30.0, end_s=None, measured={"supply_v": 12.1})


def lost(channel: str, start_s: float = 100.0, seconds: float = 20.0) -> Event:
    return Event(
        kind=EventKind.SIGNAL_LOSS, start_s=start_s, end_s=start_s + seconds, channel=channel
    )


def disturbed(start_s: float = 100.0, frames: float = 60.0) -> Event:
    return Event(
        kind=EventKind.BUS_DISTURBANCE,
        start_s=start_s,
        end_s=start_s + 20.0,
        measured={"error_frames": frames},
    )


def offset(value: float = 0.8) -> Event:
    return Event(
        kind=EventKind.TORQUE_OFFSET, start_s=5.0, end_s=280.0, measured={"offset_nm": value}
    )


def deviation(cause: str, start_s: float = 60.0, **changes: object) -> Event:
    event = Event(
        kind=EventKind.ASSIST_DEVIATION,
        start_s=start_s,
        end_s=start_s + 30.0,
        cause=cause,
        measured={"assist_nm": 5.0},
        expected={"assist_nm": 9.0},
    )
    return replace(event, **changes)  # type: ignore[arg-type]  # fields by name


def fit(map_from: str, ratio: float = 0.6) -> AssistFit:
    return AssistFit(
        map_from=map_from,
        lag_s=0.06,
        ratio=estimate(ratio, ratio - 0.04, ratio + 0.04),
        side_difference=None,
    )


# -- the eight rides of the demonstration ------------------------------------------------------


def test_heat_is_protection_and_blames_nobody() -> None:
    verdict = HandMade(
        events=(derate("temperature"), derate("temperature", 120.0)), channels=hot()
    ).verdict()
    answer = verdict.conclusions[0]
    assert first(verdict) == (Code.THERMAL_PROTECTION, Strength.STRONG)
    assert answer.headline == (
        "Assist was reduced twice because the module was hot. It protected itself as designed."
    )
    assert "97 °C (assist is reduced from 85 °C)" in answer.basis
    assert "limits from the profile" in answer.basis
    assert set(codes(verdict)) <= BLAMELESS


def test_a_weak_battery_sags_with_its_path_in_order() -> None:
    ride = HandMade(
        events=(dip("steering_load"), derate("voltage")),
        physics=physics(supply_path=GOOD_PATH, cranks=(crank(8.9, 11.9),), charging=charging(14.0)),
        channels=cranked(low_supply("system_voltage", 10.8), 8.9),
    )
    assert first(ride.verdict()) == (Code.LOW_BATTERY, Strength.STRONG)
    assert Code.SUPPLY_RESISTANCE not in codes(ride.verdict())


def test_not_charging_comes_before_the_battery_that_it_empties() -> None:
    channels = ridden()
    channels["supply_voltage"].value[:] = 12.1
    channels["system_voltage"].value[:] = 12.2
    ride = HandMade(
        channels=channels,
        events=(no_charge(), dip("charging"), derate("voltage")),
        physics=physics(supply_path=GOOD_PATH, charging=charging(12.1)),
    )
    assert first(ride.verdict()) == (Code.CHARGING_FAULT, Strength.STRONG)


def test_a_drop_in_the_path_comes_before_the_voltage_that_it_lowers() -> None:
    ride = HandMade(
        events=(dip("steering_load"), derate("voltage")),
        physics=physics(supply_path=BAD_PATH, charging=charging(14.0)),
    )
    verdict = ride.verdict()
    assert first(verdict) == (Code.SUPPLY_RESISTANCE, Strength.STRONG)
    assert Code.LOW_BATTERY not in codes(verdict)
    assert "50 mΩ (45 to 56, limit 30 mΩ)" in verdict.conclusions[0].because[0].text
    assert verdict.conclusions[0].because[0].figure == "supply_path"


def test_lost_road_speed_explains_the_fall_back() -> None:
    ride = HandMade(events=(lost("vehicle_speed"), derate("speed_signal", 100.3)))
    assert first(ride.verdict()) == (Code.SPEED_SIGNAL_FAULT, Strength.STRONG)
    assert "road speed signal was missing" in ride.verdict().conclusions[0].headline


def test_a_biased_torque_reading() -> None:
    ride = HandMade(events=(offset(),), physics=physics(torque_rest=rest(0.8)))
    assert first(ride.verdict()) == (Code.TORQUE_SENSOR_OFFSET, Strength.STRONG)


@pytest.mark.parametrize("rpm", [2200.0, 1800.0])
def test_a_healthy_ride_that_covers_everything(rpm: float) -> None:
    channels = ridden() | {"engine_speed": constant("engine_speed", rpm)}
    good = physics(charging=charging(14.1), assist=fit("profile", 1.0))
    verdict = HandMade(channels=channels, physics=good).verdict()
    assert codes(verdict) == [Code.NO_FAULT_FOUND]
    assert first(verdict)[1] is Strength.STRONG


def test_no_fault_is_at_most_moderate_without_a_given_map() -> None:
    learned = physics(charging=charging(14.1), assist=fit("ride", 1.0))
    assert first(HandMade(physics=learned).verdict()) == (Code.NO_FAULT_FOUND, Strength.MODERATE)


def test_a_given_map_that_was_not_compared_makes_no_sound_ride_sure() -> None:
    unseen = replace(fit("profile"), ratio=None)
    verdict = HandMade(physics=physics(charging=charging(14.1), assist=unseen)).verdict()
    assert first(verdict) == (Code.NO_FAULT_FOUND, Strength.MODERATE)


def _texts_for(verdict: Verdict) -> str:
    return " ".join(item.text for item in verdict.conclusions[0].because)


def test_a_level_below_its_limit_does_not_speak_for_a_sound_ride() -> None:
    low = HandMade(physics=physics(charging=charging(12.9))).verdict()
    assert "supply stood at" not in _texts_for(low)
    good = HandMade(physics=physics(charging=charging(14.1))).verdict()
    assert "supply stood at 14.1 V" in _texts_for(good)


def test_delivered_assist_off_its_map_does_not_speak_for_a_sound_ride() -> None:
    off = HandMade(physics=physics(charging=charging(14.1), assist=fit("profile", 0.7))).verdict()
    assert "Delivered assist" not in _texts_for(off)


def test_a_24_v_supply_is_not_praised_by_12_v_limits() -> None:
    channels = ridden()
    channels["supply_voltage"].value[:] = 25.0
    channels["system_voltage"].value[:] = 25.1
    parts = physics(limit_lines=lines("assumed"), charging=charging(25.0), cranks=(crank(20.0),))
    for events in ((), (derate("temperature"),), (dip("other_load", low=20.0),)):
        verdict = HandMade(
            channels=channels, profile=default_profile(), physics=parts, events=events
        ).verdict()
        told = [r.text for one in verdict.conclusions for r in (*one.because, *one.against)]
        for limit in ("limit 13.2 V", "limit 9.6 V", "above 1500 rpm supply stood"):
            assert not any(limit in text for text in told), told
        assert not any(text.startswith("Supply stayed at") for text in told)


def test_one_reduction_of_three_that_fits_its_line_does_not_speak_for_all() -> None:
    odd = [derate("temperature", at, expected={"min_assist_pct": 95.0}) for at in (120.0, 180.0)]
    events = (derate("temperature"), *odd)
    verdict = HandMade(events=events, channels=hot()).verdict()
    assert "temperature and supply call for" not in _texts_for(verdict)
    verdict = HandMade(events=events[:1], channels=hot()).verdict()
    assert "temperature and supply call for" in _texts_for(verdict)


def test_a_note_carries_no_weight() -> None:
    flat = replace(dip("engine_stopped", 1.0, 10.6), severity=Severity.NOTE)
    verdict = HandMade(events=(flat,), physics=physics(charging=charging(14.1))).verdict()
    assert first(verdict)[0] is Code.NO_FAULT_FOUND
    assert codes(verdict) == [Code.NO_FAULT_FOUND]


def steered(torque_nm: float) -> dict[str, Channel]:
    """Return channels of a ride with this driver torque in all its slow steering."""
    channels = ridden()
    channels["driver_torque"].value[:1500] = torque_nm
    return channels


def test_heavy_steering_without_a_map_is_not_called_free_of_faults() -> None:
    """More than 8.5 N·m in slow steering: too little assist, or a stiff linkage; no map tells."""
    learned = physics(charging=charging(14.1), assist=fit("ride", 1.0))
    verdict = HandMade(physics=learned, channels=steered(9.6)).verdict()
    assert codes(verdict)[0] is Code.INCONCLUSIVE
    assert "took 9.6 N·m" in verdict.conclusions[0].headline
    usual = HandMade(physics=learned, channels=steered(6.4))
    assert first(usual.verdict())[0] is Code.NO_FAULT_FOUND


def test_assist_that_is_as_strong_at_speed_is_not_called_free_of_faults() -> None:
    """Assist falls as road speed rises; whether this vehicle's should, only its map can tell."""
    flat = replace(fit("ride", 1.0), speed_kph=(2.0, 20.0, 50.0), gains={"*": (4.0, 4.0, 3.9)})
    verdict = HandMade(physics=physics(charging=charging(14.1), assist=flat)).verdict()
    assert codes(verdict) == [Code.INCONCLUSIVE]
    assert "does not fall with road speed" in verdict.conclusions[0].headline
    falls = replace(flat, gains={"*": (4.0, 3.2, 1.6)})
    fine = HandMade(physics=physics(charging=charging(14.1), assist=falls)).verdict()
    assert first(fine)[0] is Code.NO_FAULT_FOUND
    narrow = replace(flat, speed_kph=(2.0, 8.0, 14.0))
    short = HandMade(physics=physics(charging=charging(14.1), assist=narrow)).verdict()
    assert first(short)[0] is Code.NO_FAULT_FOUND


# -- root before consequence, and several at once ----------------------------------------------


def test_heat_and_torque_offset_both_hold_and_heat_answers_the_question() -> None:
    ride = HandMade(
        events=(offset(), derate("temperature")),
        physics=physics(torque_rest=rest(0.8)),
        channels=hot(),
    )
    assert codes(ride.verdict())[:2] == [Code.THERMAL_PROTECTION, Code.TORQUE_SENSOR_OFFSET]


def test_one_sided_assist_comes_from_the_biased_reading() -> None:
    ride = HandMade(
        events=(offset(), deviation("left_low")),
        physics=physics(torque_rest=rest(0.8), assist=fit("profile")),
    )
    verdict = ride.verdict()
    assert codes(verdict) == [Code.TORQUE_SENSOR_OFFSET]
    assert [item.code for item in verdict.ruled_out] == [Code.ASSIST_MAP_DEVIATION]
    assert "biased" in verdict.ruled_out[0].against[0].text


def test_a_lost_speed_signal_among_error_frames_is_the_bus() -> None:
    ride = HandMade(
        events=(disturbed(), lost("vehicle_speed", 101.0, 5.0), derate("speed_signal", 101.3))
    )
    assert first(ride.verdict())[0] is Code.BUS_FAULT


def test_not_charging_at_the_module_alone_is_no_charging_fault() -> None:
    """The battery has 14.1 V: what is low at the module is lost on the way."""
    channels = ridden()
    channels["supply_voltage"].value[:] = 12.4
    ride = HandMade(
        channels=channels,
        events=(no_charge(), dip("steering_load"), derate("voltage")),
        physics=physics(supply_path=BAD_PATH, charging=charging(12.4)),
    )
    assert first(ride.verdict())[0] is Code.SUPPLY_RESISTANCE
    assert Code.CHARGING_FAULT not in codes(ride.verdict())


def test_supply_breaks_are_not_the_battery() -> None:
    events = tuple(
        one
        for at in (61.0, 161.0)
        for one in (
            dip("supply_break", at, 3.0),
            Event(kind=EventKind.MODULE_RESTART, start_s=at, end_s=at + 0.6),
        )
    )
    ride = HandMade(events=events)
    assert codes(ride.verdict()) == [Code.SUPPLY_BREAK]
    assert first(ride.verdict())[1] is Strength.STRONG


def test_a_low_start_explains_no_loss_and_stands_behind() -> None:
    restart = Event(kind=EventKind.MODULE_RESTART, start_s=2.5, end_s=3.1)
    ride = HandMade(
        events=(restart,),
        channels=cranked(ridden(), 6.5),
        physics=physics(cranks=(crank(6.5, 11.8),)),
    )
    assert codes(ride.verdict()) == [Code.NO_FAULT_FOUND, Code.LOW_BATTERY]
    low = ride.verdict().conclusions[1]
    assert low.role is ConclusionRole.ALSO_SEEN
    assert low.explains is None
    assert low.explains_complaint is ExplainsComplaint.NO


def test_too_high_a_supply() -> None:
    high = Event(
        kind=EventKind.OVERVOLTAGE, start_s=50.0, end_s=90.0, measured={"max_supply_v": 16.8}
    )
    ride = HandMade(events=(high, derate("overvoltage")))
    assert first(ride.verdict()) == (Code.OVERVOLTAGE_FAULT, Strength.STRONG)
    assert "16.8 V" in ride.verdict().conclusions[0].headline


def test_assist_off_its_map_with_good_inputs() -> None:
    ride = HandMade(events=(deviation("low"),), physics=physics(assist=fit("profile")))
    assert first(ride.verdict()) == (Code.ASSIST_MAP_DEVIATION, Strength.STRONG)


def test_a_module_that_falls_without_a_reason() -> None:
    events = (derate("unexplained", severity=Severity.SERIOUS), derate("unexplained", 150.0))
    assert first(HandMade(events=events).verdict()) == (Code.MODULE_SUSPECT, Strength.MODERATE)
    assert "only exclusion" in HandMade(events=events).verdict().conclusions[0].basis


def test_effort_with_assist_on_its_map_is_mechanical_and_at_most_moderate() -> None:
    effort = Effort(torque_p90_nm=9.0, saturated_share=0.4, mean_current_a=60.0)
    ride = HandMade(
        physics=physics(effort=effort, assist=fit("profile", 1.0)), channels=steered(9.6)
    )
    assert first(ride.verdict()) == (Code.MECHANICAL_LOAD, Strength.MODERATE)


def test_one_hard_push_is_no_heavy_steering() -> None:
    """A kerb took 20 N·m for 30 of 150 s; every other turn took 3 N·m."""
    channels = ridden()
    channels["driver_torque"].value[100:400] = 20.0
    effort = Effort(torque_p90_nm=20.0, saturated_share=0.0, mean_current_a=20.0)
    pushed = HandMade(physics=physics(effort=effort, assist=fit("profile", 1.0)), channels=channels)
    assert Code.MECHANICAL_LOAD not in codes(pushed.verdict())
    channels["driver_torque"].value[:1000] = 20.0
    assert Code.MECHANICAL_LOAD in codes(replace(pushed, channels=channels).verdict())


def test_unknown_sign_supports_no_left_or_right() -> None:
    channels = ridden()
    channels["assist_torque"] = replace(channels["assist_torque"], sign_known=False)
    ride = HandMade(
        channels=channels, events=(deviation("left_low"),), physics=physics(assist=fit("profile"))
    )
    assert first(ride.verdict())[0] is Code.INCONCLUSIVE
    assert Code.ASSIST_MAP_DEVIATION not in codes(ride.verdict())


def test_a_lone_restart_leaves_open_whether_supply_or_module() -> None:
    restart = Event(kind=EventKind.MODULE_RESTART, start_s=61.0, end_s=61.6)
    ride = HandMade(events=(restart, replace(restart, start_s=90.0, end_s=90.6)))
    verdict = ride.without("system_voltage").verdict()
    assert first(verdict) == (Code.SUPPLY_BREAK, Strength.MODERATE)
    assert "or the module itself" in verdict.conclusions[0].headline
    assert Code.MODULE_SUSPECT not in codes(verdict)
    assert first(ride.verdict()) == (Code.SUPPLY_BREAK, Strength.STRONG)


def test_without_engine_speed_a_dip_may_be_a_start_and_blames_no_battery() -> None:
    ride = HandMade(
        events=(dip(None), derate("voltage")), channels=low_supply("system_voltage", 10.8)
    ).without("engine_speed")
    verdict = ride.verdict()
    assert first(verdict)[0] is Code.INCONCLUSIVE
    assert {item.code: item.strength for item in verdict.conclusions}[
        Code.LOW_BATTERY
    ] is Strength.WEAK


def test_without_engine_speed_a_dip_may_be_a_start_and_blames_no_wiring() -> None:
    """A start's dip at the module looks like a bad joint under load."""
    channels = ridden()
    time_s, supply = channels["supply_voltage"].valid()
    supply[(time_s >= 4.0) & (time_s < 5.5)] = 10.4
    channels["supply_voltage"] = replace(channels["supply_voltage"], value=supply)
    ride = HandMade(channels=channels, events=(dip(None, 4.0),)).without("engine_speed")
    verdict = ride.verdict()
    assert first(verdict)[0] is Code.INCONCLUSIVE
    assert not any(item.blames for item in verdict.conclusions)


def test_a_slow_reading_that_misses_a_blink_did_not_hold_through_it() -> None:
    """Supply is at 9.0 V from 60.06 to 60.12 s; system voltage is sampled at 60.0 and 60.2 s."""
    channels = ridden()
    time_s = np.arange(0.0, 300.0, 0.02)
    supply = np.full(len(time_s), 13.9)
    dipping = (time_s > 59.99) & (time_s < 61.6)
    supply[dipping] = 10.9
    supply[(time_s > 60.05) & (time_s < 60.13)] = 9.0
    system_s = np.arange(0.0, 300.0, 0.2)
    system = np.where((system_s > 59.99) & (system_s < 61.6), 11.4, 14.1)
    for name, times, volts, period_s in (
        ("supply_voltage", time_s, supply, 0.02),
        ("system_voltage", system_s, system, 0.2),
    ):
        channels[name] = replace(channels[name], time_s=times, value=volts, period_s=period_s)
    verdict = HandMade(channels=channels, events=(dip("other_load", low=9.0),)).verdict()
    told = [item.text for one in verdict.conclusions for item in (*one.because, *one.against)]
    assert not any("held" in text for text in told)


def test_a_load_that_pulls_the_battery_down_is_no_break_on_the_way() -> None:
    channels = low_supply("system_voltage", 9.4)
    events = (dip("supply_break", 61.0, 9.1), dip("supply_break", 75.0, 9.1))
    verdict = HandMade(channels=channels, events=events).verdict()
    assert Code.SUPPLY_BREAK not in codes(verdict)


def test_a_reduction_that_was_there_when_the_log_began_suspects_no_module() -> None:
    early = derate("unexplained", 0.0, severity=Severity.SERIOUS)
    verdict = HandMade(events=(early,)).verdict()
    assert first(verdict)[0] is Code.INCONCLUSIVE
    assert Code.MODULE_SUSPECT not in codes(verdict)


def test_a_start_with_a_deep_inrush_and_a_good_plateau_is_sound() -> None:
    inrush = replace(dip("cranking", 2.1, 7.9), expected={"min_supply_v": 9.6})
    good = physics(cranks=(crank(10.4),), charging=charging(14.1), assist=fit("profile", 1.0))
    assert codes(HandMade(events=(inrush,), physics=good).verdict()) == [Code.NO_FAULT_FOUND]


def stored(sender: str) -> Event:
    measured = {"sender": sender}
    return Event(
        kind=EventKind.TROUBLE_CODE, start_s=5.0, end_s=9.0, code="C1234", measured=measured
    )


def test_trouble_codes_of_the_steering_alone_point_to_the_manual() -> None:
    answer = HandMade(events=(stored("address 13"),)).verdict().conclusions[0]
    assert answer.code is Code.INCONCLUSIVE
    assert "C1234: look it up in the manual" in answer.headline


def test_trouble_codes_of_other_units_change_no_answer() -> None:
    verdict = HandMade(events=(stored("address 00"), stored(""))).verdict()
    assert codes(verdict) == [Code.NO_FAULT_FOUND]


def test_an_engine_that_stops_while_rolling_is_said() -> None:
    answer = HandMade(events=(derate("engine_stopped"),)).verdict().conclusions[0]
    assert answer.code is Code.INCONCLUSIVE
    assert "engine stopped while rolling" in answer.headline


# -- how sure ---------------------------------------------------------------------------------

BLAMING = {
    Code.LOW_BATTERY: HandMade(
        events=(dip("steering_load"), derate("voltage")),
        physics=physics(supply_path=GOOD_PATH, cranks=(crank(8.9, 11.9),)),
        channels=cranked(low_supply("system_voltage", 10.8), 8.9),
    ),
    Code.SUPPLY_RESISTANCE: HandMade(
        events=(dip("steering_load"), derate("voltage")), physics=physics(supply_path=BAD_PATH)
    ),
    Code.TORQUE_SENSOR_OFFSET: HandMade(events=(offset(),), physics=physics(torque_rest=rest(0.8))),
}


@pytest.mark.parametrize("code", list(BLAMING), ids=lambda code: code.value)
def test_nothing_is_blamed_strongly_on_assumed_limits(code: Code) -> None:
    ride = BLAMING[code]
    assert first(ride.verdict()) == (code, Strength.STRONG)
    verdict = replace(ride, profile=default_profile()).verdict()
    assert verdict.conclusions[0].code is code
    assert all(item.strength is not Strength.STRONG for item in verdict.conclusions)
    assert "held at moderate because the limits are assumed" in verdict.conclusions[0].basis


@pytest.mark.parametrize("missing", ["module_current", "system_voltage"])
def test_the_path_is_no_more_than_weak_without_what_tells_it_from_the_battery(missing: str) -> None:
    ride = HandMade(
        events=(dip("steering_load"), derate("voltage")), physics=physics(supply_path=BAD_PATH)
    )
    found = {item.code: item for item in ride.without(missing).verdict().conclusions}
    assert found[Code.SUPPLY_RESISTANCE].strength is Strength.WEAK


def test_a_fast_split_stands_in_for_system_voltage() -> None:
    split = replace(BAD_PATH, method="fast_split")
    ride = HandMade(
        events=(dip("steering_load"), derate("voltage")), physics=physics(supply_path=split)
    )
    assert first(ride.without("system_voltage").verdict()) == (
        Code.SUPPLY_RESISTANCE,
        Strength.STRONG,
    )


def test_what_rests_on_no_limit_is_not_held_down_by_assumed_ones() -> None:
    ride = HandMade(events=(lost("vehicle_speed"), derate("speed_signal", 100.3)))
    verdict = replace(ride, profile=default_profile()).verdict()
    assert first(verdict) == (Code.SPEED_SIGNAL_FAULT, Strength.STRONG)
    ride = HandMade(
        events=(disturbed(), lost("steering_angle", 101.0), derate("unexplained", 102.0))
    )
    assert first(replace(ride, profile=default_profile()).verdict())[0] is Code.BUS_FAULT


def test_a_path_guessed_from_the_motor_gives_no_conclusion() -> None:
    guessed = replace(BAD_PATH, method="motor_power")
    ride = HandMade(physics=physics(supply_path=guessed))
    assert codes(ride.verdict()) == [Code.NO_FAULT_FOUND]


def test_the_module_is_at_most_weak_where_its_lines_are_not_known() -> None:
    ride = HandMade(
        events=(derate("unexplained"), derate("unexplained", 150.0)),
        physics=physics(limit_lines=lines("assumed")),
    )
    verdict = ride.verdict()
    assert first(verdict)[0] is Code.INCONCLUSIVE
    assert verdict.conclusions[1].code is Code.MODULE_SUSPECT
    assert verdict.conclusions[1].strength is Strength.WEAK


@pytest.mark.parametrize("missing", ["module_temperature", "supply_voltage"])
def test_the_module_is_at_most_weak_where_another_cause_cannot_be_seen(missing: str) -> None:
    ride = HandMade(events=(derate("unexplained"), derate("unexplained", 150.0))).without(missing)
    found = {item.code: item for item in ride.verdict().conclusions}
    assert found[Code.MODULE_SUSPECT].strength is Strength.WEAK
    assert ride.verdict().conclusions[0].code is Code.INCONCLUSIVE


def test_assist_that_nobody_asked_for_needs_no_map() -> None:
    """Without driver torque there is nothing to multiply: a learned map holds nothing down."""
    ride = HandMade(
        events=(deviation("uncommanded", severity=Severity.SERIOUS),),
        physics=physics(assist=fit("ride")),
        profile=default_profile(),
    )
    assert first(ride.verdict()) == (Code.ASSIST_MAP_DEVIATION, Strength.MODERATE)


def stuck(name: str, start_s: float = 60.0) -> Event:
    return Event(
        kind=EventKind.SIGNAL_STUCK,
        start_s=start_s,
        end_s=start_s + 20.0,
        channel=name,
        measured={"stuck_value": 0.0},
    )


@pytest.mark.parametrize("name", ["driver_torque", "assist_torque"])
@pytest.mark.parametrize("cause", ["uncommanded", "low", "high"])
def test_a_stuck_torque_reading_is_no_fault_of_the_assist(name: str, cause: str) -> None:
    """A driver torque that reads the same for 20 s makes any assist look unasked for."""
    ride = HandMade(events=(stuck(name), deviation(cause)), physics=physics(assist=fit("profile")))
    verdict = ride.verdict()
    assert first(verdict)[0] is Code.INCONCLUSIVE
    (doubt,) = [item for item in verdict.ruled_out if item.code is Code.ASSIST_MAP_DEVIATION]
    assert "torque reading was not good" in doubt.against[0].text


def test_a_learned_supply_line_makes_no_assumed_temperature_line_sure() -> None:
    """Only the line that the ride shows is known by it; the other one stays assumed."""
    one = replace(lines("ride"), temperature_source="assumed", supply_source="ride")
    verdict = HandMade(
        events=(derate("temperature"), derate("temperature", 120.0)),
        physics=physics(limit_lines=one),
        channels=hot(),
    ).verdict()
    assert first(verdict) == (Code.THERMAL_PROTECTION, Strength.MODERATE)
    assert not any("This ride itself" in item.text for item in verdict.conclusions[0].because)


def test_a_learned_temperature_line_makes_no_assumed_supply_line_sure() -> None:
    """The battery answers for reductions by a supply line that nobody gave: not strongly."""
    given = frozenset(f"limits.{name}" for name in LIMIT_NAMES if not name.endswith("_v"))
    profile = replace(given_profile(), given=given | {"limits.undervoltage_v", "limits"})
    one = replace(lines("ride"), temperature_source="ride", supply_source="assumed")
    events = (dip("other_load"), derate("voltage"), derate("voltage", 120.0))
    ride = HandMade(
        profile=profile,
        events=events,
        physics=physics(limit_lines=one, supply_path=GOOD_PATH, charging=charging(14.1)),
        channels=low_supply("system_voltage", 10.8),
    )
    strengths = {item.code: item.strength for item in ride.verdict().conclusions}
    assert strengths[Code.LOW_BATTERY] is not Strength.STRONG


def test_a_map_learned_from_the_ride_blames_nobody_more_than_weakly() -> None:
    ride = HandMade(events=(deviation("low"),), physics=physics(assist=fit("ride")))
    verdict = ride.verdict()
    assert first(verdict)[0] is Code.INCONCLUSIVE
    assert verdict.conclusions[1].strength is Strength.WEAK


@pytest.mark.parametrize(
    ("event", "code"),
    [
        (lost("vehicle_speed"), Code.SPEED_SIGNAL_FAULT),
        (disturbed(), Code.BUS_FAULT),
        (Event(kind=EventKind.MODULE_RESTART, start_s=105.0, end_s=106.0), Code.SUPPLY_BREAK),
    ],
)
def test_what_the_recorder_lost_is_held_against_no_part(event: Event, code: Code) -> None:
    kept = HandMade(events=(event,)).verdict()
    found = {item.code: item for item in kept.conclusions}
    assert found[code].blames
    verdict = HandMade(events=(event,), recorder_losses_s=(105.5,)).verdict()
    assert code not in codes(verdict)


# -- nothing to blame --------------------------------------------------------------------------


@pytest.mark.parametrize(
    "name", ["vehicle_speed", "supply_voltage", "driver_torque", "assist_limit"]
)
def test_no_fault_is_not_claimed_without_the_channels_for_it(name: str) -> None:
    verdict = HandMade().without(name).verdict()
    assert first(verdict)[0] is Code.INCONCLUSIVE
    assert verdict.conclusions[0].next_checks


def test_a_good_supply_needs_no_engine_speed_beside_it() -> None:
    """Full assist and a supply never near its limit: nothing hangs on whether an engine ran."""
    verdict = HandMade().without("engine_speed").verdict()
    assert first(verdict)[0] is Code.NO_FAULT_FOUND
    channels = ridden()
    channels["supply_voltage"].value[:200] = 10.5
    verdict = HandMade(channels=channels).without("engine_speed").verdict()
    assert first(verdict)[0] is Code.INCONCLUSIVE


def test_no_fault_is_not_claimed_where_slow_steering_was_not_ridden() -> None:
    channels = ridden()
    channels["vehicle_speed"].value[:] = 45.0
    verdict = HandMade(channels=channels).verdict()
    assert first(verdict)[0] is Code.INCONCLUSIVE
    assert "no slow steering was ridden" in verdict.conclusions[0].headline
    assert any("below 15 km/h" in ride.text for ride in verdict.conclusions[0].next_checks)


def test_what_a_stopped_engine_left_of_assist_is_said() -> None:
    """A module that still gives half of it did not give none."""
    half = derate("engine_stopped", 0.0, 50.0, severity=Severity.NOTE, expected={})
    (event,) = HandMade(events=(half,)).verdict().events
    assert "reduced assist to 50 %" in event.text
    assert "the engine was not running" in event.text


def test_waiting_for_the_engine_is_no_fault() -> None:
    waiting = derate("engine_stopped", 0.0, 0.0, severity=Severity.NOTE)
    verdict = HandMade(events=(waiting,)).verdict()
    assert first(verdict)[0] is Code.NO_FAULT_FOUND
    assert "because the engine was not running" in verdict.events[0].text


def test_conditions_met_is_said_and_not_that_it_happened() -> None:
    channels = ridden()
    channels["module_temperature"].value[600:900] = 97.0
    four = ("vehicle_speed", "engine_speed", "supply_voltage", "module_temperature")
    ride = HandMade(channels={name: channels[name] for name in four})
    answer = ride.verdict().conclusions[0]
    assert answer.code is Code.INCONCLUSIVE
    assert any("were met" in item.text and "97 °C" in item.text for item in answer.because)


def test_ranks_count_from_one_and_every_answer_has_its_parts() -> None:
    ride = HandMade(
        events=(offset(), derate("temperature"), dip("steering_load", 200.0)),
        physics=physics(torque_rest=rest(0.8), supply_path=BAD_PATH),
        channels=hot(),
    )
    verdict = ride.verdict()
    assert [item.rank for item in verdict.conclusions] == list(
        range(1, len(verdict.conclusions) + 1)
    )
    for item in verdict.conclusions:
        assert item.because
        assert item.next_checks
        assert item.cautions
        assert item.ride_on
        assert item.strength is not None
        assert item.basis.startswith(item.strength.value)
        for reason in (*item.because, *item.against):
            assert all(0 <= position < len(verdict.events) for position in reason.events)


def test_the_moment_complained_of_moves_its_cause_to_the_front() -> None:
    ride = HandMade(
        events=(
            derate("temperature", 60.0, 20.0),
            lost("vehicle_speed", 200.0, 4.0),
            derate("speed_signal", 200.3, 80.0),
        ),
        channels=hot(),
    )
    assert first(ride.verdict())[0] is Code.THERMAL_PROTECTION
    told = replace(ride, case=Case(at_s=(201.0,)))
    answer = told.verdict().conclusions[0]
    assert answer.code is Code.SPEED_SIGNAL_FAULT
    assert answer.explains_complaint is ExplainsComplaint.YES
    assert answer.explains is not None
    assert answer.explains < 0.5


def test_the_same_input_gives_the_same_verdict() -> None:
    ride = HandMade(
        profile=given_profile(), events=(offset(),), physics=physics(torque_rest=rest(0.8))
    )
    assert ride.verdict() == ride.verdict()
    assert np.isfinite(ride.verdict().conclusions[0].because[0].weight)

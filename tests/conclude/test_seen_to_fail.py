"""Classes of rides on which a sound part was condemned once, and what is to be said of them.

Each class stands for many vehicles; the rides are hand-made, so that only the judgement is asked.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from canassist.conclude import conclude
from canassist.model import (
    AssistFit,
    Case,
    Channel,
    Code,
    Conclusion,
    ConclusionRole,
    DatabaseFit,
    Event,
    EventKind,
    ExplainsComplaint,
    FrameSource,
    IdStats,
    LineAgainstRide,
    Physics,
    Profile,
    Protection,
    Severity,
    Strength,
    SupplySpec,
    ThermalFit,
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
    ridden,
)


def physics(**parts: object) -> Physics:
    return Physics(**{"limit_lines": lines(), **parts})  # type: ignore[arg-type]  # fields by name


def named(verdict: Verdict) -> dict[Code, Conclusion]:
    return {item.code: item for item in verdict.conclusions}


def blamed(verdict: Verdict) -> set[Code]:
    """Return the parts that are blamed at moderate or more."""
    return {item.code for item in verdict.conclusions if item.blames}


def first(verdict: Verdict) -> Code:
    return verdict.conclusions[0].code


def silence(start_s: float, seconds: float = 0.5) -> Event:
    return Event(kind=EventKind.MODULE_RESTART, start_s=start_s, end_s=start_s + seconds)


def ramp(cause: str | None, start_s: float) -> Event:
    return replace(derate(cause or "unexplained", start_s), cause=cause, end_s=start_s + 4.0)


def lost(channel: str, start_s: float, seconds: float) -> Event:
    return Event(
        kind=EventKind.SIGNAL_LOSS, start_s=start_s, end_s=start_s + seconds, channel=channel
    )


def vary(
    channels: dict[str, Channel], name: str, start_s: float, end_s: float, value: float
) -> None:
    time_s = channels[name].time_s
    channels[name].value[(time_s >= start_s) & (time_s < end_s)] = value


def hot(start_s: float = 60.0, end_s: float = 90.0, high: float = 97.0) -> dict[str, Channel]:
    channels = ridden()
    vary(channels, "module_temperature", start_s, end_s, high)
    return channels


# -- the classes as they were seen -------------------------------------------------------------


@pytest.mark.parametrize("cause", ["start_up", "unexplained", None])
def test_a_loose_plug_with_a_ramp_after_each_silence_is_the_supply(cause: str | None) -> None:
    ramps = [ramp(cause, at + 0.6) for at in (60.0, 120.0, 180.0)]
    events = (*[silence(at) for at in (60.0, 120.0, 180.0)], *ramps)
    verdict = HandMade(events=events).verdict()
    assert first(verdict) is Code.SUPPLY_BREAK
    assert named(verdict)[Code.SUPPLY_BREAK].explains == pytest.approx(1.0)
    assert Code.MODULE_SUSPECT not in named(verdict)


def test_a_reduction_after_heavy_duty_at_a_cool_signal_blames_no_module() -> None:
    channels = ridden()
    channels["motor_current"].value[:] = 5.0
    vary(channels, "motor_current", 20.0, 60.0, 70.0)
    vary(channels, "motor_current", 110.0, 150.0, 70.0)
    channels["module_temperature"].value[:] = np.linspace(40.0, 70.0, 3000)
    events = (derate("unexplained", 60.0), derate("unexplained", 150.0))
    verdict = HandMade(events=events, channels=channels).verdict()
    assert blamed(verdict) == set()
    assert first(verdict) is Code.INCONCLUSIVE
    by_rule = tuple(replace(event, cause="duty", shares={"duty": 1.0}) for event in events)
    told = HandMade(events=by_rule, channels=channels).verdict()
    assert first(told) is Code.DUTY_PROTECTION
    assert named(told)[Code.DUTY_PROTECTION].strength is Strength.MODERATE


def test_a_duty_rule_in_the_profile_lifts_the_cap() -> None:
    events = (derate("duty", 60.0), derate("duty", 150.0))
    profile = replace(given_profile(), protection=Protection(duty_rule=True))
    channels = ridden()
    channels["module_temperature"].value[:] = np.linspace(40.0, 70.0, 3000)
    verdict = HandMade(events=events, profile=profile, channels=channels).verdict()
    assert (first(verdict), verdict.conclusions[0].strength) == (
        Code.DUTY_PROTECTION,
        Strength.STRONG,
    )


@pytest.mark.parametrize("below_k", [1.0, 4.0, 8.0])
def test_a_line_ten_per_cent_too_high_blames_no_module(below_k: float) -> None:
    channels = hot(high=85.0 - below_k) | {}
    vary(channels, "module_temperature", 150.0, 180.0, 85.0 - below_k)
    events = (derate("unexplained", 60.0), derate("unexplained", 150.0))
    verdict = HandMade(events=events, channels=channels).verdict()
    assert blamed(verdict) == set()


@pytest.mark.parametrize("period_s", [0.15, 0.5])
def test_slow_supply_samples_exclude_no_dip(period_s: float) -> None:
    channels = ridden()
    channels["supply_voltage"] = replace(channels["supply_voltage"], period_s=period_s)
    events = (derate("unexplained", 60.0), derate("unexplained", 150.0))
    verdict = HandMade(events=events, channels=channels).verdict()
    assert blamed(verdict) == set()
    assert "supply at the module was not known" in named(verdict)[Code.MODULE_SUSPECT].basis


def test_dips_with_the_steering_load_through_a_high_resistance_are_no_breaks() -> None:
    bad = path(0.050, 0.045, 0.056)
    events = (
        *[dip("steering_load", at) for at in (60.0, 90.0, 120.0)],
        *[dip("supply_break", at, 9.8) for at in (150.0, 180.0)],
        derate("voltage", 60.0),
    )
    verdict = HandMade(events=events, physics=physics(supply_path=bad)).verdict()
    assert first(verdict) is Code.SUPPLY_RESISTANCE
    assert Code.SUPPLY_BREAK not in blamed(verdict)


def test_work_beside_reduced_assist_is_no_mechanical_load() -> None:
    channels = hot(0.0, 150.0)
    channels["assist_limit"].value[:1500] = 40.0
    channels["driver_torque"].value[:1500] = 11.0
    fit = AssistFit(
        map_from="profile", lag_s=0.06, ratio=estimate(1.0, 0.96, 1.04), side_difference=None
    )
    long = replace(derate("temperature", 1.0), end_s=150.0)
    verdict = HandMade(events=(long,), channels=channels, physics=physics(assist=fit)).verdict()
    assert Code.MECHANICAL_LOAD not in named(verdict)


def low_charge(start_s: float = 30.0, end_s: float | None = 270.0, volts: float = 12.4) -> Event:
    return Event(
        kind=EventKind.CHARGING_LOW, start_s=start_s, end_s=end_s, measured={"supply_v": volts}
    )


def test_a_source_that_charges_again_later_is_regulated_or_overloaded() -> None:
    channels = ridden()
    vary(channels, "supply_voltage", 30.0, 90.0, 12.4)
    vary(channels, "system_voltage", 30.0, 90.0, 12.5)
    verdict = HandMade(
        events=(low_charge(30.0, 90.0),),
        channels=channels,
        physics=physics(charging=charging(13.9)),
    ).verdict()
    assert Code.CHARGING_FAULT not in named(verdict)
    assert first(verdict) is Code.NO_FAULT_FOUND


def test_one_low_voltage_is_told_once_and_for_as_long_as_it_was() -> None:
    channels = ridden()
    vary(channels, "supply_voltage", 30.0, 300.0, 12.4)
    vary(channels, "supply_voltage", 60.0, 290.0, 13.9)
    verdict = HandMade(
        events=(low_charge(30.0, 300.0, 12.9),),
        channels=channels,
        physics=physics(charging=charging(12.4)),
    ).verdict()
    told = [r.text for one in (*verdict.conclusions, *verdict.ruled_out) for r in one.because]
    assert any("For 40 s with the engine above" in text for text in told), told


def test_a_flat_battery_that_takes_current_is_charged() -> None:
    channels = ridden() | {"system_current": constant("system_current", -25.0)}
    vary(channels, "supply_voltage", 30.0, 300.0, 12.7)
    verdict = HandMade(
        events=(low_charge(end_s=None),),
        channels=channels,
        physics=physics(charging=charging(12.7)),
    ).verdict()
    assert Code.CHARGING_FAULT not in named(verdict)


def starting(volts: float, degc: float | None = None) -> dict[str, Channel]:
    channels = ridden()
    vary(channels, "supply_voltage", 2.0, 3.0, volts)
    if degc is not None:
        channels["ambient_temperature"] = constant("ambient_temperature", degc)
    return channels


def test_a_cold_crank_is_held_to_what_the_cold_allows() -> None:
    """A good battery holds 8.7 V under a load test at -12 °C (service page)."""
    cold = HandMade(channels=starting(9.1, -12.0), physics=physics(cranks=(crank(9.1),)))
    assert Code.LOW_BATTERY not in named(cold.verdict())
    warm = HandMade(channels=starting(9.1, 25.0), physics=physics(cranks=(crank(9.1),)))
    low = named(warm.verdict())[Code.LOW_BATTERY]
    assert low.role is ConclusionRole.ALSO_SEEN
    assert first(warm.verdict()) is Code.NO_FAULT_FOUND


def test_the_ripple_of_one_cylinder_is_no_weak_battery() -> None:
    channels = starting(10.6)
    time_s = channels["supply_voltage"].time_s
    channels["supply_voltage"].value[(time_s >= 2.5) & (time_s < 2.65)] = 9.0
    verdict = HandMade(channels=channels, physics=physics(cranks=(crank(9.0),))).verdict()
    assert Code.LOW_BATTERY not in named(verdict)


def uncommanded(start_s: float = 60.0, seconds: float = 0.6) -> Event:
    return Event(
        kind=EventKind.ASSIST_DEVIATION,
        start_s=start_s,
        end_s=start_s + seconds,
        cause="uncommanded",
        severity=Severity.SERIOUS,
        measured={"assist_nm": 3.0, "deviating_s": seconds},
    )


def test_assist_towards_the_centre_without_driver_torque_is_return() -> None:
    channels = ridden()
    time_s = channels["steering_angle"].time_s
    back = (time_s >= 59.5) & (time_s < 61.0)
    channels["steering_angle"].value[back] = np.linspace(40.0, 5.0, int(back.sum()))
    vary(channels, "assist_torque", 60.0, 60.7, -3.0)
    verdict = HandMade(channels=channels, events=(uncommanded(),)).verdict()
    assert Code.ASSIST_MAP_DEVIATION not in named(verdict)
    assert first(verdict) is Code.NO_FAULT_FOUND


def test_a_profile_that_knows_the_return_asks_no_more() -> None:
    profile = replace(given_profile(), protection=Protection(returns_to_center=True))
    events = (uncommanded(), uncommanded(100.0), uncommanded(150.0))
    verdict = HandMade(events=events, profile=profile).verdict()
    assert Code.ASSIST_MAP_DEVIATION not in named(verdict)


def heated(ambient_c: float) -> ThermalFit:
    return ThermalFit(
        tau_s=estimate(300.0, 280.0, 320.0, "s"),
        gain_k_per_a2=estimate(0.02, 0.018, 0.022),
        ambient_c=ambient_c,
        fit=0.95,
        load_a2=100.0,
        to_derate_s=None,
        recover_s=None,
        sustained_current_a=None,
        time_s=np.empty(0),
        model_c=np.empty(0),
    )


def cold_vehicle() -> dict[str, Channel]:
    channels = hot() | {
        "ambient_temperature": constant("ambient_temperature", 20.0),
        "coolant_temperature": constant("coolant_temperature", 22.0),
    }
    vary(channels, "module_temperature", 0.0, 40.0, 72.0)
    return channels


def test_a_sensor_that_reads_high_from_cold_proves_no_protection() -> None:
    ride = HandMade(
        channels=cold_vehicle(),
        events=(derate("temperature"),),
        physics=physics(thermal=heated(ambient_c=71.0)),
    )
    assert first(ride.verdict()) is Code.INCONCLUSIVE
    assert named(ride.verdict())[Code.THERMAL_PROTECTION].strength is Strength.WEAK
    truly = replace(ride, physics=physics(thermal=heated(ambient_c=24.0)))
    assert first(truly.verdict()) is Code.THERMAL_PROTECTION


def test_units_asleep_after_the_engine_stopped_are_no_fault() -> None:
    channels = ridden()
    for name in ("engine_speed", "vehicle_speed"):
        vary(channels, name, 250.0, 300.0, 0.0)
    events = (
        lost("vehicle_speed", 249.0, 40.0),
        lost("engine_speed", 262.0, 30.0),
        silence(270.0, 10.0),
    )
    verdict = HandMade(channels=channels, events=events).verdict()
    assert [item.code for item in verdict.conclusions] == [Code.NO_FAULT_FOUND]


def test_a_signal_lost_before_anything_moved_is_no_fault() -> None:
    channels = ridden()
    for name in ("engine_speed", "vehicle_speed"):
        channels[name].value[:] = 0.0
    verdict = HandMade(channels=channels, events=(lost("vehicle_speed", 20.0, 17.0),)).verdict()
    assert Code.SPEED_SIGNAL_FAULT not in named(verdict)


@pytest.mark.parametrize("wheels_kph", [0.0, 90.0])
def test_dead_or_spinning_wheels_make_no_road_speed_false(wheels_kph: float) -> None:
    channels = ridden()
    for name in ("wheel_speed_fl", "wheel_speed_fr"):
        channels[name] = replace(
            channels["vehicle_speed"], name=name, value=channels["vehicle_speed"].value.copy()
        )
    for name in ("wheel_speed_rl", "wheel_speed_rr"):
        channels[name] = constant(name, wheels_kph)
    verdict = HandMade(channels=channels).verdict()
    assert Code.SPEED_SIGNAL_FAULT not in named(verdict)


def electric(source: str = "dcdc") -> Profile:
    return replace(given_profile(), supply=SupplySpec(source=source))


def test_a_vehicle_without_an_engine_gets_its_answer() -> None:
    ride = HandMade(profile=electric()).without("engine_speed")
    assert first(ride.verdict()) is Code.NO_FAULT_FOUND
    warm = HandMade(profile=electric(), events=(derate("temperature"),), channels=hot())
    assert first(warm.without("engine_speed").verdict()) is Code.THERMAL_PROTECTION


def test_checks_on_24_v_speak_in_24_v_figures() -> None:
    profile = replace(given_profile(), nominal_v=24.0)
    channels = starting(16.0, 25.0)
    channels["supply_voltage"].value[channels["supply_voltage"].value == 13.9] = 27.8
    ride = HandMade(
        channels=channels,
        profile=replace(profile, limits=replace(profile.limits, cranking_v=19.2)),
        physics=physics(cranks=(crank(16.0),)),
    )
    low = named(ride.verdict())[Code.LOW_BATTERY]
    told = " ".join(str(item) for item in low.next_checks)
    assert "Expect 27.4 V to 29.4 V." in told
    assert "25.2 V or more" in told
    assert "13.7" not in told


def test_one_opening_in_four_minutes_is_the_supply_and_not_the_module() -> None:
    events = (silence(100.0, 0.4), ramp("start_up", 100.5))
    verdict = HandMade(events=events).verdict()
    assert Code.MODULE_SUSPECT not in named(verdict)
    assert verdict.conclusions[0].code in {Code.SUPPLY_BREAK, Code.INCONCLUSIVE}
    assert Code.SUPPLY_BREAK in named(verdict)


def test_one_odd_reduction_beside_eight_explained_ones_stays_weak() -> None:
    channels = ridden()
    explained = []
    for at in np.arange(20.0, 260.0, 30.0):
        vary(channels, "module_temperature", float(at), float(at) + 12.0, 97.0)
        explained.append(replace(derate("temperature", float(at)), end_s=float(at) + 12.0))
    odd = replace(derate("unexplained", 275.0), end_s=280.0)
    verdict = HandMade(events=(*explained, odd), channels=channels).verdict()
    assert first(verdict) is Code.THERMAL_PROTECTION
    assert blamed(verdict) == set()


def test_a_contact_that_opens_under_load_blames_no_battery() -> None:
    good = path(0.010, 0.008, 0.012)
    events = (
        dip("supply_break", 60.0, 4.0), silence(60.1),
        dip("supply_break", 120.0, 4.5), silence(120.1),
        dip("steering_load", 60.0, 9.8), derate("voltage", 60.5),
    )  # fmt: skip
    ride = HandMade(events=events, physics=physics(supply_path=good, charging=charging(14.1)))
    verdict = ride.verdict()
    assert first(verdict) is Code.SUPPLY_BREAK
    assert Code.LOW_BATTERY not in blamed(verdict)


def test_a_ramp_after_a_start_that_outlasts_the_stop_is_no_stall() -> None:
    ramp = replace(derate("start_up", 5.0), severity=Severity.NOTE)
    verdict = HandMade(events=(ramp,)).verdict()
    assert first(verdict) is Code.NO_FAULT_FOUND
    assert "engine stopped while rolling" not in verdict.conclusions[0].headline


def test_stored_codes_of_other_units_do_not_change_a_clean_ride() -> None:
    codes = tuple(
        Event(
            kind=EventKind.TROUBLE_CODE, start_s=5.0, end_s=9.0, code=code, measured={"sender": who}
        )
        for code, who in (("P0135", "7E8"), ("SPN 110 FMI 4", "address 00"), ("C1234", ""))
    )
    assert first(HandMade(events=codes).verdict()) is Code.NO_FAULT_FOUND


def test_a_guessed_current_gives_no_conclusion() -> None:
    guessed = path(0.155, 0.150, 0.160, method="motor_power")
    verdict = HandMade(physics=physics(supply_path=guessed)).verdict()
    assert [item.code for item in verdict.conclusions] == [Code.NO_FAULT_FOUND]


def test_a_given_line_that_the_ride_does_not_follow_is_said_and_blames_nobody() -> None:
    tested = LineAgainstRide(
        quantity="temperature", agrees=False, given_start=93.0, given_zero=120.0, ride_start=85.0
    )
    events = (derate("temperature", 60.0), derate("temperature", 120.0))
    ride = HandMade(
        events=events,
        channels=hot(),
        physics=physics(limit_lines=replace(lines(), tested=(tested,))),
    )
    answer = ride.verdict().conclusions[0]
    assert (answer.code, answer.strength) == (Code.THERMAL_PROTECTION, Strength.MODERATE)
    told = [item.text for item in answer.because]
    assert (
        "On this ride assist falls from 85 °C, the profile says 93 °C: check the profile's line."
        in told
    )
    assert blamed(ride.verdict()) == set()


# -- classes found since -----------------------------------------------------------------------


def test_a_database_of_another_vehicle_answers_nothing() -> None:
    ride = HandMade(events=(derate("temperature"),), channels=hot())
    why = "The database is another vehicle's."
    fit = DatabaseFit(known_ids=0.1, cyclic_known=0.1, in_bounds=0.2, reason=why)
    timeline = replace(ride.timeline, fit=fit)
    verdict = conclude(timeline, ride.profile, ride.physics, ride.events, ride.case)
    assert [item.code for item in verdict.conclusions] == [Code.INCONCLUSIVE]
    assert verdict.conclusions[0].headline == why


def test_a_status_that_means_internal_failure_convicts_the_module() -> None:
    channels = ridden()
    status = constant("module_status", 0.0, labels={0.0: "Ready", 1.0: "InternalFault"})
    status.value[1000:] = 1.0
    channels["module_status"] = status
    late = replace(derate("unexplained", 100.0), end_s=None)
    verdict = HandMade(channels=channels, events=(late,)).verdict()
    assert (first(verdict), verdict.conclusions[0].strength) == (
        Code.MODULE_SUSPECT,
        Strength.STRONG,
    )


@pytest.mark.parametrize("word", ["NoInternalFault", "Ready", "NotInternal", "Limited"])
def test_a_status_that_denies_a_failure_convicts_nobody(word: str) -> None:
    channels = ridden()
    channels["module_status"] = constant("module_status", 1.0, labels={1.0: word})
    verdict = HandMade(channels=channels, events=(derate("temperature"),)).verdict()
    assert Code.MODULE_SUSPECT not in named(verdict)


def test_a_module_that_reports_failure_after_its_supply_broke_is_no_root() -> None:
    channels = ridden()
    status = constant("module_status", 0.0, labels={0.0: "Ready", 1.0: "InternalFault"})
    status.value[1003:1100] = 1.0
    channels["module_status"] = status
    events = (
        silence(60.0), silence(100.0), derate("unexplained", 60.6), derate("unexplained", 100.6)
    )  # fmt: skip
    verdict = HandMade(channels=channels, events=events).verdict()
    assert first(verdict) is Code.SUPPLY_BREAK
    assert Code.MODULE_SUSPECT not in blamed(verdict)


def test_an_internal_code_of_the_steering_convicts_the_module() -> None:
    code = Event(
        kind=EventKind.TROUBLE_CODE, start_s=60.5, end_s=300.0, code="SPN 630 FMI 12",
        measured={"sender": "address 13"},
    )  # fmt: skip
    late = replace(derate("unexplained", 60.0), end_s=None)
    verdict = HandMade(events=(code, late)).verdict()
    assert (first(verdict), verdict.conclusions[0].strength) == (
        Code.MODULE_SUSPECT,
        Strength.STRONG,
    )
    other = replace(code, measured={"sender": "address 00"})
    assert blamed(HandMade(events=(other, late)).verdict()) == set()


def test_a_battery_that_carries_the_load_alone_is_not_blamed_for_it() -> None:
    channels = ridden()
    vary(channels, "supply_voltage", 30.0, 300.0, 12.1)
    vary(channels, "system_voltage", 30.0, 300.0, 12.1)
    vary(channels, "system_voltage", 60.0, 62.0, 10.3)
    events = (low_charge(30.0, None, 12.1), dip("charging", 60.0, 10.2), derate("voltage", 60.0))
    good = path(0.010, 0.008, 0.012)
    verdict = HandMade(
        channels=channels, events=events, physics=physics(supply_path=good, charging=charging(12.1))
    ).verdict()
    assert first(verdict) is Code.CHARGING_FAULT
    assert Code.LOW_BATTERY not in blamed(verdict)


def test_a_source_that_fails_on_the_way_has_charged_before() -> None:
    channels = ridden()
    vary(channels, "supply_voltage", 120.0, 300.0, 12.2)
    vary(channels, "system_voltage", 120.0, 300.0, 12.2)
    events = (low_charge(120.0, None, 12.2), derate("voltage", 200.0))
    verdict = HandMade(
        channels=channels, events=events, physics=physics(charging=charging(13.0))
    ).verdict()
    assert first(verdict) is Code.CHARGING_FAULT


def test_frames_that_many_units_lose_by_turns_are_the_recorders() -> None:
    channels = ridden()
    names = ("vehicle_speed", "engine_speed", "steering_angle", "driver_torque")
    for place, name in enumerate(names):
        channels[name] = replace(channels[name], source=FrameSource(0, 0x100 + place))
    events = tuple(lost(names[n % 4], 20.0 + 7.0 * n, 0.4) for n in range(24))
    verdict = HandMade(channels=channels, events=events).verdict()
    assert [item.code for item in verdict.conclusions] == [Code.NO_FAULT_FOUND]


def test_error_frames_beside_a_hot_module_do_not_explain_it() -> None:
    noise = Event(
        kind=EventKind.BUS_DISTURBANCE, start_s=70.0, end_s=72.0, measured={"error_frames": 40.0}
    )
    verdict = HandMade(events=(noise, derate("temperature")), channels=hot()).verdict()
    assert first(verdict) is Code.THERMAL_PROTECTION
    assert named(verdict)[Code.BUS_FAULT].role is ConclusionRole.ALSO_SEEN


def test_a_weak_blame_never_leads() -> None:
    events = (derate("unexplained", 60.0), derate("unexplained", 150.0))
    unsure = physics(limit_lines=lines("assumed"))
    verdict = HandMade(events=events, profile=default_profile(), physics=unsure).verdict()
    assert first(verdict) is Code.INCONCLUSIVE
    assert verdict.conclusions[1].strength is Strength.WEAK
    assert verdict.conclusions[1].headline.startswith("Only a suspicion: ")


def test_a_moment_at_which_nothing_was_lost_is_not_explained() -> None:
    ride = HandMade(events=(derate("temperature"),), channels=hot(), case=Case(at_s=(250.0,)))
    answer = ride.verdict().conclusions[0]
    assert answer.code is Code.THERMAL_PROTECTION
    assert answer.explains_complaint is ExplainsComplaint.NO


def test_lithium_is_not_held_to_lead_figures() -> None:
    profile = replace(given_profile(), supply=SupplySpec(source="alternator", battery="lithium"))
    ride = HandMade(
        channels=starting(9.1, 25.0), profile=profile, physics=physics(cranks=(crank(9.1),))
    )
    assert Code.LOW_BATTERY not in blamed(ride.verdict())


def test_identifiers_that_fall_silent_by_turns_are_the_recorders_doing() -> None:
    """One speed signal lost three times, while every other fast message loses frames as well."""
    events = tuple(lost("vehicle_speed", at, 0.4) for at in (60.0, 90.0, 120.0))
    ride = HandMade(events=events)

    def message(place: int, *, losing: bool) -> IdStats:
        spans = tuple((10.0 * n + place, 10.0 * n + place + 0.4) for n in range(1, 9))
        return IdStats(
            source=FrameSource(0, place),
            count=10_000,
            first_s=0.0,
            last_s=300.0,
            period_s=0.02,
            jitter_s=0.001,
            longest_silence_s=0.4,
            silences=spans if losing else (),
        )

    for losing, blames in ((True, set()), (False, {Code.SPEED_SIGNAL_FAULT})):
        ids = tuple(message(place, losing=losing) for place in range(6))
        timeline = replace(ride.timeline, bus=replace(ride.timeline.bus, ids=ids))
        verdict = conclude(timeline, ride.profile, ride.physics, ride.events, ride.case)
        assert blamed(verdict) == blames


def test_a_temperature_that_rests_through_hard_work_proves_no_duty_rule() -> None:
    events = (derate("duty", 100.0), derate("duty", 200.0))
    resting = HandMade(events=events)
    assert named(resting.verdict())[Code.DUTY_PROTECTION].strength is Strength.WEAK
    channels = ridden()
    channels["module_temperature"].value[:] = np.linspace(40.0, 75.0, 3000)
    moving = HandMade(events=events, channels=channels)
    assert named(moving.verdict())[Code.DUTY_PROTECTION].strength is Strength.MODERATE

"""Whatever is found on whatever log: the contract's bounds hold and every sentence is whole."""

from __future__ import annotations

import re
from dataclasses import replace

from hypothesis import given, settings
from hypothesis import strategies as st

from canassist.model import (
    BLAMELESS,
    AssistFit,
    Case,
    Code,
    ConclusionRole,
    Effort,
    Event,
    EventKind,
    Physics,
    Severity,
    Strength,
    Verdict,
)
from canassist.profile import default_profile
from tests.conclude.hand_made import (
    DURATION_S,
    HandMade,
    all_texts,
    charging,
    crank,
    estimate,
    given_profile,
    lines,
    path,
    rest,
    ridden,
)

CAUSES = {
    EventKind.DERATE: (
        "temperature", "voltage", "temperature+voltage", "speed_signal",
        "engine_stopped", "overvoltage", "unexplained",
    ),
    EventKind.UNDERVOLTAGE: (
        "cranking", "steering_load", "charging", "supply_break", "other_load", "engine_stopped",
        None,
    ),
    EventKind.ASSIST_DEVIATION: (
        "low", "high", "left_low", "right_low", "ignores_speed", "uncommanded",
    ),
}  # fmt: skip
FIGURES = (
    "min_assist_pct", "lost_assist_pct_s", "min_supply_v", "max_supply_v", "offset_nm",
    "assist_nm", "assist_share", "error_frames", "supply_v", "module_temperature_degc",
)  # fmt: skip
FINITE = st.floats(-200.0, 200.0, allow_nan=False)


@st.composite
def found_events(draw: st.DrawFn) -> Event:
    kind = draw(st.sampled_from(list(EventKind)))
    start_s = draw(st.floats(0.0, DURATION_S))
    names = draw(st.lists(st.sampled_from(FIGURES), unique=True))
    channels = list(ridden())
    return Event(
        kind=kind,
        start_s=start_s,
        end_s=draw(st.none() | st.floats(start_s, DURATION_S)),
        cause=draw(st.sampled_from(CAUSES.get(kind, (None,)))),
        severity=draw(st.sampled_from(list(Severity))),
        channel=draw(st.sampled_from(channels)),
        measured={name: draw(FINITE | st.just(float("nan"))) for name in names},
        expected={name: draw(FINITE) for name in names[:2]},
        code="C1234" if kind is EventKind.TROUBLE_CODE else "",
    )


@st.composite
def estimates(draw: st.DrawFn) -> Physics:
    ohm = draw(st.floats(0.001, 0.2))
    method = draw(st.sampled_from(("difference", "fast_split", "motor_power")))
    paths = st.just(path(ohm, ohm * 0.9, ohm * 1.1, method=method))
    ratio = draw(st.floats(0.3, 1.7))
    fits = st.builds(
        AssistFit,
        map_from=st.sampled_from(("profile", "ride", "none")),
        lag_s=st.just(0.06),
        ratio=st.none() | st.just(estimate(ratio, ratio - 0.05, ratio + 0.05)),
        side_difference=st.none() | st.just(estimate(ratio - 1.0, ratio - 1.1, ratio - 0.9)),
    )
    efforts = st.builds(
        Effort,
        torque_p90_nm=st.none() | st.floats(0.0, 20.0),
        saturated_share=st.none() | st.floats(0.0, 1.0),
        mean_current_a=st.none(),
    )
    return Physics(
        limit_lines=draw(st.none() | st.sampled_from([lines("profile"), lines("assumed")])),
        supply_path=draw(st.none() | paths),
        assist=draw(st.none() | fits),
        charging=draw(st.none() | st.floats(11.0, 16.0).map(charging)),
        cranks=tuple(draw(st.lists(st.floats(5.0, 12.0).map(crank), max_size=2))),
        torque_rest=draw(st.none() | st.floats(-2.0, 2.0).map(rest)),
        effort=draw(st.none() | efforts),
    )


@st.composite
def rides(draw: st.DrawFn) -> HandMade:
    left_out = draw(st.sets(st.sampled_from(list(ridden()))))
    events = draw(st.lists(found_events(), max_size=8))
    ride = HandMade(
        events=tuple(events),
        physics=draw(estimates()),
        profile=draw(st.sampled_from([given_profile(), default_profile()])),
        case=Case(at_s=tuple(draw(st.lists(st.floats(-10.0, 400.0), max_size=2)))),
        recorder_losses_s=tuple(draw(st.lists(st.floats(0.0, DURATION_S), max_size=1))),
    )
    return ride.without(*left_out)


@settings(max_examples=60, deadline=None)
@given(rides())
def test_bounds_hold_whatever_was_found(ride: HandMade) -> None:
    verdict = ride.verdict()
    check_shape(verdict)
    strength = {item.code: item.strength for item in verdict.conclusions}
    blamed = {code: how for code, how in strength.items() if code not in BLAMELESS}
    resting_on_none = {Code.SPEED_SIGNAL_FAULT, Code.BUS_FAULT, Code.SUPPLY_BREAK}
    if not ride.profile.given:
        assert all(
            how is not Strength.STRONG
            for code, how in blamed.items()
            if code not in resting_on_none
        )
    channels = ride.channels
    if not {"module_current", "supply_voltage"} <= set(channels):
        assert strength.get(Code.SUPPLY_RESISTANCE) in {None, Strength.WEAK}
    assert strength.get(Code.MECHANICAL_LOAD) is not Strength.STRONG
    if not {"module_temperature", "supply_voltage", "assist_limit"} <= set(channels):
        assert strength.get(Code.MODULE_SUSPECT) in {None, Strength.WEAK}
    assert verdict.conclusions[0].code in BLAMELESS or verdict.conclusions[0].blames
    beside = [item for item in verdict.conclusions if item.role is ConclusionRole.ALSO_SEEN]
    assert all((item.explains or 0.0) < 0.02 for item in beside)
    if Code.NO_FAULT_FOUND in strength:
        assert {"vehicle_speed", "supply_voltage"} <= set(channels)


def check_shape(verdict: Verdict) -> None:
    assert verdict.conclusions
    assert [item.rank for item in verdict.conclusions] == list(
        range(1, len(verdict.conclusions) + 1)
    )
    for item in (*verdict.conclusions, *verdict.ruled_out):
        assert all(reason.weight > 0.0 for reason in item.because)
        assert all(reason.weight < 0.0 for reason in item.against)
        for reason in (*item.because, *item.against):
            assert all(0 <= position < len(verdict.events) for position in reason.events)


@settings(max_examples=60, deadline=None)
@given(rides())
def test_every_sentence_is_whole(ride: HandMade) -> None:
    verdict = ride.verdict()
    for text in all_texts(verdict):
        assert text
        assert not re.search(r"[{}]|\bNone\b|\bnan\b|  |\.\.|not known is", text), text
    for event in verdict.events:
        assert event.text.endswith(".")
        assert event.text[0].isupper()
    for item in verdict.conclusions:
        assert item.headline.endswith(".")


@settings(max_examples=20, deadline=None)
@given(rides())
def test_events_come_back_as_they_were_but_for_their_text(ride: HandMade) -> None:
    ordered = tuple(sorted(ride.events, key=lambda event: event.start_s))
    told = ride.verdict().events
    assert len(told) == len(ordered)
    for before, after in zip(ordered, told, strict=True):
        kept = replace(after, text="")
        assert (kept.kind, kept.start_s, kept.end_s, kept.cause, kept.severity) == (
            before.kind, before.start_s, before.end_s, before.cause, before.severity,
        )  # fmt: skip


def test_an_empty_log_is_inconclusive() -> None:
    verdict = HandMade(channels={}, physics=Physics()).verdict()
    assert [item.code for item in verdict.conclusions] == [Code.INCONCLUSIVE]
    assert verdict.conclusions[0].next_checks

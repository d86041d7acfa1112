"""Scenarios show what they are for, in two sets that never meet."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest

from canassist.demo import RIDES, RecordingStyle, SimulatedRide, simulate
from canassist.model import Code, EventKind
from tests.simulator.draw import CELLS, Draw
from tests.simulator.scenarios import CONDITIONS, SCENARIOS, ScenarioGroup, draw_scenario

DERATE_CAUSES = {
    "temperature",
    "voltage",
    "temperature+voltage",
    "speed_signal",
    "engine_stopped",
    "overvoltage",
    "unexplained",
}
UNDERVOLTAGE_CAUSES = {
    "cranking",
    "steering_load",
    "charging",
    "supply_break",
    "other_load",
    "engine_stopped",
}
DEVIATION_CAUSES = {"low", "high", "left_low", "right_low", "ignores_speed", "uncommanded"}
NO_BLAME = {"engine_stopped", "cranking", "other_load"}


def _missing(ride: SimulatedRide) -> list[tuple[str, str]]:
    events = ride.truth.events
    seen = {(event.kind, cause or "") for event in events for cause in (event.cause, *event.also)}
    kinds = {kind for kind, _ in seen}
    shows = SCENARIOS[ride.scenario.name].shows
    return [(k, c) for k, c in shows if (k not in kinds if not c else (k, c) not in seen)]


@pytest.fixture(scope="module")
def one_of_each() -> dict[str, SimulatedRide]:
    """Return one ride of each scenario, from the tuning set."""
    return {name: simulate(draw_scenario(name, 3)) for name in SCENARIOS}


def test_there_are_scenarios_enough() -> None:
    assert len(SCENARIOS) >= 30
    sound = [p for p in SCENARIOS.values() if p.group is not ScenarioGroup.FAULT]
    assert sum(plan.seeds for plan in sound) >= 300
    assert all(plan.seeds >= 10 for plan in SCENARIOS.values())


def test_each_scenario_shows_what_it_is_for(one_of_each: dict[str, SimulatedRide]) -> None:
    missing = {name: _missing(ride) for name, ride in one_of_each.items()}
    assert {name: what for name, what in missing.items() if what} == {}


@pytest.mark.slow
@pytest.mark.parametrize("name", SCENARIOS)
def test_each_seed_of_a_scenario_shows_what_it_is_for(name: str) -> None:
    for seed in range(10):
        for held_out in (False, True):
            ride = simulate(draw_scenario(name, seed, held_out=held_out))
            assert _missing(ride) == [], (seed, held_out)


def test_every_kind_cause_and_conclusion_occurs(one_of_each: dict[str, SimulatedRide]) -> None:
    events = [event for ride in one_of_each.values() for event in ride.truth.events]
    assert {event.kind for event in events} == {str(kind) for kind in EventKind}

    def causes(kind: str) -> set[str | None]:
        return {event.cause for event in events if event.kind == kind}

    assert causes("derate") == DERATE_CAUSES
    assert causes("undervoltage") == UNDERVOLTAGE_CAUSES
    assert causes("assist_deviation") == DEVIATION_CAUSES
    beyond = {Code.DUTY_PROTECTION}  # the demo vehicle has no such rule; foreign modules do
    assert {ride.truth.conclusion for ride in one_of_each.values()} == set(Code) - beyond


def test_sound_rides_hold_nothing_that_blames(one_of_each: dict[str, SimulatedRide]) -> None:
    for name, plan in SCENARIOS.items():
        if plan.group is ScenarioGroup.HEALTHY and name != "winching_hard":
            wrong = [
                event
                for event in one_of_each[name].truth.events
                if event.cause not in NO_BLAME and event.kind != "log_gap"
            ]
            assert wrong == [], name


def test_planted_kinds_reach_a_hundred_over_the_full_table(
    one_of_each: dict[str, SimulatedRide],
) -> None:
    """Counted from one ride of each scenario times its seeds."""
    totals = dict.fromkeys((str(kind) for kind in EventKind), 0)
    for name, ride in one_of_each.items():
        for event in ride.truth.events:
            totals[event.kind] += SCENARIOS[name].seeds
    assert {kind: count for kind, count in totals.items() if count < 100} == {}


def _figures(held_out: bool) -> Iterator[float]:
    for seed in range(400):
        yield Draw("any", seed, held_out=held_out).figure(10.0, 18.0)


def test_held_out_figures_never_lie_where_tuning_has_been() -> None:
    tuning, held_out = (np.array(list(_figures(which))) for which in (False, True))
    assert set(np.floor(tuning - 10.0).astype(int)) == set(range(0, CELLS, 2))
    assert set(np.floor(held_out - 10.0).astype(int)) == set(range(1, CELLS, 2))


def test_the_same_seed_gives_the_same_ride_and_another_one_another() -> None:
    first, again, other = (
        simulate(draw_scenario("mixed", seed)).timeline().channels["supply_voltage"]
        for seed in (5, 5, 6)
    )
    np.testing.assert_array_equal(first.value, again.value)
    assert len(first) != len(other) or not np.array_equal(first.value, other.value)


def test_noise_doubles() -> None:
    scenario = RIDES["torque_offset"]
    plain = simulate(scenario)
    noisy = simulate(scenario, recording=CONDITIONS["noise doubled"])
    rows = slice(300, 900)  # hands off
    spreads = [
        float(np.std(ride.timeline().channels["driver_torque"].value[rows]))
        for ride in (plain, noisy)
    ]
    assert spreads[1] / spreads[0] == pytest.approx(2.0, abs=0.1)


def test_rates_halve() -> None:
    scenario = RIDES["torque_offset"]
    plain = simulate(scenario).timeline()
    half = simulate(scenario, recording=CONDITIONS["half the rates"]).timeline()
    for name, channel in plain.channels.items():
        assert len(half.channels[name]) == pytest.approx(len(channel) / 2, abs=1)
        assert half.channels[name].period_s == pytest.approx(2 * channel.period_s, rel=0.01)


def test_frames_get_lost_and_the_counter_tells() -> None:
    timeline = simulate(
        RIDES["torque_offset"], recording=CONDITIONS["5 % of frames lost"]
    ).timeline()
    plain = simulate(RIDES["torque_offset"]).timeline()
    share = 1.0 - timeline.bus.frames / plain.bus.frames
    assert share == pytest.approx(0.05, abs=0.005)
    lost = plain.integrity[0].frames - timeline.integrity[0].frames
    assert 0.9 * lost <= timeline.integrity[0].skips <= lost


def test_the_clock_jitters_and_time_still_rises() -> None:
    scenario = RIDES["torque_offset"]
    plain = simulate(scenario).timeline()
    shaky = simulate(scenario, recording=CONDITIONS["10 ms of clock jitter"]).timeline()
    for name, channel in shaky.channels.items():
        off = np.abs(channel.time_s - plain.channels[name].time_s)
        assert 0.005 < off.max() <= 0.010 + 1e-6
        assert np.diff(channel.time_s).min() >= 0.0


def test_truth_does_not_depend_on_what_the_recorder_loses() -> None:
    worse = RecordingStyle(lost_share=0.05, jitter_s=0.01)
    plain, lossy = (simulate(RIDES["weak_battery"], recording=r) for r in (None, worse))
    assert plain.truth == lossy.truth

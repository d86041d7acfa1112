"""Every sentence is borne out by the samples that it cites, on every ride of every set."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from _pytest.mark import ParameterSet

from canassist import analyze, judging
from canassist.conclude.causes.claims import ContradictionError, check, claim
from canassist.conclude.causes.observations import observation_count, observed_weight
from canassist.demo import demo_profile, simulate
from canassist.model import Bound, Case, CitedSamples, Evidence
from tests.conclude.hand_made import HandMade, derate, ridden
from tests.conclude.sentence_figures import contradictions
from tests.simulator.foreign.rides import make_ride, ride_names
from tests.simulator.scenarios import SCENARIOS, draw_scenario

ROOT = Path(__file__).parents[2]


def at(channel: str, start_s: float, end_s: float) -> tuple[CitedSamples, ...]:
    return (CitedSamples(channel=channel, start_s=start_s, end_s=end_s),)


def one(text: str, weight: float, *samples: CitedSamples) -> Evidence:
    return Evidence(text=text, weight=weight, samples=samples)


# -- claims ------------------------------------------------------------------------------------


def test_a_claim_is_measured_in_its_own_stretch() -> None:
    ride = HandMade()
    ride.channels["supply_voltage"].value[700:710] = 10.2
    made = claim(ride.timeline, at("supply_voltage", 60.0, 80.0), Bound.FELL_BELOW, 11.0)
    assert made is not None
    assert made.value == 10.2
    assert claim(ride.timeline, at("supply_voltage", 80.0, 99.0), Bound.FELL_BELOW, 11.0) is None


def test_nothing_known_bears_nothing_out() -> None:
    ride = HandMade()
    ride.channels["supply_voltage"].value[600:900] = np.nan
    for bound in Bound:
        assert claim(ride.timeline, at("supply_voltage", 62.0, 80.0), bound, 11.0) is None
        assert claim(ride.timeline, at("no_such", 62.0, 80.0), bound, 11.0) is None


@pytest.mark.parametrize(("value", "limit"), [(12.0, 11.0), (13.9, 14.2), (9.0, 11.0)])
def test_a_conclusion_that_its_samples_contradict_cannot_be_built(
    value: float, limit: float
) -> None:
    ride = HandMade()
    made = claim(ride.timeline, at("supply_voltage", 60.0, 80.0), Bound.AT_LEAST, 11.0)
    assert made is not None
    forged = replace(made, value=value, limit=limit)
    with pytest.raises(ContradictionError, match="Supply stayed"):
        check(ride.timeline, [Evidence(text="Supply stayed.", weight=0.5, claims=(forged,))])
    check(ride.timeline, [Evidence(text="Supply stayed.", weight=0.5, claims=(made,))])


def test_good_supply_is_not_said_of_a_stretch_in_which_it_was_low() -> None:
    channels = ridden()
    channels["module_temperature"].value[600:900] = 97.0
    channels["supply_voltage"].value[700:705] = 10.5
    verdict = HandMade(events=(derate("temperature"),), channels=channels).verdict()
    texts = [item.text for item in verdict.conclusions[0].because]
    assert not any("Supply stayed" in text for text in texts)


# -- one observation, one reason ---------------------------------------------------------------


def test_two_ways_of_reading_the_same_samples_count_once() -> None:
    same = CitedSamples(channel="supply_voltage", start_s=10.0, end_s=20.0)
    later = replace(same, start_s=15.0, end_s=30.0)
    reasons = [one("a", 1.0, same), one("b", 0.5, later), one("c", 0.5, same)]
    assert observed_weight(reasons) == 1.0
    assert observation_count(reasons) == 1


def test_another_channel_or_another_time_counts_again_but_not_for_ever() -> None:
    first = CitedSamples(channel="supply_voltage", start_s=10.0, end_s=20.0)
    times = [replace(first, start_s=10.0 + 30.0 * n, end_s=20.0 + 30.0 * n) for n in range(9)]
    assert observed_weight([one("a", 1.0, *times[:2])]) == 2.0
    assert observed_weight([one("a", 1.0, *times)]) == 2.0
    other = replace(first, channel="system_voltage")
    assert observed_weight([one("a", 1.0, first), one("b", 0.5, other)]) == 1.5


def test_what_never_went_away_is_one_occasion() -> None:
    spans = [
        CitedSamples(channel="supply_voltage", start_s=float(n), end_s=n + 0.8) for n in range(60)
    ]
    assert observed_weight([one("a", 1.0, *spans)]) == 1.0


# -- every ride of every set -------------------------------------------------------------------


SAMPLES = sorted(p for p in (ROOT / "sample_logs").iterdir() if p.suffix in {".blf", ".gz"})


@pytest.mark.parametrize("log", SAMPLES, ids=lambda path: path.name)
def test_no_sentence_on_a_sample_ride_contradicts_itself(log: Path) -> None:
    result = analyze(
        log,
        dbc=ROOT / "dbc_demo" / "demo_trail_vehicle.dbc",
        profile=ROOT / "dbc_demo" / "demo_trail_vehicle.toml",
    )
    assert not list(contradictions(result, result.log.duration_s))


def thinly(items: list[str], step: int) -> list[ParameterSet]:
    """Return every so-manyth one to be tried always, and the others when there is time."""
    slow = pytest.mark.slow
    return [pytest.param(item, marks=() if n % step == 0 else slow) for n, item in enumerate(items)]


@pytest.mark.parametrize("name", thinly(sorted(SCENARIOS), 10))
def test_no_sentence_on_a_demo_scenario_contradicts_itself(name: str) -> None:
    scenario = draw_scenario(name, 3, held_out=False)
    timeline = simulate(scenario).timeline()
    answer = judging.judge(timeline, demo_profile(scenario.layout, scenario.vehicle), Case())
    assert not list(contradictions(answer.verdict, timeline.duration_s))


@pytest.mark.parametrize("place", thinly([str(n) for n in range(0, 110, 3)], 9))
def test_no_sentence_on_a_foreign_ride_contradicts_itself(place: str, tmp_path: Path) -> None:
    name = list(ride_names(int(place) + 1, held_out=False))[-1]
    log, dbc, profile = make_ride(name, "as_is").write(tmp_path / "ride")
    result = analyze(log, dbc=dbc, profile=profile)
    assert not list(contradictions(result, result.log.duration_s))


def test_no_sentence_on_a_recording_contradicts_itself(shared_data: Path) -> None:
    for folder, database in (("car_a", "car_a_800kB"), ("car_d", "car_c_d"), ("car_h", "car_h")):
        for log in sorted((shared_data / folder).iterdir()):
            if log.suffix in {".log", ".trc", ".asc", ".blf"}:
                result = analyze(log, dbc=shared_data / "dbc" / f"{database}.dbc")
                assert not list(contradictions(result, result.log.duration_s)), log.name


def test_the_reader_of_sentences_finds_what_is_wrong() -> None:
    ride = HandMade(events=(derate("temperature"),))
    verdict = ride.verdict()
    odd = Evidence(text="Under load supply fell to 14.2 V (limit 11.0 V).", weight=1.0)
    forged = replace(verdict.conclusions[0], because=(odd,))
    assert list(contradictions(replace(verdict, conclusions=(forged,)), 300.0))

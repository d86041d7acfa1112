"""The truth files say what the log holds, and the bench counts as it should."""

from __future__ import annotations

import pytest
from scipy.stats import binomtest

from tests.bench.foreign_scoring import RideRow, SaidConclusion, wilson
from tests.simulator.foreign.bus.profile_text import without_law
from tests.simulator.foreign.rides import VARIANTS, ForeignRide, RideName, make_ride, simulate
from tests.simulator.foreign.vehicle.riding import STEP_S


def name(situation: str, law: str = "other_lines", seed: int = 2) -> RideName:
    return RideName(law=law, situation=situation, vehicle="trail_quad", seed=seed, held_out=False)


@pytest.fixture(scope="module")
def variants() -> dict[str, ForeignRide]:
    return {variant: make_ride(name("hot_work", "stepped_heat"), variant) for variant in VARIANTS}


def test_a_hot_ride_tells_of_its_heat(variants: dict[str, ForeignRide]) -> None:
    truth = variants["as_is"].truth
    assert truth.answers == ["thermal_protection"]
    assert truth.tells
    assert truth.tells_strongly
    assert truth.module_sound


def test_four_channels_do_not_tell_of_heat(variants: dict[str, ForeignRide]) -> None:
    truth = variants["four_channels"].truth
    assert not truth.tells
    assert "module_temperature" in truth.missing
    assert variants["four_channels"].dbc.count(" SG_ ") < variants["as_is"].dbc.count(" SG_ ")
    assert variants["four_channels"].profile.count("\n") < variants["as_is"].profile.count("\n")


def test_without_a_profile_a_status_word_and_a_map_mean_nothing() -> None:
    """The contract gives neither a default; what rests on them is not told by the log."""
    assert make_ride(name("ordinary", "status_only", 3), "as_is").truth.tells
    bare = make_ride(name("ordinary", "status_only", 3), "no_profile").truth
    assert "assist_limit" in bare.missing
    for seed in range(2, 8):
        low = make_ride(name("map_low", seed=seed), "no_profile").truth
        assert not low.tells
        assert make_ride(name("map_low", seed=seed)).truth.tells


def test_a_cut_log_is_a_minute_long_and_its_truth_knows(variants: dict[str, ForeignRide]) -> None:
    lines = variants["cut_60s"].log.splitlines()
    first, last = (float(line[1:18]) for line in (lines[0], lines[-1]))
    assert 55.0 < last - first < 60.5
    truth = variants["cut_60s"].truth
    assert all(event.end_s > first - 1_764_002_000 for event in truth.events)


def test_variants_change_what_they_say_and_nothing_else(variants: dict[str, ForeignRide]) -> None:
    plain = variants["as_is"]
    assert variants["no_profile"].profile == ""
    assert variants["no_profile"].dbc == plain.dbc
    assert variants["profile_10pct"].dbc == plain.dbc
    assert variants["profile_10pct"].profile != plain.profile
    assert "Vector__XXX" in variants["no_senders"].dbc
    assert all(
        line.split()[-1] == "Vector__XXX"
        for line in variants["no_senders"].dbc.splitlines()
        if line.startswith("BO_ ")
    )
    assert all(variants[variant].log == plain.log for variant in VARIANTS if variant != "cut_60s")


def test_one_unit_is_wrong(variants: dict[str, ForeignRide]) -> None:
    rows = zip(
        variants["as_is"].dbc.splitlines(), variants["units_wrong"].dbc.splitlines(), strict=True
    )
    changed = [(left, right) for left, right in rows if left != right]
    assert len(changed) == 1
    left, right = (line.split('"') for line in changed[0])
    assert left[0] == right[0]
    assert left[1] != right[1]
    assert not variants["units_wrong"].truth.tells


def test_every_line_of_a_wrong_profile_is_ten_percent_off(
    variants: dict[str, ForeignRide],
) -> None:
    def limits(text: str) -> dict[str, float]:
        part = text.split("[limits]\n")[1].split("\n\n", maxsplit=1)[0]
        return {row.split(" = ")[0]: float(row.split(" = ")[1]) for row in part.splitlines()}

    true, wrong = limits(variants["as_is"].profile), limits(variants["profile_10pct"].profile)
    measured = {"charging_v", "cranking_v", "overvoltage_v", "undervoltage_v"}
    assert {limit for limit in true if wrong[limit] == true[limit]} <= measured
    for limit, value in true.items():
        if limit in measured:
            continue
        assert wrong[limit] / value in (pytest.approx(0.9, rel=1e-3), pytest.approx(1.1, rel=1e-3))


def test_a_profile_of_version_1_keeps_all_but_the_law(variants: dict[str, ForeignRide]) -> None:
    text = without_law(variants["as_is"].profile)
    assert text.startswith("profile = 1\n")
    assert "[protection]" not in text
    assert "[limits]" in text
    assert "[assist_map]" in text


def test_planted_derates_start_where_the_limit_leaves_full() -> None:
    ride = simulate(name("hot_work", "stepped_heat"))
    for event in make_ride(name("hot_work", "stepped_heat")).truth.events:
        start = round(event.start_s / STEP_S)
        assert ride.record.limit_pct[start] < 95.0
        assert ride.record.limit_pct[start - 1] >= 95.0 or not ride.record.module_on[start - 1]


def test_a_single_opening_is_no_case_for_strong() -> None:
    assert not make_ride(name("one_opening")).truth.tells_strongly
    assert make_ride(name("loose_plug")).truth.tells_strongly


def said(code: str, rank: int, strength: str) -> SaidConclusion:
    return SaidConclusion(code=code, rank=rank, strength=strength, role="", explains=None)


def row(*conclusions: SaidConclusion) -> RideRow:
    truth = {"answers": ["supply_break"], "true_codes": ["supply_break", "bus_fault"]}
    return RideRow(truth=truth, said=conclusions, events=[], breaches=[], error="", seconds=0.0)


def test_a_wrong_blame_behind_the_right_answer_counts() -> None:
    judged = row(said("supply_break", 1, "strong"), said("module_suspect", 2, "strong"))
    assert judged.first_right
    assert judged.claims("strong") == [True, False]
    assert [item.code for item in judged.wrong_blames()] == ["module_suspect"]


def test_a_true_finding_first_is_still_not_the_answer() -> None:
    judged = row(said("bus_fault", 1, "moderate"))
    assert judged.first_wrong
    assert judged.claims("moderate") == [True]


def test_cannot_tell_is_neither_right_nor_wrong() -> None:
    judged = row(said("inconclusive", 1, ""), said("module_suspect", 2, "weak"))
    assert not judged.first_wrong
    assert not judged.first_right
    assert judged.claims("strong") == []
    assert judged.wrong_blames() == []


def test_blameless_remarks_behind_the_answer_are_not_counted() -> None:
    judged = row(said("supply_break", 1, "strong"), said("mechanical_load", 2, "moderate"))
    assert judged.claims("moderate") == []


@pytest.mark.parametrize(("hits", "total"), [(0, 12), (7, 9), (98, 100), (40, 40)])
def test_the_interval_is_wilsons(hits: int, total: int) -> None:
    expected = binomtest(hits, total).proportion_ci(method="wilson")
    assert wilson(hits, total) == pytest.approx((expected.low, expected.high), abs=1e-9)

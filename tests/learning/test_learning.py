"""What is learned from known-good rides: the plant's own figures, and what is openly missing."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from canassist.demo import VEHICLE
from canassist.errors import InputError
from canassist.learning import LearnOptions, learn, ledger_of
from canassist.learning.bad_apples import sort_out
from canassist.learning.curves import law
from canassist.learning.fleet import bound
from canassist.model import BinnedLevel, LearnedModel, RideFigures
from canassist.profile import parse_profile, profile_toml
from canassist.report import render_learned
from canassist.stats import tolerance_factor
from tests.bench.learning_bounds import bound_scores

ROOT = Path(__file__).resolve().parents[2]
DBC = str(ROOT / "dbc_demo" / "demo_trail_vehicle.dbc")
RIDES = {
    "one": ["healthy_mixed.log.gz", "hot_tight_turns.blf"],
    "two": ["second_vehicle.log.gz"],
    "three": ["speed_lost.log.gz"],
}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    home = tmp_path_factory.mktemp("rides")
    for vehicle, logs in RIDES.items():
        (home / vehicle).mkdir()
        for log in logs:
            shutil.copy(ROOT / "sample_logs" / log, home / vehicle / log)
    return home


@pytest.fixture(scope="module")
def learned(folder: Path) -> LearnedModel:
    return learn([str(folder)], dbc=[DBC], options=LearnOptions(workers=1))


def test_the_law_of_heat_is_the_plants_own(learned: LearnedModel) -> None:
    """The plant's line falls from 85 degC to none at 115 degC; held within 5 % of its range."""
    curve = learned.profile.protection.temperature
    x, level = np.array(curve).T
    at = np.arange(84.0, 91.5, 0.5)
    true = np.interp(at, [VEHICLE.protection.start_c, VEHICLE.protection.zero_c], [100.0, 0.0])
    assert np.abs(np.interp(at, x, level) - true).max() < 5.0


def test_path_and_rest_hold_what_the_plant_has(learned: LearnedModel) -> None:
    limits = learned.profile.limits
    assert VEHICLE.path_ohm < limits.max_circuit_ohm < 3.0 * VEHICLE.path_ohm
    assert limits.torque_offset_nm < 0.4
    assert learned.profile.gives("max_circuit_ohm", "torque_offset_nm", "charging_v")


def test_what_was_not_ridden_is_openly_missing(learned: LearnedModel) -> None:
    missing = {law.name: law.missing for law in learned.laws if law.figure is None}
    assert "low" in missing["protection.supply"]
    assert not learned.profile.protection.supply
    assert "protection.supply" not in learned.profile.learned


def test_a_ride_with_a_fault_is_named_and_left_out(learned: LearnedModel) -> None:
    (gone,) = learned.left_out
    assert gone.log == "speed_lost.log.gz"
    assert "speed signal fault" in gone.why
    assert learned.vehicles == 2


def test_two_vehicles_do_not_count_as_given(learned: LearnedModel) -> None:
    assert not learned.profile.proves("max_circuit_ohm")
    assert not learned.profile.proves("derate_start_c")


def test_the_profile_reads_back_and_is_the_same_with_two_workers(
    learned: LearnedModel, folder: Path
) -> None:
    text = profile_toml(learned.profile)
    read = parse_profile(text, "learned.toml")
    assert profile_toml(read) == text
    again = learn([str(folder)], dbc=[DBC], options=LearnOptions(workers=2))
    assert profile_toml(again.profile) == text
    assert render_learned(again) == render_learned(learned)


def test_kept_on_request(folder: Path) -> None:
    options = LearnOptions(workers=1, keep=True)
    found = learn([str(folder / "three")], dbc=[DBC], options=options)
    assert (found.rides, found.left_out) == (1, ())


def test_no_sound_ride_is_an_error_in_words(folder: Path, tmp_path: Path) -> None:
    with pytest.raises(InputError, match="can be learned from"):
        learn([str(folder / "three")], dbc=[DBC], options=LearnOptions(workers=1))
    with pytest.raises(InputError, match="No ride"):
        learn([str(tmp_path)], dbc=[DBC])


def test_hostile_names_stay_text_on_the_sheet(learned: LearnedModel) -> None:
    evil = "<script>alert(1)</script>"
    item = replace(learned.left_out[0], log=evil, vehicle=evil, why=evil)
    page = render_learned(replace(learned, left_out=(item,)))
    assert evil not in page
    assert "&lt;script&gt;alert(1)" in page


def rides_of(values: dict[str, list[float]], name: str = "path_ohm") -> list[RideFigures]:
    return [
        RideFigures(log=f"{vehicle}{place}.log", vehicle=vehicle, figures={name: value})
        for vehicle, of_vehicle in values.items()
        for place, value in enumerate(of_vehicle)
    ]


def test_a_bound_is_the_tolerance_bound_of_the_vehicles() -> None:
    """Worked by hand: means 0.010, 0.012, 0.014, k(3) = 7.656, spread 0.002."""
    rides = rides_of({"a": [0.010, 0.010], "b": [0.012], "c": [0.014]})
    found = bound(rides, "path_ohm", "ohm", side="upper", least=0.0, most=1.0, room=0.01)
    assert found is not None
    assert tolerance_factor(3) == pytest.approx(7.656, abs=0.002)
    assert found.value == pytest.approx(0.012 + 7.656 * 0.002, rel=1e-3)
    assert (found.rides, found.vehicles) == (4, 3)


def test_a_bound_stays_within_what_physics_allows() -> None:
    rides = rides_of({"a": [0.01], "b": [0.05], "c": [0.09]})
    found = bound(rides, "path_ohm", "ohm", side="upper", least=0.0, most=0.2, room=0.01)
    assert found is not None
    assert found.value == 0.2


def test_bounds_cover_as_many_vehicles_as_they_say() -> None:
    """200 drawn fleets of six, one in five with a faulty vehicle: 95 % hold 95 % of vehicles."""
    for score in bound_scores(200, 6):
        assert score.holds, score.line()


@pytest.mark.parametrize(
    ("name", "good", "bad"),
    [
        ("path_ohm", 0.012, 0.05),
        ("rest_torque_nm", 0.02, 0.9),
        ("charging_v", 14.1, 12.3),
        ("crank_v", 10.8, 7.9),
        ("side_difference", 0.02, 0.4),
        ("heat_gain_k_per_a2", 0.036, 0.07),
    ],
)
def test_one_faulty_vehicle_in_ten_is_named_and_moves_nothing(
    name: str, good: float, bad: float
) -> None:
    dice = np.random.default_rng(2)
    sound = {f"v{n}": [good * (1 + 0.02 * dice.normal()) for _ in range(3)] for n in range(9)}
    rides = rides_of({**sound, "odd": [bad, bad * 1.01, bad * 0.99]}, name)
    kept, gone = sort_out(rides)
    assert {item.vehicle for item in gone} == {"odd"}
    assert {ride.vehicle for ride in kept} == {*sound}


def test_a_vehicle_goes_whole_where_most_of_its_rides_go() -> None:
    rides = [
        RideFigures(log=f"x{n}", vehicle="x", blames="supply_break" if n < 2 else "")
        for n in range(3)
    ]
    kept, gone = sort_out([*rides, RideFigures(log="y", vehicle="y")])
    assert [ride.log for ride in kept] == ["y"]
    assert "most rides of x" in gone[-1].why


def levels(start: float, zero: float, last: float) -> tuple[BinnedLevel, ...]:
    at = np.arange(40.5, last, 1.0)
    level = np.interp(at, [start, zero], [100.0, 0.0])
    return tuple(BinnedLevel(float(x), float(y), 5.0) for x, y in zip(at, level, strict=True))


def test_a_law_goes_on_beyond_what_was_ridden_with_its_own_slope() -> None:
    rides = [
        RideFigures(log=str(n), vehicle=str(n), levels={"temperature": levels(80, 110, 95)})
        for n in range(3)
    ]
    curve, figure, _ = law(rides, "temperature", rises=False)
    assert figure is not None
    assert figure.vehicles == 3
    assert curve[-1][1] == 0.0
    assert curve[-1][0] == pytest.approx(110.0, abs=1.5)


def test_a_stepped_law_keeps_its_steps() -> None:
    at = np.arange(60.5, 110.0, 1.0)
    level = np.select([at < 88, at < 95], [100.0, 50.0], 25.0)
    binned = tuple(BinnedLevel(float(x), float(y), 5.0) for x, y in zip(at, level, strict=True))
    rides = [RideFigures(log="r", vehicle="v", levels={"temperature": binned})]
    curve, _, _ = law(rides, "temperature", rises=False)
    x, y = np.array(curve).T
    ridden = np.interp(at, x, y)
    assert np.abs(ridden - level)[np.abs(at - 88) > 1.0].max() < 5.0


def test_a_law_never_ridden_to_its_start_is_missing() -> None:
    rides = [RideFigures(log="r", vehicle="v", levels={"temperature": levels(120, 130, 90)})]
    assert law(rides, "temperature", rises=False)[1] is None


@pytest.mark.slow
def test_the_demos_learned_profile_is_that_of_its_sound_rides() -> None:
    """A change alarm for the text; the law and the path are held to the plant's own."""
    found = learn([str(ROOT / "sample_logs" / "sound")], dbc=[DBC])
    kept = ROOT / "dbc_demo" / "learned_vehicle.toml"
    assert profile_toml(found.profile) == kept.read_text("utf-8")
    assert (found.rides, found.vehicles, found.left_out) == (4, 3, ())
    x, level = np.array(found.profile.protection.temperature).T
    true = np.interp([84.0, 86.0, 88.0, 90.0], [85.0, 115.0], [100.0, 0.0])
    assert np.interp([84.0, 86.0, 88.0, 90.0], x, level) == pytest.approx(true, abs=5.0)
    assert VEHICLE.path_ohm < found.profile.limits.max_circuit_ohm < 3.0 * VEHICLE.path_ohm
    assert found.profile.supply.regulated is False
    assert found.profile.proves("max_circuit_ohm", "derate_start_c")


@pytest.mark.slow
def test_a_stopped_run_goes_on_and_a_later_one_adds_to_it(folder: Path, tmp_path: Path) -> None:
    """The ledger tells by content: a ride is read once, and all together give the same bytes."""
    rides, one, all_ = folder, tmp_path / "one.toml", tmp_path / "all.toml"
    first = learn([str(rides / "one")], dbc=[DBC], options=resumable(one))
    one.write_text(profile_toml(first.profile), encoding="utf-8")
    read: list[str] = []
    whole = learn([str(rides)], dbc=[DBC], options=resumable(all_))
    later = learn(
        [str(rides / "two"), str(rides / "three")],
        dbc=[DBC],
        profile=str(one),
        options=resumable(tmp_path / "later.toml"),
    )
    assert profile_toml(later.profile) == profile_toml(whole.profile)
    lines = ledger_of(all_).read_text("utf-8").splitlines()
    assert len(lines) == 4
    ledger_of(all_).write_text("\n".join(lines[:3]) + "\n" + lines[3][:100], encoding="utf-8")
    again = learn(
        [str(rides)],
        dbc=[DBC],
        options=resumable(all_),
        progress=lambda step: read.append(f"{step.done} of {step.total}"),
    )
    assert profile_toml(again.profile) == profile_toml(whole.profile)
    assert len(read) == 1


def test_a_ledger_of_other_databases_is_not_used(folder: Path, tmp_path: Path) -> None:
    target = tmp_path / "v.toml"
    ledger_of(target).write_text('{"schema": "x"}\nnonsense\n[]\n', encoding="utf-8")
    found = learn([str(folder / "two")], dbc=[DBC], options=resumable(target))
    assert found.rides == 1


def resumable(target: Path) -> LearnOptions:
    return LearnOptions(workers=1, ledger=ledger_of(target))


def test_a_law_ridden_only_deep_begins_by_its_own_slope() -> None:
    """A latch hides what lies above: full at 12.5 V, then 15 and 25 % at 9.35 and 9.45 V."""
    rows = [(9.35, 15.0), (9.45, 25.0), (9.55, 35.0), (12.45, 100.0), (12.55, 100.0)]
    deep = tuple(BinnedLevel(x, y, 2.0) for x, y in rows)
    ride = RideFigures(log="r", vehicle="v", levels={"supply": deep})
    curve, figure, _ = law([ride], "supply", rises=True)
    assert figure is not None
    assert min(x for x, y in curve if y == 100.0) == pytest.approx(10.2, abs=0.02)
    one = replace(ride, levels={"supply": deep[2:]})
    assert law([one], "supply", rises=True)[1] is None

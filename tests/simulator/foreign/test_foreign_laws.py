"""Each law does what its name says, seen in the plant's own arrays."""

from __future__ import annotations

import numpy as np
import pytest

from tests.simulator.foreign.draws import SeededDraws
from tests.simulator.foreign.vehicle.laws import LAWS, LawChoice, choose_law, module_law
from tests.simulator.foreign.vehicle.protection import ROOT, ModuleLaw, ModuleState
from tests.simulator.foreign.vehicle.riding import STEP_S, FloatArray
from tests.simulator.foreign.vehicle.vehicles import VEHICLES, ForeignVehicle

SETTLED_S = 100.0


def a_law(
    name: str, seed: int = 1, kind: str = "trail_quad"
) -> tuple[LawChoice, ModuleLaw, ForeignVehicle]:
    vehicle = VEHICLES[kind](SeededDraws("vehicle", seed, held_out=False))
    law = choose_law(name, SeededDraws("law", seed, held_out=False), vehicle)
    return law, module_law(law, vehicle), vehicle


def run(
    law: ModuleLaw, vehicle: ForeignVehicle, seconds: float, **courses: FloatArray | float
) -> FloatArray:
    """Drive the law alone with a course of its inputs; what is not given stays good."""
    count = round(seconds / STEP_S)
    state = ModuleState(supply_v=13.5 * vehicle.scale, rpm=3000.0, kph=30.0)
    limits = np.empty(count)
    state.since_start_s = float(courses.pop("since_start_s", SETTLED_S))  # type: ignore[arg-type]
    rows = {name: np.broadcast_to(course, count).tolist() for name, course in courses.items()}
    for place in range(count):
        for name, row in rows.items():
            setattr(state, name, row[place])
        state.since_start_s += STEP_S
        limits[place] = law.step(state)
    return limits


def there_and_back(low: float, high: float, seconds: float) -> FloatArray:
    half = round(seconds / STEP_S / 2)
    return np.concatenate([np.linspace(low, high, half), np.linspace(high, low, half)])


@pytest.mark.parametrize("name", sorted(LAWS))
@pytest.mark.parametrize("kind", sorted(VEHICLES))
def test_in_good_conditions_every_law_gives_full_assist(name: str, kind: str) -> None:
    _, law, vehicle = a_law(name, kind=kind)
    assert (run(law, vehicle, 2.0, board_c=45.0) == 100.0).all()


def test_steps_are_steps() -> None:
    choice, law, vehicle = a_law("stepped_heat")
    limits = run(law, vehicle, 60.0, board_c=np.linspace(60.0, 130.0, 6000))
    levels = np.unique(limits.round(6))
    assert levels.size == 4
    assert choice.figures["first_step_pct"] == pytest.approx(levels[2])


@pytest.mark.parametrize(("name", "sign"), [("convex_heat", -1.0), ("concave_heat", 1.0)])
def test_bent_laws_bend(name: str, sign: float) -> None:
    choice, law, vehicle = a_law(name)
    first, last = choice.heat[0][0], choice.heat[-1][0]
    limits = run(law, vehicle, 60.0, board_c=np.linspace(first, last, 6000))
    assert sign * (limits[3000] - 50.0) > 8.0


@pytest.mark.parametrize("name", ["hysteresis_heat", "trip_and_cool"])
def test_the_way_back_lies_lower(name: str) -> None:
    choice, law, vehicle = a_law(name)
    top = max(temperature for temperature, _ in choice.heat)
    course = there_and_back(60.0, top + 1.0, 80.0)
    limits = run(law, vehicle, 80.0, board_c=course)
    down = np.flatnonzero(limits < 99.0)
    width = course[down[0]] - course[down[-1]]
    assert width == pytest.approx(choice.hysteresis_k, abs=0.7)


def test_duty_limits_after_heavy_work_and_lets_go_after_rest() -> None:
    choice, law, vehicle = a_law("winding_duty")
    peak_a = vehicle.max_assist_nm * vehicle.amps_per_nm
    work = run(law, vehicle, 90.0, motor_a=0.75 * peak_a, board_c=50.0)
    assert work[100] == 100.0
    assert work[-1] < 60.0
    assert law.root == ROOT["duty"]
    rest = run(law, vehicle, 5.0 * choice.figures["tau_s"], motor_a=0.0, board_c=50.0)
    assert rest[-1] == 100.0


def test_the_winding_model_heeds_the_winding_not_the_board() -> None:
    choice, law, vehicle = a_law("winding_model")
    hot = choice.figures["winding_c"] + 12.0
    assert run(law, vehicle, 1.0, winding_c=hot, board_c=45.0)[-1] < 95.0
    assert run(law, vehicle, 1.0, winding_c=40.0, board_c=85.0)[-1] == 100.0


def test_the_limit_rises_from_standstill() -> None:
    choice, law, vehicle = a_law("from_standstill")
    limits = run(law, vehicle, 20.0, kph=np.linspace(0.0, 20.0, 2000))
    assert limits[0] == pytest.approx(choice.figures["at_rest_pct"], abs=0.1)
    assert (np.diff(limits) >= 0).all()
    assert limits[-1] == 100.0


def test_the_limit_rises_with_engine_speed() -> None:
    _, law, vehicle = a_law("engine_speed")
    limits = run(law, vehicle, 20.0, rpm=np.linspace(vehicle.idle_rpm, 3000.0, 2000))
    assert 50.0 < limits[0] < 97.0
    assert limits[-1] == 100.0


def test_a_slow_start_lasts_as_drawn() -> None:
    drawn = []
    for seed in range(12):
        choice, law, vehicle = a_law("slow_start", seed)
        limits = run(law, vehicle, 62.0, since_start_s=0.0)
        assert np.argmax(limits >= 100.0) * STEP_S == pytest.approx(choice.ramp_s, abs=0.03)
        drawn.append(choice.ramp_s)
    assert min(drawn) < 6.0
    assert max(drawn) > 30.0


def test_the_latch_holds_until_the_module_starts_anew() -> None:
    choice, law, vehicle = a_law("supply_latch")
    course = np.full(2000, 13.5 * vehicle.scale)
    course[500:600] = choice.figures["trip_v"] - 0.2
    limits = run(law, vehicle, 20.0, supply_v=course)
    assert limits[400] == 100.0
    assert limits[-1] == pytest.approx(choice.figures["left_pct"])
    law.restart()
    assert run(law, vehicle, 1.0)[-1] == 100.0


def test_a_slow_way_back_outlasts_its_cause_and_still_belongs_to_it() -> None:
    choice, law, vehicle = a_law("slow_back")
    low_v = choice.supply[0][0]
    course = np.full(6000, 13.5 * vehicle.scale)
    course[500:520] = low_v
    limits = run(law, vehicle, 6.0, supply_v=course[:600])
    assert limits.min() < 20.0
    assert law.root == ROOT["supply"]
    climb = np.diff(run(law, vehicle, 5.0))
    assert climb.max() == pytest.approx(choice.rise_pct_s * STEP_S, rel=0.01)
    assert law.root == ROOT["supply"]


def test_supply_steps_are_steps() -> None:
    choice, law, vehicle = a_law("supply_steps")
    low, high = choice.supply[0][0] - 0.3, choice.supply[-1][0] + 2.0
    limits = run(law, vehicle, 60.0, supply_v=np.linspace(high, low, 6000))
    assert np.unique(limits.round(6)).size == 4


def test_a_rate_limit_holds_both_ways() -> None:
    choice, law, vehicle = a_law("rate_limited")
    course = np.full(3000, 13.5 * vehicle.scale)
    course[500:1500] = choice.supply[0][0] - 0.5
    moves = np.diff(run(law, vehicle, 30.0, supply_v=course)) / STEP_S
    assert -moves.min() == pytest.approx(choice.fall_pct_s, rel=0.01)
    assert moves.max() == pytest.approx(choice.rise_pct_s, rel=0.01)


def test_a_lagging_law_falls_after_the_dip_began() -> None:
    choice, law, vehicle = a_law("lagging_supply")
    course = np.full(400, 13.5 * vehicle.scale)
    course[100:] = choice.supply[0][0] - 1.0
    limits = run(law, vehicle, 4.0, supply_v=course)
    assert np.argmax(limits < 50.0) - 100 > 0.3 * choice.supply_filter_s / STEP_S


def test_against_the_stop_assist_is_spared() -> None:
    _, law, vehicle = a_law("end_stop")
    assert run(law, vehicle, 3.0, lock_share=0.95)[-1] < 60.0
    assert run(law, vehicle, 3.0, lock_share=0.5)[-1] == 100.0


@pytest.mark.parametrize("name", ["supply_wide", "supply_steps"])
def test_supply_laws_with_hysteresis_come_back_higher(name: str) -> None:
    choice, law, vehicle = a_law(name)
    low, high = choice.supply[0][0], choice.supply[-1][0] + 1.5 * vehicle.scale
    course = there_and_back(high, low, 400.0)
    limits = run(law, vehicle, 400.0, supply_v=course)
    down = np.flatnonzero(limits < 99.5)
    assert course[down[-1]] - course[down[0]] == pytest.approx(choice.hysteresis_v, abs=0.15)

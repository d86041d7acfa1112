"""The simulator's physics against published figures and second methods."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.linalg import expm

from canassist.demo import RIDES, SimulatedRide, simulate
from canassist.demo.plant.module_heat import exact_step, first_order_step, time_constants
from canassist.demo.plant.protection import LimitState, play, taper
from canassist.demo.plant.supply_network import BatteryState, Node, board_voltage, module_voltage
from canassist.demo.plant.vehicle import Battery, HeatPath, ProtectionRule


def test_one_node_heats_as_worked_by_hand() -> None:
    """Reference sheet, thermal model: 40 A, 12 mohm, 0.9 K/W, 300 s, from 25 degC."""
    watt = 40.0**2 * 0.012
    assert watt == pytest.approx(19.2)
    settled = 25.0 + watt * 0.9
    assert first_order_step(25.0, settled, tau_s=300.0, step_s=60.0) == pytest.approx(
        28.1323, abs=5e-5
    )
    assert first_order_step(25.0, settled, tau_s=300.0, step_s=300.0) == pytest.approx(
        35.9230, abs=5e-5
    )


def test_one_node_cools_as_worked_by_hand() -> None:
    """Reference sheet: 85 degC towards 25 degC, tau 300 s, 65.2192 degC after 120 s."""
    assert first_order_step(85.0, 25.0, tau_s=300.0, step_s=120.0) == pytest.approx(
        65.2192, abs=5e-5
    )


def test_steps_of_one_node_add_up_and_follow_the_unit_step() -> None:
    """Reference sheet: 1 to 5 time constants reach 0.632121 to 0.993262, a second 0.00332778."""
    assert first_order_step(0.0, 1.0, tau_s=300.0, step_s=1.0) == pytest.approx(
        0.00332778, abs=5e-9
    )
    reached = 0.0
    published = (0.632121, 0.864665, 0.950213, 0.981684, 0.993262)
    for share in published:
        for _ in range(300):
            reached = first_order_step(reached, 1.0, tau_s=300.0, step_s=1.0)
        assert reached == pytest.approx(share, abs=5e-7)


def _network(heat: HeatPath) -> np.ndarray[tuple[int, int], np.dtype[np.float64]]:
    inner, outer = 1.0 / heat.stage_k_per_w, 1.0 / heat.housing_k_per_w
    return np.array(
        [
            [-inner / heat.stage_j_per_k, inner / heat.stage_j_per_k],
            [inner / heat.housing_j_per_k, -(inner + outer) / heat.housing_j_per_k],
        ]
    )


@pytest.mark.parametrize("step_s", [0.01, 1.0, 60.0])
def test_two_nodes_step_as_the_matrix_exponential(step_s: float) -> None:
    heat = HeatPath()
    step = exact_step(heat, step_s)
    whole = np.array(
        [[step.stage_stage, step.stage_housing], [step.housing_stage, step.housing_housing]]
    )
    expected = expm(_network(heat) * step_s)
    np.testing.assert_allclose(whole, expected, rtol=1e-9, atol=1e-12)
    settled = np.array([heat.stage_k_per_w + heat.housing_k_per_w, heat.housing_k_per_w])
    watt = np.array([step.stage_watt, step.housing_watt])
    np.testing.assert_allclose(whole @ settled + watt, settled, rtol=1e-12)


def test_time_constants_are_the_eigenvalues() -> None:
    heat = HeatPath(housing_j_per_k=310.0, housing_k_per_w=0.7)
    expected = sorted(-1.0 / np.linalg.eigvals(_network(heat)), reverse=True)
    assert time_constants(heat) == pytest.approx(tuple(expected))


@pytest.mark.parametrize(
    ("degc", "share"),
    [(84.0, 1.0), (85.0, 1.0), (92.5, 0.75), (100.0, 0.5), (115.0, 0.0), (120.0, 0.0)],
)
def test_taper_between_two_temperatures(degc: float, share: float) -> None:
    """Reference sheet, taper: 1 below 85 degC, linear to 0 at 115 degC."""
    assert taper(degc, 85.0, 115.0) == pytest.approx(share)


def test_taper_falls_with_voltage() -> None:
    assert taper(-11.5, -11.0, -9.0) == 1.0
    assert taper(-10.0, -11.0, -9.0) == pytest.approx(0.5)
    assert taper(-8.0, -11.0, -9.0) == 0.0


def test_play_holds_until_the_way_back_is_longer_than_its_width() -> None:
    held, seen = 80.0, []
    for value in (86.0, 90.0, 89.0, 88.1, 87.0, 85.0, 86.0):
        held = play(held, value, 2.0)
        seen.append(held)
    assert seen == [86.0, 90.0, 90.0, 90.0, 89.0, 87.0, 87.0]


def test_limit_moves_no_faster_than_its_rates_and_in_steps() -> None:
    rule = ProtectionRule(down_pct_per_s=200.0, up_pct_per_s=50.0)
    state = LimitState(rule, step_s=0.01, start_c=40.0, start_v=13.5, running=True)
    told = [state.step(40.0, 13.5, 100.0, 100.0, 100.0) for _ in range(5)]
    assert told == [100.0] * 5
    falling = [state.step(40.0, 13.5, 100.0, 100.0, 20.0) for _ in range(60)]
    assert falling[9] == 80.0  # 10 steps of 2 %
    assert falling[-1] == 20.0
    rising = [state.step(40.0, 13.5, 100.0, 100.0, 100.0) for _ in range(200)]
    assert rising[99] == 70.0  # 100 steps of 0.5 %
    assert rising[-1] == 100.0
    assert all(limit % 0.5 == 0.0 for limit in falling + rising)


@pytest.mark.parametrize(
    ("current_a", "module_v"), [(0.0, 12.6), (20.0, 12.2), (40.0, 11.8), (60.0, 11.4), (80.0, 11.0)]
)
def test_path_drops_by_ohms_law(current_a: float, module_v: float) -> None:
    """Reference sheet, dip classes: a 12.6 V source behind 20 mohm."""
    assert module_voltage(12.6, 0.020, current_a * module_v) == pytest.approx(module_v)


def test_a_path_that_cannot_carry_the_power_leaves_half_the_voltage() -> None:
    most = 13.8**2 / (4 * 0.06)
    assert module_voltage(13.8, 0.06, most * 1.01) == pytest.approx(6.9)


def test_board_voltage_obeys_kirchhoff() -> None:
    node = Node(
        emf_v=12.5, inner_ohm=0.01, load_a=70.0, starter_s=1 / 0.105, alternator_a=30.0, set_v=14.2
    )
    board = board_voltage(node)
    battery_a = (node.emf_v - board) / node.inner_ohm
    assert battery_a + node.alternator_a == pytest.approx(node.load_a + board * node.starter_s)


def test_alternator_holds_its_voltage_while_it_can() -> None:
    node = Node(
        emf_v=14.0, inner_ohm=0.01, load_a=20.0, starter_s=0.0, alternator_a=60.0, set_v=14.2
    )
    assert board_voltage(node) == 14.2
    assert board_voltage(node._replace(alternator_a=0.0)) == pytest.approx(13.8)


def test_a_battery_gives_back_its_charge_in_ampere_hours() -> None:
    battery = BatteryState(Battery(charge=1.0, capacity_ah=20.0))
    for _ in range(3600):
        battery.take(10.0, 1.0)
    assert battery.charge == pytest.approx(0.5)
    assert battery.slow_v == pytest.approx(10.0 * Battery().slow_ohm)


def test_battery_rests_at_the_common_table() -> None:
    """Reference sheet, battery at rest: 12.65 V full, 12.45, 12.24, 12.06, 11.89 V empty."""
    table = {1.0: 12.65, 0.75: 12.45, 0.5: 12.24, 0.25: 12.06, 0.0: 11.89}
    for charge, volts in table.items():
        assert Battery().rest_v(charge) == pytest.approx(volts, abs=0.04)


def test_module_and_board_differ_by_path_resistance_alone() -> None:
    ride = simulate(RIDES["supply_resistance"])
    drop = ride.run.board_v - ride.run.module_v
    np.testing.assert_allclose(drop, ride.trouble.path_ohm * ride.run.module_a, atol=1e-9)


def test_module_power_is_copper_loss_and_work_on_the_shaft() -> None:
    ride = simulate(RIDES["healthy_mixed"])
    law = ride.scenario.vehicle.assist
    motor_a = ride.run.assist_nm / law.nm_per_a
    turning = np.abs(np.deg2rad(ride.course.rate_deg_per_s))
    expected = (
        motor_a**2 * law.winding_ohm
        + np.abs(ride.run.assist_nm) * turning / law.efficiency
        + law.standby_w
    )
    np.testing.assert_allclose(ride.run.module_a * ride.run.module_v, expected, rtol=1e-9)


def _loop_temperature(ride: SimulatedRide) -> list[float]:
    """Integrate the two nodes with small plain Euler steps."""
    heat = ride.scenario.vehicle.heat
    air = ride.scenario.vehicle.ambient_c + ride.scenario.vehicle.bay_rise_k
    stage = housing = ride.scenario.vehicle.module_start_c
    seen = []
    watts = (ride.run.assist_nm / ride.scenario.vehicle.assist.nm_per_a) ** 2 * heat.loss_ohm
    for watt in watts:
        flow = (stage - housing) / heat.stage_k_per_w
        stage += 0.01 * (watt - flow) / heat.stage_j_per_k
        housing += 0.01 * (flow - (housing - air) / heat.housing_k_per_w) / heat.housing_j_per_k
        seen.append(stage)
    return seen


def test_module_temperature_equals_a_plain_integration() -> None:
    ride = simulate(RIDES["hot_tight_turns"])
    np.testing.assert_allclose(ride.run.stage_c, _loop_temperature(ride), atol=0.05)

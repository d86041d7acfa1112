"""The vehicle as it runs: supply, assist, heat and the module's protection, step by step."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np

from canassist.demo.plant.course import STEP_S, Course
from canassist.demo.plant.module_heat import exact_step
from canassist.demo.plant.protection import LimitState
from canassist.demo.plant.supply_network import BatteryState, Node, board_voltage, module_voltage
from canassist.demo.plant.trouble import Trouble
from canassist.demo.plant.vehicle import MODES, AssistLaw, VehicleModel
from canassist.model import BoolArray, FloatArray

CAUSES: Final = ("heat", "low", "high", "speed", "engine", "unexplained")
"""What lowers the assist limit: names of `LimitState`'s parts, in the order of `Run.caps`."""

_ENGINE_RUNS_RPM = 500.0
_MODULE_DRAIN_TAU_S = 0.12
"""How fast the module's own capacitors empty while its supply is open."""
_DRIFT_FROM_C = 25.0


class _Inputs(NamedTuple):
    """One step's inputs, as plain numbers."""

    load: float
    hands: float
    turning: float
    gain: float
    sound_gain: float
    starter: float
    alternator_a: float
    set_v: float
    other_a: float
    path_ohm: float
    supply_open: bool
    module_off: bool
    speed_pct: float
    engine_pct: float
    other_pct: float
    offset: float
    drift: float
    left: float
    right: float
    uncommanded: float


class _Row(NamedTuple):
    """One step's outcome."""

    board_v: float
    module_v: float
    module_a: float
    battery_a: float
    emf_v: float
    stage_c: float
    housing_c: float
    assist: float
    nominal: float
    driver: float
    told_driver: float
    limit: float
    heat: float
    low: float
    high: float
    speed: float
    engine: float
    unexplained: float
    alive: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """Noiseless physical channels, 100 times a second; arrays of shape (n,).

    ``nominal_nm`` is the assist that a sound module would deliver for what the torque
    sensor tells it; ``caps`` has one row a cause (`CAUSES`); ``idle_module_v`` is what
    the supply would be at the module without its steering current.
    """

    board_v: FloatArray
    module_v: FloatArray
    idle_module_v: FloatArray
    module_a: FloatArray
    battery_a: FloatArray
    stage_c: FloatArray
    housing_c: FloatArray
    assist_nm: FloatArray
    nominal_nm: FloatArray
    driver_nm: FloatArray
    told_driver_nm: FloatArray
    limit_pct: FloatArray
    caps: FloatArray
    alive: BoolArray
    end_charge: float


def run(vehicle: VehicleModel, course: Course, trouble: Trouble) -> Run:
    """Run the vehicle through a course."""
    gains = (
        assist_gain(vehicle.assist, trouble.gain_speed_kph, course),
        assist_gain(vehicle.assist, trouble.sound_speed_kph, course),
    )
    alternator_a = trouble.alternator_share * np.interp(
        course.engine_rpm, vehicle.alternator.rpm, vehicle.alternator.limit_a
    )
    plant = _Plant(vehicle, running=bool(course.engine_rpm[0] > _ENGINE_RUNS_RPM))
    rows = [plant.step(now) for now in _inputs(vehicle, course, trouble, gains, alternator_a)]
    table = {
        name: np.array(column)
        for name, column in zip(_Row._fields, zip(*rows, strict=True), strict=True)
    }
    standby_a = vehicle.assist.standby_w / 12.0
    free = table["emf_v"] - vehicle.battery.inner_ohm * (
        vehicle.base_load_a + trouble.other_load_a + standby_a - alternator_a
    )
    free = free / (1.0 + vehicle.battery.inner_ohm / course.starter_ohm)
    idle = np.where(alternator_a > 0, np.minimum(free, trouble.set_v), free)
    return Run(
        board_v=table["board_v"],
        module_v=table["module_v"],
        idle_module_v=idle - trouble.path_ohm * standby_a,
        module_a=table["module_a"],
        battery_a=table["battery_a"],
        stage_c=table["stage_c"],
        housing_c=table["housing_c"],
        assist_nm=table["assist"],
        nominal_nm=table["nominal"],
        driver_nm=table["driver"],
        told_driver_nm=table["told_driver"],
        limit_pct=table["limit"],
        caps=np.array([table[name] for name in CAUSES]),
        alive=table["alive"],
        end_charge=plant.battery.charge,
    )


def assist_gain(law: AssistLaw, speed_kph: FloatArray, course: Course) -> FloatArray:
    """Return assist over driver torque by road speed and the rider's mode, shape (n,)."""
    by_mode = [np.interp(speed_kph, law.speed_kph, law.gains[mode]) for mode in MODES]
    return np.asarray(np.choose(course.mode, by_mode), dtype=np.float64)


def _inputs(
    vehicle: VehicleModel,
    course: Course,
    trouble: Trouble,
    gains: tuple[FloatArray, FloatArray],
    alternator_a: FloatArray,
) -> Iterator[_Inputs]:
    engine_pct = np.where(course.engine_rpm > _ENGINE_RUNS_RPM, 100.0, 0.0)
    speed_pct = np.where(trouble.speed_lost, vehicle.protection.lost_speed_pct, 100.0)
    columns = (
        course.load_nm * trouble.load_factor,
        course.hands,
        np.abs(np.deg2rad(course.rate_deg_per_s)),
        *gains,
        1.0 / course.starter_ohm,
        alternator_a,
        trouble.set_v,
        vehicle.base_load_a + trouble.other_load_a,
        trouble.path_ohm,
        trouble.supply_open,
        trouble.module_off,
        speed_pct,
        engine_pct,
        trouble.other_limit_pct,
        trouble.offset_nm,
        trouble.drift_nm_per_k,
        trouble.left_factor,
        trouble.right_factor,
        trouble.uncommanded_nm,
    )
    return map(_Inputs, *(column.tolist() for column in columns))


class _Plant:
    """State of the vehicle between two steps."""

    def __init__(self, vehicle: VehicleModel, *, running: bool) -> None:
        self.vehicle = vehicle
        self.battery = BatteryState(vehicle.battery)
        self.heat = exact_step(vehicle.heat, STEP_S)
        self.air_c = vehicle.ambient_c + vehicle.bay_rise_k
        self.stage_k = self.housing_k = vehicle.module_start_c - self.air_c
        self.module_v = self.battery.emf_v()
        self.limits = LimitState(
            vehicle.protection,
            step_s=STEP_S,
            start_c=vehicle.module_start_c,
            start_v=self.module_v,
            running=running,
        )
        self.module_a = self.assist = self.nominal = 0.0
        self.boot_s = 0.0
        self.follow = STEP_S / vehicle.assist.lag_s

    def step(self, now: _Inputs) -> _Row:
        """Move one step."""
        emf_v, board_v, battery_a = self._supply(now)
        alive = self._module_alive(now, board_v)
        limit = self._limit(now, alive=alive)
        driver = self._driver(now)
        told = driver + now.offset + now.drift * (self.air_c + self.stage_k - _DRIFT_FROM_C)
        self._assist(now, told, limit if alive else 0.0)
        self._power(now, board_v, alive=alive)
        self._warm()
        caps = self.limits
        return _Row(
            board_v,
            self.module_v,
            self.module_a,
            battery_a,
            emf_v,
            self.air_c + self.stage_k,
            self.air_c + self.housing_k,
            self.assist,
            self.nominal,
            driver,
            told,
            limit,
            caps.heat,
            caps.low,
            caps.high,
            caps.speed,
            caps.engine,
            caps.unexplained,
            alive,
        )

    def _supply(self, now: _Inputs) -> tuple[float, float, float]:
        emf_v, inner_ohm = self.battery.emf_v(), self.vehicle.battery.inner_ohm
        load_a = now.other_a + self.module_a
        node = Node(emf_v, inner_ohm, load_a, now.starter, now.alternator_a, now.set_v)
        board_v = board_voltage(node)
        battery_a = (emf_v - board_v) / inner_ohm
        self.battery.take(battery_a, STEP_S)
        return emf_v, board_v, battery_a

    def _module_alive(self, now: _Inputs, board_v: float) -> bool:
        rule = self.vehicle.protection
        starved = self.module_v < rule.brown_out_v
        if now.module_off or starved:
            self.boot_s = 0.0 if now.module_off else rule.boot_s
        elif self.boot_s > 0.0 and board_v > rule.brown_out_v:
            self.boot_s -= STEP_S
        return not (now.module_off or starved or self.boot_s > 0.0)

    def _limit(self, now: _Inputs, *, alive: bool) -> float:
        supply_v = self.module_v if alive else self.vehicle.protection.start_v + 1.0
        return self.limits.step(
            self.air_c + self.stage_k, supply_v, now.speed_pct, now.engine_pct, now.other_pct
        )

    def _driver(self, now: _Inputs) -> float:
        strength = self.vehicle.chassis.strength_nm
        wanted = (now.load - self.assist) * now.hands
        return max(-strength, min(strength, wanted))

    def _assist(self, now: _Inputs, told: float, limit: float) -> None:
        law = self.vehicle.assist
        effort = max(abs(told) - law.deadband_nm, 0.0) * (1.0 if told > 0 else -1.0)
        sound = self._bounded(now.sound_gain * effort) * limit / 100.0
        factor = now.right if told > 0 else now.left
        wrong = self._bounded(now.gain * effort) * limit / 100.0 * factor
        wrong += now.uncommanded if limit > 0 else 0.0
        self.nominal += (sound - self.nominal) * self.follow
        self.assist += (wrong - self.assist) * self.follow

    def _bounded(self, torque_nm: float) -> float:
        most = self.vehicle.assist.max_assist_nm
        return max(-most, min(most, torque_nm))

    def _power(self, now: _Inputs, board_v: float, *, alive: bool) -> None:
        law = self.vehicle.assist
        if now.supply_open:
            self.module_a = 0.0
            self.module_v -= self.module_v * STEP_S / _MODULE_DRAIN_TAU_S
            return
        motor_a = self.assist / law.nm_per_a
        power_w = motor_a * motor_a * law.winding_ohm + law.standby_w
        power_w += abs(self.assist) * now.turning / law.efficiency
        if not alive:
            power_w = law.standby_w
        self.module_v = module_voltage(board_v, now.path_ohm, power_w)
        self.module_a = power_w / self.module_v

    def _warm(self) -> None:
        motor_a = self.assist / self.vehicle.assist.nm_per_a
        watt = motor_a * motor_a * self.vehicle.heat.loss_ohm
        heat, stage, housing = self.heat, self.stage_k, self.housing_k
        self.stage_k = (
            heat.stage_stage * stage + heat.stage_housing * housing + heat.stage_watt * watt
        )
        self.housing_k = (
            heat.housing_stage * stage + heat.housing_housing * housing + heat.housing_watt * watt
        )

"""The vehicle in motion: supply, module, steering and heat, stepped 100 times a second."""

from __future__ import annotations

import math
from dataclasses import dataclass, fields

import numpy as np

from tests.simulator.foreign.vehicle.laws import LawChoice, module_law
from tests.simulator.foreign.vehicle.protection import ROOT, LawCurve, ModuleState
from tests.simulator.foreign.vehicle.riding import STEP_S, BoolArray, FloatArray, RideInputs
from tests.simulator.foreign.vehicle.vehicles import ForeignVehicle

HOLD_S = 0.02  # what the module's own capacitors bridge
BACK_V = 0.6  # above the reset level before a module boots again (at 12 V)


@dataclass(slots=True, kw_only=True)
class PlantRecord:
    """What truly happened, sampled 100 times a second; no noise, no sampling.

    ``limit_pct`` is 0 where the module is off; ``root`` is a place in `protection.ROOTS`.
    """

    system_v: FloatArray
    system_a: FloatArray
    supply_v: FloatArray
    module_a: FloatArray
    motor_a: FloatArray
    assist_nm: FloatArray
    driver_nm: FloatArray
    board_c: FloatArray
    winding_c: FloatArray
    told_c: FloatArray
    limit_pct: FloatArray
    root: FloatArray
    on: FloatArray
    since_start_s: FloatArray
    design_pct: FloatArray

    @property
    def module_on(self) -> BoolArray:
        """Where the module runs and sends."""
        return self.on > 0.5


class Feed:
    """Battery with polarisation, a source of limited current, the loads."""

    def __init__(self, vehicle: ForeignVehicle) -> None:
        self.vehicle = vehicle
        self.polar_v = 0.0
        self.amps = 0.0

    def _source_most(self, rpm: float, share: float, key: bool) -> float:
        vehicle = self.vehicle
        if vehicle.source == "alternator":
            return vehicle.source_a * share * rpm / (rpm + vehicle.half_rpm) if rpm > 500 else 0.0
        return vehicle.source_a * share if key and vehicle.source == "dcdc" else 0.0

    def step(self, load_a: float, rpm: float, charge_v: float, share: float, key: bool) -> float:
        """Return the voltage at the battery; `amps` is what the battery gives."""
        vehicle = self.vehicle
        rest_v = vehicle.open_v - self.polar_v
        most = self._source_most(rpm, share, key)
        alone = rest_v - vehicle.battery_ohm * load_a
        helped = alone + vehicle.battery_ohm * most
        volts = min(max(charge_v, alone), helped) if most > 0 else alone
        self.amps = (rest_v - volts) / vehicle.battery_ohm
        ohm, slow_s = vehicle.polar_ohm, vehicle.polar_s
        if self.amps < 0:  # a full battery takes little and its voltage rises soon
            ohm, slow_s = vehicle.charge_ohm, 0.2 * slow_s
        self.polar_v += (self.amps * ohm - self.polar_v) * STEP_S / slow_s
        return volts


class Heat:
    """Winding and housing."""

    def __init__(self, vehicle: ForeignVehicle) -> None:
        self.vehicle = vehicle
        self.winding_c = vehicle.start_c
        self.board_c = vehicle.start_c

    def step(self, motor_a: float, ambient_c: float, kph: float) -> None:
        """Warm both nodes by one step."""
        vehicle = self.vehicle
        loss_w = motor_a * motor_a * vehicle.motor_ohm
        across_w = (self.winding_c - self.board_c) / vehicle.winding_k_per_w
        air_w = (self.board_c - ambient_c) * (1.0 + kph / 40.0) / vehicle.air_k_per_w
        self.winding_c += (0.6 * loss_w - across_w) * STEP_S / vehicle.winding_j_per_k
        self.board_c += (across_w + 0.25 * loss_w + 4.0 - air_w) * STEP_S / vehicle.housing_j_per_k


class Steering:
    """Load at the input shaft, shared by driver and module."""

    def __init__(self, vehicle: ForeignVehicle, law: LawChoice) -> None:
        self.vehicle = vehicle
        self.law = law
        self.gains = [LawCurve(tuple(zip(vehicle.gain_kph, row, strict=True)))
                      for row in vehicle.gain.values()]  # fmt: skip

    def need(self, angle_deg: float, rate_deg_s: float, kph: float) -> float:
        """Return the torque that turning takes, friction and self-alignment together."""
        vehicle = self.vehicle
        share = angle_deg / vehicle.lock_deg
        rub = vehicle.roll_nm * 0.5 + (vehicle.park_nm - vehicle.roll_nm) / (1.0 + (kph / 7.0) ** 2)
        turn = math.tanh(rate_deg_s / (0.03 * vehicle.lock_deg))
        return turn * rub + share * vehicle.align_nm * (1.0 + min(kph, 60.0) / 20.0)

    def share(self, need_nm: float, factor: float, kph: float, mode: int) -> tuple[float, float]:
        """Return driver torque and assist that together do the work."""
        vehicle = self.vehicle
        size = abs(need_nm)
        if size <= vehicle.deadband_nm or factor <= 0.0:
            return need_nm, 0.0
        gain = self.gains[mode](kph) * factor
        hand = (size + gain * vehicle.deadband_nm) / (1.0 + gain)
        help_nm = size - hand
        most = vehicle.max_assist_nm * factor
        if help_nm > most:
            hand, help_nm = size - most, most
        sign = 1.0 if need_nm > 0 else -1.0
        return sign * hand, sign * help_nm


class ForeignModule:
    """The steering module: on or off, its law, what it draws."""

    def __init__(self, vehicle: ForeignVehicle, law: LawChoice) -> None:
        self.vehicle = vehicle
        self.law = module_law(law, vehicle)
        self.state = ModuleState()
        self.on = False
        self.boot_s = 0.0
        self.starved_s = 0.0
        self.amps = 0.0
        self.keyed = False
        self.started = False

    def power(self, key: bool, supply_v: float) -> bool:
        """Follow key and supply; return whether the module runs."""
        vehicle = self.vehicle
        if not key:
            self.on = self.keyed = False
            self.boot_s = 0.0
        elif not self.on:
            ready = supply_v > vehicle.reset_v + BACK_V * vehicle.scale
            self.boot_s = self.boot_s + STEP_S if ready else 0.0
            if self.boot_s >= vehicle.boot_s:
                self._start()
        else:
            self.starved_s = self.starved_s + STEP_S if supply_v < vehicle.reset_v else 0.0
            if self.starved_s > HOLD_S:
                self.on, self.boot_s = False, 0.0
        return self.on

    def _start(self) -> None:
        self.on, self.starved_s = True, 0.0
        self.law.restart()
        self.state.since_start_s = 0.0
        self.state.restarted = self.keyed
        self.keyed = True

    def warm_start(self) -> None:
        """Be already running: the log begins in the middle of a ride."""
        self._start()
        self.state.restarted = False
        self.state.since_start_s = 600.0

    def draw(self, motor_a: float, assist_nm: float, rate_deg_s: float, supply_v: float) -> None:
        """Set the supply current: copper loss and mechanical power, slowed by the input filter."""
        work_w = motor_a * motor_a * self.vehicle.motor_ohm
        turn_w = max(0.0, assist_nm * rate_deg_s * math.pi / 180.0) / 0.7
        volts = max(supply_v, 5.0 * self.vehicle.scale)
        wanted = self.vehicle.standby_a + (work_w + turn_w) / volts
        self.amps += (wanted - self.amps) * 0.35


class _PlantRun:
    """One ride, step by step."""

    def __init__(
        self, vehicle: ForeignVehicle, law: LawChoice, inputs: RideInputs, *, warm: bool
    ) -> None:
        self.vehicle, self.choice = vehicle, law
        self.feed, self.heat = Feed(vehicle), Heat(vehicle)
        self.steering = Steering(vehicle, law)
        self.module = ForeignModule(vehicle, law)
        if warm:
            self.module.warm_start()
            if vehicle.source != "battery":
                self.feed.polar_v = 0.93 * (vehicle.open_v - float(inputs.charge_v[0]))
        self.open_s = 0.0
        self.rows: list[tuple[float, ...]] = []
        self.columns = {
            item.name: getattr(inputs, item.name).tolist()
            for item in fields(inputs)
            if item.name not in {"wheel_kph", "frozen", "time_s"}
        }

    def run(self, count: int) -> list[tuple[float, ...]]:
        """Step through the ride."""
        names = list(self.columns)
        for values in zip(*self.columns.values(), strict=True):
            self._step(dict(zip(names, values, strict=True)))
        return self.rows

    def _supply(self, at: dict[str, float]) -> tuple[float, float]:
        module = self.module
        load = at["load_a"] * (0.15 if not at["key"] else 1.0) + at["starter_a"] + module.amps
        volts = self.feed.step(load, at["rpm"], at["charge_v"], at["source_share"], bool(at["key"]))
        if not at["contact"]:
            module.amps = 0.0
            return volts, 0.0
        return volts, max(0.0, volts - at["path_ohm"] * module.amps + at["ripple_v"])

    def _step(self, at: dict[str, float]) -> None:
        system_v, supply_v = self._supply(at)
        module, heat = self.module, self.heat
        limit, told_c = 0.0, heat.board_c + at["sensor_bias_k"]
        if module.power(bool(at["key"]), supply_v):
            limit = self._limit(at, supply_v, told_c)
        hand, assist = self._torque(at, limit)
        motor_a = assist * self.vehicle.amps_per_nm
        if module.on:
            module.draw(motor_a, assist, at["rate_deg_s"], supply_v)
        else:
            module.amps = 0.0
        heat.step(motor_a, at["ambient_c"], at["kph"])
        module.state.motor_a = motor_a
        root = module.law.root if module.on else ROOT["break"]
        self.rows.append(
            (system_v, self.feed.amps, supply_v, module.amps, motor_a, assist, hand,
             heat.board_c, heat.winding_c, told_c, limit, root, float(module.on),
             module.state.since_start_s, module.law.design_pct)
        )  # fmt: skip

    def _limit(self, at: dict[str, float], supply_v: float, told_c: float) -> float:
        state = self.module.state
        state.board_c, state.supply_v = told_c, supply_v
        state.winding_c = self.heat.winding_c
        state.lock_share = abs(at["angle_deg"]) / self.vehicle.lock_deg
        state.kph_lost = bool(at["kph_lost"])
        state.kph = self.choice.fallback_kph if state.kph_lost else at["bus_kph"]
        state.rpm = -1.0 if at["rpm_lost"] else at["bus_rpm"]
        state.forced_pct, state.outside_pct = at["forced_pct"], at["outside_pct"]
        state.since_start_s += STEP_S
        return self.module.law.step(state)

    def _torque(self, at: dict[str, float], limit: float) -> tuple[float, float]:
        angle, rate, kph = at["angle_deg"], at["rate_deg_s"], at["kph"]
        share = limit / 100.0
        if at["released"]:
            unasked = at["unasked_nm"] * share
            return at["torque_bias_nm"] - unasked, self._homeward(angle, rate) * share + unasked
        need = self.steering.need(angle, rate, kph) * at["effort"]
        side = at["right_share"] if need > 0 else at["left_share"]
        damp = -self.choice.damping_nm * math.tanh(rate / 60.0) * min(1.0, kph / 40.0)
        told_kph = self.module.state.kph
        hand, assist = self.steering.share(need, share * side, told_kph, int(at["mode"]))
        extra = (at["unasked_nm"] + damp) * share
        return hand - extra + at["torque_bias_nm"], assist + extra

    def _homeward(self, angle: float, rate: float) -> float:
        law = self.choice
        if not law.return_nm:
            return 0.0
        pull = -law.return_nm * math.tanh(angle / (0.08 * self.vehicle.lock_deg))
        return pull - law.damping_nm * math.tanh(rate / 60.0)


def run_plant(
    vehicle: ForeignVehicle, law: LawChoice, inputs: RideInputs, *, warm: bool = False
) -> PlantRecord:
    """Return what truly happens on this ride; `warm` means that the module runs already."""
    rows = np.asarray(_PlantRun(vehicle, law, inputs, warm=warm).run(inputs.time_s.size))
    names = [item.name for item in fields(PlantRecord)]
    return PlantRecord(**{name: rows[:, place].copy() for place, name in enumerate(names)})

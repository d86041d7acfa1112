"""The module laws of the bench: none is the demo vehicle's pair of straight lines.

Figures are drawn from what data sheets and the trade name: power stages taper from 75 to 100
degC, cut at 110 to 125 (from memory), recover 5 to 15 K lower; supply rules between 8 and 11.5 V.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from tests.simulator.foreign.draws import SeededDraws
from tests.simulator.foreign.vehicle.protection import (
    DesignRule,
    DutyRule,
    EndStopRule,
    EngineRule,
    HeatRule,
    InternalRule,
    LawCurve,
    LawPart,
    LostSpeedRule,
    ModuleLaw,
    OvervoltageRule,
    Points,
    StartRamp,
    SupplyLatch,
    SupplyRule,
    WindingRule,
)
from tests.simulator.foreign.vehicle.vehicles import ForeignVehicle

MakeParts = Callable[[], list[LawPart]]


@dataclass(slots=True, kw_only=True)
class LawChoice:
    """A law with its drawn figures, and what a service manual would say of it.

    ``speed`` holds curves of road or engine speed, ``told`` what else the profile's
    ``[protection]`` says; ``figures`` are drawn values that tests look at.
    """

    name: str
    heat: Points
    supply: Points
    ramp_s: float
    supply_filter_s: float = 0.02
    hysteresis_k: float = 0.0
    hysteresis_v: float = 0.0
    fall_pct_s: float = 1e9
    rise_pct_s: float = 1e9
    overvoltage_v: float = 16.0
    over_pct: float = 30.0
    fallback_pct: float = 60.0
    fallback_after_s: float = 0.5
    fallback_kph: float = 50.0
    limit_shown: bool = True
    return_nm: float = 0.0
    damping_nm: float = 0.0
    speed: dict[str, Points] = field(default_factory=dict)
    told: frozenset[str] = frozenset()
    figures: dict[str, float] = field(default_factory=dict)
    more: MakeParts = list


def _line(draw: SeededDraws) -> Points:
    start = draw.between(76.0, 98.0)
    return ((start, 100.0), (start + draw.between(14.0, 30.0), 0.0))


def _volt_line(draw: SeededDraws, vehicle: ForeignVehicle) -> Points:
    start = draw.between(9.9, 11.3)
    low = start - draw.between(1.2, 2.4)
    return ((low * vehicle.scale, 0.0), (start * vehicle.scale, 100.0))


def _base(name: str, draw: SeededDraws, vehicle: ForeignVehicle) -> LawChoice:
    return LawChoice(
        name=name, heat=_line(draw), supply=_volt_line(draw, vehicle),
        ramp_s=draw.between(0.4, 1.6), overvoltage_v=draw.between(15.7, 16.4) * vehicle.scale,
        over_pct=draw.between(0.0, 50.0), fallback_pct=draw.between(35.0, 75.0),
        fallback_after_s=draw.between(0.3, 1.0), fallback_kph=draw.between(40.0, 70.0),
    )  # fmt: skip


def _changed(law: LawChoice, draw: SeededDraws, vehicle: ForeignVehicle) -> None:
    del law, draw, vehicle


def _stepped_heat(law: LawChoice, draw: SeededDraws, vehicle: ForeignVehicle) -> None:
    del vehicle
    at = draw.between(76.0, 92.0)
    wide = draw.between(4.0, 8.0)
    first, second = draw.between(65.0, 82.0), draw.between(30.0, 50.0)
    law.heat = (
        (at, 100.0), (at, first), (at + wide, first), (at + wide, second),
        (at + 2.5 * wide, second), (at + 2.5 * wide, 0.0),
    )  # fmt: skip
    law.hysteresis_k = draw.between(2.0, 5.0)
    law.figures |= {"first_step_c": at, "first_step_pct": first}


def _bent_heat(draw: SeededDraws, power: float) -> Points:
    start, wide = draw.between(75.0, 95.0), draw.between(20.0, 32.0)
    shares = [place / 8 for place in range(9)]
    return tuple((start + wide * share, 100.0 * (1.0 - share**power)) for share in shares)


def _convex_heat(law: LawChoice, draw: SeededDraws, vehicle: ForeignVehicle) -> None:
    del vehicle
    law.heat = _bent_heat(draw, draw.between(0.4, 0.65))


def _concave_heat(law: LawChoice, draw: SeededDraws, vehicle: ForeignVehicle) -> None:
    del vehicle
    law.heat = _bent_heat(draw, draw.between(1.8, 3.2))


def _hysteresis_heat(law: LawChoice, draw: SeededDraws, vehicle: ForeignVehicle) -> None:
    del vehicle
    law.hysteresis_k = draw.between(6.0, 13.0)


def _trip_and_cool(law: LawChoice, draw: SeededDraws, vehicle: ForeignVehicle) -> None:
    """Cut to a low level at one temperature, back to full only well below."""
    del vehicle
    trip = draw.between(84.0, 100.0)
    left = draw.between(10.0, 35.0)
    law.heat = ((trip, 100.0), (trip, left))
    law.hysteresis_k = draw.between(7.0, 12.0)


def _winding_duty(law: LawChoice, draw: SeededDraws, vehicle: ForeignVehicle) -> None:
    full_a2 = (vehicle.max_assist_nm * vehicle.amps_per_nm) ** 2
    tau, start = draw.between(18.0, 50.0), draw.between(0.07, 0.11) * full_a2
    zero, floor = start * draw.between(2.2, 3.2), draw.between(20.0, 45.0)
    law.heat = ((draw.between(108.0, 118.0), 100.0), (130.0, 0.0))
    law.told = frozenset({"duty_rule"})
    law.figures |= {"tau_s": tau}
    law.more = lambda: [DutyRule(tau, start, zero, floor)]


def _from_standstill(law: LawChoice, draw: SeededDraws, vehicle: ForeignVehicle) -> None:
    del vehicle
    at_rest, full_kph = draw.between(50.0, 80.0), draw.between(3.5, 9.0)
    points = ((0.0, at_rest), (full_kph, 100.0))
    law.speed["road_speed"] = points
    law.figures |= {"at_rest_pct": at_rest}
    law.more = lambda: [DesignRule(LawCurve(points), "kph")]


def _engine_speed(law: LawChoice, draw: SeededDraws, vehicle: ForeignVehicle) -> None:
    """Spare a weak alternator at idle."""
    if not vehicle.has_engine:
        _from_standstill(law, draw, vehicle)
        return
    idle_pct = draw.between(55.0, 80.0)
    full = vehicle.idle_rpm * draw.between(1.2, 1.5)
    points = ((0.0, 0.0), (0.8 * vehicle.idle_rpm, idle_pct), (full, 100.0))
    law.speed["engine_speed"] = points
    law.more = lambda: [DesignRule(LawCurve(points), "rpm")]


def _slow_start(law: LawChoice, draw: SeededDraws, vehicle: ForeignVehicle) -> None:
    del vehicle
    law.ramp_s = draw.spread(2.0, 60.0)


def _supply_latch(law: LawChoice, draw: SeededDraws, vehicle: ForeignVehicle) -> None:
    trip = draw.between(9.6, 11.0) * vehicle.scale
    held, left = draw.between(0.1, 0.5), draw.between(20.0, 60.0)
    law.supply = ((trip - 2.5 * vehicle.scale, 0.0), (trip - 0.8 * vehicle.scale, 100.0))
    law.told = frozenset({"latches"})
    law.figures |= {"trip_v": trip, "left_pct": left}
    least_rpm = 500.0 if vehicle.has_engine else 0.0
    law.more = lambda: [SupplyLatch(trip, held, left, least_rpm)]


def _slow_back(law: LawChoice, draw: SeededDraws, vehicle: ForeignVehicle) -> None:
    del vehicle
    law.rise_pct_s = draw.between(2.0, 9.0)


def _supply_steps(law: LawChoice, draw: SeededDraws, vehicle: ForeignVehicle) -> None:
    top = draw.between(10.3, 11.3)
    gap = draw.between(0.4, 0.9)
    first, second = draw.between(60.0, 80.0), draw.between(25.0, 45.0)
    rows = (
        (top - 2 * gap, 0.0), (top - 2 * gap, second), (top - gap, second), (top - gap, first),
        (top, first), (top, 100.0),
    )  # fmt: skip
    law.supply = tuple((volts * vehicle.scale, pct) for volts, pct in rows)
    law.hysteresis_v = draw.between(0.2, 0.6) * vehicle.scale


def _rate_limited(law: LawChoice, draw: SeededDraws, vehicle: ForeignVehicle) -> None:
    del vehicle
    law.fall_pct_s = draw.between(12.0, 40.0)
    law.rise_pct_s = draw.between(8.0, 25.0)


def _status_only(law: LawChoice, draw: SeededDraws, vehicle: ForeignVehicle) -> None:
    del draw, vehicle
    law.limit_shown = False


def _return_and_damp(law: LawChoice, draw: SeededDraws, vehicle: ForeignVehicle) -> None:
    del vehicle
    law.return_nm = draw.between(2.5, 5.0)
    law.damping_nm = draw.between(0.3, 0.9)
    law.told = frozenset({"returns_to_center"})


def _supply_wide(law: LawChoice, draw: SeededDraws, vehicle: ForeignVehicle) -> None:
    """Fall gently from a high voltage and come back only well above it."""
    start, wide = draw.between(10.8, 11.5), draw.between(2.5, 3.6)
    rows = [(start - wide * (8 - place) / 8, 100.0 * (place / 8) ** 0.6) for place in range(9)]
    law.supply = tuple((volts * vehicle.scale, pct) for volts, pct in rows)
    law.hysteresis_v = draw.between(0.4, 0.9) * vehicle.scale


def _winding_model(law: LawChoice, draw: SeededDraws, vehicle: ForeignVehicle) -> None:
    """Limit by the winding's temperature; the signal shows the board, which stays cool."""
    start = vehicle.ambient_c + draw.between(32.0, 42.0)
    points = ((start, 100.0), (start + draw.between(15.0, 30.0), draw.between(15.0, 35.0)))
    law.heat = ((draw.between(108.0, 118.0), 100.0), (130.0, 0.0))
    law.told = frozenset({"duty_rule"})
    law.figures |= {"winding_c": start}
    law.more = lambda: [WindingRule(LawCurve(points))]


def _lagging_supply(law: LawChoice, draw: SeededDraws, vehicle: ForeignVehicle) -> None:
    """Look at a slow mean of the supply; the dip has passed when assist falls."""
    del vehicle
    law.supply_filter_s = draw.between(0.15, 0.5)
    law.rise_pct_s = draw.between(15.0, 60.0)


def _end_stop(law: LawChoice, draw: SeededDraws, vehicle: ForeignVehicle) -> None:
    """Spare the linkage where the bar is held against its stop."""
    del vehicle
    after, left = draw.between(0.4, 0.9), draw.between(30.0, 55.0)
    law.fall_pct_s, law.rise_pct_s = draw.between(60.0, 150.0), draw.between(60.0, 150.0)
    law.more = lambda: [EndStopRule(after, left)]


Change = Callable[[LawChoice, SeededDraws, ForeignVehicle], None]
LAWS: dict[str, Change] = {
    "other_lines": _changed,
    "stepped_heat": _stepped_heat,
    "convex_heat": _convex_heat,
    "concave_heat": _concave_heat,
    "hysteresis_heat": _hysteresis_heat,
    "trip_and_cool": _trip_and_cool,
    "winding_duty": _winding_duty,
    "from_standstill": _from_standstill,
    "engine_speed": _engine_speed,
    "slow_start": _slow_start,
    "supply_latch": _supply_latch,
    "slow_back": _slow_back,
    "supply_steps": _supply_steps,
    "rate_limited": _rate_limited,
    "status_only": _status_only,
    "return_and_damp": _return_and_damp,
    "supply_wide": _supply_wide,
    "winding_model": _winding_model,
    "lagging_supply": _lagging_supply,
    "end_stop": _end_stop,
}


def choose_law(name: str, draw: SeededDraws, vehicle: ForeignVehicle) -> LawChoice:
    """Return a law of this name with drawn figures."""
    law = _base(name, draw, vehicle)
    LAWS[name](law, draw, vehicle)
    return law


def module_law(law: LawChoice, vehicle: ForeignVehicle) -> ModuleLaw:
    """Return the law ready to run."""
    parts: list[LawPart] = [
        HeatRule(LawCurve(law.heat), law.hysteresis_k),
        SupplyRule(LawCurve(law.supply), law.hysteresis_v, law.supply_filter_s),
        StartRamp(law.ramp_s),
        LostSpeedRule(law.fallback_pct, law.fallback_after_s),
        OvervoltageRule(law.overvoltage_v, law.over_pct, law.overvoltage_v - 0.5 * vehicle.scale),
        InternalRule(),
        *law.more(),
    ]
    if vehicle.needs_engine:
        parts.append(EngineRule())
    return ModuleLaw(parts, fall_pct_s=law.fall_pct_s, rise_pct_s=law.rise_pct_s)

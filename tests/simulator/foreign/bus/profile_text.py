"""The profile that a workshop would have for the vehicle, as TOML text."""

from __future__ import annotations

from collections.abc import Sequence

from tests.simulator.foreign.bus.database import BusDatabase
from tests.simulator.foreign.draws import SeededDraws
from tests.simulator.foreign.plans import RidePlan

ODDS = ("module_status", "assist_mode")


def _points(points: Sequence[tuple[float, float]], factor: float = 1.0) -> str:
    return "[" + ", ".join(f"[{x * factor:.4g}, {y:.4g}]" for x, y in points) + "]"


def _channels(database: BusDatabase) -> tuple[list[str], list[str]]:
    short, long = ["[channels]"], []
    for message in database.messages:
        for item in message.signals:
            if item.channel in database.hidden:
                continue
            name = f"{message.name}.{item.name}"
            scaling = item.scaling
            top = item.top * scaling.factor + scaling.offset
            invalid = item.channel in {"vehicle_speed", "engine_speed"}
            if not scaling.odd and not invalid:
                short.append(f'{item.channel} = "{name}"')
                continue
            long += [f"[channels.{item.channel}]", f'signal = "{name}"']
            if invalid:
                long.append(f"invalid = [{top:.10g}]")
            if scaling.odd:
                long += [f"scale = {1 / scaling.per_unit:.10g}",
                         f"offset = {-scaling.base / scaling.per_unit:.10g}"]  # fmt: skip
    return short, long


class _Wrong:
    """The module's lines as the workshop has them: true, or each off one way or the other.

    What a meter at the battery tells (charging, cranking, overvoltage) is right all the same.
    """

    def __init__(self, draw: SeededDraws, *, share: float) -> None:
        self.draw, self.share = draw, share
        self.heat, self.volts = self.factor(), self.factor()

    def factor(self) -> float:
        return 1.0 + self.share * self.draw.one_of((-1.0, 1.0))

    def __call__(self, value: float) -> str:
        return f"{value * self.factor():.5g}"


def _limits(plan: RidePlan, wrong: _Wrong) -> list[str]:
    law, vehicle = plan.law, plan.vehicle
    scale = vehicle.scale
    full_v = min(volts for volts, pct in law.supply if pct >= 100.0)
    none_v = max((volts for volts, pct in law.supply if pct <= 0.0), default=full_v - 2 * scale)
    full_c = max(temperature for temperature, pct in law.heat if pct >= 100.0)
    heat, volts = wrong.heat, wrong.volts
    source = {"alternator": 12.0 if vehicle.regulated else 13.2, "dcdc": 12.9, "battery": 13.3}
    charging_v = source[vehicle.source] * scale
    under_v = min(law.figures.get("trip_v", full_v) * volts, 0.98 * charging_v)
    over_v = (15.5 if vehicle.nominal_v < 40 else 14.6) * scale
    lines = [
        "[limits]", f"derate_start_c = {full_c * heat:.5g}",
        f"derate_start_v = {full_v * volts:.5g}", f"derate_zero_v = {none_v * volts:.5g}",
        f"undervoltage_v = {under_v:.5g}", f"cranking_v = {9.6 * scale:.5g}",
        f"charging_v = {charging_v:.5g}", f"overvoltage_v = {over_v:.5g}",
        f"max_circuit_ohm = {wrong(0.03 * scale**2)}",
    ]  # fmt: skip
    if [pct for _, pct in law.heat if pct <= 0.0]:
        zero_c = min(temperature for temperature, pct in law.heat if pct <= 0.0)
        lines.append(f"derate_zero_c = {zero_c * heat:.5g}")
    if vehicle.has_engine:
        lines.append(f"charging_rpm = {wrong(1.25 * vehicle.idle_rpm)}")
    return lines


def _protection(plan: RidePlan, wrong: _Wrong) -> list[str]:
    law = plan.law
    lines = [
        "[protection]", f"temperature = {_points(law.heat, wrong.heat)}",
        f"supply = {_points(law.supply, wrong.volts)}",
    ]  # fmt: skip
    lines += [
        f"{name} = {_points(points, wrong.factor())}" for name, points in sorted(law.speed.items())
    ]
    if law.hysteresis_k:
        lines.append(f"hysteresis_k = {wrong(law.hysteresis_k)}")
    if law.hysteresis_v:
        lines.append(f"hysteresis_v = {wrong(law.hysteresis_v)}")
    lines.append(f"start_ramp_s = {wrong(law.ramp_s)}")
    if "latches" in law.told:
        lines.append('latches = ["supply"]')
    lines += [f"{name} = true" for name in ("duty_rule", "returns_to_center") if name in law.told]
    return lines


def _map(plan: RidePlan, wrong: _Wrong) -> list[str]:
    vehicle = plan.vehicle
    speeds = ", ".join(f"{kph:g}" for kph in vehicle.gain_kph)
    lines = ["[assist_map]", f"speed_kph = [{speeds}]"]
    for mode, row in vehicle.gain.items():
        factor = wrong.factor()
        lines.append(f'"{mode}" = [{", ".join(f"{gain * factor:.4g}" for gain in row)}]')
    return [
        *lines, f"driver_deadband_nm = {vehicle.deadband_nm:.4g}",
        f"max_assist_nm = {wrong(vehicle.max_assist_nm)}",
    ]  # fmt: skip


def profile_text(
    plan: RidePlan, database: BusDatabase, draw: SeededDraws, *, wrong_share: float = 0.0
) -> str:
    """Return the profile; with `wrong_share` each figure of the law is off by that much."""
    wrong = _Wrong(draw, share=wrong_share)
    vehicle = plan.vehicle
    short, long = _channels(database)
    supply = ["[supply]", f'source = "{vehicle.source}"', f'battery = "{vehicle.battery}"']
    if vehicle.regulated:
        supply.append("regulated = true")
    parts = [
        ["profile = 2"], ["[vehicle]", f'name = "Invented {vehicle.kind}"'], short, long,
        _limits(plan, wrong), ["[status]", 'reduced = ["Limited"]',
                               'off = ["Shutdown", "InternalFault"]'],
        _map(plan, wrong), _protection(plan, wrong), supply,
    ]  # fmt: skip
    return "\n\n".join("\n".join(part) for part in parts if part) + "\n"


def without_law(text: str) -> str:
    """Return a profile in version 1, which knows neither the module's law nor the supply."""
    parts = text.replace("profile = 2", "profile = 1").split("\n\n")
    return "\n\n".join(part for part in parts if not part.startswith(("[protection]", "[supply]")))

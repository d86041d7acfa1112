"""What one signal's values in this log say for the channel that it may serve.

Each judge adds points, rules out, or leaves a question. The figures are common practice,
no source, unless one is named: they sort signals and decide no finding.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import TYPE_CHECKING, Final

from canassist.decode.matching.direction import sign_beside
from canassist.decode.matching.value_shape import FEW_SAMPLES
from canassist.model import CHANNEL_UNITS

if TYPE_CHECKING:
    from canassist.decode.matching.contender import Contender

NOMINAL_V: Final = ((12.0, 10.5, 15.5), (24.0, 21.0, 31.0), (48.0, 40.0, 56.0))
"""Nominal supplies, and between which voltages each sits while a vehicle is used."""

SHOWN: Final = "it is the speed that is shown, which reads high: is there no other"
"""Asked unless the wheels confirm it."""

_SPEED_TOP_KPH: Final = 400.0
_SPEED_SLOPE_KPH_S: Final = 60.0  # 1.7 g, more than tyres hold
_MOVING_KPH: Final = 3.0
_RPM_TOP: Final = 13_000.0
_IDLE_RPM: Final = (450.0, 2100.0)
_STARTING_RPM: Final = 300.0
_SENSOR_FEED_V: Final = (4.5, 5.5)
_TRACTION_V: Final = 60.0
_DRIVER_MOST_NM: Final = 30.0
_DRIVER_PLAIN_NM: Final = 15.0  # torsion-bar sensors read to 8 to 12 N·m (from memory)
_ASSIST_MOST_NM: Final = 150.0
_ANGLE_MOST_DEG: Final = 1200.0
_ONE_SIDE_DEG: Final = 30.0
_ONE_SIDE_NM: Final = 3.0
"""More to one side only is no ride: there are turns to both, or at least a rest at the middle."""
_NEVER_RADIANS: Final = 20.0
_CURRENT_MOST_A: Final = 250.0
_KELVIN_FROM: Final = 233.0
_KELVIN_TO: Final = 450.0
_OFFSET_C: Final = -30.0
_FAHRENHEIT_STEP: Final = 1.8
_SHARE_THAT_COUNTS: Final = 0.01
_BOARD: Final = frozenset({"module", "powerstage"})
_STATES_AT_MOST: Final = 16


def judge_alone(channel: str, one: Contender) -> None:
    """Judge one signal for one channel by its own values."""
    if one.shape.samples == 0:
        one.rule_out("never carries a valid value in this log")
    elif CHANNEL_UNITS[channel] == "-":
        _judge_state(one)
        if channel == "assist_mode":
            _ask_whose_mode(one)
    elif one.shape.counter:
        one.rule_out("counts up and wraps: a counter")
    elif one.shape.noise and CHANNEL_UNITS[channel] != "N·m":
        one.rule_out("jumps about like a checksum")
    elif not _unused(one):
        _JUDGES[channel](one)


def _unused(one: Contender) -> bool:
    """Rule out what rests at an end of its range: the raw 0 or all ones of a spare field."""
    signal, shape = one.measured.candidate.signal, one.shape
    if not shape.constant or shape.samples < FEW_SAMPLES or signal.is_float:
        return False
    half = float(2 ** (signal.length - 1))
    ends = (-half, half - 1.0) if signal.signed else (0.0, 2.0 * half - 1.0)
    scale, offset = one.measured.candidate.conversion
    for end in ends:
        inside = (end * signal.scale + signal.offset) * scale + offset
        if inside != 0.0 and abs(shape.low - inside) <= abs(signal.scale * scale):
            one.rule_out(f"stays at {shape.low:g}, an end of its range: unused")
            return True
    return False


def _judge_road_speed(one: Contender) -> None:
    _judge_speed(one)
    if "gps" in one.words:
        one.ask("it comes by satellite and lags: is there no other")
    elif "display" in one.words:
        one.ask(SHOWN)


def _judge_speed(one: Contender) -> None:
    shape = one.shape
    if shape.constant:
        _constant_speed(one)
        return
    if shape.p1 < -_SPEED_TOP_KPH / 10.0 or shape.p99 > _SPEED_TOP_KPH:
        one.add(-3.0, f"reads {shape.low:.4g} to {shape.high:.4g} km/h, which no vehicle does")
    elif shape.p1 < -1.0:
        one.add(-1.0, f"goes below zero ({shape.low:.3g} km/h)")
    if shape.p99 > _MOVING_KPH:
        if shape.at_zero > _SHARE_THAT_COUNTS:
            one.add(1.0, "rests at 0")
        if shape.steepest > _SPEED_SLOPE_KPH_S:
            one.add(-3.0, f"steps by {shape.steepest:.0f} km/h in a second")
        elif shape.different > _STATES_AT_MOST:
            one.add(0.5, f"moves smoothly up to {shape.high:.1f} km/h")


def _constant_speed(one: Contender) -> None:
    if one.shape.low == 0.0:
        one.add(-0.5, "stays at 0 in this log")
    else:
        one.rule_out(f"stays at {one.shape.low:g}: a set value, not a speed")


def _judge_engine(one: Contender) -> None:
    shape = one.shape
    if "motor" in one.words and "speed" in one.words and "engine" not in one.words | one.around:
        one.ask("it names a motor: is that the engine")
    if shape.constant:
        _constant_speed(one)
        return
    if shape.p1 < 0.0 or shape.p99 > _RPM_TOP:
        one.add(-3.0, f"reads {shape.low:.5g} to {shape.high:.5g} rpm, which no engine does")
        return
    low, high = _IDLE_RPM
    idle = shape.p5 if shape.p5 > _STARTING_RPM else shape.median
    if low <= idle <= high:
        one.add(1.5, f"idles at {idle:.0f} rpm")
        one.unit_found = True
    elif 0.0 < idle < low and shape.p95 < low:
        one.add(-2.0, f"runs at {idle:.0f} rpm, below any idle")
    if shape.different <= _STATES_AT_MOST and shape.samples > 10 * _STATES_AT_MOST:
        one.add(-1.5, f"takes only {shape.different} values")
    if not one.unit_known and shape.median > 0.0:
        one.ask("its database gives no unit and it idles as no engine in rpm does")


def _judge_voltage(one: Contender) -> None:
    shape = one.shape
    if not one.unit_known:
        _find_volts(one)
        shape = one.shape
    if _SENSOR_FEED_V[0] <= shape.median <= _SENSOR_FEED_V[1]:
        one.rule_out(f"sits at {shape.median:.2f} V: a sensor's feed")
        return
    if shape.median > _TRACTION_V:
        one.rule_out(f"sits at {shape.median:.0f} V: not a low-voltage supply")
        return
    for nominal, low, high in NOMINAL_V:
        if low <= shape.median <= high:
            one.add(1.5, f"sits at {shape.median:.2f} V, a {nominal:.0f} V supply")
            break
    else:
        one.add(-2.0, f"sits at {shape.median:.2f} V, near no usual supply")
    if shape.constant:
        one.add(-1.0, "never moves, as a live supply does")
    elif shape.p1 >= shape.low > 0.0:
        one.add(0.3, f"moves between {shape.low:.2f} and {shape.high:.2f} V")


def _find_volts(one: Contender) -> None:
    """Find the power of ten that puts a value without unit at a usual supply."""
    for scale in (1.0, 0.1, 0.01, 0.001):
        volts = one.shape.median * scale
        if any(low <= volts <= high for _, low, high in NOMINAL_V):
            one.unit_found = True
            if scale != 1.0:
                one.ask(f"its database gives no unit; read as {1.0 / scale:g} to the volt")
                one.rescale(scale)
            return
    one.ask("its database gives no unit and its values are near no usual supply")


def _judge_temperature(one: Contender, lowest: float, highest: float, fastest: float) -> None:
    _find_celsius(one)
    shape = one.shape
    if shape.p1 < lowest or shape.p99 > highest:
        one.add(-3.0, f"reads {shape.low:.4g} to {shape.high:.4g} °C, not likely there")
        return
    if shape.steepest > fastest and shape.different > 2:  # noqa: PLR2004 - one coarse step is no slope
        one.add(-2.0, f"changes by {shape.steepest:.1f} K in a second")
    else:
        one.add(1.0, f"moves slowly, {shape.low:.4g} to {shape.high:.4g} °C")


def _find_celsius(one: Contender) -> None:
    """Believe °C without a unit where the scale starts well below zero, as such fields do."""
    if one.unit_known:
        return
    signal = one.measured.candidate.signal
    if one.shape.p1 > _KELVIN_FROM and one.shape.p99 < _KELVIN_TO:
        one.rescale(1.0, -273.15)
        one.ask("its database gives no unit; read as kelvin")
    elif (signal.signed or signal.offset <= _OFFSET_C) and signal.scale != _FAHRENHEIT_STEP:
        one.unit_found = True
    else:
        one.ask("its database gives no unit: °C or °F")


def _judge_module_temperature(one: Contender) -> None:
    if not one.words.isdisjoint({"winding", "motor"}) and one.words.isdisjoint(_BOARD):
        one.ask("it is the motor's temperature: is that what the module reduces assist by")
    _judge_temperature(one, lowest=-45.0, highest=170.0, fastest=15.0)


def _judge_ambient(one: Contender) -> None:
    _judge_temperature(one, lowest=-45.0, highest=65.0, fastest=8.0)


def _judge_coolant(one: Contender) -> None:
    if (one.words | one.comment).isdisjoint({"coolant", "engine"}):
        one.ask("its name does not say that it is the engine's coolant")
    _judge_temperature(one, lowest=-45.0, highest=140.0, fastest=12.0)


def _judge_limit(one: Contender) -> None:
    shape = one.shape
    if not one.unit_known and not shape.constant and shape.low >= 0.0 and shape.high <= 1.0:
        one.rescale(100.0)
        one.unit_found = True
        shape = one.shape
        one.add(0.0, "reads 0 to 1, taken as a share of full assist")
    if shape.low < -5.0 or shape.high > 105.0:  # noqa: PLR2004 - a little beyond 0 to 100 %
        one.add(-3.0, f"reads {shape.low:.4g} to {shape.high:.4g}, not a share of full assist")
        one.ask("it does not read 0 to 100")
        return
    if not one.unit_known and not 99.0 <= shape.high <= 100.5:  # noqa: PLR2004 - its top is 100 %
        one.ask("its database gives no unit: is 100 full assist")


def _judge_torque(one: Contender, most: float, plain: float) -> None:
    shape = one.shape
    if not one.unit_known:
        if shape.reach > plain:
            one.ask(f"it has no unit and reads up to {shape.reach:.4g}: how many N·m is one count")
            one.add(-1.0, f"reads up to {shape.reach:.4g} of no unit")
        else:
            one.ask("its database gives no unit: is it N·m")
    elif shape.reach > most:
        one.add(-3.0, f"reads up to {shape.reach:.4g} N·m, more than there is")
        return
    if shape.constant:
        one.add(-1.0, f"stays at {shape.low:g} in this log")
        return
    if shape.p1 < 0.0 < shape.p99 or abs(shape.median) <= max(0.15 * shape.spread, 0.5):
        one.add(1.0, f"is centred, {shape.low:.3g} to {shape.high:.3g}")
    else:
        one.add(-1.0, f"is not centred: median {shape.median:.3g}")


_WHOSE: Final = "its name does not say whether it is the driver's torque or the assist"


def _judge_driver(one: Contender) -> None:
    _judge_torque(one, _DRIVER_MOST_NM, _DRIVER_PLAIN_NM)
    _ask_where_sign_is(one, _ONE_SIDE_NM)
    if not one.shape.constant and one.unit_known and one.shape.reach > _DRIVER_PLAIN_NM:
        one.add(-1.0, f"up to {one.shape.reach:.3g} N·m is much for hands")
        if one.words.isdisjoint({"driver", "column", "handwheel"}):
            one.ask(_WHOSE, by_name=True)


def _judge_assist(one: Contender) -> None:
    _judge_torque(one, _ASSIST_MOST_NM, _DRIVER_PLAIN_NM)
    said = one.words | one.around | one.comment
    if "assist" in one.words or "delivered" in one.words or "assist" in one.comment:
        return
    if "motor" in one.words:
        one.ask("it names the motor: is it at the motor's shaft or at the steering's input shaft")
    elif "assist" not in said or "steering" in one.words:
        one.ask(_WHOSE, by_name=True)


def _judge_current(one: Contender) -> None:
    shape = one.shape
    if not one.unit_known:
        one.ask("its database gives no unit: is it amperes")
    elif shape.reach > _CURRENT_MOST_A:
        one.add(-3.0, f"reads up to {shape.reach:.4g} A, more than steering draws")
    if shape.constant:
        one.add(-0.5, f"stays at {shape.low:g} in this log")
    else:
        one.add(0.3, f"moves between {shape.low:.3g} and {shape.high:.3g} A")


def _judge_system_current(one: Contender) -> None:
    shape = one.shape
    if not one.unit_known:
        one.ask("its database gives no unit: is it amperes")
    if shape.constant:
        one.add(-0.5, f"stays at {shape.low:g} in this log")
    else:
        one.add(0.5, f"moves between {shape.low:.3g} and {shape.high:.3g} A")


def _judge_angle(one: Contender) -> None:
    shape = one.shape
    if shape.reach > _ANGLE_MOST_DEG:
        one.add(-3.0, f"reads up to {shape.reach:.4g}, more than a steering turns")
        if not one.unit_known:
            one.ask("its database gives no unit: how many degrees is one count")
        return
    _ask_where_sign_is(one, _ONE_SIDE_DEG)
    if not one.unit_known:
        scaled = one.measured.candidate.signal.scale != 1
        if not (scaled and shape.reach > _NEVER_RADIANS):
            one.ask("its database gives no unit: is it degrees")
        else:
            one.unit_found = True
    if shape.constant:
        one.add(-0.5, f"stays at {shape.low:g} in this log")
        if shape.low == 0.0:
            one.ask("it stays at 0 in this log: is it in use")
    elif shape.steepest > 2.0 * _ANGLE_MOST_DEG:
        one.add(-2.0, "steps faster than hands turn")
    else:
        one.add(0.5, f"moves smoothly, {shape.low:.4g} to {shape.high:.4g}")


def _ask_where_sign_is(one: Contender, most_to_one_side: float) -> None:
    """Ask about what turns far to one side only: most likely an amount with its sign beside it."""
    signal = one.measured.candidate.signal
    if one.measured.sign_signal:
        return
    if one.shape.constant or not (signal.never_negative or one.shape.p1 >= 0.0):
        return
    if not signal.never_negative and one.shape.spread < most_to_one_side:
        return
    beside = sign_beside(one.measured.candidate.message, signal)
    where = f": is its sign in {beside}" if beside else ": where is its sign"
    one.add(-1.5, "never goes below zero")
    one.ask(f"it never goes below zero, so it tells no direction{where}")


def _judge_state(one: Contender) -> None:
    shape = one.shape
    if shape.counter or shape.different > _STATES_AT_MOST:
        one.rule_out(f"takes {shape.different} values: no state")
    elif shape.samples >= FEW_SAMPLES and shape.repeats < 0.8:  # noqa: PLR2004 - a state holds for a while
        one.add(-2.0, "changes at every turn, as a state does not")
    else:
        one.add(0.5, f"holds its state ({shape.different} in this log)")


def _ask_whose_mode(one: Contender) -> None:
    """Ask where no word tells the rider's selection from the module's own state."""
    if "assist" not in one.words and "driver" not in one.words and not one.has_labels:
        one.ask("nothing says whether it is the rider's selection or the module's own mode")


_JUDGES: Final[Mapping[str, Callable[[Contender], None]]] = MappingProxyType(
    {
        "vehicle_speed": _judge_road_speed,
        "engine_speed": _judge_engine,
        "supply_voltage": _judge_voltage,
        "system_voltage": _judge_voltage,
        "module_temperature": _judge_module_temperature,
        "assist_limit": _judge_limit,
        "assist_torque": _judge_assist,
        "motor_current": _judge_current,
        "module_current": _judge_current,
        "driver_torque": _judge_driver,
        "steering_angle": _judge_angle,
        "system_current": _judge_system_current,
        "ambient_temperature": _judge_ambient,
        "coolant_temperature": _judge_coolant,
        "wheel_speed_fl": _judge_speed,
        "wheel_speed_fr": _judge_speed,
        "wheel_speed_rl": _judge_speed,
        "wheel_speed_rr": _judge_speed,
    }
)

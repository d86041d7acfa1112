"""An invented ride, and what an invented database's messages look like on it.

The ride: start, stand, slow turns, a fast stretch, slow turns until the module is hot, stop.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from canassist.decode import Databases, load_databases
from canassist.model import FrameSource, MessageFrames
from tests.decode.hand_frames import stats_of

if TYPE_CHECKING:
    from collections.abc import Mapping

    from canassist.decode import MessageLayout, SignalLayout
    from canassist.model import BusStats, FloatArray

VEHICLES = Path(__file__).parent / "vehicles"
STEP_S = 0.01
LENGTH_S = 150.0


@dataclass(frozen=True, kw_only=True)
class Sheet:
    """What an invented database's signals carry, and which of them are right."""

    name: str
    truth: Mapping[str, str]
    open: frozenset[str]
    period_s: Mapping[str, float]
    carries: Mapping[str, str]


def sheet(name: str) -> Sheet:
    """Read the answers that lie beside an invented database."""
    table = tomllib.loads((VEHICLES / f"{name}.toml").read_text("utf-8"))
    return Sheet(
        name=name,
        truth=table["truth"],
        open=frozenset(table["open"]["channels"]),
        period_s=table["period_s"],
        carries=table["carries"],
    )


def vehicle_names() -> list[str]:
    """Return the names of all invented databases."""
    return sorted(path.stem for path in VEHICLES.glob("*.dbc"))


def database(name: str) -> Databases:
    """Load an invented database as a user's."""
    return load_databases([VEHICLES / f"{name}.dbc"])


def frames_of(
    name: str, truth: Mapping[str, FloatArray] | None = None
) -> tuple[dict[FrameSource, MessageFrames], BusStats]:
    """Return the ride as that vehicle's bus carries it."""
    carried, answers = truth or ride(), sheet(name)
    frames = {}
    for message in database(name).messages:
        source = FrameSource(0, message.key)
        frames[source] = _message(message, source, answers, carried)
    return frames, stats_of(frames, ("can0",))


def _message(
    message: MessageLayout, source: FrameSource, answers: Sheet, carried: Mapping[str, FloatArray]
) -> MessageFrames:
    period = answers.period_s[message.name]
    start = 0.0007 * (message.key % 13)
    time_s = np.arange(start, LENGTH_S - period, period)
    rows = np.minimum((time_s / STEP_S).astype(np.int64), len(carried["time"]) - 1)
    bits = np.zeros((len(time_s), message.length * 8), dtype=np.uint8)
    for signal in message.signals:
        value = formula(answers.carries[signal.full_name], carried)[rows]
        put_bits(bits, signal, value)
    payload = np.packbits(bits, axis=1)
    if payload.shape[1] < 8:
        payload = np.pad(payload, ((0, 0), (0, 8 - payload.shape[1])))
    return MessageFrames(
        source=source,
        time_s=time_s,
        payload=payload,
        length=np.full(len(time_s), message.length, dtype=np.uint8),
    )


def put_bits(bits: np.ndarray, signal: SignalLayout, value: FloatArray) -> None:
    """Write one signal's raw bits, from the highest to the lowest."""
    low = -(2 ** (signal.length - 1)) if signal.signed else 0
    high = low + 2**signal.length - 1
    raw = np.rint((value - signal.offset) / signal.scale)
    if signal.minimum is None or signal.maximum is None or signal.maximum <= signal.minimum:
        raw = np.clip(raw, low, high)
    elif not low <= (signal.maximum - signal.offset) / signal.scale <= high:
        raw = np.where(raw > high, raw - 2**signal.length, raw)  # its sign is declared falsely
    raw = np.clip(raw, low, high).astype(np.int64)
    place = signal.start // 8 * 8 + 7 - signal.start % 8
    for shift in range(signal.length - 1, -1, -1):
        if signal.big_endian:
            column, place = place, place + 1
        else:
            bit = signal.start + shift
            column = bit // 8 * 8 + 7 - bit % 8
        bits[:, column] = (raw >> shift) & 1


def formula(text: str, carried: Mapping[str, FloatArray]) -> FloatArray:
    """Work out ``"-name*2+3"``: one quantity, a sign, one factor, one offset."""
    sign, text = (-1.0, text[1:]) if text.startswith("-") else (1.0, text)
    if text.startswith("100-"):
        return 100.0 - carried[text[4:]]
    text, _, offset = text.partition("+")
    text, _, divisor = text.partition("/")
    name, _, factor = text.partition("*")
    scale = sign * float(factor or 1.0) / float(divisor or 1.0)
    return carried[name] * scale + float(offset or 0.0)


def smooth(noise: FloatArray, seconds: float) -> FloatArray:
    """Return noise with everything faster than `seconds` taken out, one standard deviation high."""
    width = max(1, int(seconds / STEP_S))
    kernel = np.hanning(2 * width + 1)
    smooth = np.convolve(noise, kernel, mode="same")
    return np.asarray(smooth / smooth.std())


def _lag(value: FloatArray, seconds: float) -> FloatArray:
    """Return a first-order lag of `value`."""
    out = np.empty_like(value)
    state, share = value[0], STEP_S / seconds
    for row, wanted in enumerate(value):
        state += share * (wanted - state)
        out[row] = state
    return out


@cache
def ride(seed: int = 1, *, standing: bool = False) -> Mapping[str, FloatArray]:
    """Return every true and every stray quantity of the ride on a 10 ms grid."""
    dice = np.random.default_rng(seed)
    t = np.arange(0.0, LENGTH_S, STEP_S)
    n = len(t)
    knots = [0, 12, 16, 35, 45, 70, 80, 110, 120, 140, 150]
    speeds = [0, 0, 9, 11, 46, 52, 7, 9, 30, 0, 0]
    speed = _lag(np.interp(t, knots, speeds), 0.8) * (0.0 if standing else 1.0)
    speed = np.where(speed < 0.2, 0.0, speed + 0.05 * smooth(dice.normal(size=n), 0.3))
    speed = np.maximum(speed, 0.0)
    engine = _engine(t, speed, dice)
    slow = np.clip(1.0 - speed / 40.0, 0.25, 1.0)
    driver = 2.6 * slow * smooth(dice.normal(size=n), 0.6) + 0.12
    out: dict[str, FloatArray] = {"time": t, "vehicle_speed": speed, "engine_speed": engine}
    _steering(out, t, driver, speed, dice)
    _supply(out, t, engine, dice)
    _strays(out, t, dice)
    return out


def _engine(t: FloatArray, speed: FloatArray, dice: np.random.Generator) -> FloatArray:
    running = np.interp(t, [2.0, 2.3, 3.2, 3.6], [0.0, 210.0, 230.0, 1150.0])
    ride = 1150.0 + speed * 72.0 + 25.0 * smooth(dice.normal(size=len(t)), 0.2)
    return np.where(t < 3.6, running, np.where(speed < 0.5, 1150.0 + (ride - 1150.0) * 0.3, ride))


def _steering(
    out: dict[str, FloatArray],
    t: FloatArray,
    driver: FloatArray,
    speed: FloatArray,
    dice: np.random.Generator,
) -> None:
    gain = np.interp(speed, [0, 10, 20, 40, 60], [4.0, 3.6, 3.0, 2.0, 1.3])
    wanted = np.sign(driver) * gain * np.maximum(np.abs(driver) - 0.5, 0.0)
    wanted = np.clip(wanted, -40.0, 40.0) * (out["engine_speed"] > 500.0)
    temperature = 38.0 + 62.0 * np.clip(t / 115.0, 0.0, 1.0) ** 1.3
    limit = np.clip((115.0 - temperature) / 30.0 * 100.0, 0.0, 100.0)
    limit[t > 135.0] = 100.0
    assist = _lag(wanted * limit / 100.0, 0.03)
    angle = 30.0 * smooth(dice.normal(size=len(t)), 1.5) * np.clip(3.0 - speed / 20.0, 0.3, 3.0)
    angle = 0.7 * angle + 25.0 * _lag(driver, 0.5)
    motor = 1.8 * assist + 0.15 * smooth(dice.normal(size=len(t)), 0.02)
    out |= {
        "driver_torque": driver,
        "assist_torque": assist,
        "assist_request": wanted,
        "assist_limit": limit,
        "module_temperature": temperature,
        "winding_temperature": temperature + 14.0 * np.clip(t / 60.0, 0.0, 1.0),
        "steering_angle": angle,
        "angle_rate": np.gradient(angle, t),
        "motor_current": motor,
        "abs_motor_current": np.abs(motor),
        "module_current": 0.7 + 0.45 * np.abs(motor),
        "module_status": np.where(t < 1.5, 0.0, np.where(limit < 95.0, 2.0, 1.0)),
        "assist_mode": np.where(t < 60.0, 1.0, np.where(t < 100.0, 2.0, 0.0)),
    }
    turn = angle / 6000.0 * np.sign(speed)
    for wheel, side in (("fl", 1.0), ("fr", -1.0), ("rl", 0.8), ("rr", -0.8)):
        out[f"wheel_speed_{wheel}"] = np.maximum(speed * (1.0 + side * turn), 0.0)


def _supply(
    out: dict[str, FloatArray], t: FloatArray, engine: FloatArray, dice: np.random.Generator
) -> None:
    module = out["module_current"]
    cranking = (t > 2.0) & (t < 3.3)
    running = engine > 800.0
    discharge = np.where(running, 0.35 * module - 6.0 * np.exp(-t / 60.0), module + 4.0)
    discharge = discharge + np.where(cranking, 160.0, 0.0)
    rest = 12.55 - 0.013 * discharge
    system = _lag(np.where(running, 14.15 - 0.006 * module, rest), 0.1)
    system = system + 0.015 * smooth(dice.normal(size=len(t)), 0.05)
    supply = system - 0.03 - 0.018 * module
    out |= {
        "system_current": _lag(
            np.where(running, discharge + 8.0 * (14.05 - system), discharge), 0.1
        ),
        "system_voltage": system,
        "supply_voltage": supply,
        "system24": 2.0 * system,
        "supply24": 2.0 * system - 0.05 - 0.018 * module,
        "ecm_voltage": system - 0.05,
        "trailer_voltage": 12.15 + 0.05 * smooth(dice.normal(size=len(t)), 4.0),
        "trailer24": 24.4 + 0.05 * smooth(dice.normal(size=len(t)), 4.0),
        "aux_voltage": 12.7 + 0.02 * smooth(dice.normal(size=len(t)), 4.0),
        "motor_voltage": np.abs(out["motor_current"]) * 0.25,
        "five_volt": 5.0 + 0.004 * smooth(dice.normal(size=len(t)), 0.1),
        "charge_target": np.where(t < 60.0, 14.2, 14.4),
    }


def _strays(out: dict[str, FloatArray], t: FloatArray, dice: np.random.Generator) -> None:
    engine, speed = out["engine_speed"], out["vehicle_speed"]
    n = len(t)
    out |= {
        "zero": np.zeros(n),
        "constant90": np.full(n, 90.0),
        "constant12": np.full(n, 12.0),
        "set_speed": np.where(t < 50.0, 0.0, np.where(t < 65.0, 50.0, 45.0)),
        "lead_speed": np.maximum(30.0 + 9.0 * smooth(dice.normal(size=n), 5.0), 0.0),
        "idle_target": np.where(t < 40.0, 1200.0, 1150.0),
        "engine_torque": 10.0 + 0.03 * engine + 15.0 * smooth(dice.normal(size=n), 0.8),
        "gearbox_speed": speed * 34.0,
        "lane_torque": 0.4 * smooth(dice.normal(size=n), 1.0),
        "solenoid": 0.6 + 0.2 * smooth(dice.normal(size=n), 1.0),
        "lateral": 0.8 * smooth(dice.normal(size=n), 1.5),
        "coolant_temperature": 41.0 + 48.0 * np.clip(t / 140.0, 0.0, 1.0),
        "oil_temperature": 40.0 + 55.0 * np.clip(t / 150.0, 0.0, 1.0),
        "ambient_temperature": 22.0 + 0.6 * smooth(dice.normal(size=n), 20.0),
        "cabin_temperature": 25.0 + 0.4 * smooth(dice.normal(size=n), 20.0),
        "counter4": np.arange(n, dtype=np.float64) // 2 % 16,
        "checksum": np.floor(dice.uniform(0.0, 256.0, size=n)),
    }

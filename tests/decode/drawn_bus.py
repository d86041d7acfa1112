"""Buses drawn over layouts read at run time: true quantities where answers say so, else decoys.

Nothing of a database stands here: what a signal carries follows from the answers beside it,
from its unit and from plain words in its name.
"""

from __future__ import annotations

import csv
import re
import zlib
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.model import CHANNEL_UNITS, FrameSource, MessageFrames
from canassist.units import conversion
from tests.decode.hand_frames import stats_of
from tests.decode.invented_ride import LENGTH_S, STEP_S, put_bits, ride, smooth

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from canassist.decode import Databases, MessageLayout, SignalLayout
    from canassist.model import BusStats, FloatArray

PERIODS_S: Final = (0.01, 0.02, 0.02, 0.05, 0.1)

RAW_COUNTS: Final = {"driver_torque": 300.0, "assist_torque": 60.0}
"""Counts to the newton metre where a torque has no unit."""


@dataclass(frozen=True, kw_only=True)
class Answer:
    """What may serve a channel of one database."""

    acceptable: frozenset[str] = frozenset()
    optional: bool = False


@dataclass(frozen=True, kw_only=True)
class DrawnBus:
    """Frames, their statistics, and what each signal carries in the channel's unit."""

    frames: Mapping[FrameSource, MessageFrames]
    stats: BusStats
    carried: Mapping[str, str] = field(default_factory=dict)


def read_answers(path: Path) -> dict[str, dict[str, Answer]]:
    """Return database -> channel -> answer."""
    found: dict[str, dict[str, Answer]] = {}
    with path.open(encoding="utf-8") as source:
        for row in csv.DictReader(source, delimiter="\t"):
            text = row["acceptable"]
            optional = text.startswith("~")
            names = frozenset() if text == "-" else frozenset(text.lstrip("~").split("|"))
            found.setdefault(row["database"], {})[row["channel"]] = Answer(
                acceptable=names, optional=optional
            )
    return found


def draw_bus(
    databases: Databases,
    answers: Mapping[str, Answer],
    *,
    seed: int = 1,
    without: frozenset[str] = frozenset(),
    changed: Mapping[str, tuple[float, float]] | None = None,
    others: int = 0,
    bus: int = 0,
) -> DrawnBus:
    """Draw the frames of one ride.

    Parameters
    ----------
    without : frozenset of str
        Messages that are not sent.
    changed : mapping of channel to (scale, offset)
        The channel's true signals carry ``value * scale + offset``: a unit that lies, or a sign.
    others : int
        Further messages that the database does not know, so many.
    """
    truth = ride(seed)
    carriers = {name: channel for channel, one in answers.items() for name in one.acceptable}
    draw = _Draw(carriers=carriers, truth=truth, changed=changed or {}, seed=seed)
    frames: dict[FrameSource, MessageFrames] = {}
    dice = np.random.default_rng(seed)
    for message in databases.messages:
        if message.name in without or message.length == 0:
            continue
        source = FrameSource(bus, message.key)
        frames[source] = _message(message, source, draw)
    free = [key for key in range(0x80, 0x700) if FrameSource(bus, key) not in frames]
    for key in sorted(dice.choice(free, size=others, replace=False).tolist()):
        frames[FrameSource(bus, key)] = _stranger(FrameSource(bus, key), dice)
    return DrawnBus(frames=frames, stats=stats_of(frames, ("can0", "can1")), carried=carriers)


def _stranger(source: FrameSource, dice: np.random.Generator) -> MessageFrames:
    """Frames that nothing is known of: counters, slow bytes, zeros."""
    time_s = np.arange(0.003, LENGTH_S, float(dice.choice([0.02, 0.1, 0.5])))
    payload = np.zeros((len(time_s), 8), dtype=np.uint8)
    payload[:, 0] = np.arange(len(time_s)) % 16
    for column in range(1, 7):
        walk = np.cumsum(dice.normal(size=len(time_s))) * float(dice.choice([0.0, 0.3, 3.0]))
        payload[:, column] = (128 + walk).astype(np.int64) % 256
    payload[:, 7] = dice.integers(0, 256, size=len(time_s))
    return MessageFrames(
        source=source,
        time_s=time_s,
        payload=payload,
        length=np.full(len(time_s), 8, dtype=np.uint8),
    )


@dataclass(frozen=True, kw_only=True)
class _Draw:
    """What all messages of one ride are drawn from."""

    carriers: Mapping[str, str]
    truth: Mapping[str, FloatArray]
    changed: Mapping[str, tuple[float, float]]
    seed: int


def _message(message: MessageLayout, source: FrameSource, draw: _Draw) -> MessageFrames:
    seed, truth, carriers = draw.seed, draw.truth, draw.carriers
    luck = zlib.crc32(f"{message.name}{seed}".encode())
    period = PERIODS_S[luck % len(PERIODS_S)]
    time_s = np.arange(0.0007 * (luck % 13), LENGTH_S - period, period)
    rows = np.minimum((time_s / STEP_S).astype(np.int64), len(truth["time"]) - 1)
    bits = np.zeros((len(time_s), message.length * 8), dtype=np.uint8)
    selectors = {one.selector for one in message.signals if one.selector}
    # The true ones are written last: they win where layouts overlap.
    for signal in sorted(message.signals, key=lambda one: one.full_name in carriers):
        if signal.name in selectors:
            raw = _selector(message, signal.name, len(time_s))
            put_bits(bits, signal, raw * signal.scale + signal.offset)
            continue
        channel = carriers.get(signal.full_name)
        value = (
            _true(signal, channel, truth, draw.changed.get(channel, (1.0, 0.0)))
            if channel
            else decoy(signal, truth, seed)
        )
        put_bits(bits, signal, value[rows])
    payload = np.packbits(bits, axis=1)
    width = 8 if payload.shape[1] <= 8 else 64
    return MessageFrames(
        source=source,
        time_s=time_s,
        payload=np.pad(payload, ((0, 0), (0, width - payload.shape[1]))),
        length=np.full(len(time_s), message.length, dtype=np.uint8),
    )


def _selector(message: MessageLayout, name: str, count: int) -> FloatArray:
    values = sorted(
        {v for one in message.signals if one.selector == name for v in one.selector_values}
    )
    return np.array(values, dtype=np.float64)[np.arange(count) % len(values)]


def _true(
    signal: SignalLayout,
    channel: str,
    truth: Mapping[str, FloatArray],
    changed: tuple[float, float],
) -> FloatArray:
    """Return a channel's quantity in the signal's unit, or in counts where it has none."""
    value = truth[_quantity(channel)] * changed[0] + changed[1]
    rule = conversion(signal.unit, CHANNEL_UNITS[channel])
    if rule is not None:
        return (value - rule.offset) / rule.scale
    if channel.startswith("wheel") and conversion(signal.unit, "rpm") is not None:
        turns = conversion(signal.unit, "rpm")
        assert turns is not None
        return value * 8.3 / turns.scale  # a wheel of 2 m around
    value = value * RAW_COUNTS.get(channel, 1.0)
    _, high = _extent(signal)
    most = float(np.abs(value).max())
    return value if most <= high else value * (0.6 * high / most)


def _quantity(channel: str) -> str:
    return "supply_voltage" if channel == "supply_voltage" else channel


def _extent(signal: SignalLayout) -> tuple[float, float]:
    low = -(2.0 ** (signal.length - 1)) if signal.signed else 0.0
    ends = (
        low * signal.scale + signal.offset,
        (low + 2.0**signal.length - 1) * signal.scale + signal.offset,
    )
    return min(ends), max(ends)


_SHAPES: Final = (
    (r"crc|check ?sum|chk|cks", "checksum"),
    (r"count|cnt|alive|zaehler|msgcnt|bz$", "counter4"),
    (r"set|target|tgt|soll|wunsch|cmd|desired|req", "set"),
    (r"temp|_t$|deg ?c", "oil_temperature"),
    (r"rpm|drehzahl|n_", "turbine"),
    (r"speed|spd|geschw|vel|km/?h|mph", "lead_speed"),
    (r"torque|trq|moment|nm", "engine_torque"),
    (r"volt|spannung", "sensor"),
    (r"angle|winkel|yaw|accel|acc", "lateral"),
)


def decoy(signal: SignalLayout, truth: Mapping[str, FloatArray], seed: int) -> FloatArray:
    """Return what a signal of no interest carries, by plain words in its name and its unit."""
    luck = zlib.crc32(f"{signal.full_name}{seed}".encode())
    dice = np.random.default_rng(luck)
    low, high = _extent(signal)
    if signal.declared_range is not None:
        low, high = max(low, signal.declared_range[0]), min(high, signal.declared_range[1])
    t = truth["time"]
    text = f"{signal.name} {signal.unit}".casefold()
    kind = next((kind for pattern, kind in _SHAPES if re.search(pattern, text)), "")
    if kind == "checksum":
        return np.floor(dice.uniform(low, high + 1, size=len(t)))
    if kind == "counter4":
        return low + np.arange(len(t), dtype=np.float64) // 2 % (high - low + 1)
    if signal.length <= 4:
        return np.where((t // 17 + luck) % 5 == 0, min(1.0, high), 0.0)
    wanted = {
        "set": truth["set_speed"],
        "oil_temperature": truth["oil_temperature"],
        "turbine": truth["gearbox_speed"],
        "lead_speed": truth["lead_speed"],
        "engine_torque": truth["engine_torque"],
        "sensor": truth["five_volt"] * 0.5,
        "lateral": truth["lateral"],
    }.get(kind)
    if wanted is not None and luck % 4:
        rule = conversion(signal.unit, "km/h") if kind in {"set", "lead_speed"} else None
        return np.clip(wanted / (rule.scale if rule else 1.0), low, high)
    return _spare(luck % 3, low, high, dice, len(t))


def _spare(form: int, low: float, high: float, dice: np.random.Generator, count: int) -> FloatArray:
    """Return a field at rest at zero, at rest elsewhere, or one that drifts."""
    if form == 0:
        return np.full(count, np.clip(0.0, low, high))
    if form == 1:
        return np.full(count, low + 0.3 * (high - low))
    middle = low + dice.uniform(0.1, 0.6) * (high - low)
    return np.clip(middle + 0.05 * (high - low) * smooth(dice.normal(size=count), 2.0), low, high)

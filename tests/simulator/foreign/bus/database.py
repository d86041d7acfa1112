"""The invented database: layouts, the DBC text, and packing values into frames."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tests.simulator.foreign.bus.styles import (
    CHANNELS,
    MESSAGE_NAMES,
    NAMES,
    NO_SENDER,
    UNIT_NAMES,
    BusStyle,
    Scaling,
)
from tests.simulator.foreign.draws import SeededDraws
from tests.simulator.foreign.vehicle.riding import FloatArray

STATUS_TEXTS = ("Boot", "Ready", "Starting", "Limited", "Shutdown", "InternalFault")
WORDS = {
    "module": ("Steer", "eps", "PS", "Steer", "Lenkung"),
    "chassis": ("Chassis", "chas", "CHS", "Chassis", "Fahrwerk"),
    "engine": ("Engine", "eng", "ENG", "Engine", "Motor"),
    "power": ("Power", "pwr", "PWR", "Power", "Bordnetz"),
    "panel": ("Panel", "dash", "PNL", "Panel", "Anzeige"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class BusSignal:
    """Where one channel's signal lies: `place` counts bits from the first bit of the payload."""

    channel: str
    name: str
    place: int
    scaling: Scaling

    @property
    def top(self) -> int:
        """Return the raw value that means "no value": all ones (unsigned), lowest (signed)."""
        bits = self.scaling.bits
        return -(1 << (bits - 1)) if self.scaling.signed else (1 << bits) - 1


@dataclass(frozen=True, slots=True, kw_only=True)
class BusMessage:
    """One message of the database."""

    name: str
    frame_id: int
    extended: bool
    unit: str
    sender: str
    period_s: float
    motorola: bool
    signals: tuple[BusSignal, ...]
    counter_place: int | None

    @property
    def size(self) -> int:
        """Return the payload's bytes."""
        ends = [item.place + item.scaling.bits for item in self.signals]
        if self.counter_place is not None:
            ends.append(self.counter_place + 4)
        return -(-max(ends) // 8)


@dataclass(frozen=True, slots=True, kw_only=True)
class BusDatabase:
    """All messages that the database knows; `hidden` ones travel but are not in its text."""

    messages: tuple[BusMessage, ...]
    modes: tuple[str, ...]
    naming: str
    hidden: frozenset[str] = frozenset()
    unit_texts: dict[str, str] | None = None

    def signal(self, channel: str) -> tuple[BusMessage, BusSignal] | None:
        """Return where a channel is carried, or None."""
        if channel in self.hidden:
            return None
        for message in self.messages:
            for item in message.signals:
                if item.channel == channel:
                    return message, item
        return None


def _sender(style: BusStyle, unit: str, place: int) -> str:
    if style.senders == "none":
        return NO_SENDER
    if style.senders == "one":
        return "Gateway"
    return UNIT_NAMES[unit][place % 2 if style.senders == "split" else 0]


def _message(style: BusStyle, place: int, channels: list[str], draw: SeededDraws) -> BusMessage:
    unit = style.grouping[place][0]
    frame_id = style.first_id + place * (0x1100 if style.extended else 0x23)
    names = dict(zip(CHANNELS, NAMES[style.naming], strict=True))
    word = WORDS[unit][list(MESSAGE_NAMES).index(style.naming) % 5]
    signals, at = [], 0
    for channel in channels:
        scaling = style.scaling[channel]
        signals.append(BusSignal(channel=channel, name=names[channel], place=at, scaling=scaling))
        at += scaling.bits
    counter = at if style.counters and at <= 60 else None
    return BusMessage(
        name=MESSAGE_NAMES[style.naming].format(word, place + 1, frame_id & 0xFFF),
        frame_id=frame_id, extended=style.extended, unit=unit, sender=_sender(style, unit, place),
        period_s=style.periods[place], motorola=draw.rng.random() < style.motorola_share,
        signals=tuple(signals), counter_place=counter,
    )  # fmt: skip


def build_database(
    style: BusStyle, modes: tuple[str, ...], absent: frozenset[str], draw: SeededDraws
) -> BusDatabase:
    """Return the database of this style without the `absent` channels."""
    messages = []
    for place, (_, channels, _) in enumerate(style.grouping):
        present = [channel for channel in channels if channel not in absent]
        while sum(style.scaling[channel].bits for channel in present) > 64:
            present.pop()
        if present:
            messages.append(_message(style, place, present, draw))
    return BusDatabase(messages=tuple(messages), modes=modes, naming=style.naming)


def pack(
    message: BusMessage, values: dict[str, FloatArray], counter: NDArray[np.uint64]
) -> NDArray[np.uint8]:
    """Return the payloads, shape (n, size), of channel values; NaN is sent as "no value"."""
    total = np.zeros(counter.size, dtype=np.uint64)
    width = message.size * 8
    for item in message.signals:
        total |= _shifted(_raw(item, values[item.channel]), item.place, item.scaling.bits,
                          width, motorola=message.motorola)  # fmt: skip
    if message.counter_place is not None:
        total |= _shifted(counter & np.uint64(15), message.counter_place, 4, width,
                          motorola=message.motorola)  # fmt: skip
    order = ">u8" if message.motorola else "<u8"
    data = total.astype(order).view(np.uint8).reshape(-1, 8)
    return data[:, 8 - message.size :] if message.motorola else data[:, : message.size]


def _raw(item: BusSignal, channel_values: FloatArray) -> NDArray[np.uint64]:
    scaling = item.scaling
    written = channel_values * scaling.per_unit + scaling.base
    steps = np.rint((written - scaling.offset) / scaling.factor)
    least = -(2 ** (scaling.bits - 1)) + 1 if scaling.signed else 0
    most = 2 ** (scaling.bits - 1) - 1 if scaling.signed else 2**scaling.bits - 2
    steps = np.where(np.isnan(steps), item.top, np.clip(steps, least, most))
    return steps.astype(np.int64).view(np.uint64) & np.uint64((1 << scaling.bits) - 1)


def _shifted(
    raw: NDArray[np.uint64], place: int, bits: int, width: int, *, motorola: bool
) -> NDArray[np.uint64]:
    return raw << np.uint64(width - place - bits if motorola else place)


def _start_bit(place: int, *, motorola: bool) -> int:
    return (place // 8) * 8 + 7 - place % 8 if motorola else place


def _signal_line(message: BusMessage, item: BusSignal, unit: str) -> str:
    scaling = item.scaling
    start = _start_bit(item.place, motorola=message.motorola)
    order = "0" if message.motorola else "1"
    sign = "-" if scaling.signed else "+"
    half = 2 ** (scaling.bits - 1)
    least = (-half if scaling.signed else 0) * scaling.factor + scaling.offset
    most = (half - 1 if scaling.signed else 2 * half - 1) * scaling.factor + scaling.offset
    return (
        f" SG_ {item.name} : {start}|{scaling.bits}@{order}{sign}"
        f' ({scaling.factor:g},{scaling.offset:g}) [{least:g}|{most:g}] "{unit}" {NO_SENDER}'
    )


def _message_lines(database: BusDatabase, message: BusMessage) -> list[str]:
    shown = [item for item in message.signals if item.channel not in database.hidden]
    if not shown:
        return []
    number = message.frame_id | (0x8000_0000 if message.extended else 0)
    lines = [f"BO_ {number} {message.name}: {message.size} {message.sender}"]
    for item in shown:
        unit = (database.unit_texts or {}).get(item.channel, item.scaling.unit)
        lines.append(_signal_line(message, item, unit))
    if message.counter_place is not None:
        start = _start_bit(message.counter_place, motorola=message.motorola)
        order = "0" if message.motorola else "1"
        lines.append(f' SG_ {message.name}_Cnt : {start}|4@{order}+ (1,0) [0|15] "" {NO_SENDER}')
    return [*lines, ""]


def _value_lines(database: BusDatabase) -> list[str]:
    tables = {"module_status": STATUS_TEXTS, "assist_mode": database.modes}
    lines = []
    for channel, texts in tables.items():
        found = database.signal(channel)
        if found is None:
            continue
        message, item = found
        number = message.frame_id | (0x8000_0000 if message.extended else 0)
        rows = " ".join(f'{place} "{text}"' for place, text in enumerate(texts))
        lines.append(f"VAL_ {number} {item.name} {rows} ;")
    return lines


def dbc_text(database: BusDatabase) -> str:
    """Return the database as DBC text."""
    nodes = sorted({item.sender for item in database.messages} - {NO_SENDER})
    lines = ['VERSION ""', "", "NS_ :", "", "BS_:", "", " ".join(["BU_:", *nodes]), ""]
    for message in database.messages:
        lines += _message_lines(database, message)
    return "\n".join([*lines, *_value_lines(database), ""])


def without_senders(database: BusDatabase) -> BusDatabase:
    """Return the same database with no sender named."""
    messages = tuple(replace(item, sender=NO_SENDER) for item in database.messages)
    return replace(database, messages=messages)

"""Databases whose unit, scale or sign is false for one signal, and what a channel then says."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from canassist.model import CHANNEL_UNITS

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping

    from canassist.decode import Databases, SignalLayout
    from canassist.model import Channel, FloatArray


class Lie(NamedTuple):
    """A figure of ``value * scale + offset`` where the truth is ``value``."""

    name: str
    scale: float
    offset: float = 0.0


UNIT_LIES: Final[Mapping[str, tuple[Lie, ...]]] = {
    "km/h": (
        Lie("miles an hour", 1.0 / 1.609344),
        Lie("wheel revolutions", 8.3),
        Lie("metres a second", 1.0 / 3.6),
        Lie("tenths", 10.0),
    ),
    "V": (
        Lie("millivolts", 1000.0),
        Lie("volts for millivolts", 0.001),
        Lie("tenths", 10.0),
        Lie("twice", 2.0),
        Lie("half", 0.5),
    ),
    "degC": (
        Lie("Fahrenheit", 1.8, 32.0),
        Lie("kelvin", 1.0, 273.15),
        Lie("an offset forgotten", 1.0, 40.0),
    ),
    "rpm": (
        Lie("a second", 1.0 / 60.0),
        Lie("radians a second", 1.0 / 9.5493),
        Lie("half", 0.5),
        Lie("twice", 2.0),
    ),
    "A": (Lie("milliamperes", 1000.0), Lie("tenths", 10.0)),
    "deg": (Lie("radians", 1.0 / 57.2958),),
    "N·m": (Lie("hundredths", 100.0), Lie("pound-feet", 1.0 / 1.3558)),
    "%": (Lie("a share", 0.01),),
}
TURNED: Final = Lie("turned round", -1.0)
SIGNED: Final = frozenset({"driver_torque", "assist_torque", "motor_current", "steering_angle"})


def lies_of(channel: str) -> tuple[Lie, ...]:
    """Return every lie that a channel may be told with."""
    units = UNIT_LIES.get(CHANNEL_UNITS[channel], ())
    return (*units, TURNED) if channel in SIGNED else units


def lied(databases: Databases, signals: Collection[str], lie: Lie) -> Databases:
    """Return databases in which these signals are read falsely; their bounds go along."""
    messages = tuple(
        replace(
            message,
            comment="" if lie is TURNED else message.comment,
            signals=tuple(
                _false(one, lie) if one.full_name in signals else one for one in message.signals
            ),
        )
        for message in databases.messages
    )
    return replace(databases, messages=messages)


def _false(signal: SignalLayout, lie: Lie) -> SignalLayout:
    low, high = signal.minimum, signal.maximum
    if low is not None and high is not None:
        low, high = sorted((low * lie.scale + lie.offset, high * lie.scale + lie.offset))
    return replace(
        signal,
        scale=signal.scale * lie.scale,
        offset=signal.offset * lie.scale + lie.offset,
        minimum=low,
        maximum=high,
        comment="" if lie is TURNED else signal.comment,
    )


def is_silent(channel: Channel, lie: Lie, truth: Mapping[str, FloatArray]) -> bool:
    """Tell whether a channel is wrong and neither asked about, held out nor listed unchecked."""
    if channel.doubt or channel.held_out or not channel.unit_known:
        return False
    expected = np.interp(channel.time_s, truth["time"], truth[channel.name])
    if lie is TURNED:
        if not channel.sign_known or "sign" in channel.not_checked:
            return False
        return bool(np.corrcoef(expected, np.nan_to_num(channel.value))[0, 1] < 0.0)
    if "unit" in channel.not_checked:
        return False
    return not reads_true(np.abs(channel.value), np.abs(expected))


def reads_true(value: FloatArray, expected: FloatArray) -> bool:
    """Tell whether a channel reads the truth: by its difference, and by its ratio where large."""
    apart = np.nanmedian(np.abs(value - expected))
    large = expected >= np.percentile(expected, 80)
    ratio = np.nanmedian(value[large] / np.maximum(expected[large], 1e-9))
    return bool(apart <= 0.05 * np.ptp(expected) + 0.5 and abs(ratio - 1.0) <= _RATIO)


_RATIO: Final = 0.15

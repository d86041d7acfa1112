"""When a standard may read an identifier: no database claims it, and its values behave."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.decode.matching.value_shape import common_grid, likeness, on_grid, shape_of
from canassist.decode.signals.extract import decode_signal
from canassist.decode.signals.validity import check_values

if TYPE_CHECKING:
    from canassist.decode.database.layouts import Databases, MessageLayout
    from canassist.decode.standards.standard_quantities import StandardQuantity
    from canassist.model import BusStats, FrameSource, MessageFrames

_MOST_SIGNALS: Final = 60
_ALIKE: Final = 0.02
_STILL_SAMPLES: Final = 100
"""An engine or a rolling vehicle whose figure repeats as often is none."""
_NEVER_STILL: Final = frozenset({"engine_speed", "vehicle_speed"})
_FEW: Final = 16
_ABOUT_A_LEVEL: Final = 0.3
"""What jumps within this share of its median stays at a level: a charging voltage asked for every
few seconds looks like white noise, random bytes lie all over their range."""


def readable(
    found: Iterable[StandardQuantity],
    frames: Mapping[FrameSource, MessageFrames],
    databases: Databases,
    stats: BusStats,
) -> tuple[StandardQuantity, ...]:
    """Return the quantities that stand beside the given databases.

    An identifier that a database defines is the database's: a standard reads it only where
    both agree on the values. What jumps about, counts or never moves is another message
    under a standard's number.
    """
    return tuple(
        one
        for one in found
        if _behaves(one) and _unclaimed(one, frames[one.source], databases, stats)
    )


def _behaves(one: StandardQuantity) -> bool:
    if one.good < _FEW:
        return True
    shape = shape_of(one.time_s, one.value)
    about_a_level = shape.spread <= _ABOUT_A_LEVEL * abs(shape.median)
    if shape.counter or (shape.noise and not about_a_level):
        return False
    still = shape.constant and shape.samples >= _STILL_SAMPLES and shape.low != 0.0
    return not (still and one.channel in _NEVER_STILL)


def _unclaimed(
    one: StandardQuantity, frames: MessageFrames, databases: Databases, stats: BusStats
) -> bool:
    message = databases.message_for(one.source.key, stats.buses[one.source.bus])
    return message is None or _agrees(one, frames, message)


def _agrees(one: StandardQuantity, frames: MessageFrames, message: MessageLayout) -> bool:
    """Tell whether a signal of the database reads the same all the time."""
    for signal in message.signals[:_MOST_SIGNALS]:
        samples = decode_signal(frames, message, signal)
        value = check_values(samples, message, signal).value
        grid = common_grid(one.time_s, samples.time_s)
        like = likeness(on_grid(grid, one.time_s, one.value), on_grid(grid, samples.time_s, value))
        size = float(np.nanmedian(np.abs(one.value))) if one.good else 0.0
        if like.points and like.typical_gap <= _ALIKE * max(size, 1.0):
            return True
    return False

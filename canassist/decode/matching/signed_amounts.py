"""Amounts whose direction is in a signal beside them: put together where the values bear it out.

A direction changes only while the amount is small, and both directions see large amounts.
Thresholds are common practice, no source.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from canassist.decode.matching.direction import SIGNED, is_named_direction, side_of

if TYPE_CHECKING:
    from collections.abc import Callable

    from canassist.decode.database.layouts import MessageLayout, SignalLayout
    from canassist.model import FloatArray

_BITS: Final = 2
_SMALL: Final = 0.2
"""Share of the largest amounts below which a direction may change."""
_MOSTLY: Final = 0.9
_TURNS: Final = 4
_LARGE: Final = 0.3
_EACH_SIDE: Final = 0.05
_MOST: Final = 8
"""Short signals of one message that are tried."""


class Direction(NamedTuple):
    """The signal that holds a sign, the sign of each sample, and whether right is known."""

    name: str
    sign: FloatArray
    side_known: bool


def direction_of(
    channel: str,
    message: MessageLayout,
    signal: SignalLayout,
    amount: FloatArray,
    read: Callable[[SignalLayout], FloatArray],
) -> Direction | None:
    """Find the direction of a signal that never goes below zero.

    Parameters
    ----------
    channel : str
        Only what steers has one.
    amount : array of float64, shape (n,)
        Its values; NaN where there is none.
    read : callable
        Raw values of another signal of the same message, shape (n,) or another length.

    Returns
    -------
    Direction or None
        None where the signal has a sign of its own, or nothing beside it behaves as one.
    """
    if channel not in SIGNED or not signal.never_negative or not len(amount):
        return None
    if np.nanmin(amount, initial=0.0) < 0.0:
        return None
    beside = [one for one in message.signals if one.length <= _BITS and one is not signal]
    beside.sort(key=lambda one: -is_named_direction(one, signal))
    fits = [
        (one, raw)
        for one in beside[:_MOST]
        if len(raw := read(one)) == len(amount) and _is_direction(amount, raw)
    ]
    named = [pair for pair in fits if is_named_direction(pair[0], signal)]
    if not named and len(fits) != 1:
        return None
    one, raw = (named or fits)[0]
    return Direction(one.full_name, *_signs(one, raw, amount))


def _is_direction(amount: FloatArray, raw: FloatArray) -> bool:
    known = ~(np.isnan(amount) | np.isnan(raw))
    size, side = amount[known], raw[known]
    if len(size) < _TURNS:
        return False
    most = float(np.percentile(size, 98))
    large = side[size > _LARGE * most]
    used, counts = np.unique(large, return_counts=True)
    if most <= 0.0 or len(used) != 2 or counts.min() < _EACH_SIDE * counts.sum():  # noqa: PLR2004 - left and right
        return False
    turns = np.flatnonzero(np.diff(side) != 0)
    if len(turns) < _TURNS:
        return False
    at_turn = np.minimum(size[turns], size[turns + 1])
    return bool(np.mean(at_turn <= _SMALL * most) >= _MOSTLY)


def _signs(one: SignalLayout, raw: FloatArray, amount: FloatArray) -> tuple[FloatArray, bool]:
    """Return +1 and -1 for the two directions; by words right is +1, else the lower number."""
    known = ~np.isnan(amount)
    large = amount > _LARGE * float(np.percentile(amount[known], 98))
    low, high = (float(number) for number in np.unique(raw[known & large & ~np.isnan(raw)]))
    sides = {number: side_of(one.labels.get(int(number), "")) for number in (low, high)}
    minus = high
    if sides[low] != sides[high] and "" not in sides.values():
        minus = next(number for number, side in sides.items() if side == "left")
    sign = np.where(raw == minus, -1.0, 1.0)
    return sign, "" not in sides.values() and sides[low] != sides[high]

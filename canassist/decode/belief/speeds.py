"""Speeds held against speeds: a unit that lies shows as one ratio all the time."""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np

from canassist.decode.belief.suspicion import (
    WHEELS,
    Likely,
    Suspects,
    Suspicion,
    side_by_side,
)
from canassist.decode.matching.value_shape import correlation
from canassist.model import BoolArray, FloatArray

_MOVING_KPH: Final = 3.0
_ROLLED_KPH: Final = 5.0
_SAME: Final = 0.12
"""Rolling radius, slip and a speedometer's lead stay within."""
_FOLLOWS: Final = 0.97
_STILL: Final = 0.02
_MOVES: Final = 0.5
_LEAST_POINTS: Final = 20

_UNITS: Final = (
    ("km/h", 1.0),
    ("miles an hour", 1.609344),
    ("metres a second", 3.6),
)
"""What databases take for each other, with the km/h in one."""
_TURNS: Final = (5.5, 14.0)
"""Wheel revolutions a minute to the km/h: wheels of 1.2 to 3 m around."""


class _Ratio(NamedTuple):
    """How one speed reads beside another: `value` of it, and whether it follows at all."""

    value: float
    follows: bool


def judge_speeds(suspects: Suspects) -> None:
    """Let road speed and wheels confirm each other, or find the unit that lies."""
    road, wheels = suspects.get("vehicle_speed"), _moving_wheels(suspects)
    _hold_dead_wheels(suspects, wheels)
    _judge_wheels(wheels)
    wheels = [one for one in wheels if one.usable]
    if road is None or not road.usable or not wheels:
        return
    ratios = [_ratio(road, one) for one in wheels]
    known = [one.value for one in ratios if one.follows]
    if not known:
        return
    ratio = float(np.median(known))
    if abs(ratio - 1.0) <= _SAME:
        for one in (road, *wheels):
            one.checked.add("unit")
        return
    _hold_pair(road, wheels, ratio)


def _hold_dead_wheels(suspects: Suspects, moving: list[Suspicion]) -> None:
    """Hold a wheel out that stays at 0 while two others move for long: it is no witness."""
    rolled = [one for one in moving if one.shape.median > _ROLLED_KPH]
    if len(rolled) < 2:  # noqa: PLR2004 - one alone may spin
        return
    for name in WHEELS:
        one = suspects.get(name)
        if one is not None and one.shape.samples and one.shape.constant and one.shape.low == 0.0:
            one.hold("stays at 0 while the other wheels move: unused, or a fault")


def _moving_wheels(suspects: Suspects) -> list[Suspicion]:
    return [
        one
        for name in WHEELS
        if (one := suspects.get(name)) is not None and one.usable and one.shape.p99 > _MOVING_KPH
    ]


def _judge_wheels(wheels: list[Suspicion]) -> None:
    """Three wheels or more that agree show a fourth whose unit is another."""
    if len(wheels) < 3:  # noqa: PLR2004 - two that differ accuse each other
        return
    for one in wheels:
        ratios = [_ratio(other, one) for other in wheels if other is not one]
        known = [ratio.value for ratio in ratios if ratio.follows]
        if len(known) >= 2 and all(abs(ratio - 1.0) > _SAME for ratio in known):  # noqa: PLR2004 - two witnesses
            _hold(one, 1.0 / float(np.median(known)), "the other wheels")


def _ratio(first: Suspicion, second: Suspicion) -> _Ratio:
    """Return what the second reads over the first, while both move."""
    _, a, b = side_by_side(first.channel, second.channel)
    moving = (a > _MOVING_KPH * 0.2) & (b > _MOVING_KPH * 0.2)
    if np.count_nonzero(moving) < _LEAST_POINTS:
        return _Ratio(float("nan"), False)
    fast: BoolArray = moving & (a >= np.percentile(a[moving], 25))
    return _Ratio(float(np.median(b[fast] / a[fast])), bool(_follows(a, b, fast)))


def _follows(a: FloatArray, b: FloatArray, fast: BoolArray) -> bool:
    spread = np.percentile(b[fast] / a[fast], [10, 90])
    steady = spread[1] - spread[0] <= _SAME * abs(np.median(b[fast] / a[fast]))
    stands = np.ptp(a[fast]) <= _STILL * np.median(a[fast])  # one that stands follows nothing
    moves = np.percentile(b, 98) >= (1.0 + _MOVES) * np.percentile(b, 20)
    return bool((steady and not (stands and moves)) or correlation(a, b) >= _FOLLOWS)


def _hold_pair(road: Suspicion, wheels: list[Suspicion], ratio: float) -> None:
    """Of road speed and wheels one lies: the one that a usual mistake mends, else nobody knows."""
    road_lies = _usual_lie(road, ratio)
    wheels_lie = any(_usual_lie(one, 1.0 / ratio) for one in wheels)
    if not road.told and (road_lies is not None or not wheels_lie):
        _hold(road, ratio, "the wheels")
    if wheels_lie or road_lies is None:
        for one in wheels:
            _hold(one, 1.0 / ratio, "the road speed")


def _hold(one: Suspicion, factor: float, whom: str) -> None:
    """Hold a speed out that needs `factor` to agree with another."""
    if not one.told:
        one.hold(f"reads {1.0 / factor:.3g} of {whom} all the time", _usual_lie(one, factor))


def _usual_lie(one: Suspicion, factor: float) -> Likely | None:
    """Return the usual mistake about a unit that `factor` mends, seeing what the database says."""
    lies = [
        Likely(words, true / one.labelled)
        for words, true in _UNITS
        if abs(true / one.labelled - 1.0) > _SAME
    ]
    found = next((lie for lie in lies if abs(lie.scale / factor - 1.0) <= _SAME / 2.0), None)
    if found is None and _TURNS[0] <= one.labelled / factor <= _TURNS[1]:
        return Likely("wheel revolutions a minute", round(factor, 4))
    return found

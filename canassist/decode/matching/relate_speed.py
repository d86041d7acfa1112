"""Speeds held against speeds: units that nobody wrote down, and signals that do not move.

Thresholds are common practice, no source: they sort signals and decide no finding.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.decode.matching.reference_signals import (
    LIKELY,
    Field,
    Track,
    compare,
    runs,
    track_of,
)
from canassist.decode.matching.value_shape import common_grid, likeness, on_grid

if TYPE_CHECKING:
    from canassist.decode.matching.contender import Contender

WHEELS: Final = ("wheel_speed_fl", "wheel_speed_fr", "wheel_speed_rl", "wheel_speed_rr")

_MOVING_KPH: Final = 3.0
_SAME: Final = 0.06
_NEAR: Final = 0.16
_FOLLOWS: Final = 0.97
_SPEED_UNITS: Final = ((1.609344, "miles per hour"), (3.6, "metres per second"))


def relate_speeds(field: Field, anchors: Mapping[str, Track]) -> None:
    """Hold road speeds against a settled one, the wheels or each other."""
    wheels = _wheel_track(field, anchors)
    contenders = [one for one in field.get("vehicle_speed", ()) if runs(one)]
    reference = anchors.get("vehicle_speed") or wheels or _known_speed(contenders)
    if reference is None:
        for one in contenders:
            _ask_unit(one)
        return
    for one in contenders:
        if one.name == reference.name:
            continue
        _relate_speed(one, reference)


def _known_speed(contenders: Sequence[Contender]) -> Track | None:
    """Return the likeliest moving speed whose unit is certain."""
    known = [
        one
        for one in contenders
        if one.unit_known and one.shape.p99 > _MOVING_KPH and one.total >= LIKELY
    ]
    if not known:
        return None
    best = max(known, key=lambda one: one.total)
    return track_of(best)


def _wheel_track(field: Field, anchors: Mapping[str, Track]) -> Track | None:
    """Return the median of the wheels' speeds, where at least two are certain."""
    tracks = []
    for wheel in WHEELS:
        if wheel in anchors:
            tracks.append(anchors[wheel])
            continue
        likely = [
            one
            for one in field.get(wheel, ())
            if runs(one) and one.measured.candidate.unit_known and one.total >= LIKELY
        ]
        if likely:
            best = max(likely, key=lambda one: one.total)
            tracks.append(track_of(best))
    if len(tracks) < 2:  # noqa: PLR2004 - one wheel alone may be wrong
        return None
    grid = common_grid(*(track.time_s for track in tracks))
    if not len(grid):
        return None
    rows = np.vstack([on_grid(grid, track.time_s, track.value) for track in tracks])
    whole = ~np.isnan(rows).any(axis=0)
    return Track("the wheels' speed", grid[whole], np.median(rows[:, whole], axis=0))


def _relate_speed(one: Contender, reference: Track) -> None:
    known, own = compare(reference, one)
    if not len(known) or np.nanmax(known, initial=0.0) < _MOVING_KPH:
        _ask_unit(one)
        return
    if one.shape.constant:
        one.add(-2.0, f"stays at {one.shape.low:g} while {reference.name} moves")
        one.ask(f"it stays at {one.shape.low:g} while {reference.name} moves: unused, or a fault")
        return
    like = likeness(known, own)
    if not like.correlation >= _FOLLOWS:
        one.add(-2.5, f"does not move with {reference.name}")
        one.ask(f"it does not move with {reference.name}: which is right")
        return
    if abs(like.ratio - 1.0) <= _SAME:
        one.add(1.5, f"equals {reference.name}")
        one.unit_found = True
        return
    for factor, unit in _SPEED_UNITS:
        if abs(like.ratio * factor - 1.0) <= _SAME:
            _take_speed_unit(one, factor, unit, reference.name)
            return
    if abs(like.ratio - 1.0) <= _NEAR:
        one.add(0.3, f"reads {like.ratio:.2f} of {reference.name}")
        one.unit_found = True
    else:
        one.add(-1.5, f"reads {like.ratio:.2f} of {reference.name}")
        one.ask(f"it reads {like.ratio:.2f} of {reference.name}: what is its scale")


def _take_speed_unit(one: Contender, factor: float, unit: str, other: str) -> None:
    if one.measured.candidate.unit_known:
        one.add(-1.0, f"reads as if in {unit}, against its unit")
        one.ask(f"it reads as if in {unit}, judged by {other}, but its database says otherwise")
        return
    one.rescale(factor)
    one.unit_found = True
    one.add(1.5, f"equals {other} when read in {unit}")


def _ask_unit(one: Contender) -> None:
    if not one.unit_known:
        one.ask("its database gives no unit: km/h or mph")

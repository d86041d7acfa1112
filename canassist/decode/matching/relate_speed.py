"""Speeds held against speeds: units that nobody wrote down, and signals that do not move.

Thresholds are common practice, no source: they sort signals and decide no finding.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.decode.matching.behaviour import SHOWN
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
_TRUE: Final = 0.025
"""A speed that is shown reads more than this too high (common practice, no source)."""
_NEAR: Final = 0.16
_FOLLOWS: Final = 0.97
_STANDS_KPH: Final = 0.5
_IDLES_RPM: Final = 300.0
_STEADY: Final = 0.15
_LEAST_POINTS: Final = 20
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
        if one.question == SHOWN and abs(like.ratio - 1.0) <= _TRUE:
            one.question = ""
        return
    _settle_scale(one, like.ratio, reference)


def _settle_scale(one: Contender, ratio: float, reference: Track) -> None:
    """Find the unit that makes a speed equal to another, or ask."""
    for factor, unit in _SPEED_UNITS:
        if abs(ratio * factor - 1.0) <= _SAME:
            _take_speed_unit(one, factor, unit, reference.name)
            return
    if abs(ratio - 1.0) <= _NEAR:
        one.add(0.3, f"reads {ratio:.2f} of {reference.name}")
        one.unit_found = True
    else:
        one.add(-1.5, f"reads {ratio:.2f} of {reference.name}")
        one.ask(f"it reads {ratio:.2f} of {reference.name}: what is its scale")


def _take_speed_unit(one: Contender, factor: float, unit: str, other: str) -> None:
    if one.measured.candidate.unit_known:
        one.add(-1.0, f"reads as if in {unit}, against its unit")
        one.ask(f"it reads as if in {unit}, judged by {other}, but its database says otherwise")
        return
    one.rescale(factor)
    one.unit_found = True
    one.add(1.5, f"equals {other} when read in {unit}")


def relate_wheels(field: Field, anchors: Mapping[str, Track]) -> None:
    """Find the unit of wheels that have none by a road speed that has one."""
    road = anchors.get("vehicle_speed") or _known_speed(
        [one for one in field.get("vehicle_speed", ()) if runs(one)]
    )
    for wheel in WHEELS:
        for one in field.get(wheel, ()):
            if not runs(one) or one.unit_known:
                continue
            if "revs" in one.around | one.words:
                one.rule_out("counts revolutions, not km/h")
            elif road is not None:
                _relate_wheel(one, road)


def _relate_wheel(one: Contender, road: Track) -> None:
    known, own = compare(road, one)
    if one.shape.constant or not len(known) or np.nanmax(known, initial=0.0) < _MOVING_KPH:
        return
    like = likeness(known, own)
    if not like.correlation >= _FOLLOWS:
        one.ask(f"it has no unit and does not move with {road.name}")
        return
    for factor, unit in ((1.0, "km/h"), *_SPEED_UNITS):
        if abs(like.ratio * factor - 1.0) <= _SAME:
            if factor != 1.0:
                one.rescale(factor)
            one.unit_found = True
            one.add(1.0, f"follows {road.name} when read in {unit}")
            return
    one.ask(f"it has no unit and reads {like.ratio:.3g} of {road.name}: what is its scale")


def relate_engine(ones: Sequence[Contender], road: Track | None) -> None:
    """Tell an engine, which idles while the vehicle stands, from what turns with the wheels."""
    for one in ones:
        if not runs(one) or one.shape.constant:
            continue
        idles = _at_standstill(one, road) if road is not None else None
        if idles is False:
            one.rule_out("turns with the wheels and stands with them: a shaft or a drive motor")
        elif idles:
            one.add(0.5, "turns while the vehicle stands")
        elif "engine" not in one.words | one.around | one.comment:
            one.ask("nothing shows that it is the engine's: it was never seen to idle at a stop")


def _at_standstill(one: Contender, road: Track | None) -> bool | None:
    """Return whether it turns at a stop; False where it turns with the wheels; None if unseen."""
    assert road is not None  # noqa: S101 - the caller has checked
    speed, own = compare(road, one)
    both = ~(np.isnan(speed) | np.isnan(own))
    speed, own = speed[both], own[both]
    stands, rolls = speed < _STANDS_KPH, speed > _MOVING_KPH
    if np.count_nonzero(stands) < _LEAST_POINTS:
        return None
    if np.median(own[stands]) > _IDLES_RPM:
        return True
    if np.count_nonzero(rolls) < _LEAST_POINTS:
        return None
    ratio = own[rolls] / speed[rolls]
    steady = np.ptp(np.percentile(ratio, [10, 90])) < _STEADY * abs(np.median(ratio))
    return False if steady and np.median(own[rolls]) > _IDLES_RPM else None


def _ask_unit(one: Contender) -> None:
    if not one.unit_known:
        one.ask("its database gives no unit: km/h or mph")

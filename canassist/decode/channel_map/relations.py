"""What signals say of each other in this log: speeds of speeds, assist of driver torque.

Thresholds are common practice, no source: they sort signals and decide no finding.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from canassist.decode.channel_map.shape import common_grid, likeness, on_grid

if TYPE_CHECKING:
    from canassist.decode.channel_map.contender import Contender
    from canassist.model import FloatArray

Field = Mapping[str, Sequence["Contender"]]

WHEELS: Final = ("wheel_speed_fl", "wheel_speed_fr", "wheel_speed_rl", "wheel_speed_rr")
LIKELY: Final = 5.0
"""Points from which a contender may speak about another."""

_MOVING_KPH: Final = 3.0
_SAME: Final = 0.06
_NEAR: Final = 0.16
_FOLLOWS: Final = 0.97
_SPEED_UNITS: Final = ((1.609344, "miles per hour"), (3.6, "metres per second"))
_WORKING: Final = 0.3
_LEAST_WORKING: Final = 20
_TORQUE_MOVES_NM: Final = 0.5
_AGREES: Final = 0.5
_IGNORES: Final = 0.15
_LOADED_DIP_V: Final = 0.05


class Track(NamedTuple):
    """A signal that others are compared with."""

    name: str
    time_s: FloatArray
    value: FloatArray
    sign_known: bool = False


def relate(field: Field, anchors: Mapping[str, Track]) -> None:
    """Let the contenders of all channels speak about each other.

    Parameters
    ----------
    field : mapping of str to sequence of Contender
        Judged alone already; points, questions and scales are changed in place.
    anchors : mapping of str to Track
        Channels that the profile or a standard has settled, and slow standard values.
    """
    _relate_speeds(field, anchors)
    _relate_to_anchor("engine_speed", field, anchors)
    _relate_to_anchor("coolant_temperature", field, anchors)
    _relate_to_anchor("system_voltage", field, anchors)
    _ask_nameless_torques(field.get("driver_torque", ()))
    driver = _leader("driver_torque", field, anchors)
    if driver is not None:
        for one in (*field.get("assist_torque", ()), *field.get("motor_current", ())):
            _relate_assist(one, driver)
        for one in field.get("module_current", ()):
            _relate_draw(one, driver)
    effort = _effort(field, anchors)
    for one in field.get("assist_limit", ()):
        relate_limit(one, effort)
    _relate_supplies(field, anchors, effort)
    _relate_battery_current(field, anchors)


def _in(one: Contender) -> bool:
    return not one.out and one.shape.samples > 0


def _leader(channel: str, field: Field, anchors: Mapping[str, Track]) -> Track | None:
    """Return what a channel most likely is, if anything is likely enough."""
    if channel in anchors:
        return anchors[channel]
    likely = [one for one in field.get(channel, ()) if _in(one) and one.total >= LIKELY]
    if not likely:
        return None
    best = max(likely, key=lambda one: one.total)
    return Track(best.name, best.time_s, best.value, best.sign_known)


def _compare(track: Track, one: Contender) -> tuple[FloatArray, FloatArray]:
    grid = common_grid(track.time_s, one.time_s)
    return on_grid(grid, track.time_s, track.value), on_grid(grid, one.time_s, one.value)


def _relate_speeds(field: Field, anchors: Mapping[str, Track]) -> None:
    wheels = _wheel_track(field, anchors)
    contenders = [one for one in field.get("vehicle_speed", ()) if _in(one)]
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
    return Track(best.name, best.time_s, best.value)


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
            if _in(one) and one.measured.candidate.unit_known and one.total >= LIKELY
        ]
        if likely:
            best = max(likely, key=lambda one: one.total)
            tracks.append(Track(best.name, best.time_s, best.value))
    if len(tracks) < 2:  # noqa: PLR2004 - one wheel alone may be wrong
        return None
    grid = common_grid(*(track.time_s for track in tracks))
    if not len(grid):
        return None
    rows = np.vstack([on_grid(grid, track.time_s, track.value) for track in tracks])
    whole = ~np.isnan(rows).any(axis=0)
    return Track("the wheels' speed", grid[whole], np.median(rows[:, whole], axis=0))


def _relate_speed(one: Contender, reference: Track) -> None:
    known, own = _compare(reference, one)
    if not len(known) or np.nanmax(known, initial=0.0) < _MOVING_KPH:
        _ask_unit(one)
        return
    if one.shape.constant:
        one.rule_out(f"stays at {one.shape.low:g} while {reference.name} moves")
        return
    like = likeness(known, own)
    if not like.correlation >= _FOLLOWS:
        one.add(-2.5, f"does not move with {reference.name}")
        _ask_unit(one)
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


def _relate_to_anchor(channel: str, field: Field, anchors: Mapping[str, Track]) -> None:
    """Reward what follows a slow standard value of the same quantity."""
    anchor = anchors.get(channel)
    if anchor is None:
        return
    for one in field.get(channel, ()):
        if not _in(one):
            continue
        known, own = _compare(anchor, one)
        like = likeness(known, own)
        if like.points and like.typical_gap <= max(0.04 * abs(np.nanmedian(known)), 1e-6):
            one.add(1.5, f"follows {anchor.name}")
            one.unit_found = True
        elif like.points:
            one.add(-1.5, f"differs from {anchor.name}")


def _ask_nameless_torques(ones: Sequence[Contender]) -> None:
    """Two steering torques whose names do not say whose they are cannot be told apart."""
    nameless = [
        one
        for one in ones
        if _in(one) and not one.shape.constant and one.words.isdisjoint(_WHOSE_TORQUE)
    ]
    if len({one.name for one in nameless}) > 1:
        for one in nameless:
            one.ask("another torque is named like it, and nothing says which is the driver's")


_WHOSE_TORQUE: Final = frozenset({"driver", "column", "handwheel", "assist", "motor", "delivered"})


def _relate_assist(one: Contender, driver: Track) -> None:
    """Assist follows the driver; one that counts the other way round is turned."""
    if not _in(one) or one.name == driver.name:
        return
    known, own = _compare(driver, one)
    if not _moves(known) or one.shape.constant:
        return
    signed = likeness(known, own).correlation
    amount = likeness(np.abs(known), np.abs(own)).correlation
    if one.shape.p1 >= 0.0 and np.nanpercentile(known, 2) < -_TORQUE_MOVES_NM:
        _amount_only(one, amount)
    elif signed <= -_AGREES:
        _turn_assist(one, driver)
    elif signed >= _AGREES:
        one.add(1.5, f"follows driver torque ({signed:.2f})")
        one.sign_known = one.sign_known or driver.sign_known
    elif abs(signed) < _IGNORES and amount < _AGREES:
        one.add(-1.5, f"does not follow driver torque ({signed:.2f})")


def _turn_assist(one: Contender, driver: Track) -> None:
    """No vehicle can be ridden with assist against the driver all the time: it counts otherwise."""
    if one.sign_known and driver.sign_known:
        one.ask("it runs against driver torque throughout, though the database gives both signs")
        return
    one.rescale(-1.0)
    one.sign_known = driver.sign_known
    one.add(1.5, "runs against driver torque throughout, so it counts the other way round: turned")


def _amount_only(one: Contender, amount: float) -> None:
    one.sign_known = False
    if amount >= _AGREES:
        one.add(0.5, f"follows the amount of driver torque ({amount:.2f})")
    if one.measured.candidate.channel == "assist_torque":
        one.ask("it never goes below zero, so it tells no direction: where is its sign")
    else:
        one.add(0.0, "tells no direction")


def _moves(torque: FloatArray) -> bool:
    if np.count_nonzero(~np.isnan(torque)) < _LEAST_WORKING:
        return False
    low, high = np.nanpercentile(torque, [2, 98])
    return bool(high - low > _TORQUE_MOVES_NM)


def _relate_draw(one: Contender, driver: Track) -> None:
    if not _in(one) or one.shape.constant:
        return
    known, own = _compare(driver, one)
    if not _moves(known):
        return
    amount = likeness(np.abs(known), own).correlation
    if amount >= _AGREES:
        one.add(1.0, f"rises with steering effort ({amount:.2f})")
    elif one.shape.p1 < -1.0 and one.shape.p99 > 1.0:
        one.add(-1.0, "takes both signs, as a motor's current does")


def _effort(field: Field, anchors: Mapping[str, Track]) -> Track | None:
    """Return how hard the module works: the amount of assist torque or of motor current."""
    for channel in ("assist_torque", "motor_current", "module_current"):
        track = _leader(channel, field, anchors)
        if track is not None and len(track.value) and np.nanmax(np.abs(track.value)) > 0.0:
            return Track(track.name, track.time_s, np.abs(track.value))
    return None


def relate_limit(one: Contender, effort: Track | None) -> None:
    """Find out whether a share counts what is available or what is taken away."""
    if not _in(one):
        return
    words = one.words
    takes_away = "reduction" in words and words.isdisjoint({"limit", "available", "factor"})
    plain = not words.isdisjoint({"limit", "available"})
    at_work = _level_at_work(one, effort)
    if at_work is not None and effort is not None and _follows_effort(one, effort):
        one.rule_out("follows the assist delivered, so it is not what is available")
    elif at_work is None:
        _limit_by_rest(one, takes_away=takes_away, plain=plain)
    elif at_work >= 60.0:  # noqa: PLR2004 - more than half of full assist
        one.add(1.5, f"reads {at_work:.0f} while the module works")
        if takes_away:
            one.ask("its name says reduction, but it reads high while the module works")
    elif at_work <= 40.0 and (takes_away or "reduction" in words):  # noqa: PLR2004 - less than half
        _invert(one, f"reads {at_work:.0f} while the module works: what is taken away")
    else:
        one.ask(f"it reads {at_work:.0f} while the module works: share left, or share taken away")


def _limit_by_rest(one: Contender, *, takes_away: bool, plain: bool) -> None:
    """Judge by the end at which it rests, where no effort is known."""
    value = one.value[~np.isnan(one.value)]
    top, bottom = float(np.mean(value >= 95.0)), float(np.mean(value <= 5.0))  # noqa: PLR2004 - the two ends
    if takes_away and bottom >= top:
        _invert(one, f"is named a reduction and rests at 0 ({bottom:.0%} of the time)")
    elif plain and top >= bottom:
        one.add(1.0, f"rests at 100 ({top:.0%} of the time)")
    else:
        one.ask("it is not clear whether it counts the assist left or the assist taken away")


def _invert(one: Contender, phrase: str) -> None:
    one.rescale(-1.0, 100.0)
    one.add(1.0, phrase)


def _level_at_work(one: Contender, effort: Track | None) -> float | None:
    """Return the median share while the module works hard; None where it never does."""
    if effort is None or not one.unit_known:
        return None
    work, share = _compare(effort, one)
    known = ~(np.isnan(work) | np.isnan(share))
    if np.count_nonzero(known) < _LEAST_WORKING:
        return None
    hard = known & (work >= _WORKING * np.nanpercentile(work, 99))
    return float(np.median(share[hard])) if np.count_nonzero(hard) >= _LEAST_WORKING else None


def _follows_effort(one: Contender, effort: Track) -> bool:
    work, share = _compare(effort, one)
    ends = np.mean((share >= 95.0) | (share <= 1.0))  # noqa: PLR2004 - at an end of 0 to 100
    return bool(likeness(work, share).correlation > 0.6 and ends < 0.6)  # noqa: PLR2004 - clearly, and mostly between


def _relate_supplies(field: Field, anchors: Mapping[str, Track], effort: Track | None) -> None:
    """The module's own supply lies at or below the battery's, the more so under load."""
    system = _leader("system_voltage", field, anchors)
    if system is None or effort is None:
        return
    for one in field.get("supply_voltage", ()):
        if not _in(one) or one.name == system.name or one.shape.constant:
            continue
        grid = common_grid(system.time_s, one.time_s, effort.time_s)
        drop = on_grid(grid, system.time_s, system.value) - on_grid(grid, one.time_s, one.value)
        work = on_grid(grid, effort.time_s, effort.value)
        _judge_drop(one, drop, work)


def _judge_drop(one: Contender, drop: FloatArray, work: FloatArray) -> None:
    known = ~(np.isnan(drop) | np.isnan(work))
    if np.count_nonzero(known) < 2 * _LEAST_WORKING:
        return
    drop, work = drop[known], work[known]
    hard = work >= _WORKING * np.percentile(work, 99)
    if min(np.count_nonzero(hard), np.count_nonzero(~hard)) < _LEAST_WORKING:
        return
    deeper = float(np.median(drop[hard]) - np.median(drop[~hard]))
    if deeper >= _LOADED_DIP_V:
        one.add(1.0, f"dips {deeper:.2f} V deeper than the battery's under steering load")
    elif deeper <= -_LOADED_DIP_V:
        one.add(-1.5, f"dips {-deeper:.2f} V less than the battery's under steering load")
        one.ask("it dips less under steering load than the battery's voltage does: are they swapped")


def _relate_battery_current(field: Field, anchors: Mapping[str, Track]) -> None:
    """Voltage falls as a battery is discharged: that tells which way its current counts."""
    volts = _leader("system_voltage", field, anchors) or _leader("supply_voltage", field, anchors)
    for one in field.get("system_current", ()):
        if not _in(one):
            continue
        sign = 0.0
        if volts is not None and not one.shape.constant:
            known, own = _compare(volts, one)
            sign = likeness(known, own).correlation
        if sign >= _AGREES:
            one.rescale(-1.0)
            one.add(0.5, "rises with the voltage, so it counts charging as positive: turned round")
        elif sign <= -_AGREES:
            one.add(0.5, "rises as the voltage falls: discharge is positive")
        else:
            one.ask("nothing in this log shows whether it counts charging or discharging as positive")

"""Steering held together: assist follows the driver, and a share of assist tells what it counts.

Thresholds are common practice, no source: they sort signals and decide no finding.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.decode.matching.direction import sign_beside
from canassist.decode.matching.reference_signals import Field, Track, compare, leader, runs
from canassist.decode.matching.value_shape import likeness
from canassist.decode.matching.vocabulary import bag

if TYPE_CHECKING:
    from canassist.decode.matching.contender import Contender
    from canassist.model import FloatArray

WORKING: Final = 0.3
"""Share of the hardest work from which the module works hard."""

LEAST_WORKING: Final = 20
"""Grid points below which nothing is judged."""

_HIGH_SHARE: Final = 60.0
_LOW_SHARE: Final = 25.0
"""Percent at work: above the first it is assist left, below the second assist taken away."""
_TORQUE_MOVES_NM: Final = 0.5
_AGREES: Final = 0.5
_IGNORES: Final = 0.15
_WHOSE_TORQUE: Final = bag("driver column handwheel assist motor delivered")


def ask_nameless_torques(ones: Sequence[Contender]) -> None:
    """Two steering torques whose names do not say whose they are cannot be told apart."""
    nameless = [
        one
        for one in ones
        if runs(one) and not one.shape.constant and one.words.isdisjoint(_WHOSE_TORQUE)
    ]
    if len({one.name for one in nameless}) > 1:
        for one in nameless:
            one.ask(
                "another torque is named like it, and nothing says which is the driver's",
                by_name=True,
            )


def relate_assist(one: Contender, driver: Track) -> None:
    """Assist follows the driver; one that counts the other way round is turned."""
    if not runs(one) or one.name == driver.name:
        return
    known, own = compare(driver, one)
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
        candidate = one.measured.candidate
        beside = sign_beside(candidate.message, candidate.signal)
        where = f"is its sign in {beside}" if beside else "where is its sign"
        one.ask(f"it never goes below zero, so it tells no direction: {where}")
    else:
        one.add(0.0, "tells no direction")


def _moves(torque: FloatArray) -> bool:
    if np.count_nonzero(~np.isnan(torque)) < LEAST_WORKING:
        return False
    low, high = np.nanpercentile(torque, [2, 98])
    return bool(high - low > _TORQUE_MOVES_NM)


def relate_draw(one: Contender, driver: Track) -> None:
    """Reward a supply current that rises with steering effort."""
    if not runs(one) or one.shape.constant:
        return
    known, own = compare(driver, one)
    if not _moves(known):
        return
    amount = likeness(np.abs(known), own).correlation
    if amount >= _AGREES:
        one.add(1.0, f"rises with steering effort ({amount:.2f})")
    elif one.shape.p1 < -1.0 and one.shape.p99 > 1.0:
        one.add(-1.0, "takes both signs, as a motor's current does")


def work_of(field: Field, anchors: Mapping[str, Track]) -> Track | None:
    """Return how hard the module works: the amount of assist torque or of motor current."""
    for channel in ("assist_torque", "motor_current", "module_current"):
        track = leader(channel, field, anchors)
        if track is not None and len(track.value) and np.nanmax(np.abs(track.value)) > 0.0:
            return Track(track.name, track.time_s, np.abs(track.value))
    return None


def relate_limit(one: Contender, effort: Track | None) -> None:
    """Find out whether a share counts what is available or what is taken away."""
    if not runs(one):
        return
    words = one.words
    takes_away = "reduction" in words and words.isdisjoint({"limit", "available", "factor"})
    plain = not words.isdisjoint({"limit", "available"})
    at_work = _level_at_work(one, effort)
    if at_work is not None and effort is not None and _follows_effort(one, effort):
        one.rule_out("follows the assist delivered, so it is not what is available")
    elif at_work is None:
        _limit_by_rest(one, takes_away=takes_away, plain=plain)
    elif at_work >= (_LOW_SHARE if plain else _HIGH_SHARE):
        one.add(1.5, f"reads {at_work:.0f} while the module works")
        if takes_away:
            one.ask("its name says reduction, but it reads high while the module works")
    elif "reduction" in words and at_work <= (_HIGH_SHARE if takes_away else _LOW_SHARE):
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
    work, share = compare(effort, one)
    known = ~(np.isnan(work) | np.isnan(share))
    if np.count_nonzero(known) < LEAST_WORKING:
        return None
    hard = known & (work >= WORKING * np.nanpercentile(work, 99))
    return float(np.median(share[hard])) if np.count_nonzero(hard) >= LEAST_WORKING else None


def _follows_effort(one: Contender, effort: Track) -> bool:
    work, share = compare(effort, one)
    ends = np.mean((share >= 95.0) | (share <= 1.0))  # noqa: PLR2004 - at an end of 0 to 100
    return bool(likeness(work, share).correlation > 0.6 and ends < 0.6)  # noqa: PLR2004 - clearly, and mostly between

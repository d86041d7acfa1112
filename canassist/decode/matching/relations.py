"""What signals say of each other in this log: all comparisons, in the order that they need.

Thresholds are common practice, no source: they sort signals and decide no finding.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np

from canassist.decode.matching.reference_signals import (
    LIKELY,
    Field,
    Track,
    compare,
    leader,
    runs,
)
from canassist.decode.matching.relate_speed import relate_engine, relate_speeds, relate_wheels
from canassist.decode.matching.relate_steering import (
    ask_nameless_torques,
    relate_assist,
    relate_draw,
    relate_limit,
    work_of,
)
from canassist.decode.matching.relate_supply import relate_battery_current, relate_supplies
from canassist.decode.matching.value_shape import likeness

if TYPE_CHECKING:
    from canassist.decode.matching.contender import Contender


def relate(field: Field, anchors: Mapping[str, Track]) -> None:
    """Let the contenders of all channels speak about each other.

    Parameters
    ----------
    field : mapping of str to sequence of Contender
        Judged alone already; points, questions and scales are changed in place.
    anchors : mapping of str to Track
        Channels that the profile or a standard has settled, and slow standard values.
    """
    relate_speeds(field, anchors)
    relate_wheels(field, anchors)
    relate_engine(field.get("engine_speed", ()), leader("vehicle_speed", field, anchors))
    _relate_to_anchor("engine_speed", field, anchors)
    _relate_to_anchor("coolant_temperature", field, anchors)
    _relate_to_anchor("system_voltage", field, anchors)
    for channel in ("engine_speed", "steering_angle"):
        _doubt_still(field.get(channel, ()))
    ask_nameless_torques(field.get("driver_torque", ()))
    driver = leader("driver_torque", field, anchors)
    if driver is not None:
        for one in (*field.get("assist_torque", ()), *field.get("motor_current", ())):
            relate_assist(one, driver)
        for one in field.get("module_current", ()):
            relate_draw(one, driver)
    effort = work_of(field, anchors)
    for one in field.get("assist_limit", ()):
        relate_limit(one, effort)
    relate_supplies(field, anchors, effort)
    relate_battery_current(field, anchors)


CLOSE = 0.4
"""Points by which a name that rests may trail one that moves and still be asked about."""


def _doubt_still(ones: Sequence[Contender]) -> None:
    """Doubt what never moves while another candidate of the same quantity does."""
    moving = [one for one in ones if runs(one) and not one.shape.constant and one.total >= LIKELY]
    if not moving:
        return
    best = max(moving, key=lambda one: one.total)
    for one in ones:
        if runs(one) and one.shape.constant:
            if (
                one.total > best.total - CLOSE
            ):  # moving alone makes no engine of what sounds less like one
                best.ask(f"{one.name} sounds more like it, but rests: is this the one in use")
            one.add(-2.5, f"stays at {one.shape.low:g} while {best.name} moves")
            one.ask(f"it stays at {one.shape.low:g} while {best.name} moves: is it in use")


def _relate_to_anchor(channel: str, field: Field, anchors: Mapping[str, Track]) -> None:
    """Reward what follows a slow standard value of the same quantity."""
    anchor = anchors.get(channel)
    if anchor is None:
        return
    for one in field.get(channel, ()):
        if not runs(one):
            continue
        known, own = compare(anchor, one)
        like = likeness(known, own)
        if np.isnan(like.typical_gap):
            continue  # too little of it to compare
        if like.typical_gap <= max(0.04 * abs(np.nanmedian(known)), 1e-6):
            one.add(1.5, f"follows {anchor.name}")
            one.unit_found = True
        else:
            one.add(-1.5, f"differs from {anchor.name}")
            one.ask(f"it differs from {anchor.name}: which is right")

"""Evidence on supply that breaks off, and on supply that is too high."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from canassist.conclude.causes.supply_summary import BETWEEN_V, both_then, dips, highest, lowest
from canassist.conclude.causes.weights import ENOUGH, HINT, SUPPORT, UNDONE, Cap, Needs, reason
from canassist.conclude.wording.sentences import duration, pair, quantity, say, times, volts, which
from canassist.model import EventKind, Strength

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canassist.conclude.causes.weights import Reason
    from canassist.conclude.ride_findings import Hits, RideFindings


LASTING_S: Final = 5.0
"""Overvoltage of this much in all is a regulator's doing and no switching spike (rule of thumb)."""


def supply_break(ride: RideFindings) -> Iterator[Reason]:
    """Weigh that supply or module were lost for moments."""
    cut = dips(ride, "supply_break")
    restart = ride.apart(ride.of(EventKind.MODULE_RESTART), ride.starts, 0.0)
    if not cut and not restart:
        return
    if cut:
        yield Needs(("undervoltage_v",))
        text = say("reason.break.dip", low=volts(lowest(ride, cut)), times=times(len(cut)))
        yield reason(text, ENOUGH, cut)
    if restart:
        yield reason(say("reason.break.restart", times=times(len(restart))), ENOUGH, restart)
    if not cut:
        yield Cap(Strength.MODERATE, say("basis.cap_no_dip"))
    both = cut + restart
    if ride.together(cut, restart):
        yield reason(say("reason.break.both"), SUPPORT, both)
    elif max(len(cut), len(restart)) > 1:
        yield reason(say("reason.break.repeated", times=times(len(both))), SUPPORT, both)
    yield from _rest_of_vehicle(ride, both)
    yield from _heard_wrong(ride, both)


def _rest_of_vehicle(ride: RideFindings, hits: Hits) -> Iterator[Reason]:
    cut = tuple(hit for hit in hits if hit.event.kind is EventKind.UNDERVOLTAGE)
    system, then = ride.lowest("system_voltage", hits), both_then(ride, cut)
    if system is not None and ride.supply is not None:
        if system >= ride.limits.undervoltage_v:
            yield reason(say("reason.break.system_good", low=volts(system)), SUPPORT, hits)
        elif then is not None and then.system_v - then.module_v < BETWEEN_V:
            text = say("reason.break.system_low", low=volts(then.system_v))
            yield reason(text, -UNDONE, cut)
    engine = ride.lowest("engine_speed", hits)
    if engine is not None and engine > 0.0:
        yield reason(say("reason.break.engine_on"), HINT, hits)


def _heard_wrong(ride: RideFindings, hits: Hits) -> Iterator[Reason]:
    disturbed = ride.together(hits, ride.of(EventKind.BUS_DISTURBANCE))
    if disturbed:
        weight = -ENOUGH if len(disturbed) == len(hits) else -SUPPORT
        yield reason(say("reason.break.bus"), weight, disturbed)
    lost = ride.together(hits, ride.recorder_lost)
    if lost:
        weight = -UNDONE if len(lost) == len(hits) else -SUPPORT
        yield reason(say("reason.break.recorder"), weight, lost)


def overvoltage_fault(ride: RideFindings) -> Iterator[Reason]:
    """Weigh that supply is too high for the module."""
    hits = ride.of(EventKind.OVERVOLTAGE)
    reduced = ride.derates_by("overvoltage")
    if not hits:
        return
    yield Needs(("overvoltage_v",))
    high, limit = pair(highest(ride, hits), ride.limits.overvoltage_v, "V")
    seconds = ride.seconds(hits)
    text = say("reason.over.level", high=high, limit=limit, seconds=duration(seconds))
    yield reason(text, ENOUGH, hits)
    if reduced:
        text = say("reason.over.derate", **which(len(reduced), len(ride.derates)))
        yield reason(text, SUPPORT, reduced)
    if seconds >= LASTING_S:
        yield reason(say("reason.over.long", seconds=duration(seconds)), SUPPORT, hits)
    fit = ride.physics.charging
    if fit is not None and fit.voltage_v.value > ride.limits.overvoltage_v:
        shown, limit = pair(fit.voltage_v.value, ride.limits.overvoltage_v, "V")
        rpm = quantity(ride.limits.charging_rpm, "rpm")
        text = say("reason.over.charging", rpm=rpm, middle=shown, limit=limit)
        yield reason(text, SUPPORT, (), "charging")

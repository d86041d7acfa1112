"""Evidence on supply that breaks off, and on supply that is too high."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.conclude.causes.claims import claim
from canassist.conclude.causes.supply_summary import (
    BETWEEN_V,
    both_then,
    dips,
    highest,
    lowest,
    path_beyond,
    sure_path,
)
from canassist.conclude.causes.weights import (
    ENOUGH,
    HINT,
    SUPPORT,
    UNDONE,
    Cap,
    Needs,
    cited,
    reason,
)
from canassist.conclude.known_then import known_samples
from canassist.conclude.wording.sentences import duration, pair, quantity, say, times, volts, which
from canassist.model import Bound, EventKind, Strength

if TYPE_CHECKING:
    from collections.abc import Generator, Iterator

    from canassist.conclude.causes.weights import Reason
    from canassist.conclude.ride_findings import IndexedEvent, IndexedEvents, RideFindings
    from canassist.model import Channel


SAGS_FIRST_S: Final = 0.05
SAGS_FIRST_PERIODS: Final = 2.0
"""Supply that was low for this long, and for this many of its samples, before the module fell
silent was pulled down, and did not break off: common practice, no source."""

ALIKE_TIMES: Final = 2
"""Where load took the module plainly this many times as often, a silence that came as quickly as
samples tell within another such dip is one of them (rule of thumb)."""

SAG_SHARE: Final = 0.85
SAG_S: Final = 1.0
"""Supply below this share of its middle, within so long before a silence, had sunk first: a module
works down to three quarters of its nominal supply or less. Common practice, no source."""

LOAD_DIPS_SHARE: Final = 0.5
"""Half as many dips by load beside the breaks: with no path measured, load may be behind all."""

SAME_OCCASION_S: Final = 2.0
"""A plug that opens and chatters for this long opened once (rule of thumb)."""

LASTING_S: Final = 5.0
"""Overvoltage of this much in all is a regulator's doing and no switching spike (rule of thumb)."""


def silences(ride: RideFindings) -> IndexedEvents:
    """Return silences of the module that no start of the engine explains."""
    return ride.apart(ride.of(EventKind.MODULE_RESTART), ride.starts, 0.0)


def restarts(ride: RideFindings) -> IndexedEvents:
    """Return silences of the module that neither a start of the engine nor its supply explains."""
    starved_ones = starved(ride)
    return tuple(hit for hit in silences(ride) if hit not in starved_ones)


def starved(ride: RideFindings) -> IndexedEvents:
    """Return silences that begin while a load already pulls the supply down: its consequence.

    A contact that opens takes supply and module at one moment; a load pulls supply down first.
    """
    pulled = tuple(
        hit
        for hit in ride.of(EventKind.UNDERVOLTAGE)
        if hit.event.cause not in {"supply_break", "cranking"}
    )
    channel = ride.supply
    if channel is None:
        return ()
    lead_s = max(SAGS_FIRST_S, SAGS_FIRST_PERIODS * channel.period_s)
    if path_beyond(ride):
        lead_s = 0.0  # what the path is known to lose needs no lead to explain a silence
    if not ride.supply_holds("undervoltage_v"):
        return tuple(hit for hit in silences(ride) if _sagged(channel, hit, lead_s))
    plainly, perhaps = (_silent_within(ride, pulled, lead) for lead in (lead_s, 0.0))
    many = len(plainly) >= ALIKE_TIMES * (len(perhaps) - len(plainly))
    return perhaps if many else plainly


def _silent_within(ride: RideFindings, pulled: IndexedEvents, lead_s: float) -> IndexedEvents:
    """Return the silences that begin so long after a dip began, and before it is over."""
    return tuple(
        hit
        for hit in silences(ride)
        if any(
            dip.event.start_s <= hit.event.start_s - lead_s
            and hit.event.start_s <= dip.event.until(ride.end_s)
            for dip in pulled
        )
    )


def _sagged(channel: Channel, hit: IndexedEvent, lead_s: float) -> bool:
    """Tell whether supply had sunk well below where it stands, before the module fell silent."""
    time_s, supply_v = channel.valid()
    first, last = np.searchsorted(
        time_s, (hit.event.start_s - SAG_S, hit.event.start_s - lead_s), side="right"
    )
    lately = supply_v[first:last]
    return len(lately) > 0 and bool(lately.min() < SAG_SHARE * np.median(supply_v))


def breaks(ride: RideFindings) -> IndexedEvents:
    """Return everything that a loose contact leaves behind: broken dips and silences."""
    return dips(ride, "supply_break") + restarts(ride)


def supply_break(ride: RideFindings) -> Iterator[Reason]:
    """Weigh that supply or module were lost for moments."""
    cut, silent = dips(ride, "supply_break"), restarts(ride)
    if not cut and not silent:
        return
    if cut:
        yield Needs(("undervoltage_v",))
        text = say("reason.break.dip", low=volts(lowest(ride, cut)), times=times(len(cut)))
        yield reason(text, ENOUGH, cut)
    yield from _silences(ride, silent)
    both = cut + silent
    if _load_may_explain(ride, cut, silent):
        yield Cap(Strength.WEAK, say("basis.cap_load_dips"))
    if _once(both):
        yield Cap(Strength.MODERATE, say("basis.cap_once"))
    if ride.together(cut, silent):
        yield reason(say("reason.break.both"), HINT, cut)
    witnessed = yield from _rest_of_vehicle(ride, both)
    if not cut and not witnessed:
        yield Cap(Strength.MODERATE, say("basis.cap_no_dip"))
    disturbed = ride.together(both, ride.of(EventKind.BUS_DISTURBANCE))
    if disturbed:
        weight = -ENOUGH if len(disturbed) == len(both) else -HINT
        yield reason(say("reason.break.bus"), weight, disturbed, channels=("bus_disturbance",))


def _once(hits: IndexedEvents) -> bool:
    """Tell whether all of these are one occasion: a single opening proves no loose contact."""
    starts = [hit.event.start_s for hit in hits]
    return max(starts) - min(starts) <= SAME_OCCASION_S


def _load_may_explain(ride: RideFindings, cut: IndexedEvents, silent: IndexedEvents) -> bool:
    """Tell whether dips by load leave it open that a resistance takes supply away."""
    loads, path = dips(ride, "steering_load"), ride.physics.supply_path
    unmeasured = path is None or not sure_path(path)
    alone = ride.apart(silent, cut)
    if alone:
        return False
    if unmeasured and cut and len(loads) >= LOAD_DIPS_SHARE * len(cut):
        return True
    return not silent and (path_beyond(ride) or len(loads) >= len(cut))


def _silences(ride: RideFindings, silent: IndexedEvents) -> Iterator[Reason]:
    if not silent:
        return
    text = say("reason.break.restart", times=times(len(silent)))
    yield reason(text, ENOUGH, silent, channels=("module_restart",))
    ramps = ride.together(ride.derates_by("start_up"), silent)
    if ramps:
        yield reason(say("reason.break.ramp", times=times(len(ramps))), HINT, ramps)


def _rest_of_vehicle(ride: RideFindings, hits: IndexedEvents) -> Generator[Reason, None, bool]:
    """Weigh what the rest of the vehicle had then; return whether a second voltage held."""
    cut = tuple(hit for hit in hits if hit.event.kind is EventKind.UNDERVOLTAGE)
    samples, held = known_samples(ride, hits, "system_voltage"), None
    if ride.supply is not None:
        held = claim(ride.timeline, samples, Bound.AT_LEAST, ride.limits.undervoltage_v)
    then = both_then(ride, cut)
    if held is not None:
        text = say("reason.break.system_good", low=volts(held.value))
        yield reason(text, SUPPORT, hits, samples=samples, claims=(held,))
    elif then is not None and then.system_v - then.module_v < BETWEEN_V:
        text = say("reason.break.system_low", low=volts(then.system_v))
        yield reason(text, -UNDONE, cut)
    running = known_samples(ride, hits, "engine_speed")
    on = claim(ride.timeline, running, Bound.AT_LEAST, 1.0)
    if on is not None:
        yield reason(say("reason.break.engine_on"), HINT, hits, samples=running, claims=(on,))
    return held is not None


def overvoltage_fault(ride: RideFindings) -> Iterator[Reason]:
    """Weigh that supply is too high for the module."""
    hits = ride.of(EventKind.OVERVOLTAGE)
    if not hits:
        return
    yield Needs(("overvoltage_v",))
    high, limit = pair(highest(ride, hits), ride.limits.overvoltage_v, "V")
    seconds = ride.seconds(hits)
    text = say("reason.over.level", high=high, limit=limit, seconds=duration(seconds))
    yield reason(text, ENOUGH, hits)
    reduced = ride.derates_by("overvoltage")
    if reduced:
        text = say("reason.over.derate", **which(len(reduced), len(ride.derates)))
        yield reason(text, ENOUGH, reduced)
    samples = cited(ride, hits, "system_voltage")
    also = claim(ride.timeline, samples, Bound.ROSE_ABOVE, ride.limits.overvoltage_v)
    if also is not None and ride.supply is not None:
        text = say("reason.over.system", high=volts(also.value))
        yield reason(text, SUPPORT, hits, samples=samples, claims=(also,))
    if seconds >= LASTING_S:
        yield reason(say("reason.over.long", seconds=duration(seconds)), SUPPORT, hits)
    fit = ride.physics.charging
    if fit is not None and fit.voltage_v.value > ride.limits.overvoltage_v:
        shown, limit = pair(fit.voltage_v.value, ride.limits.overvoltage_v, "V")
        rpm = quantity(ride.limits.charging_rpm, "rpm")
        text = say("reason.over.charging", rpm=rpm, middle=shown, limit=limit)
        yield reason(text, SUPPORT, hits, "charging")

"""Evidence that the battery gives way: cranking, standing, under load."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from canassist.conclude.causes.supply_summary import (
    BETWEEN_V,
    both_then,
    dips,
    loaded,
    lowest,
    path_beyond,
    reduced_by_supply,
    sure_path,
)
from canassist.conclude.causes.weights import ENOUGH, HINT, SUPPORT, UNDONE, Cap, Needs, reason
from canassist.conclude.wording.sentences import pair, quantity, resistance, say, volts
from canassist.model import Code, CrankFit, EventKind, Strength

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canassist.conclude.causes.weights import Found, Reason
    from canassist.conclude.ride_findings import Hits, RideFindings


REST_LOW_V: Final = 12.06
"""Battery at rest, a quarter full (common table, from memory; a public list rounds it to 12.0)."""

SOURCE_OHM: Final = 0.03
"""Inner resistance of a source above which it gives way, ohm. From memory: batteries of small
vehicles have 5 to 20 mΩ in good order."""

MIN_DROP_V: Final = 0.3
"""Below this a drop at the measured peak makes no supply low (usual for one switch or relay)."""


def low_battery(ride: RideFindings, found: Found) -> Iterator[Reason]:
    """Weigh that the battery gives way: cranking, standing, under load."""
    hits = loaded(ride)
    judged = [crank for crank in ride.physics.cranks if crank.plateau_min_v is not None]
    if not ride.supply_holds("cranking_v"):
        judged = []
    bad = [crank for crank in judged if (crank.plateau_min_v or 0.0) < ride.limits.cranking_v]
    reset = ride.together(ride.of(EventKind.MODULE_RESTART), ride.starts, 0.0)
    stopped = ride.of(EventKind.UNDERVOLTAGE, "engine_stopped")
    if not (hits or bad or reset or stopped):
        return
    yield Needs(_limits_used(ride, hits + stopped, bad))
    if not ride.timeline.has("engine_speed"):
        yield Cap(Strength.WEAK, say("basis.cap_engine"))
    yield from _cranking(ride, judged, bad)
    if reset:
        yield reason(say("reason.battery.restart"), SUPPORT, reset, "crank")
    if stopped:
        low, limit = pair(lowest(ride, stopped), ride.limits.undervoltage_v, "V")
        text = say("reason.battery.standing", low=low, limit=limit)
        yield reason(text, SUPPORT, stopped)
    yield from _under_load(ride, hits)
    yield from reduced_by_supply(ride, "reason.battery.derate", SUPPORT)
    yield from _charged(ride)
    yield from _elsewhere(ride, found, bool(hits))


def _limits_used(ride: RideFindings, hits: Hits, bad: list[CrankFit]) -> tuple[str, ...]:
    """Return the limits that this evidence stands on."""
    used = ["cranking_v"] if bad else []
    if any(hit.event.kind is EventKind.UNDERVOLTAGE for hit in hits):
        used.append("undervoltage_v")
    lines = ride.physics.limit_lines
    learned = lines is not None and lines.supply_from == "ride"
    if ride.derates_by("voltage") and not learned:
        used += ["derate_start_v", "derate_zero_v"]
    return tuple(used)


def _cranking(ride: RideFindings, judged: list[CrankFit], bad: list[CrankFit]) -> Iterator[Reason]:
    limit_v = ride.limits.cranking_v
    hits = ride.of(EventKind.UNDERVOLTAGE, "cranking")
    if bad:
        low, limit = pair(min(c.plateau_min_v or 0.0 for c in bad), limit_v, "V")
        key = "reason.battery.crank" if len(judged) == 1 else "reason.battery.crank_many"
        text = say(key, low=low, limit=limit, n=len(bad), all=len(judged))
        yield reason(text, ENOUGH, hits, "crank")
    elif judged:
        low, limit = pair(min(c.plateau_min_v or 0.0 for c in judged), limit_v, "V")
        yield reason(say("reason.battery.crank_good", low=low, limit=limit), -SUPPORT, (), "crank")
    rested = [c.rest_v for c in ride.physics.cranks if c.rest_v is not None]
    if rested and min(rested) < REST_LOW_V:
        rest, limit = pair(min(rested), REST_LOW_V, "V")
        yield reason(say("reason.battery.rest", rest=rest, limit=limit), SUPPORT, (), "crank")


def _under_load(ride: RideFindings, hits: Hits) -> Iterator[Reason]:
    if not hits:
        return
    low, limit = pair(lowest(ride, hits), ride.limits.undervoltage_v, "V")
    path = ride.physics.supply_path
    if not dips(ride, "steering_load", "charging") and dips(ride, "other_load"):
        yield reason(say("reason.battery.other_load", low=low, limit=limit), HINT, hits)
    elif path is not None and sure_path(path) and path.path_ohm.high <= ride.limits.max_circuit_ohm:
        drop = volts(path.drop_v)
        text = say("reason.battery.load_path_good", low=low, limit=limit, drop=drop)
        yield reason(text, ENOUGH, hits, "supply_path")
    else:
        yield reason(say("reason.battery.load", low=low, limit=limit), SUPPORT, hits)
    yield from _system_then(ride, hits)
    source = None if path is None else path.source_ohm
    if source is not None and source.low > SOURCE_OHM:
        text = say("reason.battery.source", source=resistance(source, SOURCE_OHM))
        yield reason(text, SUPPORT, figure="supply_path")


def _system_then(ride: RideFindings, hits: Hits) -> Iterator[Reason]:
    then = both_then(ride, hits)
    if then is None:
        return
    system = volts(then.system_v)
    if then.system_v - then.module_v < BETWEEN_V:
        yield reason(say("reason.battery.system_low", low=system), SUPPORT, hits)
    else:
        yield reason(say("reason.battery.system_good", low=system), -SUPPORT, hits)


def _charged(ride: RideFindings) -> Iterator[Reason]:
    fit, limits = ride.physics.charging, ride.limits
    known = fit is not None and ride.supply_holds("charging_v")
    if fit is not None and known and fit.voltage_v.low >= limits.charging_v:
        rpm = quantity(limits.charging_rpm, "rpm")
        text = say("reason.battery.charged", rpm=rpm, middle=volts(fit.voltage_v.value))
        yield reason(text, HINT, (), "charging")


def _elsewhere(ride: RideFindings, found: Found, under_load: bool) -> Iterator[Reason]:
    charging = found.get(Code.CHARGING_FAULT)
    if charging is not None and charging.holds(Strength.MODERATE):
        yield reason(say("reason.battery.charging"), -UNDONE, ride.of(EventKind.CHARGING_LOW))
    path = ride.physics.supply_path
    if path is not None and under_load and path_beyond(ride) and path.drop_v >= MIN_DROP_V:
        current = quantity(path.peak_current_a, "A")
        text = say("reason.battery.path", drop=volts(path.drop_v), current=current)
        yield reason(text, -UNDONE, (), "supply_path")

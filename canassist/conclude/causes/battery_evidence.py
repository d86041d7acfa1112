"""Evidence that the battery gives way: only what the source itself shows."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from canassist.conclude.causes.charging_evidence import carries_alone, source_charges
from canassist.conclude.causes.crank_levels import crank_levels
from canassist.conclude.causes.supply_path_evidence import measured_path
from canassist.conclude.causes.supply_summary import (
    BETWEEN_V,
    ENGINE,
    both_then,
    dips,
    has_engine,
    loaded,
    lowest,
    path_beyond,
    reduced_by_supply,
    source_low,
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
    whole,
)
from canassist.conclude.wording.sentences import degrees, pair, quantity, resistance, say, volts
from canassist.model import CitedSamples, Code, EventKind, Strength

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canassist.conclude.causes.crank_levels import CrankLevel
    from canassist.conclude.causes.weights import Found, Reason
    from canassist.conclude.ride_findings import IndexedEvents, RideFindings

REST_LOW_V: Final = 12.06
"""Battery at rest, a quarter full (common table, from memory; a public list rounds it to 12.0).
Lead and 12 V only."""

SOURCE_OHM: Final = 0.03
"""Inner resistance of a source above which it gives way, ohm. From memory: batteries of small
vehicles have 5 to 20 mΩ in good order."""

MIN_DROP_V: Final = 0.3
"""Below this a drop at the measured peak makes no supply low (usual for one switch or relay)."""


CLEARLY_LOW: Final = 0.95
"""A starter asks more or less of a battery than a load test does: nearer to the limit than this
share of it, a start tells little. Common practice, no source."""


def low_battery(ride: RideFindings, found: Found) -> Iterator[Reason]:
    """Weigh that the battery gives way: cranking, under load."""
    hits = loaded(ride)
    levels = crank_levels(ride)
    bad = tuple(level for level in levels if level.low)
    if not (hits or bad):
        return
    yield Needs(_limits_used(ride, hits, bad))
    if has_engine(ride) is not False and not ride.timeline.has(ENGINE):
        yield Cap(Strength.WEAK, say("basis.cap_engine"))
    yield from _cranking(ride, levels, bad)
    yield from _under_load(ride, hits)
    yield from _source(ride, hits, bool(bad))
    yield from reduced_by_supply(ride, "reason.battery.derate", SUPPORT)
    yield from _elsewhere(ride, found, hits)


def _limits_used(
    ride: RideFindings, hits: IndexedEvents, bad: tuple[CrankLevel, ...]
) -> tuple[str, ...]:
    """Return the limits that this evidence stands on."""
    used = ["cranking_v"] if bad else []
    if any(hit.event.kind is EventKind.UNDERVOLTAGE for hit in hits):
        used.append("undervoltage_v")
    lines = ride.physics.limit_lines
    learned = lines is not None and lines.supply_from == "ride"
    if ride.derates_by("voltage") and not learned:
        used += ["derate_start_v", "derate_zero_v"]
    return tuple(used)


def _cranking(
    ride: RideFindings, levels: tuple[CrankLevel, ...], bad: tuple[CrankLevel, ...]
) -> Iterator[Reason]:
    if not levels:
        return
    lithium = ride.profile.supply.battery == "lithium"
    worst = min(bad or levels, key=lambda level: level.plateau_v - level.limit_v)
    low, limit = pair(worst.plateau_v, worst.limit_v, "V")
    cold = "" if worst.at_degc is None else say("word.at_degrees", at=degrees(worst.at_degc))
    samples = tuple(
        CitedSamples(channel="supply_voltage", start_s=level.crank.start_s, end_s=level.crank.end_s)
        for level in bad or levels
    )
    words: dict[str, str | int] = {
        "low": low,
        "limit": limit,
        "n": len(bad),
        "all": len(levels),
        "at": cold,
    }
    if lithium:
        yield Cap(Strength.WEAK, say("basis.cap_lithium"))
    if bad:
        key = "reason.battery.crank" if len(levels) == 1 else "reason.battery.crank_many"
        yield reason(say(key, **words), ENOUGH, (), "crank", samples=samples[:1])
        if not any(level.plateau_v < CLEARLY_LOW * level.limit_v for level in bad):
            yield Cap(Strength.WEAK, say("basis.cap_crank_near"))
    else:
        text = say("reason.battery.crank_good", **words)
        yield reason(text, -SUPPORT, (), "crank", samples=samples)
    if bad and not lithium:
        yield from _rested(ride, bad)


def _rested(ride: RideFindings, bad: tuple[CrankLevel, ...]) -> Iterator[Reason]:
    rested = [level.crank.rest_v for level in bad if level.crank.rest_v is not None]
    scale = ride.volt_share
    if rested and min(rested) < REST_LOW_V * scale:
        rest, limit = pair(min(rested), REST_LOW_V * scale, "V")
        before = bad[0].crank.start_s
        samples = (
            CitedSamples(channel="supply_voltage", start_s=before - 5.0, end_s=before - 0.01),
        )
        text = say("reason.battery.rest", rest=rest, limit=limit)
        yield reason(text, SUPPORT, (), "crank", samples=samples)


def _under_load(ride: RideFindings, hits: IndexedEvents) -> Iterator[Reason]:
    if not hits:
        return
    lowest_v = lowest(ride, hits)
    if lowest_v is None or lowest_v >= ride.limits.undervoltage_v:
        return
    low, limit = pair(lowest_v, ride.limits.undervoltage_v, "V")
    path = measured_path(ride)
    if not dips(ride, "steering_load", "charging") and dips(ride, "other_load"):
        text = say("reason.battery.other_load", low=low, limit=limit)
        yield reason(text, HINT, hits, channels=("supply_voltage",))
        if not any(level.low for level in crank_levels(ride)):
            yield Cap(Strength.WEAK, say("basis.cap_load_size"))
    elif path is not None and path.path_ohm.high <= ride.limits.max_circuit_ohm:
        drop = volts(path.drop_v)
        text = say("reason.battery.load_path_good", low=low, limit=limit, drop=drop)
        yield reason(text, ENOUGH, hits, "supply_path", channels=("supply_voltage",))
    else:
        text = say("reason.battery.load", low=low, limit=limit)
        yield reason(text, HINT, hits, channels=("supply_voltage",))


def _source(ride: RideFindings, hits: IndexedEvents, cranked_low: bool) -> Iterator[Reason]:
    """Weigh what the source itself shows; without that no battery is more than suspected."""
    then, path = both_then(ride, hits), measured_path(ride)
    own = False
    if then is not None:
        system = volts(then.system_v)
        samples = cited(ride, hits, "system_voltage")
        if source_low(ride, then):
            own = True
            text = say("reason.battery.system_low", low=system)
            yield reason(text, ENOUGH, hits, samples=samples)
        elif then.system_v - then.module_v >= BETWEEN_V:
            text = say("reason.battery.system_good", low=system)
            yield reason(text, -ENOUGH, hits, samples=samples)
    source = None if path is None else path.source_ohm
    if source is not None and source.low > SOURCE_OHM:
        own = True
        text = say("reason.battery.source", source=resistance(source, SOURCE_OHM))
        samples = whole(ride, "system_voltage", "module_current")
        yield reason(text, SUPPORT, (), "supply_path", samples=samples)
    good_path = path is not None and path.path_ohm.high <= ride.limits.max_circuit_ohm
    if not (own or cranked_low or good_path):
        yield Cap(Strength.WEAK, say("basis.cap_source"))


def _not_charged(ride: RideFindings, hits: IndexedEvents) -> Iterator[Reason]:
    """Blame no battery for a load that it carries alone: first it must have been charged."""
    low = ride.of(EventKind.CHARGING_LOW)
    if hits and low and carries_alone(ride, "supply_voltage", low):
        yield reason(say("reason.battery.not_charged"), -ENOUGH, low)
        yield Cap(Strength.WEAK, say("basis.cap_not_charged"))
    elif hits and ride.profile.supply.source != "battery" and not source_charges(ride):
        yield Cap(Strength.WEAK, say("basis.cap_charging"))


def _elsewhere(ride: RideFindings, found: Found, hits: IndexedEvents) -> Iterator[Reason]:
    yield from _not_charged(ride, hits)
    charging = found.get(Code.CHARGING_FAULT)
    if charging is not None and charging.holds(Strength.MODERATE):
        yield reason(say("reason.battery.charging"), -UNDONE, ride.of(EventKind.CHARGING_LOW))
    path, then = measured_path(ride), both_then(ride, hits)
    if then is not None and source_low(ride, then):
        path = None  # what the path loses does not excuse a source that is too low itself
    if path is not None and hits and path_beyond(ride) and path.drop_v >= MIN_DROP_V:
        current = quantity(path.peak_current_a, "A")
        text = say("reason.battery.path", drop=volts(path.drop_v), current=current)
        yield reason(text, -UNDONE, (), "supply_path", samples=whole(ride, "module_current"))
    broken = found.get(Code.SUPPLY_BREAK)
    if hits and broken is not None and broken.holds(Strength.MODERATE):
        yield reason(say("reason.battery.broken"), -UNDONE, dips(ride, "supply_break"))

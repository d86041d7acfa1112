"""Every cause weighed, root before consequence, and ranked."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from canassist.conclude import no_blame
from canassist.conclude.causes import (
    battery_evidence,
    charging_evidence,
    heat_evidence,
    speed_and_bus_evidence,
    steering_evidence,
    supply_extremes,
    supply_path_evidence,
)
from canassist.conclude.causes.weights import HINT, ORDER, Cap, Opinion, reason, weigh
from canassist.conclude.ride_findings import figure
from canassist.conclude.wording.sentences import clock, say
from canassist.model import Code, Strength

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from canassist.conclude.causes.weights import Reason
    from canassist.conclude.ride_findings import Hit, RideFindings
    from canassist.model import Event

COSTLY: Final = frozenset(
    {Code.MODULE_SUSPECT, Code.TORQUE_SENSOR_OFFSET, Code.ASSIST_MAP_DEVIATION}
)
"""Blaming these by mistake costs more than "cannot tell": weak, they never come first."""

MOMENT_S: Final = 5.0
"""A rider names a moment no more exactly than this, s (rule of thumb)."""

MOMENT_RANK: Final = 2.5
"""What was there at the moment complained of comes before what is one step stronger and explains
all the rest of the ride."""

SUPPLY_ROOTS: Final = (
    Code.CHARGING_FAULT,
    Code.SUPPLY_RESISTANCE,
    Code.SUPPLY_BREAK,
    Code.LOW_BATTERY,
)
"""What may lie behind low supply; the best held one takes the loss of assist."""

ROOT_FIRST: Final = (
    Code.BUS_FAULT,
    Code.SUPPLY_BREAK,
    Code.CHARGING_FAULT,
    Code.SUPPLY_RESISTANCE,
    Code.OVERVOLTAGE_FAULT,
    Code.SPEED_SIGNAL_FAULT,
    Code.LOW_BATTERY,
    Code.THERMAL_PROTECTION,
    Code.DUTY_PROTECTION,
    Code.TORQUE_SENSOR_OFFSET,
    Code.ASSIST_MAP_DEVIATION,
    Code.MODULE_SUSPECT,
    Code.MECHANICAL_LOAD,
    Code.NO_FAULT_FOUND,
    Code.INCONCLUSIVE,
)
"""Order between equals: what brings about others comes first."""


def weigh_causes(ride: RideFindings) -> dict[Code, Opinion]:
    """Weigh every cause that has evidence; a later one may look at the earlier ones.

    The order is that of cause and consequence, so that what an earlier cause explains
    is not held against a later part as well. In a file whose data is known to be damaged
    any oddity may be the damage: nothing there is more than weak.
    """
    found: dict[Code, Opinion] = {}
    doubt = [Cap(Strength.WEAK, say("basis.cap_damaged"))] if ride.timeline.bus.doubtful else []

    def note(code: Code, reasons: Iterable[Reason]) -> None:
        opinion = weigh(code, (*reasons, *doubt), ride.profile, say("basis.cap_assumed"))
        if opinion.reasons:
            found[code] = opinion

    note(Code.BUS_FAULT, speed_and_bus_evidence.bus_fault(ride))
    note(Code.SUPPLY_BREAK, supply_extremes.supply_break(ride))
    note(Code.CHARGING_FAULT, charging_evidence.charging_fault(ride))
    note(Code.SUPPLY_RESISTANCE, supply_path_evidence.supply_resistance(ride, found))
    note(Code.LOW_BATTERY, battery_evidence.low_battery(ride, found))
    note(Code.OVERVOLTAGE_FAULT, supply_extremes.overvoltage_fault(ride))
    note(Code.SPEED_SIGNAL_FAULT, speed_and_bus_evidence.speed_signal_fault(ride))
    note(Code.THERMAL_PROTECTION, heat_evidence.thermal_protection(ride))
    note(Code.DUTY_PROTECTION, heat_evidence.duty_protection(ride))
    note(Code.TORQUE_SENSOR_OFFSET, steering_evidence.torque_sensor_offset(ride))
    note(Code.ASSIST_MAP_DEVIATION, steering_evidence.assist_map_deviation(ride, found))
    note(Code.MODULE_SUSPECT, steering_evidence.module_suspect(ride, found))
    note(Code.MECHANICAL_LOAD, heat_evidence.mechanical_load(ride))
    return {code: _at_the_moment(ride, opinion) for code, opinion in found.items()}


def _at_the_moment(ride: RideFindings, opinion: Opinion) -> Opinion:
    hits = moment_hits(ride, opinion)
    if not hits:
        return opinion
    near = next(at for at in ride.at_s if ride.near_moment(hits[0].event, at, MOMENT_S))
    here = reason(say("reason.moment.here", at=clock(near)), HINT, hits)
    return Opinion(
        code=opinion.code,
        reasons=(*opinion.reasons, here),
        caps=opinion.caps,
        needs=opinion.needs,
    )


def moment_hits(ride: RideFindings, opinion: Opinion) -> tuple[Hit, ...]:
    """Return the events that speak for a cause and lie at a moment complained of."""
    positions = {position for item in opinion.because for position in item.events}
    return tuple(hit for hit in ride.at_moment(MOMENT_S) if hit.position in positions)


def rank(ride: RideFindings, found: Mapping[Code, Opinion]) -> list[Opinion]:
    """Return the causes that hold, the answer to 'why was the steering heavy?' first.

    A cause stands by its strength (3, 2, 1), plus the share (0 to 1) of all lost assist
    that it explains, plus `MOMENT_RANK` where it was there at the moment complained of; then by
    its sum; then root before consequence. Where nothing holds, or only a weak doubt
    about a costly part, "no fault found" or "inconclusive" comes first.
    """
    share = explained(ride, found)
    holding = [opinion for opinion in found.values() if opinion.holds()]

    def place(opinion: Opinion) -> tuple[float, float, int]:
        steps = ORDER[opinion.strength] if opinion.strength is not None else 0
        moment = MOMENT_RANK if moment_hits(ride, opinion) else 0.0
        led = opinion.holds(Strength.MODERATE) or _may_lead(ride, opinion)
        explains = share.get(opinion.code, 0.0) if led else 0.0
        high = steps + explains + moment
        return -high, -opinion.score, ROOT_FIRST.index(opinion.code)

    holding.sort(key=place)
    return _with_quiet(ride, holding)


def _with_quiet(ride: RideFindings, holding: list[Opinion]) -> list[Opinion]:
    if any(opinion.holds(Strength.MODERATE) for opinion in holding):
        return holding
    fine = weigh(Code.NO_FAULT_FOUND, no_blame.no_fault_found(ride), ride.profile, "")
    if fine.holds():
        return [fine, *holding]
    open_end = weigh(
        Code.INCONCLUSIVE, no_blame.inconclusive(ride, weakly=bool(holding)), ride.profile, ""
    )
    if holding and _may_lead(ride, holding[0]):
        return [holding[0], open_end, *holding[1:]]
    return [open_end, *holding]


def _may_lead(ride: RideFindings, opinion: Opinion) -> bool:
    """Tell whether an answer that is only weak may come first.

    Without engine speed a start of the engine pulls supply down like a weak battery or a
    bad joint, and nothing tells them apart. In a damaged file any oddity may be the damage.
    """
    if ride.timeline.bus.doubtful:
        return False
    blind = opinion.code in SUPPLY_ROOTS and not ride.timeline.has("engine_speed")
    return opinion.code not in COSTLY and not blind


def explained(ride: RideFindings, found: Mapping[Code, Opinion]) -> dict[Code, float]:
    """Return the share of all lost assist that each cause explains, 0 to 1."""
    lost: dict[Code, float] = {}
    total = 0.0
    for hit in ride.derates:
        amount = _lost_pct_s(hit.event, ride.end_s)
        total += amount
        for word, part in _parts(hit.event).items():
            code = _behind(word, found)
            if code is not None:
                lost[code] = lost.get(code, 0.0) + amount * part
    return {code: amount / total for code, amount in lost.items()} if total > 0.0 else {}


def _lost_pct_s(event: Event, log_end_s: float) -> float:
    lost = figure(event, "lost_assist_pct_s")
    return event.until(log_end_s) - event.start_s if lost is None else lost


def _parts(event: Event) -> dict[str, float]:
    """Return how a derate is shared among its causes, 1 in all."""
    words = (event.cause or "unexplained").split("+")
    shares = {word: event.shares.get(word, 1.0) for word in words}
    total = sum(shares.values())
    return {word: part / total for word, part in shares.items()} if total > 0.0 else {}


def _behind(word: str, found: Mapping[Code, Opinion]) -> Code | None:
    if word == "voltage":
        roots = [found[code] for code in SUPPLY_ROOTS if code in found and found[code].holds()]
        return max(roots, key=lambda opinion: opinion.score).code if roots else None
    if word == "speed_signal":
        return _speed_root(found)
    return {
        "temperature": Code.THERMAL_PROTECTION,
        "duty": Code.DUTY_PROTECTION,
        "overvoltage": Code.OVERVOLTAGE_FAULT,
        "unexplained": Code.MODULE_SUSPECT,
    }.get(word)


def _speed_root(found: Mapping[Code, Opinion]) -> Code:
    bus, speed = found.get(Code.BUS_FAULT), found.get(Code.SPEED_SIGNAL_FAULT)
    if bus is not None and bus.holds() and (speed is None or bus.score > speed.score):
        return Code.BUS_FAULT
    return Code.SPEED_SIGNAL_FAULT

"""The answer in one or two short sentences, one function a cause."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Final

from canassist.conclude import no_blame
from canassist.conclude.causes.crank_levels import crank_levels
from canassist.conclude.causes.heat_evidence import level_unchecked
from canassist.conclude.causes.module_evidence import internal_codes, internal_status
from canassist.conclude.causes.speed_and_bus_evidence import speed_faults
from canassist.conclude.causes.steering_evidence import deviations
from canassist.conclude.causes.supply_extremes import restarts
from canassist.conclude.causes.supply_summary import dips, highest, loaded, lowest
from canassist.conclude.ride_findings import figure
from canassist.conclude.wording.sentences import (
    channel_name,
    listed,
    say,
    sided_torque,
    times,
    volts,
)
from canassist.model import Code, EventKind

if TYPE_CHECKING:
    from canassist.conclude.ride_findings import IndexedEvents, RideFindings

Headline = Callable[["RideFindings"], str]


def headline(ride: RideFindings, code: Code) -> str:
    """Return the headline of a cause that holds."""
    return _HEADLINES[code](ride)


def _thermal(ride: RideFindings) -> str:
    hits = ride.derates_by("temperature")
    key = "unchecked" if level_unchecked(ride) else "many"
    return say(f"headline.thermal_protection.{key}", times=times(len(hits)))


def _duty(ride: RideFindings) -> str:
    hits = ride.derates_by("duty")
    return say("headline.duty_protection.plain", times=times(len(hits)))


def _battery(ride: RideFindings) -> str:
    reduced = ride.derates_by("voltage")
    if reduced:
        return say("headline.low_battery.derated", times=times(len(reduced)))
    hits = loaded(ride)
    if hits:
        return say("headline.low_battery.dips", low=volts(lowest(ride, hits)))
    bad = [level.plateau_v for level in crank_levels(ride) if level.low]
    if bad:
        return say("headline.low_battery.cranking", low=volts(min(bad)))
    return say("headline.low_battery.plain")


def _charging(ride: RideFindings) -> str:
    reduced = ride.derates_by("voltage")
    if reduced:
        return say("headline.charging_fault.derated", times=times(len(reduced)))
    return say("headline.charging_fault.plain")


def _resistance(ride: RideFindings) -> str:
    path = ride.physics.supply_path
    if path is None or path.path_ohm.value <= ride.limits.max_circuit_ohm:
        stepped = dips(ride, "steering_load")
        return say(f"headline.supply_resistance.{'stepped' if stepped else 'maybe'}")
    reduced = ride.derates_by("voltage")
    if reduced:
        return say("headline.supply_resistance.derated", times=times(len(reduced)))
    return say("headline.supply_resistance.plain")


def _break(ride: RideFindings) -> str:
    restart = restarts(ride)
    cut = dips(ride, "supply_break")
    if restart:
        key = "headline.supply_break.restart" if cut else "headline.supply_break.silent"
        return say(key, times=times(len(restart)))
    return say("headline.supply_break.dips", times=times(len(cut)))


def _overvoltage(ride: RideFindings) -> str:
    high = volts(highest(ride, ride.of(EventKind.OVERVOLTAGE)))
    reduced = ride.derates_by("overvoltage")
    if reduced:
        return say("headline.overvoltage_fault.derated", times=times(len(reduced)), high=high)
    return say("headline.overvoltage_fault.plain", high=high)


def _speed(ride: RideFindings) -> str:
    hits = speed_faults(ride)
    channel = channel_name((hits[0].event.channel if hits else None) or "vehicle_speed")
    how = say(f"headline.speed_signal_fault.{_how(hits)}")
    reduced = ride.derates_by("speed_signal")
    if reduced:
        count = times(len(reduced))
        return say("headline.speed_signal_fault.derated", times=count, channel=channel, how=how)
    return say("headline.speed_signal_fault.plain", channel=channel, how=how)


def _how(hits: IndexedEvents) -> str:
    kinds = {hit.event.kind for hit in hits}
    if EventKind.SIGNAL_LOSS in kinds:
        return "missing"
    return "stuck" if EventKind.SIGNAL_STUCK in kinds else "false"


def _offset(ride: RideFindings) -> str:
    hits = ride.of(EventKind.TORQUE_OFFSET)
    value = figure(hits[0].event, "offset_nm") if hits else None
    offset = sided_torque(value, sign_known=ride.sign_known("driver_torque"))
    return say("headline.torque_sensor_offset.plain", offset=offset)


def _map(ride: RideFindings) -> str:
    hits = deviations(ride)
    causes = [hit.event.cause or "low" for hit in hits]
    if "uncommanded" in causes:
        return say("headline.assist_map_deviation.uncommanded")
    longest = max(hits, key=lambda hit: ride.seconds((hit,)))
    return say(f"headline.assist_map_deviation.{longest.event.cause or 'low'}")


def _module(ride: RideFindings) -> str:
    if internal_status(ride) is not None or internal_codes(ride)[0]:
        return say("headline.module_suspect.own_word")
    return say("headline.module_suspect.maybe")


def _bus(ride: RideFindings) -> str:
    count = times(len(ride.of(EventKind.BUS_DISTURBANCE)))
    return say("headline.bus_fault.plain", times=count)


def _mechanical(ride: RideFindings) -> str:
    del ride
    return say("headline.mechanical_load.plain")


def _no_fault(ride: RideFindings) -> str:
    fit = ride.physics.assist
    compared = fit is not None and fit.map_from == "profile" and fit.ratio is not None
    return say("headline.no_fault_found.plain" if compared else "headline.no_fault_found.no_map")


def _inconclusive(ride: RideFindings) -> str:
    if ride.timeline.bus.doubtful:
        return say("headline.inconclusive.damaged")
    fit = ride.timeline.fit
    if fit is not None and fit.reason:
        return fit.reason
    return _open_end(ride)


def _open_end(ride: RideFindings) -> str:
    lacks = [lack.short for lack in no_blame.lacks(ride)]
    if ride.in_part and not lacks:
        lacks = [say("lack.cut" if ride.timeline.bus.cut else "lack.part")]
    if no_blame.stalls(ride) and len(ride.derates) == len(no_blame.stalls(ride)):
        return say("headline.inconclusive.stalled")
    if no_blame.only_codes(ride) and not lacks:
        names = listed(dict.fromkeys(hit.event.code for hit in no_blame.own_codes(ride)))
        return say("headline.inconclusive.code", codes=names)
    shown = ride.derates or no_blame.disturbing(ride)
    if shown:
        kinds = dict.fromkeys(say(f"word.kind.{hit.event.kind.value}") for hit in shown)
        return say("headline.inconclusive.shows", what=listed(kinds))
    if not lacks:
        return say("headline.inconclusive.quiet", lack=say("lack.evidence"))
    covers = ride.timeline.has(*no_blame.BASIC) and not any(no_blame.unmapped(ride))
    key = "headline.inconclusive.quiet" if covers else "headline.inconclusive.lacks"
    return say(key, lack=listed(lacks))


_HEADLINES: Final[dict[Code, Headline]] = {
    Code.THERMAL_PROTECTION: _thermal,
    Code.DUTY_PROTECTION: _duty,
    Code.LOW_BATTERY: _battery,
    Code.CHARGING_FAULT: _charging,
    Code.SUPPLY_RESISTANCE: _resistance,
    Code.SUPPLY_BREAK: _break,
    Code.OVERVOLTAGE_FAULT: _overvoltage,
    Code.SPEED_SIGNAL_FAULT: _speed,
    Code.TORQUE_SENSOR_OFFSET: _offset,
    Code.ASSIST_MAP_DEVIATION: _map,
    Code.MODULE_SUSPECT: _module,
    Code.BUS_FAULT: _bus,
    Code.MECHANICAL_LOAD: _mechanical,
    Code.NO_FAULT_FOUND: _no_fault,
    Code.INCONCLUSIVE: _inconclusive,
}

"""Evidence on the supply: battery, charging, the path to the module, breaks, too much."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from canassist.conclude.evidence import DECISIVE, ENOUGH, HINT, SUPPORT, UNDONE, Cap, Needs, reason
from canassist.conclude.ride import Hits, Ride, extreme_of
from canassist.conclude.wording import (
    duration,
    milliohms,
    pair,
    quantity,
    say,
    times,
    volts,
    with_interval,
)
from canassist.model import Code, CrankFit, EventKind, Strength

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from canassist.conclude.evidence import Opinion, Reason
    from canassist.model import SupplyPath

    Found = Mapping[Code, Opinion]

LOW_SUPPLY: Final = ("min_supply_v", "min_system_v")
HIGH_SUPPLY: Final = ("max_supply_v", "max_system_v")

REST_LOW_V: Final = 12.06
"""Battery at rest, a quarter full (common table, from memory; a public list rounds it to 12.0)."""

SOURCE_OHM: Final = 0.03
"""Inner resistance of a source above which it gives way, ohm. From memory: batteries of small
vehicles have 5 to 20 mΩ in good order."""

NOT_CHARGED_V: Final = 12.9
"""Supply with the engine running below which nothing charges at all: just above a full battery
at rest (12.65 V, common table)."""

SYSTEM_GOOD_V: Final = 1.0
"""System voltage this far above the module's lowest means that the loss lies between them, V
(above 1 V is always a fault, repair manual note)."""

ALWAYS_A_FAULT_V: Final = 1.0
"""Drop over wiring that counts as a fault whatever the current (repair manual note)."""

LASTING_S: Final = 5.0
"""Overvoltage of this much in all is a regulator's doing and no switching spike (rule of thumb)."""

MIN_DROP_V: Final = 0.3
"""Below this a drop at the measured peak makes no supply low (usual for one switch or relay)."""


def dips(ride: Ride, *causes: str) -> Hits:
    """Return the undervoltage events above a note with one of these causes."""
    return tuple(hit for hit in ride.of(EventKind.UNDERVOLTAGE, *causes) if hit in ride.warnings)


def loaded(ride: Ride) -> Hits:
    """Return what a load that pulls supply down leaves behind, engine starts left out."""
    low = dips(ride, "steering_load", "other_load", "charging") + _unnamed(ride)
    by_position = {hit.position: hit for hit in low + ride.derates_by("voltage")}
    return tuple(hit for _, hit in sorted(by_position.items()))


def _unnamed(ride: Ride) -> Hits:
    return tuple(hit for hit in ride.of(EventKind.UNDERVOLTAGE) if hit.event.cause is None)


def _reduced(ride: Ride, key: str, weight: float) -> Iterator[Reason]:
    hits = ride.derates_by("voltage")
    if hits:
        yield reason(say(key, n=len(hits), all=len(ride.derates)), weight, hits)


def lowest(ride: Ride, hits: Hits) -> float | None:
    """Return the lowest supply over events, from their figures or else the channel."""
    seen = extreme_of(hits, min, *LOW_SUPPLY)
    return ride.lowest("supply_voltage", hits) if seen is None else seen


def _sure(path: SupplyPath) -> bool:
    return path.method != "motor_power"


def path_beyond(ride: Ride) -> bool:
    """Tell whether the supply path lies beyond its limit with its whole interval."""
    path = ride.physics.supply_path
    return path is not None and _sure(path) and path.path_ohm.low > ride.limits.max_circuit_ohm


# -- charging ---------------------------------------------------------------------------------


def charging_fault(ride: Ride) -> Iterator[Reason]:
    """Weigh that the engine runs and nothing charges."""
    hits = ride.of(EventKind.CHARGING_LOW)
    if not hits:
        return
    limits = ride.limits
    yield Needs(("charging_v", "charging_rpm"))
    rpm = quantity(limits.charging_rpm, "rpm")
    text = say(
        "reason.charging.low",
        seconds=duration(ride.seconds(hits)),
        rpm=rpm,
        limit=volts(limits.charging_v),
    )
    yield reason(text, ENOUGH, hits, "charging")
    yield from _charging_level(ride, hits)
    low = ride.derates_by("voltage")
    if low:
        text = say("reason.charging.derate", n=len(low), all=len(ride.derates))
        yield reason(text, SUPPORT, low)
    yield from _charged_after_all(ride, hits)


def _charging_level(ride: Ride, hits: Hits) -> Iterator[Reason]:
    fit = ride.physics.charging
    middle = ride.middle("supply_voltage", hits) if fit is None else fit.voltage_v.value
    if fit is not None and fit.voltage_v.high < ride.limits.charging_v:
        shown, limit = pair(fit.voltage_v.value, ride.limits.charging_v, "V")
        rpm = quantity(ride.limits.charging_rpm, "rpm")
        text = say("reason.charging.middle", rpm=rpm, middle=shown, limit=limit)
        yield reason(text, SUPPORT, figure="charging")
    if middle is not None and middle < NOT_CHARGED_V:
        text = say("reason.charging.battery_level", middle=volts(middle))
        yield reason(text, SUPPORT, hits, "charging")


def _charged_after_all(ride: Ride, hits: Hits) -> Iterator[Reason]:
    """Weigh what says that the loss lies behind a source that charges."""
    limit_v = ride.limits.charging_v
    module = ride.middle("supply_voltage", hits)
    system = ride.middle("system_voltage", hits)
    if system is not None and ride.supply is not None and system >= limit_v:
        text = say("reason.charging.system_good", middle=volts(system))
        yield reason(text, -UNDONE, hits)
        return
    path, drawn = ride.physics.supply_path, ride.middle("module_current", hits)
    if path is None or module is None or drawn is None or not path_beyond(ride):
        return
    source = module + path.path_ohm.value * drawn
    if source >= limit_v:
        text = say("reason.charging.path", middle=volts(source))
        yield reason(text, -ENOUGH, hits, "supply_path")


# -- battery ----------------------------------------------------------------------------------


def low_battery(ride: Ride, found: Found) -> Iterator[Reason]:
    """Weigh that the battery gives way: cranking, standing, under load."""
    hits = loaded(ride)
    judged = [crank for crank in ride.physics.cranks if crank.plateau_min_v is not None]
    bad = [crank for crank in judged if (crank.plateau_min_v or 0.0) < ride.limits.cranking_v]
    reset = ride.together(ride.of(EventKind.MODULE_RESTART), ride.starts, 0.0)
    stopped = dips(ride, "engine_stopped")
    if not (hits or bad or reset or stopped):
        return
    yield Needs(("cranking_v",) if bad and not hits else ("undervoltage_v",))
    yield from _cranking(ride, judged, bad)
    if reset:
        yield reason(say("reason.battery.restart"), SUPPORT, reset, "crank")
    yield from _under_load(ride, hits)
    yield from _reduced(ride, "reason.battery.derate", SUPPORT)
    yield from _charged(ride)
    yield from _elsewhere(ride, found, bool(hits))


def _cranking(ride: Ride, judged: list[CrankFit], bad: list[CrankFit]) -> Iterator[Reason]:
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


def _under_load(ride: Ride, hits: Hits) -> Iterator[Reason]:
    if not hits:
        return
    low, limit = pair(lowest(ride, hits), ride.limits.undervoltage_v, "V")
    path = ride.physics.supply_path
    if path is not None and _sure(path) and path.path_ohm.high <= ride.limits.max_circuit_ohm:
        drop = volts(path.drop_v)
        text = say("reason.battery.load_path_good", low=low, limit=limit, drop=drop)
        yield reason(text, ENOUGH, hits, "supply_path")
    else:
        yield reason(say("reason.battery.load", low=low, limit=limit), SUPPORT, hits)
    yield from _system_then(ride, hits)
    source = None if path is None else path.source_ohm
    if source is not None and source.low > SOURCE_OHM:
        text = say(
            "reason.battery.source",
            source=with_interval(source, "mΩ", 0, 1000.0),
            limit=milliohms(SOURCE_OHM),
        )
        yield reason(text, SUPPORT, figure="supply_path")


def _system_then(ride: Ride, hits: Hits) -> Iterator[Reason]:
    system, module = ride.lowest("system_voltage", hits), lowest(ride, hits)
    if system is None or module is None or ride.supply is None:
        return
    if system - module < SYSTEM_GOOD_V:
        yield reason(say("reason.battery.system_low", low=volts(system)), SUPPORT, hits)
    else:
        yield reason(say("reason.battery.system_good", low=volts(system)), -SUPPORT, hits)


def _charged(ride: Ride) -> Iterator[Reason]:
    fit, limits = ride.physics.charging, ride.limits
    if fit is not None and fit.voltage_v.low >= limits.charging_v:
        rpm = quantity(limits.charging_rpm, "rpm")
        text = say("reason.battery.charged", rpm=rpm, middle=volts(fit.voltage_v.value))
        yield reason(text, HINT, (), "charging")


def _elsewhere(ride: Ride, found: Found, under_load: bool) -> Iterator[Reason]:
    charging = found.get(Code.CHARGING_FAULT)
    if charging is not None and charging.holds(Strength.MODERATE):
        yield reason(say("reason.battery.charging"), -UNDONE, ride.of(EventKind.CHARGING_LOW))
    path = ride.physics.supply_path
    if path is not None and under_load and path_beyond(ride) and path.drop_v >= MIN_DROP_V:
        current = quantity(path.peak_current_a, "A")
        text = say("reason.battery.path", drop=volts(path.drop_v), current=current)
        yield reason(text, -UNDONE, (), "supply_path")


# -- the path to the module -------------------------------------------------------------------


def supply_resistance(ride: Ride, found: Found) -> Iterator[Reason]:
    """Weigh that wiring, connectors or grounds to the module lose too much voltage."""
    hits = loaded(ride)
    path = ride.physics.supply_path
    if path is None and not hits:
        return
    yield Needs(("max_circuit_ohm",))
    yield from _path_caps(ride, path)
    if path is not None:
        yield from _path_reasons(ride, path)
    yield from _steps(ride, hits, path)
    yield from _battery_holds(ride, hits)
    charging = found.get(Code.CHARGING_FAULT)
    if charging is not None and charging.holds(Strength.MODERATE) and not path_beyond(ride):
        yield reason(say("reason.path.charging"), -ENOUGH, ride.of(EventKind.CHARGING_LOW))


def _path_caps(ride: Ride, path: SupplyPath | None) -> Iterator[Reason]:
    if ride.supply is None:
        yield Cap(Strength.WEAK, say("ground.cap_stand_in"))
    elif path is None or not _tells_path(ride, path):
        yield Cap(Strength.WEAK, say("ground.cap_path"))


def _tells_path(ride: Ride, path: SupplyPath) -> bool:
    """Tell whether the log holds what the contract asks for to blame the path."""
    split = path.method == "fast_split" or ride.timeline.has("system_voltage")
    return _sure(path) and split and ride.timeline.has("module_current")


def _path_reasons(ride: Ride, path: SupplyPath) -> Iterator[Reason]:
    limit_ohm = ride.limits.max_circuit_ohm
    shown = with_interval(path.path_ohm, "mΩ", 0, 1000.0)
    limit = milliohms(limit_ohm)
    if path.path_ohm.low > limit_ohm:
        text = say(
            "reason.path.high",
            path=shown,
            limit=limit,
            drop=volts(path.drop_v),
            current=quantity(path.peak_current_a, "A"),
        )
        yield reason(text, DECISIVE if _sure(path) else SUPPORT, (), "supply_path")
        if path.drop_v > ALWAYS_A_FAULT_V:
            text = say("reason.path.volt", drop=volts(path.drop_v))
            yield reason(text, SUPPORT, (), "supply_path")
    elif path.path_ohm.value > limit_ohm:
        yield reason(say("reason.path.maybe", path=shown, limit=limit), SUPPORT, (), "supply_path")
    elif _sure(path):
        yield reason(say("reason.path.good", path=shown, limit=limit), -DECISIVE, (), "supply_path")


def _steps(ride: Ride, hits: Hits, path: SupplyPath | None) -> Iterator[Reason]:
    step = tuple(hit for hit in hits if hit.event.cause == "steering_load")
    if step:
        low, limit = pair(lowest(ride, step), ride.limits.undervoltage_v, "V")
        key = "reason.path.step_one" if len(step) == 1 else "reason.path.step"
        yield reason(say(key, n=len(step), low=low, limit=limit), SUPPORT, step)
    if path is None or path.path_ohm.value > ride.limits.max_circuit_ohm:
        yield from _reduced(ride, "reason.path.derate", SUPPORT if path is not None else HINT)


def _battery_holds(ride: Ride, hits: Hits) -> Iterator[Reason]:
    system, module = ride.lowest("system_voltage", hits), lowest(ride, hits)
    own = ride.supply is not None
    if own and system is not None and module is not None and system - module >= SYSTEM_GOOD_V:
        text = say("reason.path.system_good", low=volts(system), module=volts(module))
        yield reason(text, SUPPORT, hits)
    path = ride.physics.supply_path
    if path is not None and _sure(path) and path.open_voltage_v >= ride.limits.charging_v:
        text = say("reason.path.open", open=volts(path.open_voltage_v))
        yield reason(text, HINT, (), "supply_path")


# -- breaks and too much ----------------------------------------------------------------------


def supply_break(ride: Ride, found: Found) -> Iterator[Reason]:
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
    both = cut + restart
    if ride.together(cut, restart):
        yield reason(say("reason.break.both"), SUPPORT, both)
    elif max(len(cut), len(restart)) > 1:
        yield reason(say("reason.break.repeated", times=times(len(both))), SUPPORT, both)
    yield from _rest_of_vehicle(ride, both)
    yield from _heard_wrong(ride, both)


def _rest_of_vehicle(ride: Ride, hits: Hits) -> Iterator[Reason]:
    system = ride.lowest("system_voltage", hits)
    if system is not None and ride.supply is not None and system >= ride.limits.undervoltage_v:
        yield reason(say("reason.break.system_good", low=volts(system)), SUPPORT, hits)
    engine = ride.lowest("engine_speed", hits)
    if engine is not None and engine > 0.0:
        yield reason(say("reason.break.engine_on"), HINT, hits)


def _heard_wrong(ride: Ride, hits: Hits) -> Iterator[Reason]:
    disturbed = ride.together(hits, ride.of(EventKind.BUS_DISTURBANCE))
    if disturbed:
        weight = -ENOUGH if len(disturbed) == len(hits) else -SUPPORT
        yield reason(say("reason.break.bus"), weight, disturbed)
    lost = ride.together(hits, ride.recorder_lost)
    if lost:
        weight = -UNDONE if len(lost) == len(hits) else -SUPPORT
        yield reason(say("reason.break.recorder"), weight, lost)


def overvoltage_fault(ride: Ride) -> Iterator[Reason]:
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
        text = say("reason.over.derate", n=len(reduced), all=len(ride.derates))
        yield reason(text, SUPPORT, reduced)
    if seconds >= LASTING_S:
        yield reason(say("reason.over.long", seconds=duration(seconds)), SUPPORT, hits)
    fit = ride.physics.charging
    if fit is not None and fit.voltage_v.value > ride.limits.overvoltage_v:
        shown, limit = pair(fit.voltage_v.value, ride.limits.overvoltage_v, "V")
        rpm = quantity(ride.limits.charging_rpm, "rpm")
        text = say("reason.over.charging", rpm=rpm, middle=shown, limit=limit)
        yield reason(text, SUPPORT, (), "charging")


def highest(ride: Ride, hits: Hits) -> float | None:
    """Return the highest supply over events, from their figures or else the channel."""
    seen = extreme_of(hits, max, *HIGH_SUPPLY)
    return ride.highest("supply_voltage", hits) if seen is None else seen

"""Evidence that wiring, connectors or grounds to the module lose too much voltage."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canassist.conclude.causes.supply_summary import (
    BETWEEN_V,
    both_then,
    dips,
    has_engine,
    loaded,
    lowest,
    path_beyond,
    reduced_by_supply,
    source_low,
    sure_path,
)
from canassist.conclude.causes.weights import (
    DECISIVE,
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
from canassist.conclude.wording.sentences import pair, quantity, resistance, say, volts
from canassist.model import Code, EventKind, Strength

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canassist.conclude.causes.weights import Found, Reason
    from canassist.conclude.ride_findings import IndexedEvents, RideFindings
    from canassist.model import SupplyPath


def supply_resistance(ride: RideFindings, found: Found) -> Iterator[Reason]:
    """Weigh that wiring, connectors or grounds to the module lose too much voltage."""
    hits = loaded(ride)
    path = measured_path(ride)
    beyond = path is not None and path.path_ohm.value > ride.limits.max_circuit_ohm
    causes = {"steering_load"} if has_engine(ride) is not False else {"steering_load", None}
    under = EventKind.UNDERVOLTAGE
    stepped = tuple(hit for hit in hits if hit.event.kind is under and hit.event.cause in causes)
    if not beyond and not stepped:
        return
    yield Needs(("max_circuit_ohm",))
    yield from _path_caps(ride, path)
    if path is not None:
        yield from _path_reasons(ride, path)
    yield from _steps(ride, stepped, path)
    yield from _battery_holds(ride, hits)
    charging = found.get(Code.CHARGING_FAULT)
    if charging is not None and charging.holds(Strength.MODERATE) and not path_beyond(ride):
        yield reason(say("reason.path.charging"), -ENOUGH, ride.of(EventKind.CHARGING_LOW))
    broken = found.get(Code.SUPPLY_BREAK)
    cut = ride.together(stepped, dips(ride, "supply_break"))
    if cut and broken is not None and broken.holds(Strength.MODERATE) and not path_beyond(ride):
        yield reason(say("reason.path.broken"), -UNDONE, cut)


def measured_path(ride: RideFindings) -> SupplyPath | None:
    """Return the path where it was measured; a guess from the motor gives no conclusion."""
    path = ride.physics.supply_path
    return path if path is not None and sure_path(path) else None


def _path_caps(ride: RideFindings, path: SupplyPath | None) -> Iterator[Reason]:
    if not ride.supply_holds("undervoltage_v"):
        yield Cap(Strength.WEAK, say("basis.cap_nominal"))
    if ride.supply is None:
        yield Cap(Strength.WEAK, say("basis.cap_stand_in"))
    elif path is None or not _tells_path(ride, path):
        yield Cap(Strength.WEAK, say("basis.cap_path"))
    elif path.path_ohm.low <= 0.0:
        yield Cap(Strength.WEAK, say("basis.cap_not_path"))


def _tells_path(ride: RideFindings, path: SupplyPath) -> bool:
    """Tell whether the log holds what the contract asks for to blame the path."""
    split = path.method == "fast_split" or ride.timeline.has("system_voltage")
    return split and ride.timeline.has("module_current")


def _path_reasons(ride: RideFindings, path: SupplyPath) -> Iterator[Reason]:
    limit_ohm = ride.limits.max_circuit_ohm
    shown = resistance(path.path_ohm, limit_ohm)
    samples = whole(ride, "supply_voltage", "module_current")
    if path.path_ohm.low > limit_ohm:
        words = {"drop": volts(path.drop_v), "current": quantity(path.peak_current_a, "A")}
        key = "reason.path.high_volt" if path.drop_v > BETWEEN_V else "reason.path.high"
        yield reason(say(key, path=shown, **words), DECISIVE, (), "supply_path", samples=samples)
    elif path.path_ohm.value > limit_ohm:
        text = say("reason.path.maybe", path=shown)
        yield reason(text, SUPPORT, (), "supply_path", samples=samples)
    else:
        text = say("reason.path.good", path=shown)
        yield reason(text, -DECISIVE, (), "supply_path", samples=samples)


def _steps(ride: RideFindings, step: IndexedEvents, path: SupplyPath | None) -> Iterator[Reason]:
    if step:
        low, limit = pair(lowest(ride, step), ride.limits.undervoltage_v, "V")
        key = "reason.path.step_one" if len(step) == 1 else "reason.path.step"
        yield reason(say(key, n=len(step), low=low, limit=limit), SUPPORT, step)
    if path is None or path.path_ohm.value > ride.limits.max_circuit_ohm:
        weight = SUPPORT if path is not None else HINT
        yield from reduced_by_supply(ride, "reason.path.derate", weight)


def _battery_holds(ride: RideFindings, hits: IndexedEvents) -> Iterator[Reason]:
    path = measured_path(ride)
    then = both_then(ride, hits)
    if then is not None:
        system, module = volts(then.system_v), volts(then.module_v)
        samples = cited(ride, hits, "system_voltage")
        if source_low(ride, then):
            yield Cap(Strength.MODERATE, say("basis.cap_source_low", low=system))
        elif then.system_v - then.module_v >= BETWEEN_V:
            text = say("reason.path.system_good", low=system, module=module)
            yield reason(text, SUPPORT, hits, samples=samples)
        elif not path_beyond(ride):
            text = say("reason.path.system_low", low=system)
            yield reason(text, -SUPPORT, hits, samples=samples)
    elif path is not None and path.method == "difference" and path_beyond(ride):
        text = say("reason.path.two_ends")
        yield reason(text, SUPPORT, (), "supply_path", samples=whole(ride, "system_voltage"))
    if path is not None and path.open_voltage_v >= ride.limits.charging_v:
        text = say("reason.path.open", open=volts(path.open_voltage_v))
        yield reason(text, HINT, (), "supply_path", samples=whole(ride, "supply_voltage"))

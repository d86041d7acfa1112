"""Evidence that wiring, connectors or grounds to the module lose too much voltage."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canassist.conclude.causes.supply_summary import (
    BETWEEN_V,
    both_then,
    loaded,
    lowest,
    path_beyond,
    reduced_by_supply,
    sure_path,
)
from canassist.conclude.causes.weights import DECISIVE, ENOUGH, HINT, SUPPORT, Cap, Needs, reason
from canassist.conclude.wording.sentences import pair, quantity, resistance, say, volts
from canassist.model import Code, EventKind, Strength

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canassist.conclude.causes.weights import Found, Reason
    from canassist.conclude.ride_findings import Hits, RideFindings
    from canassist.model import SupplyPath


def supply_resistance(ride: RideFindings, found: Found) -> Iterator[Reason]:
    """Weigh that wiring, connectors or grounds to the module lose too much voltage."""
    hits = loaded(ride)
    path = ride.physics.supply_path
    beyond = path is not None and path.path_ohm.value > ride.limits.max_circuit_ohm
    if not beyond and not hits:
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


def _path_caps(ride: RideFindings, path: SupplyPath | None) -> Iterator[Reason]:
    if ride.supply is None:
        yield Cap(Strength.WEAK, say("basis.cap_stand_in"))
    elif path is None or not _tells_path(ride, path):
        yield Cap(Strength.WEAK, say("basis.cap_path"))


def _tells_path(ride: RideFindings, path: SupplyPath) -> bool:
    """Tell whether the log holds what the contract asks for to blame the path."""
    split = path.method == "fast_split" or ride.timeline.has("system_voltage")
    return sure_path(path) and split and ride.timeline.has("module_current")


def _path_reasons(ride: RideFindings, path: SupplyPath) -> Iterator[Reason]:
    limit_ohm = ride.limits.max_circuit_ohm
    shown = resistance(path.path_ohm, limit_ohm)
    if path.path_ohm.low > limit_ohm:
        text = say(
            "reason.path.high",
            path=shown,
            drop=volts(path.drop_v),
            current=quantity(path.peak_current_a, "A"),
        )
        yield reason(text, DECISIVE if sure_path(path) else SUPPORT, (), "supply_path")
        if path.drop_v > BETWEEN_V:
            text = say("reason.path.volt", drop=volts(path.drop_v))
            yield reason(text, SUPPORT, (), "supply_path")
    elif path.path_ohm.value > limit_ohm:
        yield reason(say("reason.path.maybe", path=shown), SUPPORT, (), "supply_path")
    elif sure_path(path):
        yield reason(say("reason.path.good", path=shown), -DECISIVE, (), "supply_path")


def _steps(ride: RideFindings, hits: Hits, path: SupplyPath | None) -> Iterator[Reason]:
    step = tuple(hit for hit in hits if hit.event.cause == "steering_load")
    if step:
        low, limit = pair(lowest(ride, step), ride.limits.undervoltage_v, "V")
        key = "reason.path.step_one" if len(step) == 1 else "reason.path.step"
        yield reason(say(key, n=len(step), low=low, limit=limit), SUPPORT, step)
    if path is None or path.path_ohm.value > ride.limits.max_circuit_ohm:
        yield from reduced_by_supply(
            ride, "reason.path.derate", SUPPORT if path is not None else HINT
        )


def _battery_holds(ride: RideFindings, hits: Hits) -> Iterator[Reason]:
    then = both_then(ride, hits)
    if then is not None:
        system, module = volts(then.system_v), volts(then.module_v)
        if then.system_v - then.module_v >= BETWEEN_V:
            text = say("reason.path.system_good", low=system, module=module)
            yield reason(text, SUPPORT, hits)
        else:
            yield reason(say("reason.path.system_low", low=system), -SUPPORT, hits)
    path = ride.physics.supply_path
    if path is not None and sure_path(path) and path.open_voltage_v >= ride.limits.charging_v:
        text = say("reason.path.open", open=volts(path.open_voltage_v))
        yield reason(text, HINT, (), "supply_path")

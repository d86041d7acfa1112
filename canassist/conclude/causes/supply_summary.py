"""What every cause about the supply looks at: dips, the path, the lowest and highest."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from canassist import physics
from canassist.conclude.causes.weights import reason
from canassist.conclude.ride_findings import extreme_of
from canassist.conclude.wording.sentences import say, which
from canassist.model import EventKind
from canassist.timeline import value_at

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canassist.conclude.causes.weights import Reason
    from canassist.conclude.ride_findings import IndexedEvents, RideFindings
    from canassist.model import SupplyPath

BETWEEN_V: Final = 1.0
"""More than this between system and module voltage is lost on the way; over wiring it counts as
a fault whatever the current, V (repair manual note)."""

LOW_SUPPLY: Final = ("min_supply_v",)
HIGH_SUPPLY: Final = ("max_supply_v",)


ENGINE: Final = "engine_speed"


def has_engine(ride: RideFindings) -> bool | None:
    """Tell whether the supply has an engine behind it; None where nothing says."""
    return physics.has_engine(ride.timeline, ride.profile)


def dips(ride: RideFindings, *causes: str) -> IndexedEvents:
    """Return the undervoltage events above a note with one of these causes."""
    low = ride.of(EventKind.UNDERVOLTAGE, *causes)
    return tuple(hit for hit in low if hit.position in ride.warned_positions)


def loaded(ride: RideFindings) -> IndexedEvents:
    """Return what a load that pulls supply down leaves behind, engine starts left out."""
    low = dips(ride, "steering_load", "other_load", "charging") + _unnamed(ride)
    by_position = {hit.position: hit for hit in low + ride.derates_by("voltage")}
    return tuple(hit for _, hit in sorted(by_position.items()))


def _unnamed(ride: RideFindings) -> IndexedEvents:
    return tuple(hit for hit in ride.of(EventKind.UNDERVOLTAGE) if hit.event.cause is None)


def reduced_by_supply(ride: RideFindings, key: str, weight: float) -> Iterator[Reason]:
    """Weigh that reductions followed supply voltage, in the words of ``key``."""
    hits = ride.derates_by("voltage")
    if hits:
        yield reason(say(key, **which(len(hits), len(ride.derates))), weight, hits)


def lowest(ride: RideFindings, hits: IndexedEvents) -> float | None:
    """Return the lowest supply over events, from their figures or else the channel."""
    seen = extreme_of(hits, min, *LOW_SUPPLY)
    return ride.lowest("supply_voltage", hits) if seen is None else seen


class BothThen(NamedTuple):
    """System voltage and the module's own at one moment, V."""

    system_v: float
    module_v: float


def both_then(ride: RideFindings, hits: IndexedEvents) -> BothThen | None:
    """Return both voltages at the moment within events at which the module's was lowest.

    Only moments at which the slower of both was sampled are looked at: the starter's inrush
    lasts a blink, and a slow reading that misses it did not hold through it. None where
    either is unknown.
    """
    module, system = ride.supply, ride.timeline.get("system_voltage")
    if module is None or system is None:
        return None
    slower = max((module, system), key=lambda channel: channel.period_s)
    at_s = ride.times_within(slower, hits)
    module_v = value_at(ride.timeline, "supply_voltage", at_s)
    system_v = value_at(ride.timeline, "system_voltage", at_s)
    known = np.flatnonzero(~np.isnan(module_v + system_v))
    if not len(known):
        return None
    row = known[np.argmin(module_v[known])]
    return BothThen(float(system_v[row]), float(module_v[row]))


def source_low(ride: RideFindings, then: BothThen) -> bool:
    """Tell whether the source itself lay below the supply's limit at the worst moment.

    Then what is lost on the way is not all of it.
    """
    return ride.supply_holds("undervoltage_v") and then.system_v < ride.limits.undervoltage_v


def sure_path(path: SupplyPath) -> bool:
    """Tell whether the path was measured, and not guessed from the motor."""
    return path.method != "motor_power"


def path_beyond(ride: RideFindings) -> bool:
    """Tell whether the supply path lies beyond its limit with its whole interval."""
    path = ride.physics.supply_path
    return path is not None and sure_path(path) and path.path_ohm.low > ride.limits.max_circuit_ohm


def highest(ride: RideFindings, hits: IndexedEvents) -> float | None:
    """Return the highest supply over events, from their figures or else the channel."""
    seen = extreme_of(hits, max, *HIGH_SUPPLY)
    return ride.highest("supply_voltage", hits) if seen is None else seen

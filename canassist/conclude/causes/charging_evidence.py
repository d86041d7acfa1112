"""Evidence that the engine runs and nothing charges."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from canassist.conclude.causes.supply_summary import dips, lowest, path_beyond
from canassist.conclude.causes.weights import ENOUGH, SUPPORT, UNDONE, Needs, reason
from canassist.conclude.wording.sentences import duration, pair, quantity, say, volts, which
from canassist.model import EventKind

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canassist.conclude.causes.weights import Reason
    from canassist.conclude.ride_findings import Hits, RideFindings


NOT_CHARGED_V: Final = 12.9
"""Supply with the engine running below which nothing charges at all: just above a full battery
at rest (12.65 V, common table)."""


def charging_fault(ride: RideFindings) -> Iterator[Reason]:
    """Weigh that the engine runs and nothing charges."""
    hits, pulled = ride.of(EventKind.CHARGING_LOW), dips(ride, "charging")
    if not hits and not pulled:
        return
    yield Needs(("charging_v", "charging_rpm"))
    yield from _not_charging(ride, hits, pulled)
    yield from _charging_level(ride, hits)
    low = ride.derates_by("voltage")
    if low:
        text = say("reason.charging.derate", **which(len(low), len(ride.derates)))
        yield reason(text, SUPPORT, low)
    yield from _charged_after_all(ride, hits)


def _not_charging(ride: RideFindings, hits: Hits, pulled: Hits) -> Iterator[Reason]:
    limits = ride.limits
    if hits:
        text = say(
            "reason.charging.low",
            seconds=duration(ride.seconds(hits)),
            rpm=quantity(limits.charging_rpm, "rpm"),
            limit=volts(limits.charging_v),
        )
        yield reason(text, ENOUGH, hits, "charging")
    if pulled:
        low, limit = pair(lowest(ride, pulled), limits.undervoltage_v, "V")
        text = say("reason.charging.dips", low=low, limit=limit)
        yield reason(text, SUPPORT, pulled)


def _charging_level(ride: RideFindings, hits: Hits) -> Iterator[Reason]:
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


def _charged_after_all(ride: RideFindings, hits: Hits) -> Iterator[Reason]:
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

"""Evidence that the engine runs and nothing charges."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.conclude.causes.claims import cited_values
from canassist.conclude.causes.supply_summary import dips, loaded, path_beyond, sure_path
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
from canassist.conclude.wording.sentences import duration, quantity, say, share, volts, which
from canassist.model import Bound, Claim, EventKind, Strength
from canassist.timeline import seen_s, value_at

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canassist.conclude.causes.weights import Reason
    from canassist.conclude.ride_findings import IndexedEvents, RideFindings

NOT_CHARGED_V: Final = 12.75
"""A battery that carries a running vehicle alone stands below this between loads: just above a full
one at rest (12.65 V, common table); for a nominal 12 V, scaled elsewhere."""

BETWEEN_LOADS: Final = 0.8
"""Supply between loads: this quantile of it."""

REGULATED_V: Final = 12.2
"""Regulated sources let supply fall this low by design (common practice, no source); below it
nothing charges by design."""

CHARGED_SHARE: Final = 0.2
"""Charging for this share of the fast running shows a source that can (rule of thumb)."""

TAKING_A: Final = 1.0
"""A battery that takes this current is being charged, A: above what sensors rest at."""


def charging_fault(ride: RideFindings) -> Iterator[Reason]:
    """Weigh that the engine runs and nothing charges."""
    hits = ride.of(EventKind.CHARGING_LOW)
    if not hits or ride.profile.supply.source == "battery":
        return
    yield Needs(("charging_v", "charging_rpm"))
    yield from _not_charging(ride, hits)
    low = _pulled(ride, hits)
    if low:
        text = say("reason.charging.derate", **which(len(low), len(ride.derates)))
        yield reason(text, SUPPORT, low)
    yield from _battery_current(ride, hits)
    yield from _charged_at_times(ride, hits)
    yield from _lost_on_the_way(ride, hits)


def _pulled(ride: RideFindings, hits: IndexedEvents) -> IndexedEvents:
    """Return reductions by low supply meanwhile; a contact that opens is no matter of charging."""
    low = ride.together(ride.derates_by("voltage"), hits)
    return ride.apart(low, dips(ride, "supply_break"))


def _not_charging(ride: RideFindings, hits: IndexedEvents) -> Iterator[Reason]:
    """Weigh the level itself: one voltage, told once."""
    limits = ride.limits
    level_v = ride.middle("supply_voltage", hits)
    seconds = _seconds_below(ride, hits)
    words = {
        "seconds": duration(seconds),
        "rpm": quantity(limits.charging_rpm, "rpm"),
        "limit": volts(limits.charging_v),
        "middle": volts(level_v),
    }
    samples = cited(ride, hits, "supply_voltage", "engine_speed")
    if carries_alone(ride, "supply_voltage", hits):
        yield reason(
            say("reason.charging.dead", **words), ENOUGH, hits, "charging", samples=samples
        )
        pulled = dips(ride, "charging")
        if pulled:
            yield reason(say("reason.charging.dips"), HINT, pulled)
    else:
        yield reason(
            say("reason.charging.low", **words), SUPPORT, hits, "charging", samples=samples
        )
        if drawn_down(ride, hits):
            yield Cap(Strength.WEAK, say("basis.cap_charges_between"))
    system = ride.middle("system_voltage", hits)
    if ride.supply is not None and carries_alone(ride, "system_voltage", hits):
        text = say("reason.charging.system_low", middle=volts(system))
        yield reason(text, SUPPORT, hits, channels=("system_voltage",))


def carries_alone(ride: RideFindings, name: str, hits: IndexedEvents) -> bool:
    """Tell whether a voltage, between loads too, stood where an uncharged battery has it."""
    channel = ride.timeline.get(name)
    if channel is None or not hits:
        return False
    values = np.concatenate([ride.within(channel, hit.event) for hit in hits])
    dead_v = NOT_CHARGED_V * ride.volt_share
    return len(values) > 0 and float(np.quantile(values, BETWEEN_LOADS)) < dead_v


def drawn_down(ride: RideFindings, hits: IndexedEvents) -> bool:
    """Tell whether dips of the steering's load lie in, or the battery gives way in, that time."""
    return bool(ride.together(hits, loaded(ride)))


def _seconds_below(ride: RideFindings, hits: IndexedEvents) -> float:
    """Return how long supply really was below its limit with the engine fast, s."""
    channel, limits = ride.timeline.get("supply_voltage"), ride.limits
    if channel is None:
        return 0.0
    time_s, supply_v = channel.valid()
    steps = np.append(np.diff(seen_s(time_s, stale_after_s=channel.stale_after_s)), 0.0)
    low = supply_v < limits.charging_v
    if ride.timeline.has("engine_speed"):
        low &= value_at(ride.timeline, "engine_speed", time_s) > limits.charging_rpm
    inside = np.zeros(len(time_s), dtype=np.bool_)
    for hit in hits:
        inside |= (time_s >= hit.event.start_s) & (time_s <= hit.event.until(ride.end_s))
    return float(steps[low & inside].sum())


def _battery_current(ride: RideFindings, hits: IndexedEvents) -> Iterator[Reason]:
    """Weigh what the battery itself gives or takes; discharge is positive."""
    current = ride.timeline.get("system_current")
    middle = ride.middle("system_current", hits)
    if current is None or middle is None or not current.sign_known:
        return
    samples = cited(ride, hits, "system_current")
    if middle < -TAKING_A:
        text = say("reason.charging.taking", current=quantity(-middle, "A"))
        yield reason(text, -UNDONE, hits, samples=samples)
    elif middle > TAKING_A:
        text = say("reason.charging.giving", current=quantity(middle, "A"))
        yield reason(text, ENOUGH, hits, samples=samples)


def source_charges(ride: RideFindings) -> bool:
    """Tell whether supply, between loads, stood at its charging voltage or above."""
    path, fit = ride.physics.supply_path, ride.physics.charging
    known = ride.supply_holds("charging_v")
    if fit is not None and known and fit.voltage_v.high >= ride.limits.charging_v:
        return True
    open_v = 0.0 if path is None or not sure_path(path) else path.open_voltage_v
    return known and open_v >= ride.limits.charging_v


def _charged_at_times(ride: RideFindings, hits: IndexedEvents) -> Iterator[Reason]:
    """Weigh that the same source charged well again later, as regulated ones do by design.

    One that charged before and never after has failed on the way.
    """
    pulled = _pulled(ride, hits)
    regulated, at_source = ride.profile.supply.regulated, ride.middle("system_voltage", hits)
    level_v = ride.middle("supply_voltage", hits) if at_source is None else at_source
    by_design = REGULATED_V * ride.volt_share
    maybe = regulated is None and level_v is not None and level_v >= by_design
    drained = (pulled or dips(ride, "charging")) and not path_beyond(ride)
    if (regulated or maybe) and not drained:
        yield Cap(Strength.WEAK, say("basis.cap_regulated" if regulated else "basis.cap_maybe"))
    channel, limits = ride.timeline.get("supply_voltage"), ride.limits
    if channel is None:
        return
    time_s, supply_v = channel.valid()
    fast = time_s > hits[-1].event.start_s
    if ride.timeline.has("engine_speed"):
        fast &= value_at(ride.timeline, "engine_speed", time_s) > limits.charging_rpm
    if not fast.any():
        return
    charged = float((supply_v[fast] >= limits.charging_v).mean())
    if charged >= CHARGED_SHARE:
        text = say("reason.charging.at_times", share=share(charged), limit=volts(limits.charging_v))
        yield reason(text, -UNDONE, (), "charging", samples=whole(ride, "supply_voltage"))


def _lost_on_the_way(ride: RideFindings, hits: IndexedEvents) -> Iterator[Reason]:
    """Weigh what says that the loss lies behind a source that charges."""
    limit_v = ride.limits.charging_v
    module = ride.middle("supply_voltage", hits)
    system = ride.middle("system_voltage", hits)
    if system is not None and ride.supply is not None and system >= limit_v:
        samples = cited(ride, hits, "system_voltage")
        most = Claim(
            samples=samples,
            bound=Bound.ROSE_ABOVE,
            value=float(cited_values(ride.timeline, samples).max()),
            limit=limit_v - TINY_V,
        )
        text = say("reason.charging.system_good", middle=volts(system))
        yield reason(text, -UNDONE, hits, samples=samples, claims=(most,))
        return
    path, drawn = ride.physics.supply_path, ride.middle("module_current", hits)
    if path is None or module is None or drawn is None or not path_beyond(ride):
        return
    source = module + path.path_ohm.value * drawn
    if source >= limit_v:
        text = say("reason.charging.path", middle=volts(source))
        yield reason(text, -UNDONE, hits, "supply_path")


TINY_V: Final = 1e-3
"""A voltage at its limit is not below it, V."""

"""Every cause weighed, root before consequence."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from canassist.conclude.causes import (
    battery_evidence,
    charging_evidence,
    heat_evidence,
    mechanical_evidence,
    module_evidence,
    speed_and_bus_evidence,
    steering_evidence,
    supply_extremes,
    supply_path_evidence,
)
from canassist.conclude.causes.weights import Cap, HoldingWords, WeighedCause, weigh
from canassist.conclude.wording.sentences import channel_names, say
from canassist.model import BLAMELESS, Code, Strength

if TYPE_CHECKING:
    from collections.abc import Iterable

    from canassist.conclude.causes.weights import Reason
    from canassist.conclude.ride_findings import RideFindings


def weigh_causes(ride: RideFindings) -> dict[Code, WeighedCause]:
    """Weigh every cause that has evidence; a later one may look at the earlier ones.

    The order is that of cause and consequence, so that what an earlier cause explains
    is not held against a later part as well. In a file whose data is known to be damaged
    any oddity may be the damage: nothing there is more than weak. Of a file that ends in the
    middle nothing is strongly blamed. Where a recording is but a part of the ride, what is no
    more than weak is not told at all: the rest might have spoken against it.
    """
    found: dict[Code, WeighedCause] = {}
    bus = ride.timeline.bus
    doubt = [Cap(Strength.WEAK, say("basis.cap_damaged"))] if bus.doubtful else []
    part = [Cap(Strength.MODERATE, say("basis.cap_cut"))] if bus.cut else []

    words = HoldingWords(say("basis.cap_assumed"), say("basis.cap_thin"))

    def note(code: Code, reasons: Iterable[Reason]) -> None:
        held = doubt if code in BLAMELESS else [*doubt, *part]
        weighed = weigh(code, (*reasons, *held), ride.profile, words)
        if weighed.reasons:
            found[code] = _held_where_unchecked(ride, weighed)

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
    note(Code.MODULE_SUSPECT, module_evidence.module_suspect(ride, found))
    note(Code.MECHANICAL_LOAD, mechanical_evidence.mechanical_load(ride))
    return {
        code: weighed
        for code, weighed in found.items()
        if not (ride.in_part and weighed.strength is Strength.WEAK)
    }


def _held_where_unchecked(ride: RideFindings, weighed: WeighedCause) -> WeighedCause:
    """Hold at moderate what is strong only by channels whose unit nothing could check.

    The module's own word is strong by itself; good conditions beside it only add.
    """
    unchecked = {
        name for name, channel in ride.timeline.channels.items() if "unit" in channel.not_checked
    }
    resting = {one.channel for item in weighed.because for one in item.samples} & unchecked
    if weighed.code is Code.MODULE_SUSPECT or not resting or weighed.earned is not Strength.STRONG:
        return weighed
    sure = tuple(
        item for item in weighed.reasons if not any(one.channel in resting for one in item.samples)
    )
    if replace(weighed, reasons=sure).earned is Strength.STRONG:
        return weighed
    why = say("basis.cap_not_checked", channels=channel_names(sorted(resting)))
    return replace(weighed, caps=(*weighed.caps, Cap(Strength.MODERATE, why)))

"""Before and after: was the fault there, is it gone, was the second ride hard enough to show it."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from canassist.comparison.comparison_texts import worded
from canassist.comparison.fault_conditions import FaultConditions
from canassist.model import (
    BLAMELESS,
    CHANNEL_UNITS,
    Code,
    Event,
    EventKind,
    Repair,
    RepairState,
    Strength,
    VehicleRelation,
)
from canassist.timeline import value_at, with_known_units

if TYPE_CHECKING:
    from collections.abc import Callable

    from canassist.comparison.measured_figure import Side
    from canassist.model import Conclusion, Result

UNSEEN_CHANCE: Final = 0.05
"""A fault that comes now and then is gone where staying unseen would be rarer than this."""

LOAD_SHARE: Final = 0.8
"""The second ride loads the supply enough where it reaches this share of the first one's load."""

LOAD_QUANTILE: Final = 0.95
"""Load is this quantile of current in slow steering, so that one spike does not decide."""

SAME_OCCASION_S: Final = 1.0
"""Events closer than this are one occasion of the fault."""

PERSISTENT_SHARE: Final = 0.5
"""A fault that holds for this share of a ride needs no luck to be seen."""

STEADY_S: Final = 30.0
"""Engine running without which a lasting fault may have had no time to show."""

SIDE_S: Final = 3.0
"""Steering to a side without which a one-sided fault may have had no time to show."""


class RiddenConditions(NamedTuple):
    """Whether the second ride was hard enough to show a fault, in a sentence."""

    enough: bool
    text: str


def repairs(a: Side, b: Side, relation: VehicleRelation) -> tuple[Repair, ...]:
    """Look on side B for every fault that side A shows, in A's order.

    Nothing is repaired on another vehicle: of two vehicles nothing is said here.
    """
    if relation is VehicleRelation.TWO:
        return ()
    shown: dict[Code, Conclusion] = {}
    for result in a:
        for item in result.conclusions:
            if item.code not in BLAMELESS:
                shown.setdefault(item.code, item)
    return tuple(_repair(item, a, b, relation) for item in shown.values())


def _repair(item: Conclusion, a: Side, b: Side, relation: VehicleRelation) -> Repair:
    again = [c for result in b for c in result.conclusions if c.code is item.code]
    ridden = _ridden(item, a, b)
    state, text = _state(item, again, ridden, one=relation is VehicleRelation.ONE)
    return Repair(
        code=str(item.code),
        state=state,
        text=text.format(name=str(item.code).replace("_", " "), A="{A}", B="{B}"),
        before=f"{worded(item)}.",
        after=f"{worded(again[0])}." if again else "The own answer of {B} does not name it.",
        ridden=ridden.text,
    )


def _state(
    item: Conclusion, again: list[Conclusion], ridden: RiddenConditions, *, one: bool
) -> tuple[RepairState, str]:
    """Return what became of a fault, and the sentence that says so."""
    there = "{name} is there on {A}"
    strongest = min((_ORDER[c.strength] for c in again if c.strength), default=len(_ORDER))
    if not item.blames:
        text = "{A} shows {name} only as a suspicion: there is no sure fault to be gone."
        return RepairState.NOT_THERE_BEFORE, text
    if again and strongest <= _ORDER[Strength.MODERATE]:
        if one:
            return RepairState.NOT_REPAIRED, f"Not repaired: {there} and still there on {{B}}."
        text = "{A} and {B} both show {name}; if they are one vehicle, it is not repaired."
        return RepairState.NOT_SHOWN, text
    if again or not ridden.enough:
        text = f"Not shown: {there}, and the ride of {{B}} cannot show that it is gone."
        return RepairState.NOT_SHOWN, text
    if not one:
        text = f"Not shown: {there} and not on {{B}}, but nothing says that they are one vehicle."
        return RepairState.NOT_SHOWN, text
    return RepairState.REPAIRED, f"Repaired: {there} and gone on {{B}}."


_ORDER: Final = {Strength.STRONG: 0, Strength.MODERATE: 1, Strength.WEAK: 2}


_KIN: Final[tuple[frozenset[Code], ...]] = (
    frozenset(
        {
            Code.SUPPLY_RESISTANCE,
            Code.SUPPLY_BREAK,
            Code.LOW_BATTERY,
            Code.CHARGING_FAULT,
            Code.OVERVOLTAGE_FAULT,
        }
    ),
    frozenset(
        {
            Code.MODULE_SUSPECT,
            Code.SUPPLY_BREAK,
            Code.SPEED_SIGNAL_FAULT,
            Code.BUS_FAULT,
        }
    ),
    frozenset({Code.ASSIST_MAP_DEVIATION, Code.TORQUE_SENSOR_OFFSET, Code.MODULE_SUSPECT}),
)
"""Faults that are easily taken for each other: one on B may be the other one of A."""


def _ridden(item: Conclusion, a: Side, b: Side) -> RiddenConditions:
    """Tell whether B was ridden hard enough, and seen well enough, to show this fault."""
    rule = _RULES.get(item.code)
    if rule is None:
        return RiddenConditions(False, "No rule says what a ride takes to show this fault.")
    short = _kin(item.code, b) or _needs(item.code, b)
    ridden = RiddenConditions(False, short) if short else rule(a, b)
    unseen = _unseen(item, b) if ridden.enough else ""
    return RiddenConditions(False, unseen) if unseen else ridden


def _unseen(item: Conclusion, b: Side) -> str:
    """Say why B's rides could not tell of this fault at all; empty where one could."""
    if all(result.conclusions[0].code is Code.INCONCLUSIVE for result in b):
        return "The ride of {B} is inconclusive by itself."
    cited = {cut.channel for why in item.because if why.weight > 0.0 for cut in why.samples}
    lacking = min((_not_known(result, cited) for result in b), key=len)
    if lacking:
        names = ", ".join(name.replace("_", " ") for name in lacking)
        return f"What showed it on {{A}} is not known of {{B}}: {names}."
    return ""


def _not_known(result: Result, names: set[str]) -> list[str]:
    timeline = with_known_units(result.timeline)
    return sorted(name for name in names if name in CHANNEL_UNITS and not timeline.has(name))


def _kin(code: Code, b: Side) -> str:
    """Name what B blames that may be the same fault seen otherwise; empty where nothing."""
    kin = frozenset().union(*(group for group in _KIN if code in group)) - {code}
    found = next((c for result in b for c in result.conclusions if c.code in kin), None)
    return f"On {{B}} the same fault may show as another one: {worded(found)}." if found else ""


def _needs(code: Code, b: Side) -> str:
    """Return what this fault needs and no ride of B had; empty where one had it."""
    if code in _OWN_NEEDS:
        return ""
    needs = [need for result in b for need in result.coverage.needs if need.code is code]
    if not needs or any(need.met for need in needs):
        return ""
    return f"{{B}} did not ride what it takes: {needs[0].text}"


_OWN_NEEDS: Final = frozenset({Code.SUPPLY_RESISTANCE, Code.TORQUE_SENSOR_OFFSET, Code.LOW_BATTERY})
"""Faults whose rule below asks more exactly."""


def _path(a: Side, b: Side) -> RiddenConditions:
    for result in b:
        path, limit = result.physics.supply_path, result.profile.limits.max_circuit_ohm
        if path is None or path.method == "motor_power":
            continue
        most, allowed = 1000.0 * path.path_ohm.high, 1000.0 * limit
        text = f"The path of {{B}} shows at most {most:.0f} mΩ, limit {allowed:.0f} mΩ."
        return RiddenConditions(path.path_ohm.high <= limit, text)
    return _load(a, b)


def _load(a: Side, b: Side) -> RiddenConditions:
    """Tell whether B loaded the supply about as much as A did."""
    before, after = (max((_slow_current(r) for r in side), default=0.0) for side in (a, b))
    if before <= 0.0:
        return RiddenConditions(False, "How much {A} loaded its supply is not known.")
    text = f"In slow steering {{B}} drew {after:.0f} A, {{A}} {before:.0f} A"
    enough = after >= LOAD_SHARE * before
    return RiddenConditions(enough, text + ("." if enough else ": too gentle to show it."))


def _slow_current(result: Result) -> float:
    timeline = with_known_units(result.timeline)
    name = next((n for n in ("module_current", "motor_current") if timeline.has(n)), None)
    if name is None:
        return 0.0
    time_s, current_a = timeline.channels[name].valid()
    slow = value_at(timeline, "vehicle_speed", time_s) < result.profile.limits.slow_kph
    if not slow.any():
        return 0.0
    return float(np.quantile(np.abs(current_a[slow]), LOAD_QUANTILE))


def _battery(a: Side, b: Side) -> RiddenConditions:
    """Ask for a start of the engine, which asks more of a battery than steering does."""
    for result in b:
        limit_v = result.profile.limits.cranking_v
        lowest = [c.plateau_min_v for c in result.physics.cranks if c.plateau_min_v is not None]
        if lowest and min(lowest) >= limit_v:
            text = f"The starter of {{B}} left {min(lowest):.1f} V (limit {limit_v:.1f} V)."
            return RiddenConditions(True, text)
    return _load(a, b)


def _offset(a: Side, b: Side) -> RiddenConditions:
    del a
    for result in b:
        rest = result.physics.torque_rest
        if rest is not None:
            low, high = rest.offset_nm.low, rest.offset_nm.high
            inside = max(abs(low), abs(high)) <= result.profile.limits.torque_offset_nm
            text = f"The torque of {{B}} rests between {low:.2f} and {high:.2f} N·m."
            return RiddenConditions(inside, text)
    return RiddenConditions(False, "{B} was hardly ever at rest with nobody steering.")


def _charging(a: Side, b: Side) -> RiddenConditions:
    """Ask B to run fast for as long as A took to show that it does not charge."""
    waits = [
        min(event.start_s, result.physics.charging.seconds if result.physics.charging else 0.0)
        for result in a
        for event in result.events
        if event.kind is EventKind.CHARGING_LOW
    ]
    needed = max(min(waits, default=0.0), STEADY_S)
    had = sum(result.physics.charging.seconds for result in b if result.physics.charging)
    text = (
        f"{{B}} ran above its charging speed for {had:.0f} s; {{A}} showed the fault within "
        f"{needed:.0f} s"
    )
    return RiddenConditions(had >= needed, f"{text}.")


def _map(a: Side, b: Side) -> RiddenConditions:
    sides = {
        event.cause
        for result in a
        for event in result.events
        if event.kind is EventKind.ASSIST_DEVIATION
    }
    if sides <= {"uncommanded"} and sides:
        return _again(_kinds(EventKind.ASSIST_DEVIATION))(a, b)
    for side, name in (("left_low", "slow_left_s"), ("right_low", "slow_right_s")):
        had = sum(getattr(result.coverage, name) or 0.0 for result in b)
        if side in sides and had < SIDE_S:
            word = side.removesuffix("_low")
            return RiddenConditions(False, f"{{B}} hardly steered to the {word} ({had:.0f} s).")
    ratios = [r.physics.assist.ratio for r in b if r.physics.assist and r.physics.assist.ratio]
    if not ratios:
        return RiddenConditions(False, "{B} steered too little to show its assist.")
    text = f"{{B}} delivered {100.0 * ratios[0].value:.0f} % of what the map calls for."
    return RiddenConditions(True, text)


def _kinds(*kinds: EventKind) -> Callable[[Event], bool]:
    return lambda event: event.kind in kinds


def _again(is_shown: Callable[[Event], bool]) -> Callable[[Side, Side], RiddenConditions]:
    """Ask how many such events B would show if the fault came as often as on A."""

    def rule(a: Side, b: Side) -> RiddenConditions:
        count, faulty_s = 0, 0.0
        for result in a:
            events = [event for event in result.events if is_shown(event)]
            spans = _joined(events, result.log.duration_s)
            count += len(spans)
            faulty_s += sum(end - start for start, end in spans)
        before_s, after_s = (
            sum(result.coverage.engine_running_s or result.log.duration_s for result in side)
            for side in (a, b)
        )
        if faulty_s >= PERSISTENT_SHARE * before_s and after_s >= STEADY_S:
            return RiddenConditions(
                True, "On {A} it held for most of the ride; that of {B} was long enough."
            )
        if not count:
            text = f"{{B}} rode {after_s / 60.0:.1f} min, {{A}} {before_s / 60.0:.1f} min."
            return RiddenConditions(after_s >= before_s, text)
        return _seldom(FaultConditions.of(a, is_shown), count, a, b)

    return rule


def _seldom(like: FaultConditions, count: int, a: Side, b: Side) -> RiddenConditions:
    """Ask how likely a fault that came `count` times on A would stay unseen on B.

    Notes
    -----
    Its rate is known from `count` occasions only: after Jeffreys' prior, none in B's time has
    the chance ``(a / (a + b)) ** (count + 1/2)`` (the predictive distribution of a Poisson
    process, any text on Bayesian statistics).
    """
    before_s, after_s = like.ridden_s(a), like.ridden_s(b)
    where = f" {like.words}" if like.words else ""
    if before_s <= 0.0:
        return RiddenConditions(False, f"How long {{A}} rode{where} is not known.")
    chance = (before_s / (before_s + after_s)) ** (count + 0.5)
    times = "once" if count == 1 else f"{count} times"
    text = (
        f"It came {times} on {{A}} in {before_s / 60.0:.1f} min{where}; {{B}} rode "
        f"{after_s / 60.0:.1f} min so, and a fault that still comes as often stays unseen in "
        f"{max(100.0 * chance, 1.0):.0f} of 100 such rides"
    )
    if chance <= UNSEEN_CHANCE:
        return RiddenConditions(True, f"{text}.")
    more_s = before_s * (UNSEEN_CHANCE ** (-1.0 / (count + 0.5)) - 1.0) - after_s
    return RiddenConditions(False, f"{text}. Ride {math.ceil(more_s / 60.0)} min more to be surer.")


def _joined(events: list[Event], end_s: float) -> list[tuple[float, float]]:
    """Return when any of these events holds: several signals lost at once are one occasion."""
    spans: list[tuple[float, float]] = []
    for event in sorted(events, key=lambda item: item.start_s):
        until = event.until(end_s)
        if spans and event.start_s <= spans[-1][1] + SAME_OCCASION_S:
            spans[-1] = (spans[-1][0], max(spans[-1][1], until))
        else:
            spans.append((event.start_s, until))
    return spans


def _unexplained(event: Event) -> bool:
    is_derate = event.kind is EventKind.DERATE and event.cause == "unexplained"
    return is_derate or event.kind in {EventKind.MODULE_RESTART, EventKind.TROUBLE_CODE}


def _is_break(event: Event) -> bool:
    is_break = event.kind is EventKind.UNDERVOLTAGE and event.cause == "supply_break"
    return is_break or event.kind is EventKind.MODULE_RESTART


_SIGNAL: Final = (EventKind.SIGNAL_LOSS, EventKind.SIGNAL_STUCK, EventKind.SIGNAL_JUMP)

_RULES: Final[dict[Code, Callable[[Side, Side], RiddenConditions]]] = {
    Code.SUPPLY_RESISTANCE: _path,
    Code.LOW_BATTERY: _battery,
    Code.CHARGING_FAULT: _charging,
    Code.TORQUE_SENSOR_OFFSET: _offset,
    Code.ASSIST_MAP_DEVIATION: _map,
    Code.OVERVOLTAGE_FAULT: _again(_kinds(EventKind.OVERVOLTAGE)),
    Code.SUPPLY_BREAK: _again(_is_break),
    Code.SPEED_SIGNAL_FAULT: _again(_kinds(*_SIGNAL)),
    Code.MODULE_SUSPECT: _again(_unexplained),
    Code.BUS_FAULT: _again(_kinds(EventKind.BUS_DISTURBANCE)),
}

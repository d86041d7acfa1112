"""Before and after: was the fault there, is it gone, was the second ride hard enough to show it."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from canassist.model import (
    BLAMELESS,
    Code,
    Event,
    EventKind,
    Repair,
    RepairState,
    Strength,
)
from canassist.timeline import value_at, with_known_units

if TYPE_CHECKING:
    from collections.abc import Callable

    from canassist.comparison.measured_figure import Side
    from canassist.model import Conclusion, Result

ENOUGH_EXPECTED: Final = -math.log(0.10)
"""With so many expected, none at all has a chance of 10 % (Poisson): 2.3 events."""

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


def repairs(a: Side, b: Side) -> tuple[Repair, ...]:
    """Look on side B for every fault that side A shows, in A's order."""
    shown: dict[Code, Conclusion] = {}
    for result in a:
        for item in result.conclusions:
            if item.code not in BLAMELESS:
                shown.setdefault(item.code, item)
    return tuple(_repair(item, a, b) for item in shown.values())


def _repair(item: Conclusion, a: Side, b: Side) -> Repair:
    again = [c for result in b for c in result.conclusions if c.code is item.code]
    ridden = _ridden(item.code, a, b)
    strongest = min((_ORDER[c.strength] for c in again if c.strength), default=len(_ORDER))
    name = str(item.code).replace("_", " ")
    if not item.blames:
        state = RepairState.NOT_THERE_BEFORE
        text = f"A shows {name} only weakly: there is no sure fault to be gone."
    elif again and strongest <= _ORDER[Strength.MODERATE]:
        state = RepairState.NOT_REPAIRED
        text = f"Not repaired: {name} is there on A and still there on B."
    elif again or not ridden.enough:
        state = RepairState.NOT_SHOWN
        text = f"Not shown: {name} is there on A, and B's ride cannot show that it is gone."
    else:
        state = RepairState.REPAIRED
        text = f"Repaired: {name} is there on A and gone on B."
    after = again[0].headline if again else "B's own answer does not name it."
    return Repair(
        code=str(item.code),
        state=state,
        text=text,
        before=item.headline,
        after=after,
        ridden=ridden.text,
    )


_ORDER: Final = {Strength.STRONG: 0, Strength.MODERATE: 1, Strength.WEAK: 2}


def _ridden(code: Code, a: Side, b: Side) -> RiddenConditions:
    """Tell whether B was ridden hard enough to show this fault."""
    short = _needs(code, b)
    if short:
        return RiddenConditions(False, short)
    rule = _RULES.get(code)
    return rule(a, b) if rule else RiddenConditions(True, "B rode what it takes.")


def _needs(code: Code, b: Side) -> str:
    """Return what this fault needs and no ride of B had; empty where one had it."""
    if code in _OWN_NEEDS:
        return ""
    needs = [need for result in b for need in result.coverage.needs if need.code is code]
    if not needs or any(need.met for need in needs):
        return ""
    return f"B did not ride what it takes: {needs[0].text}"


_OWN_NEEDS: Final = frozenset({Code.SUPPLY_RESISTANCE, Code.TORQUE_SENSOR_OFFSET, Code.LOW_BATTERY})
"""Faults whose rule below asks more exactly."""


def _path(a: Side, b: Side) -> RiddenConditions:
    for result in b:
        path, limit = result.physics.supply_path, result.profile.limits.max_circuit_ohm
        if path is not None and path.method != "motor_power" and path.path_ohm.high <= limit:
            most, allowed = 1000.0 * path.path_ohm.high, 1000.0 * limit
            text = f"B's path shows at most {most:.0f} mΩ, limit {allowed:.0f} mΩ."
            return RiddenConditions(True, text)
    return _load(a, b)


def _load(a: Side, b: Side) -> RiddenConditions:
    """Tell whether B loaded the supply about as much as A did."""
    before, after = (max((_slow_current(r) for r in side), default=0.0) for side in (a, b))
    if before <= 0.0:
        return RiddenConditions(False, "How much A loaded its supply is not known.")
    text = f"B's steering drew {after:.0f} A in slow steering, A's {before:.0f} A"
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
            text = f"B's starter left {min(lowest):.1f} V (limit {limit_v:.1f} V)."
            return RiddenConditions(True, text)
    return _load(a, b)


def _offset(a: Side, b: Side) -> RiddenConditions:
    del a
    for result in b:
        rest = result.physics.torque_rest
        if rest is not None:
            low, high = rest.offset_nm.low, rest.offset_nm.high
            return RiddenConditions(True, f"B's torque rests between {low:.2f} and {high:.2f} N·m.")
    return RiddenConditions(False, "B was hardly ever at rest with nobody steering.")


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
        f"B ran above its charging speed for {had:.0f} s; A showed the fault within {needed:.0f} s"
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
            return RiddenConditions(False, f"B hardly steered to the {word} ({had:.0f} s).")
    ratios = [r.physics.assist.ratio for r in b if r.physics.assist and r.physics.assist.ratio]
    if not ratios:
        return RiddenConditions(False, "B steered too little to show its assist.")
    text = f"B delivered {100.0 * ratios[0].value:.0f} % of what the map calls for."
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
                True, "On A it held for most of the ride; B's ride was long enough."
            )
        if not count:
            text = f"B rode {after_s / 60.0:.1f} min, A {before_s / 60.0:.1f} min."
            return RiddenConditions(after_s >= before_s, text)
        expected = count * after_s / max(before_s, 1.0)
        chance_pct = 100.0 * math.exp(-expected)
        chance = "below 1 %" if chance_pct < 1.0 else f"of {chance_pct:.0f} %"
        text = (
            f"At A's rate B's {after_s / 60.0:.1f} min would have shown it {expected:.1f} times; "
            f"none at all has a chance {chance}"
        )
        if expected >= ENOUGH_EXPECTED:
            return RiddenConditions(True, f"{text}.")
        more_s = ENOUGH_EXPECTED / count * before_s - after_s
        return RiddenConditions(
            False, f"{text}. Ride {math.ceil(more_s / 60.0)} min more to be surer."
        )

    return rule


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

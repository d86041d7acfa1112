"""Evidence on protection as designed: by heat, and after heavy duty."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.conclude.causes.claims import cited_values, claim
from canassist.conclude.causes.weights import ENOUGH, HINT, SUPPORT, Cap, Needs, cited, reason
from canassist.conclude.known_then import known_samples
from canassist.conclude.ride_findings import (
    IndexedEvent,
    IndexedEvents,
    RideFindings,
    expected,
    extreme_of,
    figure,
)
from canassist.conclude.wording.sentences import (
    degrees,
    duration,
    pair,
    percent,
    say,
    share,
    times,
    which,
)
from canassist.model import Bound, CitedSamples, EventKind, Strength
from canassist.physics import STARTED_RPM

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canassist.conclude.causes.weights import Reason

ONSET: Final = "module_temperature_degc"
"""Name of the figure that holds module temperature at the start of a reduction."""

AGREES_PCT: Final = 10.0
"""Measured and expected assist limit agree within this, in points of per cent (rule of thumb)."""

BELOW_LINE_C: Final = 5.0
"""This far below its line a module is not reducing for heat; same margin as the contract's hot."""

GOOD_FIT: Final = 0.8
"""Share of the heating that motor current must explain to count as explained (rule of thumb)."""

BAD_FIT: Final = 0.4
"""Below this share current does not explain the heating (rule of thumb)."""

SOAKED_K: Final = 8.0
"""Ambient and coolant this near to each other: the vehicle stood long enough to be cold."""

BIASED_K: Final = 25.0
"""A cold module reads no more than this above both (rule of thumb; the sun does less)."""

BIASED_ALONE_K: Final = 35.0
"""... or this, where ambient alone tells how cold the vehicle is."""

FAR_SHARE: Final = 0.2
"""A given line may be a tenth off; a ride that reduces further below it than twice that follows
something else that warms along (rule of thumb)."""

COOL_LINE_C: Final = 70.0
"""Power stages start to taper from 75 to 100 °C (from memory): a line that a ride alone shows below
this may be that of a load which warms and limits alike."""

HOTTEST_PLACE_C: Final = 78.0
"""Without load a module takes its place's temperature, and stays below this beside an engine in
summer (rule of thumb): a reading that settles higher reads too high."""

COOL_C: Final = 60.0
"""A module that was seen below this does not read too high by much: common practice, no source."""

RESTS_S: Final = 60.0
"""A module that works hard for this long grows warmer, s: its reading must move."""

RESTING_K: Final = 1.0
"""One count of a coarse sensor to and fro is no movement, K."""

COLD_S: Final = 30.0
"""A module is as cold as its vehicle for the first seconds of a ride, s."""


def thermal_protection(ride: RideFindings) -> Iterator[Reason]:
    """Weigh that the module reduced assist because it was hot, as designed."""
    hits = ride.derates_by("temperature")
    if not hits:
        return
    yield _follows(ride, hits)
    yield from _depth(hits)
    yield from _line(ride)
    yield from _line_against_ride(ride, hits)
    yield from _fit(ride, hits)
    start_c = _start_c(ride)
    cold = tuple(hit for hit in hits if (_onset_c(hit) or start_c) < start_c - BELOW_LINE_C)
    if cold:
        seen, limit = pair(extreme_of(cold, min, ONSET), start_c, "degC")
        yield reason(say("reason.heat.cold", temp=seen, limit=limit), -ENOUGH, cold, "thermal")
    yield from _supply_good(ride, hits)
    yield from _speed_good(ride, hits)
    yield from _believable(ride, hits)


def _start_c(ride: RideFindings) -> float:
    lines = ride.physics.limit_lines
    return ride.limits.derate_start_c if lines is None else lines.derate_start_c


def _onset_c(hit: IndexedEvent) -> float | None:
    return figure(hit.event, ONSET)


def _follows(ride: RideFindings, hits: IndexedEvents) -> Reason:
    counts = which(len(hits), len(ride.derates))
    samples = cited(ride, hits, "module_temperature", "assist_limit")
    hot = tuple(one for one in samples if one.channel == "module_temperature")
    peak = claim(ride.timeline, hot, Bound.ROSE_ABOVE, _start_c(ride))
    if peak is None:
        text = say("reason.heat.follow_bare", **counts)
        return reason(text, SUPPORT, hits, "thermal", samples=samples)
    shown, limit = pair(peak.value, _start_c(ride), "degC")
    text = say("reason.heat.follow", **counts, peak=shown, limit=limit)
    return reason(text, ENOUGH, hits, "thermal", samples=samples, claims=(peak,))


def _depth(hits: IndexedEvents) -> Iterator[Reason]:
    """Weigh whether assist fell as far as it should: most of the reductions, not the best one."""
    depths = [(hit, seen, called) for hit in hits for seen, called in _seen_and_called(hit)]
    agreeing = [one for one in depths if abs(one[1] - one[2]) <= AGREES_PCT]
    if not agreeing or 2 * len(agreeing) <= len(depths):
        return
    hit, seen, called = agreeing[0]
    text = say("reason.heat.depth", measured=percent(seen), expected=percent(called))
    yield reason(text, SUPPORT, (hit,), "thermal")


def _seen_and_called(hit: IndexedEvent) -> Iterator[tuple[float, float]]:
    seen, called = figure(hit.event, "min_assist_pct"), expected(hit.event, "min_assist_pct")
    if seen is not None and called is not None:
        yield seen, called


def _line(ride: RideFindings) -> Iterator[Reason]:
    lines = ride.physics.limit_lines
    if lines is None or lines.temperature_from == "assumed":
        yield Cap(Strength.MODERATE, say("basis.cap_heat_line"))
    elif lines.temperature_from == "ride" and lines.derate_start_c < COOL_LINE_C:
        yield Cap(Strength.MODERATE, say("basis.cap_cool_line"))
    elif lines.temperature_from == "profile" and not lines.temperature_curve:
        yield Needs(("derate_start_c", "derate_zero_c"))


def _line_against_ride(ride: RideFindings, hits: IndexedEvents) -> Iterator[Reason]:
    """Say where a given line is not the ride's: it is to be checked, and nobody is blamed."""
    lines = ride.physics.limit_lines
    for item in () if lines is None else lines.tested:
        if item.quantity != "temperature" or item.agrees:
            continue
        given, seen = degrees(item.given_start), degrees(item.ride_start)
        key = "line_kept" if math.isnan(item.ride_start) else "line_differs"
        text = say(f"reason.heat.{key}", given=given, seen=seen, seconds=duration(item.kept_s))
        samples = cited(ride, hits, "module_temperature")
        yield reason(text, HINT, hits, "thermal", samples=samples)
        far = item.given_start - item.ride_start > FAR_SHARE * item.given_start
        yield Cap(
            Strength.WEAK if far else Strength.MODERATE,
            say("basis.cap_line_far" if far else "basis.cap_line_differs"),
        )


def _fit(ride: RideFindings, hits: IndexedEvents) -> Iterator[Reason]:
    thermal, lines = ride.physics.thermal, ride.physics.limit_lines
    samples = cited(ride, hits, "module_temperature")
    if lines is not None and lines.temperature_from == "ride":
        text = say(
            "reason.heat.line_ride",
            start=degrees(lines.derate_start_c),
            zero=degrees(lines.derate_zero_c),
        )
        yield reason(text, SUPPORT, hits, "thermal", samples=samples)
    if thermal is None:
        return
    fit = _floor_share(thermal.fit)
    if thermal.fit >= GOOD_FIT:
        yield reason(say("reason.heat.fit", fit=fit), SUPPORT, hits, "thermal", samples=samples)
    elif thermal.fit < BAD_FIT:
        yield reason(say("reason.heat.misfit", fit=fit), -HINT, (), "thermal", samples=samples)


def _floor_share(fit: float) -> str:
    """Return a share in percent, rounded down: no model explains everything."""
    return share(math.floor(fit * 100.0) / 100.0)


def _supply_good(ride: RideFindings, hits: IndexedEvents) -> Iterator[Reason]:
    """Weigh that supply, known then, called for nothing."""
    lines = ride.physics.limit_lines
    if lines is None or ride.supply is None:
        return
    if lines.supply_from != "ride" and not ride.supply_holds("derate_start_v", "derate_zero_v"):
        return
    samples = known_samples(ride, hits, "supply_voltage")
    held = claim(ride.timeline, samples, Bound.AT_LEAST, lines.derate_start_v)
    if held is not None:
        shown, limit = pair(held.value, lines.derate_start_v, "V")
        text = say("reason.heat.supply_good", low=shown, limit=limit)
        yield reason(text, SUPPORT, hits, samples=samples, claims=(held,))


def _speed_good(ride: RideFindings, hits: IndexedEvents) -> Iterator[Reason]:
    """Weigh that the speed signals were there and told nothing odd then."""
    known = tuple(
        one for name in ("vehicle_speed", "engine_speed") for one in known_samples(ride, hits, name)
    )
    broken = [
        hit
        for kind in (EventKind.SIGNAL_LOSS, EventKind.SIGNAL_STUCK, EventKind.SIGNAL_JUMP)
        for hit in ride.of(kind)
    ]
    if not known or ride.together(hits, tuple(broken)):
        return
    turning = tuple(one for one in known if one.channel == "engine_speed")
    if turning and claim(ride.timeline, turning, Bound.AT_LEAST, STARTED_RPM) is None:
        return
    yield reason(say("reason.heat.speed_good"), SUPPORT, hits, samples=known)


def _believable(ride: RideFindings, hits: IndexedEvents) -> Iterator[Reason]:
    """Hold the temperature sensor against ambient and coolant at a cold start."""
    bias_k = cold_start_bias_k(ride)
    if bias_k is not None:
        yield Cap(Strength.WEAK, say("basis.cap_heat_sensor"))
        text = say("reason.heat.biased", bias=f"{bias_k:.0f} K")
        yield reason(text, -SUPPORT, (), "thermal", channels=("ambient_temperature",))
    thermal = ride.physics.thermal
    if thermal is not None and thermal.fit >= GOOD_FIT and thermal.ambient_c > HOTTEST_PLACE_C:
        level = degrees(thermal.ambient_c)
        yield Cap(Strength.WEAK, say("basis.cap_heat_level", level=level))
    if level_unchecked(ride):
        yield Cap(Strength.MODERATE, say("basis.cap_heat_unchecked"))
    stuck = tuple(
        hit for hit in ride.of(EventKind.SIGNAL_STUCK) if hit.event.channel == "module_temperature"
    )
    if ride.together(hits, stuck):
        yield Cap(Strength.WEAK, say("basis.cap_heat_stuck"))


def cold_start_bias_k(ride: RideFindings) -> float | None:
    """Return how far the module reads above a cold vehicle, K; None where it does not.

    The vehicle is cold where ambient and coolant agree as the log begins; without them
    nothing tells. A module that was left hot cools towards them, one that reads too high
    settles above them.
    """
    first = [
        _first_seconds(ride, name)
        for name in ("module_temperature", "ambient_temperature", "coolant_temperature")
    ]
    module, ambient, coolant = first
    if module is None:
        return None
    if ambient is None:
        return _bias_by_coolant_k(ride)
    if coolant is not None and abs(ambient - coolant) > SOAKED_K:
        return None
    cold_c, thermal = max(ambient, coolant or ambient), ride.physics.thermal
    least_k = BIASED_K if coolant is not None else BIASED_ALONE_K
    if thermal is None or min(module, thermal.ambient_c) - cold_c < least_k:
        return None  # it cools towards the vehicle's own temperature: it was hot, and reads right
    return module - cold_c


def _bias_by_coolant_k(ride: RideFindings) -> float | None:
    """Return how far the module reads above a cold engine, and never comes down to it."""
    start = ride.physics.cold_start
    lowest = _lowest_c(ride)
    if start is None or start.believable or lowest is None:
        return None
    thermal = ride.physics.thermal
    settles_c = lowest if thermal is None else min(lowest, thermal.ambient_c)
    above = settles_c - start.reference_c >= BIASED_K
    return start.apart_k if above and start.apart_k > 0.0 else None


def _lowest_c(ride: RideFindings) -> float | None:
    channel = ride.timeline.get("module_temperature")
    values = () if channel is None else channel.valid()[1]
    return float(min(values)) if len(values) else None


def level_unchecked(ride: RideFindings) -> bool:
    """Tell whether nothing in the ride says that the reading is the module's own temperature.

    No cold start to hold it against, no model of its heating, never as cool as a rested module.
    That it moves with work and rest tells that it lives, not how warm the module is.
    """
    channel = ride.timeline.get("module_temperature")
    values = () if channel is None else channel.valid()[1]
    if not len(values):
        return True
    thermal, start = ride.physics.thermal, ride.physics.cold_start
    settles = thermal is not None and thermal.fit >= GOOD_FIT
    return not settles and start is None and float(min(values)) > COOL_C


def _first_seconds(ride: RideFindings, name: str) -> float | None:
    channel = ride.timeline.get(name)
    if channel is None or channel.doubt:
        return None
    time_s, value = channel.valid()
    early = value[time_s <= COLD_S]
    return float(np.median(early)) if len(early) else None


def _rests(ride: RideFindings, hit: IndexedEvent) -> bool:
    """Tell whether the temperature reading did not move at all before an onset."""
    start_s = hit.event.start_s
    before = CitedSamples(
        channel="module_temperature", start_s=max(start_s - RESTS_S, 0.0), end_s=start_s
    )
    values = cited_values(ride.timeline, (before,))
    return len(values) > 1 and float(np.ptp(values)) <= RESTING_K


def duty_protection(ride: RideFindings) -> Iterator[Reason]:
    """Weigh that the module reduced assist after heavy duty, by a rule that no signal shows."""
    hits = ride.derates_by("duty")
    if not hits:
        return
    load = next(
        (
            name
            for name in ("motor_current", "module_current", "assist_torque")
            if ride.timeline.has(name)
        ),
        "assist_limit",
    )
    before = tuple(
        CitedSamples(
            channel=load, start_s=max(hit.event.start_s - 60.0, 0.0), end_s=hit.event.start_s
        )
        for hit in hits
    )
    text = say("reason.duty.follow", **which(len(hits), len(ride.derates)))
    yield reason(text, ENOUGH, hits, samples=(*before, *cited(ride, hits, "assist_limit")))
    if len(hits) > 1:
        yield reason(say("reason.duty.repeated", times=times(len(hits))), SUPPORT, hits)
    yield from _supply_good(ride, hits)
    if any(_rests(ride, hit) for hit in hits):
        yield Cap(Strength.WEAK, say("basis.cap_heat_stuck"))
    if not ride.profile.protection.duty_rule:
        yield Cap(Strength.MODERATE, say("basis.cap_duty"))

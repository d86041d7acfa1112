"""Evidence on the steering itself: torque sensor and assist map."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.conclude.causes.claims import cited_values, claim
from canassist.conclude.causes.speed_and_bus_evidence import BROKEN
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
)
from canassist.conclude.ride_findings import IndexedEvent, IndexedEvents, RideFindings, figure
from canassist.conclude.wording.sentences import (
    channel_names,
    duration,
    number,
    say,
    share,
    sided_torque,
    signed_torque,
    times,
    torque,
)
from canassist.model import Bound, CitedSamples, Code, EventKind, Strength
from canassist.timeline import value_at

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canassist.conclude.causes.weights import Found, Reason
    from canassist.model import AssistFit


SIDES: Final = ("left_low", "right_low")

CLEARLY: Final = 1.5
"""Factor on an assumed limit beyond which an offset is more than weak (rule of thumb)."""

SHORT_S: Final = 3.0
"""Less deviation than this in a whole ride is little: three times what makes an event."""

BRIEF_S: Final = 1.5
"""Assist that nobody asked for, for less than this in all, may be return to the centre (rule of
thumb): more than weak takes longer."""

CENTRED_SHARE: Final = 0.6
"""Share of the samples towards the centre, or against the turning, that makes it by design."""


# -- torque sensor ----------------------------------------------------------------------------


def torque_sensor_offset(ride: RideFindings) -> Iterator[Reason]:
    """Weigh that the torque reading is biased."""
    hits = ride.of(EventKind.TORQUE_OFFSET)
    rest = ride.physics.torque_rest
    limit_nm = ride.limits.torque_offset_nm
    if not hits:
        return
    yield Needs(("torque_offset_nm",))
    value = figure(hits[0].event, "offset_nm")
    if value is None and rest is not None:
        value = rest.offset_nm.value
    offset = sided_torque(value, sign_known=ride.sign_known("driver_torque"))
    text = say("reason.offset.rest", offset=offset, limit=torque(limit_nm, 2))
    yield reason(text, ENOUGH, hits, "torque_rest", samples=_rest_stretches(ride))
    yield from _rest(ride)
    sided = tuple(hit for hit in deviations(ride) if hit.event.cause in SIDES)
    if sided:
        yield reason(say("reason.offset.side"), HINT, sided, "sides")
    clear = value is not None and abs(value) >= CLEARLY * limit_nm
    if not ride.profile.gives("torque_offset_nm") and not clear:
        yield Cap(Strength.WEAK, say("basis.cap_assumed"))


def _rest(ride: RideFindings) -> Iterator[Reason]:
    rest = ride.physics.torque_rest
    if rest is None:
        return
    limit_nm = ride.limits.torque_offset_nm
    found = rest.offset_nm
    nearest = 0.0 if found.low <= 0.0 <= found.high else min(abs(found.low), abs(found.high))
    samples = _rest_stretches(ride)
    if nearest > limit_nm:
        low, high = signed_torque(found.low), signed_torque(found.high)
        text = say("reason.offset.interval", low=low, high=high)
        yield reason(text, SUPPORT, (), "torque_rest", samples=samples)
    elif max(abs(found.low), abs(found.high)) <= limit_nm:
        shown, limit = signed_torque(found.value), torque(limit_nm, 2)
        text = say("reason.offset.good", offset=shown, limit=limit)
        yield reason(text, -DECISIVE, (), "torque_rest", samples=samples)
    if abs(found.value) >= 2.0 * limit_nm:
        yield reason(say("reason.offset.double"), SUPPORT, (), "torque_rest", samples=samples)
    if found.count > 1:
        text = say("reason.offset.stretches", n=found.count, seconds=duration(rest.seconds))
        yield reason(text, SUPPORT, (), "torque_rest", samples=samples)


def _rest_stretches(ride: RideFindings) -> tuple[CitedSamples, ...]:
    """Return when driver torque was at rest: each stretch, with steering between, its own."""
    rest = ride.physics.torque_rest
    if rest is None or not len(rest.time_s):
        return ()
    cuts = np.flatnonzero(np.diff(rest.time_s) > 1.0) + 1
    return tuple(
        CitedSamples(channel="driver_torque", start_s=float(part[0]), end_s=float(part[-1]))
        for part in np.split(rest.time_s, cuts)
    )


def deviations(ride: RideFindings) -> IndexedEvents:
    """Return deviations of assist; one-sided ones only where both torques have known sides.

    Assist without driver torque towards the centre, or against the turning, is return or
    damping and by design.
    """
    sided = ride.sign_known("driver_torque") and ride.sign_known("assist_torque")
    return tuple(hit for hit in off_the_map(ride) if sided or hit.event.cause not in SIDES)


def off_the_map(ride: RideFindings) -> IndexedEvents:
    """Return deviations of assist that are not by design."""
    return tuple(
        hit
        for hit in ride.of(EventKind.ASSIST_DEVIATION)
        if not (hit.event.cause == "uncommanded" and _returns_or_damps(ride, hit))
    )


def _returns_or_damps(ride: RideFindings, hit: IndexedEvent) -> bool:
    """Tell whether assist that nobody asked for goes to the centre, or against the turning."""
    if ride.profile.protection.returns_to_center:
        return True
    assist, angle = ride.timeline.get("assist_torque"), ride.timeline.get("steering_angle")
    if assist is None or angle is None:
        return False
    time_s = ride.times_within(assist, (hit,))
    if not len(time_s):
        return False
    assist_nm = value_at(ride.timeline, "assist_torque", time_s)
    at_deg = value_at(ride.timeline, "steering_angle", time_s)
    turned = at_deg - value_at(ride.timeline, "steering_angle", time_s - TURN_S)
    by_design = (assist_nm * at_deg < 0.0) | (assist_nm * turned < 0.0)
    known = ~np.isnan(assist_nm + at_deg + turned)
    return bool(known.any() and by_design[known].mean() >= CENTRED_SHARE)


TURN_S: Final = 0.2
"""The steering turns one way or the other as seen over this long, s."""


# -- assist against its map -------------------------------------------------------------------


def assist_map_deviation(ride: RideFindings, found: Found) -> Iterator[Reason]:
    """Weigh that assist does not follow its map with good inputs."""
    hits = deviations(ride)
    if not hits:
        return
    yield Needs(("assist_tolerance",))
    for cause in dict.fromkeys(hit.event.cause or "" for hit in hits):
        yield _deviation(ride, tuple(hit for hit in hits if (hit.event.cause or "") == cause))
    unasked = tuple(hit for hit in hits if hit.event.cause == "uncommanded")
    yield from _map(ride.physics.assist, needed=not unasked and not _sided(hits))
    yield from _ratio(ride, hits)
    yield from _unasked(ride, unasked)
    if not unasked and not _full_then(ride, hits):
        yield Cap(Strength.WEAK, say("basis.cap_available"))
    if ride.profile.protection.returns_to_center and not unasked:
        yield Cap(Strength.WEAK, say("basis.cap_returns"))
    yield from _unchecked(ride, hits)
    seconds = sum(figure(hit.event, "deviating_s") or ride.seconds((hit,)) for hit in hits)
    if seconds < SHORT_S and not unasked:
        yield reason(say("reason.map.short", seconds=duration(seconds)), -SUPPORT, hits)
    yield from _inputs(ride, hits, found)


def _deviation(ride: RideFindings, hits: IndexedEvents) -> Reason:
    key = f"reason.map.{hits[0].event.cause}"
    text = say(
        "reason.map.event",
        words=say(key),
        times=times(len(hits)),
        seconds=duration(ride.seconds(hits)),
    )
    where = "sides" if hits[0].event.cause in SIDES else "assist_bands"
    return reason(text, ENOUGH, hits, where)


def _sided(hits: IndexedEvents) -> bool:
    return all(hit.event.cause in SIDES for hit in hits)


def _map(fit: AssistFit | None, *, needed: bool) -> Iterator[Reason]:
    """Hold down what rests on a learned map; sides and unasked assist are wrong by any map."""
    if needed and (fit is None or fit.map_from != "profile"):
        yield Cap(Strength.WEAK, say("basis.cap_learned_map"))


def _unasked(ride: RideFindings, hits: IndexedEvents) -> Iterator[Reason]:
    """Hold down assist that nobody asked for where return or damping are not ruled out."""
    if not hits:
        return
    seconds = sum(figure(hit.event, "deviating_s") or ride.seconds((hit,)) for hit in hits)
    if not ride.timeline.has("steering_angle"):
        yield Cap(Strength.WEAK, say("basis.cap_return"))
    elif seconds < BRIEF_S:
        yield Cap(Strength.WEAK, say("basis.cap_brief"))


def _unchecked(ride: RideFindings, hits: IndexedEvents) -> Iterator[Reason]:
    """Hold at moderate what rests on a sign that nothing in the log could check."""
    names = ("driver_torque", "assist_torque", "steering_angle")
    unchecked = [
        name
        for name in names
        if (channel := ride.timeline.get(name)) is not None and "sign" in channel.not_checked
    ]
    signed = any(hit.event.cause in {*SIDES, "uncommanded"} for hit in hits)
    if unchecked and signed:
        text = say("basis.cap_not_checked", channels=channel_names(unchecked))
        yield Cap(Strength.MODERATE, text)


def _ratio(ride: RideFindings, hits: IndexedEvents) -> Iterator[Reason]:
    fit = ride.physics.assist
    if fit is None:
        return
    limits = ride.limits
    for estimate, centre, limit, key, plot in (
        (fit.ratio, 1.0, limits.assist_tolerance, "reason.map.ratio", "assist_bands"),
        (fit.side_difference, 0.0, limits.side_tolerance, "reason.map.sides", "sides"),
    ):
        if estimate is None:
            continue
        low, high = estimate.low - centre, estimate.high - centre
        if low > limit or high < -limit:
            decimals = {"low": number(estimate.low, 2), "high": number(estimate.high, 2)}
            shown = number(estimate.value, 2)
            text = say(key, ratio=shown, difference=shown, tolerance=share(limit), **decimals)
            yield reason(text, SUPPORT, (), plot, samples=cited(ride, hits, "assist_torque"))


def _inputs(ride: RideFindings, hits: IndexedEvents, found: Found) -> Iterator[Reason]:
    """Weigh whether what the module acted on was good."""
    misread = ride.together(hits, _broken(ride, "driver_torque", "assist_torque"))
    if misread:
        weight = -UNDONE if len(misread) == len(hits) else -SUPPORT
        yield reason(say("reason.map.torque"), weight, misread)
    good = not misread
    for code, others, key in (
        (Code.SPEED_SIGNAL_FAULT, _broken(ride, "vehicle_speed"), "reason.map.speed"),
        (Code.TORQUE_SENSOR_OFFSET, ride.of(EventKind.TORQUE_OFFSET), "reason.map.offset"),
        (Code.LOW_BATTERY, ride.of(EventKind.UNDERVOLTAGE), "reason.map.supply"),
    ):
        weighed = found.get(code)
        blamed = weighed is not None and weighed.holds(Strength.MODERATE)
        explained = hits if code is Code.TORQUE_SENSOR_OFFSET else ride.together(hits, others)
        if others and explained and (blamed or code is Code.LOW_BATTERY):
            weight = -UNDONE if len(explained) == len(hits) else -SUPPORT
            yield reason(say(key), weight, explained + others)
            good = False
    if good and not ride.together(hits, ride.derates):
        yield from _good_inputs(ride, hits)


def _full_then(ride: RideFindings, hits: IndexedEvents) -> bool:
    """Tell whether full assist is known to have been available for most of the deviation."""
    values = cited_values(ride.timeline, cited(ride, hits, "assist_limit"))
    return len(values) > 0 and bool(
        (values >= ride.limits.full_assist_pct).mean() >= AVAILABLE_SHARE
    )


AVAILABLE_SHARE: Final = 0.9
"""Share of a deviation with full assist from which it is the map's and not a reduction's."""


def _good_inputs(ride: RideFindings, hits: IndexedEvents) -> Iterator[Reason]:
    samples = cited(ride, hits, "vehicle_speed")
    if samples:
        yield reason(say("reason.map.inputs"), SUPPORT, hits, samples=samples)
    limit = cited(ride, hits, "assist_limit")
    full = claim(ride.timeline, limit, Bound.AT_LEAST, ride.limits.full_assist_pct)
    if full is not None:
        yield reason(say("reason.map.full"), SUPPORT, hits, samples=limit, claims=(full,))


def _broken(ride: RideFindings, *channels: str) -> IndexedEvents:
    """Return where one of these channels was lost, stuck or jumping."""
    return tuple(hit for kind in BROKEN for hit in ride.of(kind) if hit.event.channel in channels)

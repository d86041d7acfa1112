"""Evidence on the steering itself: torque sensor, assist map, module."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from canassist.conclude.causes.speed_and_bus_evidence import BROKEN
from canassist.conclude.causes.weights import (
    DECISIVE,
    ENOUGH,
    HINT,
    SUPPORT,
    UNDONE,
    Cap,
    Needs,
    reason,
)
from canassist.conclude.ride_findings import Hits, RideFindings, expected, figure
from canassist.conclude.wording.sentences import (
    channel_name,
    channel_names,
    duration,
    number,
    percent,
    say,
    share,
    sided_torque,
    signed_torque,
    times,
    torque,
    which,
)
from canassist.model import Code, EventKind, Strength

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canassist.conclude.causes.weights import Found, Reason
    from canassist.model import AssistFit


SIDES: Final = ("left_low", "right_low")

CLEARLY: Final = 1.5
"""Factor on an assumed limit beyond which an offset is more than weak (rule of thumb)."""

SHORT_S: Final = 3.0
"""Less deviation than this in a whole ride is little: three times what makes an event."""

MODULE_SENSES: Final = ("supply_voltage", "module_temperature", "vehicle_speed", "engine_speed")
"""Without these another cause of a reduction cannot be ruled out."""


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
    yield reason(text, ENOUGH, hits, "torque_rest")
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
    if nearest > limit_nm:
        low, high = signed_torque(found.low), signed_torque(found.high)
        text = say("reason.offset.interval", low=low, high=high)
        yield reason(text, SUPPORT, (), "torque_rest")
    elif max(abs(found.low), abs(found.high)) <= limit_nm:
        shown, limit = signed_torque(found.value), torque(limit_nm, 2)
        text = say("reason.offset.good", offset=shown, limit=limit)
        yield reason(text, -DECISIVE, (), "torque_rest")
    if abs(found.value) >= 2.0 * limit_nm:
        yield reason(say("reason.offset.double"), SUPPORT, (), "torque_rest")
    if found.count > 1:
        text = say("reason.offset.stretches", n=found.count, seconds=duration(rest.seconds))
        yield reason(text, SUPPORT, (), "torque_rest")


def deviations(ride: RideFindings) -> Hits:
    """Return deviations of assist; one-sided ones only where both torques have known sides."""
    sided = ride.sign_known("driver_torque") and ride.sign_known("assist_torque")
    return tuple(
        hit for hit in ride.of(EventKind.ASSIST_DEVIATION) if sided or hit.event.cause not in SIDES
    )


# -- assist against its map -------------------------------------------------------------------


def assist_map_deviation(ride: RideFindings, found: Found) -> Iterator[Reason]:
    """Weigh that assist does not follow its map with good inputs."""
    hits = deviations(ride)
    if not hits:
        return
    yield Needs(("assist_tolerance",))
    for cause in dict.fromkeys(hit.event.cause or "" for hit in hits):
        yield _deviation(ride, tuple(hit for hit in hits if (hit.event.cause or "") == cause))
    unasked = ride.of(EventKind.ASSIST_DEVIATION, "uncommanded")
    yield from _map(ride.physics.assist, needed=not unasked)
    yield from _ratio(ride)
    seconds = sum(figure(hit.event, "deviating_s") or ride.seconds((hit,)) for hit in hits)
    if seconds < SHORT_S and not unasked:
        yield reason(say("reason.map.short", seconds=duration(seconds)), -SUPPORT, hits)
    yield from _inputs(ride, hits, found)


def _deviation(ride: RideFindings, hits: Hits) -> Reason:
    key = f"reason.map.{hits[0].event.cause}"
    text = say(
        "reason.map.event",
        words=say(key),
        times=times(len(hits)),
        seconds=duration(ride.seconds(hits)),
    )
    where = "sides" if hits[0].event.cause in SIDES else "assist_bands"
    return reason(text, ENOUGH, hits, where)


def _map(fit: AssistFit | None, *, needed: bool) -> Iterator[Reason]:
    """Weigh where the map is from; assist that nobody asked for is wrong by any map."""
    if fit is not None and fit.map_from == "profile":
        yield reason(say("reason.map.from_profile"), SUPPORT, (), "assist_bands")
    elif fit is not None and fit.map_from == "ride" and needed:
        yield Cap(Strength.WEAK, say("basis.cap_learned_map"))


def _ratio(ride: RideFindings) -> Iterator[Reason]:
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
            yield reason(text, SUPPORT, (), plot)


def _inputs(ride: RideFindings, hits: Hits, found: Found) -> Iterator[Reason]:
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
        opinion = found.get(code)
        blamed = opinion is not None and opinion.holds(Strength.MODERATE)
        explained = hits if code is Code.TORQUE_SENSOR_OFFSET else ride.together(hits, others)
        if others and explained and (blamed or code is Code.LOW_BATTERY):
            weight = -UNDONE if len(explained) == len(hits) else -SUPPORT
            yield reason(say(key), weight, explained + others)
            good = False
    if good and not ride.together(hits, ride.derates):
        yield reason(say("reason.map.inputs"), SUPPORT, hits)


def _broken(ride: RideFindings, *channels: str) -> Hits:
    """Return where one of these channels was lost, stuck or jumping."""
    return tuple(hit for kind in BROKEN for hit in ride.of(kind) if hit.event.channel in channels)


# -- the module itself ------------------------------------------------------------------------


def module_suspect(ride: RideFindings, found: Found) -> Iterator[Reason]:
    """Weigh that assist fell with good supply, temperature and inputs."""
    hits = ride.derates_by("unexplained")
    lost = tuple(
        hit for hit in ride.of(EventKind.SIGNAL_LOSS) if hit.event.channel == "driver_torque"
    )
    restarts = _lone_restarts(ride)
    if not hits and not lost and not restarts:
        return
    yield Needs(("derate_start_c", "derate_zero_c", "derate_start_v", "derate_zero_v"))
    yield from _module_caps(ride)
    yield from _fell(ride, hits)
    alone = ride.apart(lost, ride.of(EventKind.MODULE_RESTART))
    if alone:
        name = channel_name("driver_torque")
        yield reason(say("reason.module.torque_lost", channel=name), SUPPORT, alone)
    if restarts:
        text = say("reason.module.restarted", times=times(len(restarts)))
        yield reason(text, SUPPORT, restarts)
    yield from _other_causes(ride, hits or lost or restarts, found)


def _lone_restarts(ride: RideFindings) -> Hits:
    """Return restarts of the module with no dip of its supply near them."""
    restarts = ride.apart(ride.of(EventKind.MODULE_RESTART), ride.starts, 0.0)
    return ride.apart(restarts, ride.of(EventKind.UNDERVOLTAGE))


def missing_senses(ride: RideFindings) -> list[str]:
    """Return the channels that are missing to rule out every other cause of a reduction."""
    missing = [name for name in MODULE_SENSES if not ride.timeline.has(name)]
    if "supply_voltage" not in missing and ride.supply is None:
        missing.insert(0, "supply_voltage")
    return missing


def _module_caps(ride: RideFindings) -> Iterator[Reason]:
    missing = missing_senses(ride)
    if missing:
        text = say("basis.cap_sensors", missing=channel_names(missing))
        yield Cap(Strength.WEAK, text)
    lines = ride.physics.limit_lines
    if lines is None or lines.source != "profile":
        yield Cap(Strength.WEAK, say("basis.cap_lines"))
    if not ride.timeline.has("assist_limit"):
        yield Cap(Strength.WEAK, say("basis.cap_status"))


def _fell(ride: RideFindings, hits: Hits) -> Iterator[Reason]:
    if not hits:
        return
    words = which(len(hits), len(ride.derates))
    if all(ride.from_the_first(hit.event) for hit in hits):
        yield reason(say("reason.module.from_the_first"), HINT, hits)
        return
    if missing_senses(ride):
        yield reason(say("reason.module.fell_unknown", **words), SUPPORT, hits)
        return
    yield reason(say("reason.module.fell", **words), ENOUGH, hits)
    if len(hits) > 1:
        yield reason(say("reason.module.repeated", times=times(len(hits))), SUPPORT, hits)
    seen = figure(hits[0].event, "min_assist_pct")
    called = expected(hits[0].event, "min_assist_pct")
    if seen is not None and called is not None:
        text = say("reason.module.depth", measured=percent(seen), expected=percent(called))
        yield reason(text, SUPPORT, hits[:1])
    status = hits[0].event.measured.get("status")
    if isinstance(status, str):
        yield reason(say("reason.module.status", status=status), SUPPORT, hits[:1])


def _other_causes(ride: RideFindings, hits: Hits, found: Found) -> Iterator[Reason]:
    explained = tuple(hit for hit in ride.derates if "unexplained" not in (hit.event.cause or ""))
    if explained and ride.derates_by("unexplained"):
        text = say("reason.module.others", **which(len(explained), len(ride.derates)))
        yield reason(text, -SUPPORT, explained)
    lost = ride.together(hits, ride.recorder_lost)
    if lost:
        yield reason(say("reason.module.recorder"), -ENOUGH, lost)
    bus = found.get(Code.BUS_FAULT)
    disturbed = ride.together(hits, ride.of(EventKind.BUS_DISTURBANCE))
    if disturbed and bus is not None and bus.holds(Strength.MODERATE):
        yield reason(say("reason.module.bus"), -UNDONE, disturbed)

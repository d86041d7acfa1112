"""Evidence on what the module hears: the speed signals and the bus."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from canassist.conclude.causes.weights import (
    ENOUGH,
    HINT,
    SUPPORT,
    UNDONE,
    Cap,
    Needs,
    reason,
    whole,
)
from canassist.conclude.plausibility import off_speed
from canassist.conclude.ride_findings import IndexedEvent, IndexedEvents, RideFindings, figure
from canassist.conclude.wording.sentences import (
    channel_name,
    channel_names,
    duration,
    number,
    quantity,
    say,
    times,
    which,
)
from canassist.model import EventKind, Strength

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canassist.conclude.causes.weights import Reason


SPEED_CHANNELS: Final = ("vehicle_speed", "engine_speed")
BROKEN: Final = (EventKind.SIGNAL_LOSS, EventKind.SIGNAL_STUCK, EventKind.SIGNAL_JUMP)

MANY_JUMPS: Final = 3
"""So many impossible jumps are no single disturbed frame (rule of thumb)."""

FEW_ERRORS: Final = 10
"""Fewer error frames than this in a whole ride are little (rule of thumb)."""


def speed_faults(ride: RideFindings) -> IndexedEvents:
    """Return what befell the speed signals."""
    found = [hit for kind in BROKEN for hit in ride.of(kind) if hit.event.channel in SPEED_CHANNELS]
    return tuple(sorted(found, key=lambda hit: hit.position))


def speed_signal_fault(ride: RideFindings) -> Iterator[Reason]:
    """Weigh that road or engine speed is missing, stuck or false."""
    hits = speed_faults(ride)
    reduced = ride.derates_by("speed_signal")
    off = off_speed(ride.timeline)
    if off is not None:
        text = say(
            "reason.speed.wheels",
            seconds=duration(off.seconds),
            speed=quantity(off.speed_kph, "km/h"),
            wheels=quantity(off.wheels_kph, "km/h"),
        )
        samples = whole(ride, "vehicle_speed", "wheel_speed_fl", "wheel_speed_rl")
        yield reason(text, ENOUGH, samples=samples)
    if not hits and not reduced:
        return
    for channel in SPEED_CHANNELS:
        yield from _one_channel(ride, tuple(hit for hit in hits if hit.event.channel == channel))
    if reduced:
        key = "reason.speed.derate" if hits else "reason.speed.reduced"
        text = say(key, **which(len(reduced), len(ride.derates)))
        yield reason(text, ENOUGH, reduced)
    yield from _company(ride, hits or reduced)


def _one_channel(ride: RideFindings, hits: IndexedEvents) -> Iterator[Reason]:
    if not hits:
        return
    name = channel_name(hits[0].event.channel or "")
    for kind, key in ((EventKind.SIGNAL_LOSS, "lost"), (EventKind.SIGNAL_STUCK, "stuck")):
        some = tuple(hit for hit in hits if hit.event.kind is kind)
        if some:
            seconds = duration(ride.seconds(some))
            text = say(f"reason.speed.{key}", channel=name, times=times(len(some)), seconds=seconds)
            yield reason(text, ENOUGH, some)
            if kind is EventKind.SIGNAL_STUCK:
                yield Needs(("stuck_s",))
    jumps = tuple(hit for hit in hits if hit.event.kind is EventKind.SIGNAL_JUMP)
    if jumps:
        key = "reason.speed.jump_one" if len(jumps) == 1 else "reason.speed.jump"
        weight = ENOUGH if len(jumps) >= MANY_JUMPS else SUPPORT
        yield reason(say(key, channel=name, n=len(jumps)), weight, jumps)
        yield Needs(("jump_kph", "jump_rpm"))


def _company(ride: RideFindings, hits: IndexedEvents) -> Iterator[Reason]:
    """Weigh whether the speed signal was alone in what befell it."""
    if not hits:
        return
    others = tuple(
        hit for hit in ride.of(EventKind.SIGNAL_LOSS) if hit.event.channel not in SPEED_CHANNELS
    )
    with_it = ride.together(others, hits)
    kin = tuple(hit for hit in with_it if _same_unit(ride, hit, hits))
    along = tuple(hit for hit in with_it if hit not in kin)
    disturbed = ride.together(hits, ride.of(EventKind.BUS_DISTURBANCE))
    if disturbed:
        weight = -UNDONE if len(disturbed) == len(hits) else -HINT
        yield reason(say("reason.speed.bus"), weight, disturbed)
    if along:
        names = channel_names(dict.fromkeys(hit.event.channel or "" for hit in along))
        yield reason(say("reason.speed.others", others=names), -HINT, along)
    elif kin and not disturbed:
        names = channel_names(dict.fromkeys(hit.event.channel or "" for hit in kin))
        yield reason(say("reason.speed.same_unit", others=names), HINT, kin)
    elif speed_faults(ride) and not disturbed:
        alive = tuple(name for name in ride.timeline.channels if name not in SPEED_CHANNELS)
        yield reason(say("reason.speed.alone"), SUPPORT, hits, channels=alive[:3])


def _same_unit(ride: RideFindings, hit: IndexedEvent, hits: IndexedEvents) -> bool:
    """Tell whether a lost signal comes in the message, or from the sender, of a speed signal."""
    channel = ride.timeline.get(hit.event.channel or "")
    speeds = [ride.timeline.get(other.event.channel or "") for other in hits]
    if channel is None:
        return False
    return any(
        speed is not None
        and (speed.source == channel.source or (speed.sender and speed.sender == channel.sender))
        for speed in speeds
    )


def bus_fault(ride: RideFindings) -> Iterator[Reason]:
    """Weigh that the bus was disturbed around the complaint."""
    hits = ride.of(EventKind.BUS_DISTURBANCE)
    if not hits:
        return
    errors = summed(hits, "error_frames")
    key = "reason.bus.errors" if errors else "reason.bus.silent"
    text = say(
        key, times=times(len(hits)), seconds=duration(ride.seconds(hits)), count=number(errors, 0)
    )
    yield reason(text, ENOUGH, hits)
    effects = list(_bus_effects(ride, hits))
    yield from effects
    if not effects:
        yield Cap(Strength.MODERATE, say("basis.cap_no_effect"))
        if 0 < errors < FEW_ERRORS:
            yield reason(say("reason.bus.few"), -SUPPORT, hits)


def _bus_effects(ride: RideFindings, hits: IndexedEvents) -> Iterator[Reason]:
    losses = ride.together(tuple(h for kind in BROKEN for h in ride.of(kind)), hits)
    if losses:
        yield reason(say("reason.bus.signals", n=len(losses)), SUPPORT, losses)
    reduced = ride.together(ride.derates, hits)
    if reduced:
        yield reason(say("reason.bus.derate", n=len(reduced)), SUPPORT, reduced)
    restart = ride.together(ride.of(EventKind.MODULE_RESTART), hits)
    if restart:
        yield reason(say("reason.bus.restart"), SUPPORT, restart)


def summed(hits: IndexedEvents, *names: str) -> float:
    """Return a measured figure summed over events; 0 where none has it."""
    return sum(figure(hit.event, *names) or 0.0 for hit in hits)

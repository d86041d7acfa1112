"""When nothing is blamed: no fault found, or not enough to say so."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from canassist.conclude.causes.mechanical_evidence import effort_limit_nm, full_assist_effort
from canassist.conclude.causes.module_evidence import is_steering_code
from canassist.conclude.causes.steering_evidence import off_the_map
from canassist.conclude.causes.supply_extremes import silences
from canassist.conclude.causes.supply_summary import ENGINE, has_engine
from canassist.conclude.causes.weights import DECISIVE, ENOUGH, HINT, SUPPORT, Cap, reason
from canassist.conclude.coverage import CRUISE_NEEDED_S, ENGINE_NEEDED_S, SLOW_NEEDED_S
from canassist.conclude.ride_findings import unknown_channels
from canassist.conclude.wording.sentences import (
    channel_name,
    channel_names,
    duration,
    listed,
    number,
    pair,
    quantity,
    say,
    share,
    torque,
    volts,
)
from canassist.model import EventKind, Strength
from canassist.physics import EVERY_MODE, rolling

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canassist.conclude.causes.weights import Reason
    from canassist.conclude.ride_findings import IndexedEvents, RideFindings
    from canassist.model import Estimate

BASIC: Final = ("vehicle_speed", "engine_speed", "supply_voltage", "driver_torque")
"""Channels without which no ride can be called free of faults."""


BELOW_SHARE: Final = 0.02
"""More of the time than this below full assist, beside all reductions found, is no noise."""

BARELY_S: Final = 1.0
"""Less than this of a condition counts as none in words, s."""


class EvidenceGap(NamedTuple):
    """Something that keeps a ride from ruling a fault out: a reason, and its short form."""

    reason: str
    short: str


def lacks(ride: RideFindings) -> tuple[EvidenceGap, ...]:
    """Return what the ride lacks for 'no fault found': sound data, channels, conditions, a map."""
    return (*_damaged(ride), *_missing(ride), *_below(ride), *_unridden(ride), *unmapped(ride))


def _damaged(ride: RideFindings) -> Iterator[EvidenceGap]:
    if ride.timeline.bus.doubtful:
        yield EvidenceGap(say("reason.lack.damaged"), say("lack.damaged"))


def _missing(ride: RideFindings) -> Iterator[EvidenceGap]:
    timeline = ride.timeline
    asked = BASIC if _engine_needed(ride) else tuple(n for n in BASIC if n != ENGINE)
    missing = [name for name in asked if not timeline.has(name)]
    shown = timeline.has("assist_limit") or _by_status(ride) or _map_followed(ride)
    if not shown:
        missing.append("assist_limit")
    if missing:
        names = channel_names(missing)
        yield EvidenceGap(
            say("reason.lack.channel", channels=names), say("lack.channels", channels=names)
        )


def _engine_needed(ride: RideFindings) -> bool:
    """Tell whether only engine speed could say that the engine ran, where there is one.

    Full assist from a supply that never came near its limit needs no engine speed beside it.
    """
    supply, known = has_engine(ride), ride.supply
    if supply is not None or known is None or not ride.supply_holds("undervoltage_v"):
        return supply is not False
    values = known.valid()[1]
    return not len(values) or float(values.min()) < ride.limits.undervoltage_v


def _below(ride: RideFindings) -> Iterator[EvidenceGap]:
    """Ask for full assist in the samples themselves, beside what is told as reduced.

    Samples that come in bundles, or seldom, may show a reduction that is no event.
    """
    channel = ride.timeline.get("assist_limit")
    if channel is None:
        return
    time_s, limit_pct = channel.valid()
    told = np.zeros(len(time_s), dtype=np.bool_)
    for event in ride.events:
        if event.kind is EventKind.DERATE:
            told |= (time_s >= event.start_s) & (time_s <= event.until(ride.end_s))
    if told.all():
        return
    low = float((limit_pct[~told] < ride.limits.full_assist_pct).mean())
    if low > BELOW_SHARE:
        yield EvidenceGap(
            say("reason.lack.below", share=share(low)), say("lack.below", share=share(low))
        )


def _unridden(ride: RideFindings) -> Iterator[EvidenceGap]:
    ridden = ride.coverage
    for key, seconds, needed in (
        ("slow", ridden.low_speed_steering_s, SLOW_NEEDED_S),
        ("cruise", ridden.cruise_s, CRUISE_NEEDED_S),
        ("engine", ridden.engine_running_s, ENGINE_NEEDED_S),
    ):
        if seconds is None or duration(seconds) == duration(needed) or seconds >= needed:
            continue  # a minute of log holds a message or two less than a minute of engine
        shown = duration(seconds)
        yield EvidenceGap(
            say(f"reason.lack.{key}", seconds=shown, needed=duration(needed)),
            say(f"lack.{key}" if seconds >= BARELY_S else f"lack.no_{key}", seconds=shown),
        )


def unmapped(ride: RideFindings) -> Iterator[EvidenceGap]:
    """Say what only a given map could call right: heavy steering, assist alike at every speed.

    Assist falls as road speed rises (published exercise text); one that stays within the
    tolerance from slow steering to cruising may be wrong, or this vehicle's own.
    """
    fit, effort, limits = ride.physics.assist, full_assist_effort(ride), ride.limits
    if fit is not None and fit.map_from == "profile":
        return
    usual_nm = effort_limit_nm(ride)
    if effort is not None and effort.above(usual_nm):
        figures = {"torque": torque(effort.torque_p90_nm), "limit": torque(usual_nm)}
        yield EvidenceGap(say("reason.lack.heavy", **figures), say("lack.heavy", **figures))
    row = () if fit is None else fit.gains.get(EVERY_MODE, ())
    if fit is None or len(row) < 2:  # noqa: PLR2004 - a fall takes two speeds
        return
    wide = fit.speed_kph[0] < limits.slow_kph and fit.speed_kph[-1] > limits.cruise_kph
    if wide and row[0] <= row[-1] * (1.0 + limits.assist_tolerance):
        text = say(
            "reason.lack.flat",
            slow=quantity(fit.speed_kph[0], "km/h"),
            fast=quantity(fit.speed_kph[-1], "km/h"),
            slow_gain=number(row[0], 1),
            fast_gain=number(row[-1], 1),
        )
        yield EvidenceGap(text, say("lack.flat"))


def _by_status(ride: RideFindings) -> bool:
    words = ride.profile.status_reduced | ride.profile.status_off
    return bool(words) and ride.timeline.has("module_status")


def _map_followed(ride: RideFindings) -> bool:
    fit = ride.physics.assist
    if fit is None or fit.map_from != "profile" or fit.ratio is None:
        return False
    return _within(ride, fit.ratio)


def _within(ride: RideFindings, ratio: Estimate) -> bool:
    """Tell whether delivered over expected assist is within the tolerance."""
    return abs(ratio.value - 1.0) <= ride.limits.assist_tolerance


def no_fault_found(ride: RideFindings) -> Iterator[Reason]:
    """Weigh that the conditions were ridden and assist did what it should.

    Nothing is said for it where anything is lacking, or assist was lost or off its map. What
    was found beside, and took no assist, stands behind it as also seen.
    """
    if lacks(ride) or disturbing(ride) or cut_while_rolling(ride):
        return
    ridden = ride.coverage
    for key, seconds in (
        ("slow", ridden.low_speed_steering_s),
        ("cruise", ridden.cruise_s),
        ("engine", ridden.engine_running_s),
    ):
        if seconds is not None:
            yield reason(say(f"reason.fine.{key}", seconds=duration(seconds)), HINT)
    if ride.timeline.bus.cut:
        yield Cap(Strength.MODERATE, say("basis.cap_cut"))
    yield from _assist_was_full(ride)
    yield from _supply_was_good(ride)


def cut_while_rolling(ride: RideFindings) -> bool:
    """Tell whether the file ends in the middle while the vehicle still rolled.

    What ended the recording there may be what the customer complains of, such as a supply that
    failed both; a recorder switched off after the ride has recorded the ride.
    """
    speed = ride.timeline.channels.get("vehicle_speed")
    if not ride.timeline.bus.cut or speed is None or not len(speed.time_s):
        return False
    return rolling(ride.timeline, float(speed.time_s[-1]))


def _assist_was_full(ride: RideFindings) -> Iterator[Reason]:
    if ride.timeline.has("assist_limit"):
        waiting = ride.noted(EventKind.DERATE)
        yield reason(_full_but_for(ride, waiting), ENOUGH, waiting)
    fit = ride.physics.assist
    if not ride.timeline.has("assist_torque"):
        yield Cap(Strength.WEAK, say("basis.cap_not_delivered"))
    elif fit is None or fit.map_from != "profile" or fit.ratio is None:
        yield Cap(Strength.MODERATE, say("basis.cap_no_map"))
    if fit is None or fit.ratio is None or fit.map_from == "none" or not _within(ride, fit.ratio):
        return
    text = say(
        "reason.fine.map" if fit.map_from == "profile" else "reason.fine.steady",
        ratio=number(fit.ratio.value, 2),
        low=number(fit.ratio.low, 2),
        high=number(fit.ratio.high, 2),
    )
    yield reason(text, ENOUGH if fit.map_from == "profile" else HINT, (), "assist_bands")


def _full_but_for(ride: RideFindings, waiting: IndexedEvents) -> str:
    """Say when assist was full, by what the reductions that carry no weight came from."""
    if not waiting:
        return say("reason.fine.limit")
    causes = {part for hit in waiting for part in (hit.event.cause or "").split("+")}
    if "law" in causes:
        return say("reason.fine.limit_law")
    if has_engine(ride) is False or causes == {"start_up"}:
        return say("reason.fine.limit_up")
    return say("reason.fine.limit_run" if "start_up" in causes else "reason.fine.limit_but")


def _supply_was_good(ride: RideFindings) -> Iterator[Reason]:
    fit, limit_v = ride.physics.charging, ride.limits.charging_v
    if fit is None or fit.voltage_v.value < limit_v or not ride.supply_holds("charging_v"):
        return
    shown, limit = pair(fit.voltage_v.value, limit_v, "V")
    text = say("reason.fine.charging", middle=shown, limit=limit)
    yield reason(text, SUPPORT, (), "charging")


def inconclusive(ride: RideFindings, weakly: bool, *, beside: bool = False) -> Iterator[Reason]:
    """Weigh that the log lacks channels or conditions, or shows what no cause explains.

    ``weakly`` tells that some cause holds, but no more than weakly; ``beside`` that one is seen
    that took no assist in the part that was recorded.
    """
    fit = ride.timeline.fit
    if fit is not None and fit.reason:
        yield reason(fit.reason, DECISIVE)
    for text in (*_held_out(ride), *(lack.reason for lack in lacks(ride))):
        yield reason(text, ENOUGH)
    if ride.timeline.bus.cut or beside:
        key = "reason.lack.cut" if ride.timeline.bus.cut else "reason.lack.part"
        yield reason(say(key), ENOUGH)
    stalled = stalls(ride)
    if stalled:
        yield reason(say("reason.lack.stalled"), DECISIVE, stalled)
    open_ones = tuple(hit for hit in ride.derates if hit not in stalled)
    if open_ones:
        key = "reason.lack.derate_weak" if weakly else "reason.lack.derate"
        yield reason(say(key, n=len(open_ones)), ENOUGH, open_ones)
        yield from _what_stood_there(open_ones)
    elif only_codes(ride):
        names = listed(dict.fromkeys(hit.event.code for hit in own_codes(ride)))
        yield reason(say("reason.lack.code", codes=names), DECISIVE, own_codes(ride))
    elif disturbing(ride) and not stalled:
        text = say("reason.lack.warning", n=len(disturbing(ride)))
        yield reason(text, ENOUGH, disturbing(ride))
    yield from _conditions_met(ride)


def _what_stood_there(open_ones: IndexedEvents) -> Iterator[Reason]:
    """Say what is known of reductions that no cause holds for, and what would have told more."""
    low = tuple(hit for hit in open_ones if "voltage" in (hit.event.cause or "").split("+"))
    if low:
        yield reason(say("reason.lack.derate_low", n=len(low)), SUPPORT, low)
    unknown = {hit: unknown_channels(hit.event) for hit in open_ones}
    for names in dict.fromkeys(filter(None, unknown.values())):
        hits = tuple(hit for hit in open_ones if unknown[hit] == names)
        text = say("reason.lack.derate_unknown", n=len(hits), channels=channel_names(names))
        yield reason(text, SUPPORT, hits)


def _held_out(ride: RideFindings) -> Iterator[str]:
    for name, channel in ride.timeline.held_out.items():
        yield say("reason.lack.held_out", channel=channel_name(name), why=channel.held_out)


def disturbing(ride: RideFindings) -> IndexedEvents:
    """Return what keeps a ride from being free of faults: assist lost or off its map, or a code.

    A contact that opens and takes no assist is seen beside the answer, as any fault is.
    """
    lost = ride.derates + silences(ride)
    off = off_the_map(ride) + ride.of(EventKind.TORQUE_OFFSET)
    by_position = {hit.position: hit for hit in lost + off + own_codes(ride)}
    return tuple(hit for _, hit in sorted(by_position.items()))


def own_codes(ride: RideFindings) -> IndexedEvents:
    """Return the trouble codes of the steering module; those of other units change no answer."""
    return tuple(
        hit for hit in ride.of(EventKind.TROUBLE_CODE) if is_steering_code(ride, hit.event)
    )


def only_codes(ride: RideFindings) -> bool:
    """Tell whether trouble codes of the module are all that stands in the way."""
    return bool(disturbing(ride)) and len(own_codes(ride)) == len(disturbing(ride))


def stalls(ride: RideFindings) -> IndexedEvents:
    """Return reductions because the engine stopped while rolling."""
    return ride.derates_by("engine_stopped")


def _conditions_met(ride: RideFindings) -> Iterator[Reason]:
    """Say that conditions for a reduction were met, where the log cannot show one."""
    if ride.timeline.has("assist_limit") or _by_status(ride) or ride.derates:
        return
    met = []
    heat = ride.timeline.get("module_temperature")
    if heat is not None:
        _, value = heat.valid()
        if len(value) and value.max() > ride.limits.derate_start_c:
            shown, limit = pair(float(value.max()), ride.limits.derate_start_c, "degC")
            met.append(say("reason.lack.met_heat", high=shown, limit=limit))
    low = tuple(hit for hit in ride.of(EventKind.UNDERVOLTAGE) if hit.event.cause != "cranking")
    if low:
        lowest = ride.lowest("supply_voltage", low)
        limit = volts(ride.limits.undervoltage_v)
        met.append(say("reason.lack.met_supply", low=volts(lowest), limit=limit))
    if met:
        yield reason(say("reason.lack.met", what=listed(met)), DECISIVE, low)

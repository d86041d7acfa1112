"""Evidence against the module itself: by its own word, or by exclusion, which takes much.

The module is blamed last and rarely. A code or a status that means internal failure is its own
word. By exclusion it is blamed no more than moderately, and only where every other cause was
known over the onset and none of them stood there.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from canassist.conclude.causes.alike_onsets import alike_channel
from canassist.conclude.causes.claims import claim
from canassist.conclude.causes.supply_extremes import breaks
from canassist.conclude.causes.supply_summary import has_engine
from canassist.conclude.causes.weights import (
    ENOUGH,
    HINT,
    SUPPORT,
    UNDONE,
    Cap,
    Needs,
    cited,
    reason,
)
from canassist.conclude.known_then import AFTER_S, BEFORE_S, unknown_at_onset
from canassist.conclude.ride_findings import IndexedEvent, IndexedEvents, RideFindings
from canassist.conclude.wording.sentences import channel_name, listed, say, which
from canassist.model import (
    EXTENDED_KEY,
    MODULE_CHANNELS,
    Bound,
    CitedSamples,
    Code,
    EventKind,
    Strength,
)
from canassist.physics import mean_response
from canassist.timeline import value_at

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canassist.conclude.causes.weights import Found, Reason
    from canassist.model import Event, Evidence, FloatArray

SENSES: Final = ("supply_voltage", "module_temperature", "vehicle_speed", "engine_speed")
"""What must be known over an onset before another cause can be ruled out."""

LOADS: Final = ("motor_current", "module_current", "assist_torque")
"""What shows motor load, the best first."""

INTERNAL_WORDS: Final = re.compile(
    r"internal|defect|hardware|(ecu|unit|module|controller|motor)[ _]?(fault|fail|error)", re.I
)
"""Words of a status or a code that mean the module itself."""

NOT_INTERNAL: Final = re.compile(r"\b(no|not|none|without|ok)\b|^no[_A-Z]", re.I)

INTERNAL_TYPES: Final = frozenset({"49", "96"})
"""Failure types of UDS codes that mean inside the unit: 49 internal electronic, 96 component
internal (SAE J2012-DA, two public lists)."""

INTERNAL_MODE: Final = re.compile(r"FMI 12\b")
"""J1939 failure mode 12: bad intelligent device or component (public standard table)."""

STEERING_ADDRESS: Final = "address 13"
"""J1939 source address 19 (13 hex): steering controller (public address table)."""

LINE_SHARE: Final = 0.10
"""A given line may be wrong by this share: what lies nearer to it is not ruled out."""

HEAVY_TAU_S: Final = (15.0, 60.0, 240.0)
HEAVY_QUANTILE: Final = 0.97
"""Load squared, averaged over one of these times, above this quantile of the ride's other moments
of full assist is heavy duty: a rule that no signal shows may have asked for the reduction."""

OWN_S: Final = 20.0
"""The moments before an onset are its own, s, and no other moment of full assist."""

STEP_S: Final = 0.5
"""Step at which load is averaged, s."""

AFTER_BREAK_S: Final = 2.0
"""A reduction this near to a break of the supply belongs to it, s."""

TWICE: Final = 2


def module_suspect(ride: RideFindings, found: Found) -> Iterator[Reason]:
    """Weigh that assist fell by the module's own doing."""
    own_word = list(_own_word(ride))
    hits = ride.apart(ride.derates_by("unexplained"), breaks(ride), AFTER_BREAK_S)
    if not own_word and not hits:
        return
    yield from own_word
    if any(item.weight >= ENOUGH for item in own_word):
        yield from _conditions_good(ride, during_internal_fault(ride))
        yield from _consequence(ride)
        return
    yield from _by_exclusion(ride, hits, found)


# -- its own word -----------------------------------------------------------------------------


def _own_word(ride: RideFindings) -> Iterator[Evidence]:
    status = internal_status(ride)
    reduced = during_internal_fault(ride)
    if status is not None:
        text = say("reason.module.status", status=status.word)
        samples = (
            CitedSamples(channel="module_status", start_s=status.start_s, end_s=status.end_s),
        )
        yield reason(text, ENOUGH, reduced, samples=samples)
    own, unknown = internal_codes(ride)
    for hits, weight, key in (
        (own, ENOUGH, "reason.module.code"),
        (unknown, SUPPORT, "reason.module.code_unknown"),
    ):
        if hits:
            names = listed(dict.fromkeys(hit.event.code for hit in hits))
            yield reason(say(key, codes=names), weight, hits, channels=("trouble_code",))
    if (status is not None or own) and reduced:
        text = say("reason.module.reduced", **which(len(reduced), len(ride.derates)))
        yield reason(text, ENOUGH, reduced, samples=cited(ride, reduced, "assist_limit"))


class StatusSpan(NamedTuple):
    """A status that means internal failure, and from when to when the module gave it."""

    word: str
    start_s: float
    end_s: float


def internal_status(ride: RideFindings) -> StatusSpan | None:
    """Return the module's status that means internal failure; None where it gave none."""
    channel = ride.timeline.get("module_status")
    if channel is None:
        return None
    telling = {
        number: word
        for number, word in channel.labels.items()
        if is_internal(word) and not NOT_INTERNAL.search(word)
    }
    time_s, value = channel.valid()
    rows = np.flatnonzero(np.isin(value, list(telling)))
    if not len(rows):
        return None
    return StatusSpan(
        telling[float(value[rows[0]])], float(time_s[rows[0]]), float(time_s[rows[-1]])
    )


def is_internal(words: str) -> bool:
    """Tell whether a status or the text of a code means the unit itself."""
    spelled = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", words)
    return bool(INTERNAL_WORDS.search(spelled))


def internal_codes(ride: RideFindings) -> tuple[IndexedEvents, IndexedEvents]:
    """Return codes that mean internal failure: of the steering module, and of an unknown unit."""
    telling = tuple(
        IndexedEvent(position, event)
        for position, event in enumerate(ride.events)
        if event.kind is EventKind.TROUBLE_CODE and _means_internal(event)
    )
    own = tuple(hit for hit in telling if is_steering_code(ride, hit.event))
    chassis = tuple(hit for hit in telling if hit not in own and hit.event.code.startswith("C"))
    return own, chassis


def _means_internal(event: Event) -> bool:
    kind = event.code.rpartition("-")[2]
    text = event.measured.get("text")
    by_text = isinstance(text, str) and is_internal(text)
    return kind in INTERNAL_TYPES or bool(INTERNAL_MODE.search(event.code)) or by_text


def is_steering_code(ride: RideFindings, event: Event) -> bool:
    """Tell whether a trouble code comes from the unit that sends the module's channels."""
    sender = event.measured.get("sender")
    if not isinstance(sender, str) or not sender:
        return False
    if sender == STEERING_ADDRESS:
        return True
    for name in MODULE_CHANNELS:
        channel = ride.timeline.get(name)
        if channel is None or channel.stands_in:
            continue
        own = channel.source.key & EXTENDED_KEY and f"address {channel.source.key & 0xFF:02X}"
        if sender in {channel.sender, own}:
            return True
    return False


def during_internal_fault(ride: RideFindings) -> IndexedEvents:
    """Return the reductions that stand while the module says that it has failed."""
    status, (own, _) = internal_status(ride), internal_codes(ride)
    spans = [] if status is None else [(status.start_s, status.end_s)]
    spans += [(hit.event.start_s, ride.end_s) for hit in own]
    return tuple(
        hit
        for hit in ride.derates
        if any(
            hit.event.start_s <= end_s and start_s <= hit.event.until(ride.end_s)
            for start_s, end_s in spans
        )
    )


def _conditions_good(ride: RideFindings, hits: IndexedEvents) -> Iterator[Reason]:
    """Weigh that heat and supply, known at the onset, asked for nothing."""
    lines = ride.physics.limit_lines
    if lines is None or not hits:
        return
    for name, bound, limit, key in (
        ("supply_voltage", Bound.AT_LEAST, lines.derate_start_v, "reason.module.supply"),
        ("module_temperature", Bound.AT_MOST, lines.derate_start_c, "reason.module.heat"),
    ):
        samples = tuple(
            CitedSamples(
                channel=name,
                start_s=hit.event.start_s - BEFORE_S,
                end_s=hit.event.start_s + AFTER_S,
            )
            for hit in hits[:1]
            if not unknown_at_onset(ride, name, hit.event.start_s)
        )
        held = claim(ride.timeline, samples, bound, limit)
        if held is not None:
            yield reason(say(key), SUPPORT, hits[:1], samples=samples, claims=(held,))


def _consequence(ride: RideFindings) -> Iterator[Reason]:
    """Take back what the module says only after its supply broke or rose too high."""
    reduced = during_internal_fault(ride)[:1]
    root = breaks(ride) + ride.of(EventKind.OVERVOLTAGE)
    before = ride.together(reduced, root)
    if before:
        yield reason(say("reason.module.after"), -UNDONE, before, channels=("supply_voltage",))


# -- by exclusion -----------------------------------------------------------------------------


def _by_exclusion(ride: RideFindings, hits: IndexedEvents, found: Found) -> Iterator[Reason]:
    if not hits:
        return
    yield Needs(("derate_start_c", "derate_zero_c", "derate_start_v", "derate_zero_v"))
    if all(ride.from_the_first(hit.event) for hit in hits):
        yield reason(say("reason.module.from_the_first"), HINT, hits)
        return
    bare, why = _bare(ride, hits)
    words = which(len(bare or hits), len(ride.derates))
    if bare:
        yield reason(say("reason.module.fell", **words), ENOUGH, bare)
        yield Cap(Strength.MODERATE, say("basis.cap_exclusion"))
        alike = alike_channel(ride, tuple(hit.event.start_s for hit in bare))
        if alike:
            yield Cap(Strength.WEAK, say("basis.cap_alike", channel=channel_name(alike)))
        if len(bare) < TWICE and not internal_codes(ride)[1]:
            yield Cap(Strength.WEAK, say("basis.cap_once"))
    else:
        yield reason(say("reason.module.fell_unknown", **words), SUPPORT, hits)
        sure = bool(internal_codes(ride)[1]) and why == say("basis.cap_heavy_duty")
        yield Cap(Strength.MODERATE if sure else Strength.WEAK, why)
    yield from _exclusion_caps(ride)
    yield from _other_causes(ride, hits, found)


def _bare(ride: RideFindings, hits: IndexedEvents) -> tuple[IndexedEvents, str]:
    """Return the reductions with every other cause known and absent, and why others are not."""
    bare, why = [], ""
    for hit in hits:
        open_end = _open_question(ride, hit)
        if open_end:
            why = why or open_end
        else:
            bare.append(hit)
    return tuple(bare), why


def _open_question(ride: RideFindings, hit: IndexedEvent) -> str:
    """Return what keeps a reduction from being put down to the module; empty where nothing."""
    event, load = hit.event, _load(ride)
    if unknown := _unknown_sense(ride, event.start_s):
        return unknown
    if not load or unknown_at_onset(ride, load, event.start_s):
        return say("basis.cap_sensors", missing=channel_name("motor_current"))
    if near := _something_near(ride, hit):
        return say("basis.cap_near", what=near)
    if _near_a_line(ride, event):
        return say("basis.cap_near_line")
    return say("basis.cap_heavy_duty") if _heavy_duty(ride, load, event.start_s) else ""


def _load(ride: RideFindings) -> str:
    return next((name for name in LOADS if ride.timeline.has(name)), "")


def _unknown_sense(ride: RideFindings, onset_s: float) -> str:
    """Return which excluded cause was not known at an onset, in words; empty where none."""
    asked = SENSES[:-1] if has_engine(ride) is False else SENSES
    for name in asked:
        if unknown_at_onset(ride, name, onset_s):
            return say("basis.cap_sensors", missing=channel_name(name))
    return say("basis.cap_stand_in") if ride.supply is None else ""


def _something_near(ride: RideFindings, hit: IndexedEvent) -> str:
    """Return what else was odd within two seconds of the onset, in words."""
    onset = IndexedEvent(hit.position, hit.event)
    for position, event in enumerate(ride.events):
        if position == hit.position or event.kind in _NOT_ODD:
            continue
        starts = onset.event.start_s - TWICE <= event.until(ride.end_s)
        if starts and event.start_s <= onset.event.start_s + TWICE:
            return say(f"word.kind.{event.kind.value}")
    return ""


_NOT_ODD: Final = frozenset({EventKind.DERATE, EventKind.TROUBLE_CODE, EventKind.TORQUE_OFFSET})


def _near_a_line(ride: RideFindings, event: Event) -> bool:
    """Tell whether heat or supply were so near to a line that a wrong line explains it."""
    lines = ride.physics.limit_lines
    if lines is None:
        return True
    at_s = np.array([event.start_s - AFTER_S, event.start_s])
    heat_c = value_at(ride.timeline, "module_temperature", at_s)
    supply_v = value_at(ride.timeline, "supply_voltage", at_s)
    hot = np.nanmax(heat_c) >= (1.0 - LINE_SHARE) * lines.derate_start_c
    low = np.nanmin(supply_v) <= (1.0 + LINE_SHARE) * lines.derate_start_v
    return bool(hot or low or _hottest_yet(ride, float(np.nanmax(heat_c))))


def _hottest_yet(ride: RideFindings, heat_c: float) -> bool:
    """Tell whether assist was never full at this temperature: then heat may be why."""
    limit = ride.timeline.get("assist_limit")
    if limit is None:
        return True
    time_s, value = limit.valid()
    full = time_s[value >= ride.limits.full_assist_pct]
    known = value_at(ride.timeline, "module_temperature", full)
    known = known[~np.isnan(known)]
    return not len(known) or heat_c > float(known.max())


def _heavy_duty(ride: RideFindings, load: str, onset_s: float) -> bool:
    """Tell whether the module had worked harder than at most moments of full assist."""
    at_s = np.arange(0.0, ride.end_s, STEP_S)
    squared: FloatArray = np.nan_to_num(value_at(ride.timeline, load, at_s)) ** 2
    at_full = value_at(ride.timeline, "assist_limit", at_s) >= ride.limits.full_assist_pct
    row = int(np.searchsorted(at_s, onset_s)) - 1
    if row < 0 or not at_full.any():
        return True
    at_full &= (at_s < onset_s - OWN_S) | (at_s > onset_s)
    if not at_full.any():
        return True
    averaged = (mean_response(squared, tau_s, STEP_S) for tau_s in HEAVY_TAU_S)
    return any(duty[row] > np.quantile(duty[at_full], HEAVY_QUANTILE) for duty in averaged)


def _exclusion_caps(ride: RideFindings) -> Iterator[Reason]:
    lines = ride.physics.limit_lines
    if lines is None or lines.source != "profile":
        yield Cap(Strength.WEAK, say("basis.cap_lines"))
    if not ride.timeline.has("assist_limit"):
        yield Cap(Strength.WEAK, say("basis.cap_status"))
    if breaks(ride):
        yield Cap(Strength.WEAK, say("basis.cap_breaks"))


def _other_causes(ride: RideFindings, hits: IndexedEvents, found: Found) -> Iterator[Reason]:
    explained = tuple(hit for hit in ride.derates if hit not in hits)
    if explained:
        text = say("reason.module.others", **which(len(explained), len(ride.derates)))
        yield reason(text, -HINT, explained)
        yield Cap(Strength.WEAK, say("basis.cap_remainder"))
    for code, weighed in found.items():
        if code is not Code.THERMAL_PROTECTION and weighed.holds(Strength.STRONG):
            yield Cap(Strength.WEAK, say("basis.cap_remainder"))
            break
    bus = found.get(Code.BUS_FAULT)
    disturbed = ride.together(hits, ride.of(EventKind.BUS_DISTURBANCE))
    if disturbed and bus is not None and bus.holds(Strength.MODERATE):
        yield reason(say("reason.module.bus"), -UNDONE, disturbed)

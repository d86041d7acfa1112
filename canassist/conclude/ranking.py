"""The answer first: roles, shares of the loss, and the order of what holds."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

from canassist.conclude import no_blame
from canassist.conclude.causes.module_evidence import internal_status
from canassist.conclude.causes.steering_evidence import deviations
from canassist.conclude.causes.weights import ORDER, Cap, WeighedCause, weigh
from canassist.conclude.lost_assist import SUPPLY_ROOTS, Losses, can_show_loss
from canassist.conclude.wording.sentences import say
from canassist.model import Code, ConclusionRole, EventKind, ExplainsComplaint, Strength

if TYPE_CHECKING:
    from canassist.conclude.causes.weights import Found
    from canassist.conclude.ride_findings import RideFindings

MOMENT_RANK: Final = 2.5
"""What explains the loss at the moment complained of comes before what is one step stronger and
explains all the rest of the ride."""

YES_FROM: Final = 0.8
PARTLY_FROM: Final = 0.2
"""Shares of the loss that explain a complaint, wholly and partly (the contract's figures)."""

LEAST_SHARE: Final = 0.02
"""Less than this of the loss is no answer to it (rule of thumb)."""

ROOT_FIRST: Final = (
    Code.BUS_FAULT,
    Code.SUPPLY_BREAK,
    Code.CHARGING_FAULT,
    Code.SUPPLY_RESISTANCE,
    Code.OVERVOLTAGE_FAULT,
    Code.SPEED_SIGNAL_FAULT,
    Code.LOW_BATTERY,
    Code.THERMAL_PROTECTION,
    Code.DUTY_PROTECTION,
    Code.TORQUE_SENSOR_OFFSET,
    Code.ASSIST_MAP_DEVIATION,
    Code.MODULE_SUSPECT,
    Code.MECHANICAL_LOAD,
    Code.NO_FAULT_FOUND,
    Code.INCONCLUSIVE,
)
"""Order between equals: what brings about others comes first."""

DEVIATING: Final = frozenset(
    {Code.ASSIST_MAP_DEVIATION, Code.TORQUE_SENSOR_OFFSET, Code.MECHANICAL_LOAD}
)
"""What makes the steering heavy or odd without any loss of assist."""

HEAVIER: Final = frozenset({"low", "left_low", "right_low"})
"""Deviations that make the steering heavier."""


class RankedCause(NamedTuple):
    """A weighed cause that holds, with what it answers."""

    weighed: WeighedCause
    role: ConclusionRole
    explains: float | None
    complaint: ExplainsComplaint | None


def rank(ride: RideFindings, found: Found) -> list[RankedCause]:
    """Return what holds, the answer to 'why was the steering heavy?' first.

    An answer stands by its strength (3, 2, 1), plus the share (0 to 1) of all lost assist that
    it explains, plus `MOMENT_RANK` where it explains the loss at the moment complained of; then
    by its sum; then root before consequence. A weak blame never leads, and neither does what
    explains next to nothing of the loss: then "no fault found" or "inconclusive" does.
    """
    if ride.timeline.fit is not None and ride.timeline.fit.reason:
        return [_open_end(ride, weakly=False)]
    losses = Losses(ride, found)
    ranked = [_ranked(ride, losses, item) for item in found.values() if item.holds()]
    answers = [one for one in ranked if one.role is ConclusionRole.ANSWER]
    beside = [one for one in ranked if one.role is ConclusionRole.ALSO_SEEN]
    answers.sort(key=lambda one: _place(ride, losses, one))
    beside.sort(key=lambda one: _place(ride, losses, one))
    if answers and _may_lead(answers[0]):
        return [*answers, *beside]
    beside_it = [
        Cap(Strength.MODERATE, say("basis.cap_beside"))
        for one in beside[:1]
        if one.weighed.holds(Strength.MODERATE)
    ]
    reasons = (*no_blame.no_fault_found(ride), *beside_it)
    quiet = weigh(Code.NO_FAULT_FOUND, reasons, ride.profile)
    rest_tells = ride.in_part and bool(beside_it)  # what was found may have taken assist
    if quiet.holds() and not answers and not rest_tells:
        none = ExplainsComplaint.NO if can_show_loss(ride) else None
        return [RankedCause(quiet, ConclusionRole.ANSWER, None, none), *beside]
    return [_open_end(ride, weakly=bool(answers), beside=rest_tells), *answers, *beside]


def _open_end(ride: RideFindings, *, weakly: bool, beside: bool = False) -> RankedCause:
    reasons = no_blame.inconclusive(ride, weakly=weakly, beside=beside)
    weighed = weigh(Code.INCONCLUSIVE, reasons, ride.profile)
    return RankedCause(weighed, ConclusionRole.ANSWER, None, None)


def _ranked(ride: RideFindings, losses: Losses, weighed: WeighedCause) -> RankedCause:
    share = losses.at().share(weighed.code)
    role = _role(ride, weighed, share)
    return RankedCause(weighed, role, share, _complaint(ride, losses, weighed, role))


def _role(ride: RideFindings, weighed: WeighedCause, share: float | None) -> ConclusionRole:
    if (share or 0.0) >= LEAST_SHARE or weighed.code in DEVIATING:
        return ConclusionRole.ANSWER
    if weighed.code is Code.SPEED_SIGNAL_FAULT and road_speed_false(ride):
        return ConclusionRole.ANSWER  # assist goes by it, and cannot be right
    low = ride.of(EventKind.UNDERVOLTAGE) or ride.of(EventKind.CHARGING_LOW)
    roots = low and weighed.code in SUPPLY_ROOTS
    own_word = weighed.code is Code.MODULE_SUSPECT and internal_status(ride) is not None
    unseen = (roots or own_word) and not can_show_loss(ride)
    if unseen and weighed.holds(Strength.MODERATE):
        return ConclusionRole.ANSWER  # whether assist fell is not in the log, why it would is
    return ConclusionRole.ALSO_SEEN


def road_speed_false(ride: RideFindings) -> bool:
    """Tell whether road speed itself was stuck or false while the vehicle was ridden."""
    broken = ride.of(EventKind.SIGNAL_STUCK) + ride.of(EventKind.SIGNAL_JUMP)
    return any(hit.event.channel == "vehicle_speed" for hit in broken)


def _complaint(
    ride: RideFindings, losses: Losses, weighed: WeighedCause, role: ConclusionRole
) -> ExplainsComplaint | None:
    """Return whether a cause explains heavy steering at the moments named, or in all."""
    if weighed.code is Code.SPEED_SIGNAL_FAULT and not losses.at().total:
        return None if role is ConclusionRole.ANSWER else ExplainsComplaint.NO
    if weighed.code in DEVIATING and not losses.at().total:
        return _deviation_explains(ride, weighed.code)
    if not can_show_loss(ride):
        return None
    if not losses.at().total or role is ConclusionRole.ALSO_SEEN:
        return ExplainsComplaint.NO
    shares = [losses.at(at_s).share(weighed.code) or 0.0 for at_s in ride.at_s or (None,)]
    best = max(shares)
    if best >= YES_FROM:
        return ExplainsComplaint.YES
    return ExplainsComplaint.PARTLY if best >= PARTLY_FROM else ExplainsComplaint.NO


def _deviation_explains(ride: RideFindings, code: Code) -> ExplainsComplaint | None:
    if code is Code.MECHANICAL_LOAD:
        return ExplainsComplaint.YES
    if code is Code.TORQUE_SENSOR_OFFSET:
        return None  # it pulls to one side; how heavy the other is, no signal says
    heavier = any(hit.event.cause in HEAVIER for hit in deviations(ride))
    return ExplainsComplaint.YES if heavier else ExplainsComplaint.NO


def _may_lead(one: RankedCause) -> bool:
    """Tell whether an answer may come first: sure enough, and of more than next to nothing.

    Effort explains no assist that was lost.
    """
    return one.weighed.holds(Strength.MODERATE) and (one.explains is None or _enough(one))


def _enough(one: RankedCause) -> bool:
    free = (DEVIATING - {Code.MECHANICAL_LOAD}) | {Code.SPEED_SIGNAL_FAULT}
    return (one.explains or 0.0) >= PARTLY_FROM or one.weighed.code in free


def _place(ride: RideFindings, losses: Losses, one: RankedCause) -> tuple[bool, float, float, int]:
    weighed = one.weighed
    steps = ORDER[weighed.strength] if weighed.strength is not None else 0
    there = 0.0
    for at_s in ride.at_s:
        there = max(there, losses.at(at_s).share(weighed.code) or 0.0)
    if not there and moment_hits(ride, weighed):
        there = PARTLY_FROM
    high = steps + (one.explains or 0.0) + MOMENT_RANK * there
    return not _may_lead(one), -high, -weighed.score, ROOT_FIRST.index(weighed.code)


def moment_hits(ride: RideFindings, weighed: WeighedCause) -> bool:
    """Tell whether an event that speaks for a cause lies at a moment complained of."""
    positions = {position for item in weighed.because for position in item.events}
    return any(hit.position in positions for hit in ride.at_moment(5.0))

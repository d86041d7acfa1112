"""How much assist was lost, which cause explains which share of it, in all and at a moment."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from canassist.conclude.causes.module_evidence import during_internal_fault
from canassist.conclude.causes.supply_extremes import breaks, silences, starved
from canassist.conclude.causes.weights import ORDER
from canassist.conclude.ride_findings import figure
from canassist.model import Code, EventKind

if TYPE_CHECKING:
    from collections.abc import Mapping

    from canassist.conclude.causes.weights import Found, Opinion
    from canassist.conclude.ride_findings import Hit, Hits, RideFindings
    from canassist.model import Event

MOMENT_S: Final = 5.0
"""A rider names a moment no more exactly than this, s (rule of thumb)."""

AFTER_BREAK_S: Final = 2.0
"""A reduction that begins this soon after a break belongs to it, s: modules start in less."""

FULL_PCT: Final = 100.0

SUPPLY_ROOTS: Final = (
    Code.CHARGING_FAULT,
    Code.SUPPLY_RESISTANCE,
    Code.SUPPLY_BREAK,
    Code.LOW_BATTERY,
)
"""What may lie behind low supply; the best held one takes the loss of assist."""


@dataclass(frozen=True, slots=True)
class LostAssist:
    """Assist that was lost, in per cent seconds, in all and by the cause that explains it.

    A module that is silent gives none: its silence counts as much as a reduction to nothing.
    """

    total: float
    by_code: Mapping[Code, float]

    def share(self, code: Code) -> float | None:
        """Return the share that a cause explains; None where nothing was lost."""
        if self.total <= 0.0:
            return None
        return min(self.by_code.get(code, 0.0) / self.total, 1.0)


def lost_assist(ride: RideFindings, found: Found, at_s: float | None = None) -> LostAssist:
    """Add up what was lost, of the whole ride or around a moment complained of."""
    by_code: dict[Code, float] = {}
    total = 0.0
    for hit in (*ride.derates, *silences(ride)):
        amount = _amount(ride, hit.event) * _part_near(ride, hit.event, at_s)
        total += amount
        for code, part in _explained_by(ride, hit, found).items():
            by_code[code] = by_code.get(code, 0.0) + amount * part
    return LostAssist(total, by_code)


def can_show_loss(ride: RideFindings) -> bool:
    """Tell whether the log could show that assist was reduced."""
    words = ride.profile.status_reduced | ride.profile.status_off
    by_status = bool(words) and ride.timeline.has("module_status")
    return ride.timeline.has("assist_limit") or by_status or bool(ride.derates)


def _amount(ride: RideFindings, event: Event) -> float:
    lasted_s = max(event.until(ride.end_s) - event.start_s, 0.0)
    if event.kind is EventKind.MODULE_RESTART:
        return FULL_PCT * lasted_s
    lost = figure(event, "lost_assist_pct_s")
    return FULL_PCT * lasted_s if lost is None else lost


def _part_near(ride: RideFindings, event: Event, at_s: float | None) -> float:
    """Return the share of an event that lies near a moment; all of it where none is named."""
    if at_s is None:
        return 1.0
    until = event.until(ride.end_s)
    near_s = min(until, at_s + MOMENT_S) - max(event.start_s, at_s - MOMENT_S)
    if until <= event.start_s:
        return 1.0 if near_s >= 0.0 else 0.0
    return max(near_s, 0.0) / (until - event.start_s)


def _explained_by(ride: RideFindings, hit: Hit, found: Found) -> dict[Code, float]:
    """Return which cause explains which part of one loss; a consequence goes to its root."""
    broken, bus = found.get(Code.SUPPLY_BREAK), found.get(Code.BUS_FAULT)
    own_law = "temperature" in (hit.event.cause or "").split("+")  # heat holds it down after that
    if broken is not None and broken.holds() and not own_law and _after_break(ride, hit):
        return {Code.SUPPLY_BREAK: 1.0}
    if _near_any(ride, hit, starved(ride)):
        code = _behind("voltage", found)
        return {} if code is None else {code: 1.0}
    if hit.event.kind is EventKind.MODULE_RESTART:
        return {Code.BUS_FAULT: 1.0} if bus is not None and bus.holds() else {}
    if hit in during_internal_fault(ride):
        return {Code.MODULE_SUSPECT: 1.0}
    explained: dict[Code, float] = {}
    if hit.event.cause in {None, "unexplained"} and _bus_then(ride, hit, found):
        return {Code.BUS_FAULT: 1.0}
    for word, part in _parts(hit.event).items():
        code = _behind(word, found)
        if code is not None:
            explained[code] = explained.get(code, 0.0) + part
    return explained


def _bus_then(ride: RideFindings, hit: Hit, found: Found) -> bool:
    bus = found.get(Code.BUS_FAULT)
    disturbed = ride.together((hit,), ride.of(EventKind.BUS_DISTURBANCE))
    return bool(disturbed) and bus is not None and bus.holds()


def _after_break(ride: RideFindings, hit: Hit) -> bool:
    return _near_any(ride, hit, breaks(ride))


def _near_any(ride: RideFindings, hit: Hit, roots: Hits) -> bool:
    """Tell whether a loss begins with, or soon after, one of these."""
    start_s = hit.event.start_s
    return any(
        one.event.start_s <= start_s + 1.0
        and start_s <= one.event.until(ride.end_s) + AFTER_BREAK_S
        for one in roots
    )


def _parts(event: Event) -> dict[str, float]:
    """Return how a derate is shared among its causes, 1 in all."""
    if event.cause is None:
        return {}
    words = event.cause.split("+")
    shares = {word: event.shares.get(word, 1.0) for word in words}
    total = sum(shares.values())
    return {word: part / total for word, part in shares.items()} if total > 0.0 else {}


def _behind(word: str, found: Found) -> Code | None:
    if word == "voltage":
        roots = [found[code] for code in SUPPLY_ROOTS if code in found and found[code].holds()]
        return max(roots, key=_sureness).code if roots else None
    if word == "speed_signal":
        return _speed_root(found)
    return {
        "temperature": Code.THERMAL_PROTECTION,
        "duty": Code.DUTY_PROTECTION,
        "overvoltage": Code.OVERVOLTAGE_FAULT,
        "unexplained": Code.MODULE_SUSPECT,
    }.get(word)


def _sureness(opinion: Opinion) -> tuple[int, float, float]:
    """Rank by strength, then by the best single observation: a measured path beats a level."""
    steps = ORDER[opinion.strength] if opinion.strength is not None else 0
    best = max((item.weight for item in opinion.because), default=0.0)
    return steps, best, opinion.score


def _speed_root(found: Found) -> Code:
    bus, speed = found.get(Code.BUS_FAULT), found.get(Code.SPEED_SIGNAL_FAULT)
    if bus is not None and bus.holds() and (speed is None or bus.score > speed.score):
        return Code.BUS_FAULT
    return Code.SPEED_SIGNAL_FAULT

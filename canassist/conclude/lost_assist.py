"""How much assist was lost, which cause explains which share of it, in all and at a moment."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from canassist.conclude.causes.module_evidence import during_internal_fault
from canassist.conclude.causes.supply_extremes import breaks, silences, starved
from canassist.conclude.causes.weights import ORDER
from canassist.conclude.overlaps import meeting
from canassist.conclude.ride_findings import figure
from canassist.model import Code, EventKind

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from canassist.conclude.causes.weights import Found, WeighedCause
    from canassist.conclude.ride_findings import IndexedEvents, RideFindings
    from canassist.model import Event

MOMENT_S: Final = 5.0
"""A rider names a moment no more exactly than this, s (rule of thumb)."""

AFTER_BREAK_S: Final = 2.0
"""A reduction that begins this soon after a break belongs to it, s: modules start in less."""

BEFORE_BREAK_S: Final = 1.0
"""... and one that begins this long before the break was seen, s: channels have periods."""

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


class Losses:
    """What was lost, of the whole ride and around each moment; each worked out once."""

    def __init__(self, ride: RideFindings, found: Found) -> None:
        self._ride = ride
        hits = (*ride.derates, *silences(ride))
        self._explained = list(zip(hits, _explained(ride, hits, found), strict=True))
        self._by_moment: dict[float | None, LostAssist] = {}

    def at(self, at_s: float | None = None) -> LostAssist:
        """Return what was lost around a moment complained of; of the whole ride without one."""
        if at_s not in self._by_moment:
            self._by_moment[at_s] = self._added_up(at_s)
        return self._by_moment[at_s]

    def _added_up(self, at_s: float | None) -> LostAssist:
        by_code: dict[Code, float] = {}
        total = 0.0
        for hit, parts in self._explained:
            amount = _amount(self._ride, hit.event) * _part_near(self._ride, hit.event, at_s)
            total += amount
            for code, part in parts.items():
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


def _explained(
    ride: RideFindings, hits: IndexedEvents, found: Found
) -> Iterator[dict[Code, float]]:
    """Yield which cause explains which part of each loss; a consequence goes to its root."""
    broken, bus = found.get(Code.SUPPLY_BREAK), found.get(Code.BUS_FAULT)
    cut = broken is not None and broken.holds()
    disturbed = bus is not None and bus.holds()
    after_break = _soon_after(ride, hits, breaks(ride))
    without_supply = _soon_after(ride, hits, starved(ride))
    with_bus = {hit.position for hit in ride.together(hits, ride.of(EventKind.BUS_DISTURBANCE))}
    internal = {hit.position for hit in during_internal_fault(ride)}
    for hit, broke, starving in zip(hits, after_break, without_supply, strict=True):
        own_law = "temperature" in (hit.event.cause or "").split("+")  # heat holds it down then
        if cut and broke and not own_law:
            yield {Code.SUPPLY_BREAK: 1.0}
        elif starving:
            code = _behind("voltage", found)
            yield {} if code is None else {code: 1.0}
        elif hit.event.kind is EventKind.MODULE_RESTART:
            yield {Code.BUS_FAULT: 1.0} if disturbed else {}
        elif hit.position in internal:
            yield {Code.MODULE_SUSPECT: 1.0}
        elif disturbed and hit.event.cause in {None, "unexplained"} and hit.position in with_bus:
            yield {Code.BUS_FAULT: 1.0}
        else:
            yield _by_words(hit.event, found)


def _by_words(event: Event, found: Found) -> dict[Code, float]:
    explained: dict[Code, float] = {}
    for word, part in _parts(event).items():
        code = _behind(word, found)
        if code is not None:
            explained[code] = explained.get(code, 0.0) + part
    return explained


def _soon_after(ride: RideFindings, hits: IndexedEvents, roots: IndexedEvents) -> list[bool]:
    """Tell for each loss whether it begins with, or soon after, one of the roots."""
    starts = [(hit.event.start_s, hit.event.start_s + BEFORE_BREAK_S) for hit in hits]
    ends = [(root.event.start_s, root.event.until(ride.end_s) + AFTER_BREAK_S) for root in roots]
    return meeting(starts, ends, 0.0)


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


def _sureness(weighed: WeighedCause) -> tuple[int, float, float]:
    """Rank by strength, then by the best single observation: a measured path beats a level."""
    steps = ORDER[weighed.strength] if weighed.strength is not None else 0
    best = max((item.weight for item in weighed.because), default=0.0)
    return steps, best, weighed.score


def _speed_root(found: Found) -> Code:
    bus, speed = found.get(Code.BUS_FAULT), found.get(Code.SPEED_SIGNAL_FAULT)
    if bus is not None and bus.holds() and (speed is None or bus.score > speed.score):
        return Code.BUS_FAULT
    return Code.SPEED_SIGNAL_FAULT

"""How reasons add up: a few named weights, one sum, two thresholds.

Every cause is weighed by the same open rule. Each observation counts for (above 0) or
against (below 0) by the heaviest of the reasons that rest on it; the sum decides how sure
the answer is. A limit given in the profile lifts a cap and never adds. A cap
holds an answer down where the log or the profile cannot carry more, whatever the sum. The
weights are judgement (common practice, no source): they say that one direct observation of a
cause is enough to name it, and that "strong" takes a second, independent one.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Final, NamedTuple

from canassist.conclude.causes.observations import (
    observation_count,
    observed_weight,
)
from canassist.model import BLAMELESS, CitedSamples, Code, EventKind, Evidence, Strength

if TYPE_CHECKING:
    from collections.abc import Iterable

    from canassist.conclude.ride_findings import IndexedEvents, RideFindings
    from canassist.model import Claim, Event, Profile

ENOUGH: Final = 1.0
"""The log shows the cause itself at work: alone enough for moderate."""

SUPPORT: Final = 0.5
"""Fits the cause and does not fit most others: supports, is not enough alone."""

HINT: Final = 0.25
"""Fits the cause, and several others too."""

DECISIVE: Final = 1.5
"""A measurement with its whole interval beyond (or within) its limit."""

UNDONE: Final = 3.0
"""What was seen has another origin, which is shown: takes back whatever it gave."""

STRONG_FROM: Final = 2.0
"""Sum from which a cause is strong: two direct observations, or one and two supports."""

STRONG_OBSERVATIONS: Final = 2
"""... that could have disagreed."""

MODERATE_FROM: Final = 1.0
"""Sum from which a cause is moderate: one direct observation that nothing speaks against."""

WEAK_FROM: Final = 0.5
"""Sum from which a cause is named at all."""

ORDER: Final = {Strength.STRONG: 3, Strength.MODERATE: 2, Strength.WEAK: 1}


class Cap(NamedTuple):
    """The most that an answer may claim, and why."""

    strength: Strength
    why: str


class Needs(NamedTuple):
    """Limits that an answer stands on; it is not strong unless the profile gives them."""

    limits: tuple[str, ...]


Reason = Evidence | Cap | Needs


@dataclass(frozen=True, kw_only=True)
class WeighedCause:
    """One cause, weighed: its reasons, what holds it down, and what it stands on.

    What follows from them is worked out once: it is asked again for every loss of assist.
    """

    code: Code
    reasons: tuple[Evidence, ...]
    caps: tuple[Cap, ...] = ()
    needs: tuple[str, ...] = ()

    @cached_property
    def score(self) -> float:
        """Sum of all weights, each observation counted once."""
        return observed_weight(self.because) + observed_weight(self.against)

    @cached_property
    def because(self) -> tuple[Evidence, ...]:
        """Reasons in favour, the heaviest first."""
        return tuple(sorted((r for r in self.reasons if r.weight > 0), key=lambda r: -r.weight))

    @cached_property
    def against(self) -> tuple[Evidence, ...]:
        """Reasons against, the heaviest first."""
        return tuple(sorted((r for r in self.reasons if r.weight < 0), key=lambda r: r.weight))

    @cached_property
    def earned(self) -> Strength | None:
        """Strength by the sum alone; None below `WEAK_FROM`."""
        if self.score >= STRONG_FROM and observation_count(self.because) >= STRONG_OBSERVATIONS:
            return Strength.STRONG
        if self.score >= MODERATE_FROM:
            return Strength.MODERATE
        return Strength.WEAK if self.score >= WEAK_FROM else None

    @cached_property
    def holding_cap(self) -> Cap | None:
        """The lowest cap that holds the earned strength down; None where none does."""
        if self.earned is None or not self.caps:
            return None
        lowest = min(self.caps, key=lambda cap: ORDER[cap.strength])
        return lowest if ORDER[lowest.strength] < ORDER[self.earned] else None

    @cached_property
    def strength(self) -> Strength | None:
        """Strength after caps; None where the cause does not hold."""
        cap = self.holding_cap
        return self.earned if cap is None else cap.strength

    def holds(self, at_least: Strength = Strength.WEAK) -> bool:
        """Tell whether the cause holds with this strength or more."""
        return self.strength is not None and ORDER[self.strength] >= ORDER[at_least]


Found = Mapping[Code, WeighedCause]
"""The causes weighed so far."""


class HoldingWords(NamedTuple):
    """Words for what holds an answer at moderate: assumed limits, and thinly learned ones."""

    assumed: str = ""
    thin: str = ""


NO_WORDS: Final = HoldingWords()


def weigh(
    code: Code, reasons: Iterable[Reason], profile: Profile, words: HoldingWords = NO_WORDS
) -> WeighedCause:
    """Add up the reasons of one cause.

    Parameters
    ----------
    code : Code
        The cause.
    reasons : iterable of Evidence, Cap and Needs
        In any order.
    profile : Profile
        Tells which limits are given. A code that blames a part is held at moderate
        where a limit that it needs is assumed, and every code where one was learned from
        fewer than three vehicles; what rests on no limit is not.
    words : HoldingWords
        Words for that.
    """
    found = tuple(reasons)
    evidence = tuple(reason for reason in found if isinstance(reason, Evidence))
    caps = [reason for reason in found if isinstance(reason, Cap)]
    needs = tuple(
        dict.fromkeys(name for need in found if isinstance(need, Needs) for name in need.limits)
    )
    if code not in BLAMELESS and needs and not profile.gives(*needs):
        caps.append(Cap(Strength.MODERATE, words.assumed))
    elif needs and profile.gives(*needs) and not profile.proves(*needs):
        caps.append(Cap(Strength.MODERATE, words.thin))
    return WeighedCause(code=code, reasons=evidence, caps=tuple(caps), needs=needs)


def reason(  # noqa: PLR0913 - text and weight, then what it rests on, each optional
    text: str,
    weight: float,
    hits: IndexedEvents = (),
    figure: str = "",
    *,
    channels: tuple[str, ...] = (),
    samples: tuple[CitedSamples, ...] = (),
    claims: tuple[Claim, ...] = (),
) -> Evidence:
    """Return one reason, linked to the events that show it.

    Parameters
    ----------
    hits : tuple of IndexedEvent
        Events that show it; it rests on their own channels over their times.
    channels : tuple of str
        On which it rests in place of the events' own ones.
    samples : tuple of CitedSamples
        On which it rests instead.
    claims : tuple of Claim
        What its sentence says of them.
    """
    cited = samples or tuple(
        CitedSamples(
            channel=name,
            start_s=hit.event.start_s,
            end_s=hit.event.until(math.inf),
        )
        for hit in hits
        for name in channels or (channel_of(hit.event),)
    )
    positions = tuple(hit.position for hit in hits if hit.position >= 0)
    return Evidence(
        text=text, weight=weight, events=positions, figure=figure, samples=cited, claims=claims
    )


_CHANNEL_OF: Final = {
    EventKind.DERATE: "assist_limit",
    EventKind.UNDERVOLTAGE: "supply_voltage",
    EventKind.OVERVOLTAGE: "supply_voltage",
    EventKind.CHARGING_LOW: "supply_voltage",
    EventKind.ASSIST_DEVIATION: "assist_torque",
    EventKind.TORQUE_OFFSET: "driver_torque",
}


def channel_of(event: Event) -> str:
    """Return the channel that an event was seen on; its kind where that is none."""
    return event.channel or _CHANNEL_OF.get(event.kind, str(event.kind))


def cited(ride: RideFindings, hits: IndexedEvents, *channels: str) -> tuple[CitedSamples, ...]:
    """Return what channels showed during events, as samples to cite; known channels only."""
    return tuple(
        CitedSamples(channel=name, start_s=hit.event.start_s, end_s=hit.event.until(ride.end_s))
        for hit in hits
        for name in channels
        if ride.timeline.has(name)
    )


def whole(ride: RideFindings, *channels: str) -> tuple[CitedSamples, ...]:
    """Return channels over the whole ride, as samples to cite; known channels only."""
    return tuple(
        CitedSamples(channel=name, start_s=0.0, end_s=ride.end_s)
        for name in channels
        if ride.timeline.has(name)
    )

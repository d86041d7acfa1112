"""Which reasons rest on the same observation: those that share a channel and overlap in time.

An observation is a channel over a stretch of time. Reasons that share one are a group, worth
its heaviest reason: a second way of reading the same samples proves nothing more. The same
reason counts again for another time, where what it saw was absent between.
"""

from __future__ import annotations

from collections import defaultdict
from typing import TYPE_CHECKING, Final, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from canassist.model import CitedSamples, Evidence

ABSENT_S: Final = 5.0
"""What comes again after this long is another occasion, s (rule of thumb)."""

MOST_OCCASIONS: Final = 2
"""A second occasion confirms the first; a hundredth adds nothing to the second."""


class _Sighting(NamedTuple):
    """One reason on one occasion."""

    reason: int
    weight: float
    samples: tuple[CitedSamples, ...]


def observed_weight(reasons: Iterable[Evidence]) -> float:
    """Return what reasons of one sign are worth together, each observation counted once."""
    return sum(weight for _, weight in _groups(reasons))


def observation_count(reasons: Iterable[Evidence]) -> int:
    """Return on how many separate observations reasons rest."""
    return len(_groups(reasons))


def _groups(reasons: Iterable[Evidence]) -> list[tuple[int, float]]:
    """Return the heaviest reason and its weight of each group that counts."""
    sightings = [one for row, item in enumerate(reasons) for one in _occasions(row, item)]
    heaviest: dict[int, _Sighting] = {}
    for place, root in enumerate(_joined(sightings)):
        one = sightings[place]
        if root not in heaviest or abs(one.weight) > abs(heaviest[root].weight):
            heaviest[root] = one
    counted: dict[int, int] = defaultdict(int)
    kept = []
    for one in heaviest.values():
        counted[one.reason] += 1
        if counted[one.reason] <= MOST_OCCASIONS:
            kept.append((one.reason, one.weight))
    return kept


def _occasions(row: int, item: Evidence) -> list[_Sighting]:
    """Split a reason where what it saw was absent for a while."""
    if not item.samples:
        return [_Sighting(row, item.weight, ())]
    found: list[list[CitedSamples]] = []
    until = float("-inf")
    for one in sorted(item.samples, key=lambda sample: sample.start_s):
        if not found or one.start_s > until + ABSENT_S:
            found.append([])
        found[-1].append(one)
        until = max(until, one.end_s)
    return [_Sighting(row, item.weight, tuple(part)) for part in found]


def _joined(sightings: Sequence[_Sighting]) -> list[int]:
    """Return for each sighting the first one of its group."""
    above = list(range(len(sightings)))

    def root(place: int) -> int:
        while above[place] != place:
            above[place] = above[above[place]]
            place = above[place]
        return place

    for spans in _by_channel(sightings):
        until, last = float("-inf"), -1
        for start_s, end_s, place in spans:
            if last >= 0 and start_s <= until:
                above[max(root(place), root(last))] = min(root(place), root(last))
            if end_s > until:
                until, last = end_s, place
    return [root(place) for place in range(len(sightings))]


def _by_channel(sightings: Sequence[_Sighting]) -> list[list[tuple[float, float, int]]]:
    """Return start, end and sighting of all samples, by channel and in time order."""
    by_channel: dict[str, list[tuple[float, float, int]]] = defaultdict(list)
    for place, one in enumerate(sightings):
        for sample in one.samples:
            by_channel[sample.channel].append((sample.start_s, sample.end_s, place))
    return [sorted(spans) for spans in by_channel.values()]

"""Sentences held against the samples that they cite.

A reason that says "supply stayed at 12.9 V or above (limit 11.0 V)" carries that claim with
the stretch it speaks of. It is built from these samples, and built only where they bear it
out; `check` looks again when the conclusion is put together, so that one whose own figures
contradict it cannot be built.
"""

from __future__ import annotations

import math
from collections import defaultdict
from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.model import Bound, Claim

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from canassist.model import CitedSamples, Evidence, FloatArray, Timeline

SAME: Final = 1e-6
"""Figures closer than this are one."""

_EXTREME: Final[dict[Bound, Callable[[FloatArray], float]]] = {
    Bound.AT_LEAST: np.min,
    Bound.FELL_BELOW: np.min,
    Bound.AT_MOST: np.max,
    Bound.ROSE_ABOVE: np.max,
}


class ContradictionError(ValueError):
    """A sentence says what the samples that it cites do not show."""


def claim(
    timeline: Timeline, samples: tuple[CitedSamples, ...], bound: Bound, limit: float
) -> Claim | None:
    """Return the claim with its measured figure; None where the samples do not bear it out.

    Nothing known in the stretches bears nothing out.
    """
    values = cited_values(timeline, samples)
    if not len(values):
        return None
    made = Claim(samples=samples, bound=bound, value=float(_EXTREME[bound](values)), limit=limit)
    return made if _is_so(made) else None


def check(timeline: Timeline, reasons: Iterable[Evidence]) -> None:
    """Look again at what reasons claim.

    Raises
    ------
    ContradictionError
        Naming the sentence.
    """
    for item in reasons:
        for one in item.claims:
            values = cited_values(timeline, one.samples)
            seen = float(_EXTREME[one.bound](values)) if len(values) else math.nan
            if not abs(seen - one.value) <= SAME or not _is_so(one):
                raise ContradictionError(f"{item.text} The samples say {seen:g}.")


def _is_so(one: Claim) -> bool:
    match one.bound:
        case Bound.AT_LEAST:
            return one.value >= one.limit
        case Bound.AT_MOST:
            return one.value <= one.limit
        case Bound.FELL_BELOW:
            return one.value < one.limit
        case Bound.ROSE_ABOVE:
            return one.value > one.limit


def cited_values(timeline: Timeline, samples: Iterable[CitedSamples]) -> FloatArray:
    """Return the known values of the cited stretches, both ends included."""
    by_channel: dict[str, list[CitedSamples]] = defaultdict(list)
    for one in samples:
        by_channel[one.channel].append(one)
    parts = []
    for name, stretches in by_channel.items():
        channel = timeline.get(name)
        if channel is not None:
            first = np.searchsorted(channel.time_s, [one.start_s for one in stretches], "left")
            last = np.searchsorted(channel.time_s, [one.end_s for one in stretches], "right")
            rows = zip(first.tolist(), last.tolist(), strict=True)
            parts += [channel.value[start:stop] for start, stop in rows]
    values = np.concatenate(parts) if parts else np.empty(0)
    return values[~np.isnan(values)]

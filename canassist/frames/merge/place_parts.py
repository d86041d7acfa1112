"""Where the parts of a ride stand in time.

By what their files say: UTC, or the recorder's wall clock, whose zone is found where only
some know it; else one after the other in the order given; or side by side where each holds
other buses from about the same time on.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations, pairwise
from typing import TYPE_CHECKING, Final

from canassist.frames.merge.bus_identity import are_apart, values_agree
from canassist.model import Problem

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canassist.frames.merge.part_stream import PartStream, Start

_NS: Final = 1_000_000_000
_TOGETHER_NS: Final = 10 * _NS
"""Files of different buses that begin this close by their own clocks count from one zero; own
choice."""
_QUARTER_NS: Final = 900 * _NS
_ODD_ZONES: Final = (-38, -14, 14, 18, 22, 23, 26, 35, 38, 42, 51)
_ZONES: Final = sorted({*range(-48, 57, 4), *_ODD_ZONES})
"""In quarters of an hour, as the time zones in use lie (IANA time zone database, from memory): any
quarter would find room for two rides of the same hour one behind the other."""
_UNLIKELY_NS: Final = (60 * _NS, 1200 * _NS, 600 * _NS, 1200 * _NS)
"""How much longer a pause may be before a zone off UTC, by a quarter or a half, is believed."""
FAR_APART_NS: Final = 1800 * _NS
"""Rides that lie further apart than this are different ones (definitions, files and rides)."""


@dataclass(slots=True)
class JoinPlan:
    """In which order the parts come, and where each begins; `start_ns` None: after the last."""

    streams: list[PartStream]
    start_ns: list[int | None]


def place_parts(streams: Sequence[PartStream], problems: list[Problem]) -> JoinPlan:
    """Put the parts of a ride on one time base.

    Parameters
    ----------
    streams : sequence of PartStream
        In the order given; their `offset_ns` is set where it is known beforehand.
    problems : list of Problem
        What had to be assumed is added.
    """
    if len(streams) == 1:
        streams[0].offset_ns = 0
        return JoinPlan(list(streams), [None])
    starts: list[tuple[PartStream, Start]] = []
    for stream in streams:
        start = stream.peek()
        if start is None:
            problems.append(Problem(stream.part.name, "holds no CAN frame; left out", grave=True))
        else:
            starts.append((stream, start))
    if len(starts) == 1:
        starts[0][0].offset_ns = 0
        return JoinPlan([starts[0][0]], [None])
    return _placed(starts, problems)


def _placed(starts: list[tuple[PartStream, Start]], problems: list[Problem]) -> JoinPlan:
    for clock in ("utc_ns", "local_ns"):
        times = [getattr(start, clock) for _, start in starts]
        if all(at is not None for at in times):
            return _by_clock(starts, times)
    dates = _dates(starts, problems)
    if all(at is None for at in dates):
        return _without_clock(starts, problems)
    dated = [at for at in dates if at is not None]
    if len(dated) == len(dates):
        return _by_clock(starts, dated)
    return _some_dated(starts, dates, problems)


def _dates(starts: list[tuple[PartStream, Start]], problems: list[Problem]) -> list[int | None]:
    """Return each start on one clock, wall clocks moved by the zone that fits best."""
    if all(start.utc_ns is None for _, start in starts):
        return [start.local_ns for _, start in starts]
    zone_ns = _zone(starts)
    if zone_ns:
        names = ", ".join(stream.part.name for stream, start in starts if start.utc_ns is None)
        what = f"tell the time of a clock {zone_ns / 3600 / _NS:+g} h off UTC, by the other parts"
        problems.append(Problem(names, what))
    return [
        start.utc_ns
        if start.utc_ns is not None
        else (None if start.local_ns is None else start.local_ns - zone_ns)
        for _, start in starts
    ]


def _zone(starts: list[tuple[PartStream, Start]]) -> int:
    """Return how far wall clocks are ahead of UTC, so that no part lies over or far from another.

    The end of each part has to be known for that; it is looked for only here.
    """
    walls = [s for s in starts if s[1].utc_ns is None and s[1].local_ns is not None]
    if not walls:
        return 0
    known = [_span(stream, start.utc_ns) for stream, start in starts if start.utc_ns is not None]
    local = [(stream, start.local_ns) for stream, start in walls]
    placed = [_span(stream, at) for stream, at in local if at is not None]
    best: tuple[int, int] | None = None
    for quarters in _ZONES:
        zone_ns = quarters * _QUARTER_NS
        spans = sorted([*known, *((a - zone_ns, b - zone_ns) for a, b in placed)])
        if _in_one_row(spans):
            pauses = sum(after[0] - before[1] for before, after in pairwise(spans))
            cost = pauses + (_UNLIKELY_NS[quarters % 4] if quarters else 0)
            best = min(best or (cost, zone_ns), (cost, zone_ns))
    return best[1] if best else 0


def _span(stream: PartStream, start_ns: int) -> tuple[int, int]:
    return start_ns, start_ns + stream.length_ns()


def _in_one_row(spans: list[tuple[int, int]]) -> bool:
    return all(-_NS <= after[0] - before[1] <= FAR_APART_NS for before, after in pairwise(spans))


def _some_dated(
    starts: list[tuple[PartStream, Start]], dates: list[int | None], problems: list[Problem]
) -> JoinPlan:
    """Place parts by their dates, and each without one behind the part given before it."""
    names = ", ".join(
        stream.part.name for (stream, _), at in zip(starts, dates, strict=True) if at is None
    )
    problems.append(Problem(names, "without a date; taken behind the part given before"))
    groups: list[list[tuple[PartStream, Start, int | None]]] = []
    for (stream, start), at in zip(starts, dates, strict=True):
        if at is not None or not groups:
            groups.append([])
        groups[-1].append((stream, start, at))
    undated_first = groups[0][0][2] is None
    rest = sorted(groups[undated_first:], key=lambda group: group[0][2] or 0)
    plan = JoinPlan([], [])
    for stream, start, at in [one for group in (*groups[:undated_first], *rest) for one in group]:
        stream.first_ns = start.first_ns
        stream.offset_ns = 0 if at is None else at - start.first_ns
        plan.streams.append(stream)
        plan.start_ns.append(at)
    if undated_first:
        plan.start_ns = [None] * len(plan.start_ns)  # nothing tells when the first one began
    return plan


def _without_clock(starts: list[tuple[PartStream, Start]], problems: list[Problem]) -> JoinPlan:
    names = ", ".join(stream.part.name for stream, _ in starts)
    if _of_one_recorder(starts):
        what = "have no common clock; taken side by side, for each holds other buses"
        problems.append(Problem(names, what))
        return _by_clock(starts, [start.first_ns for _, start in starts])
    problems.append(
        Problem(names, "have no common clock; taken one after the other in the order given")
    )
    for stream, start in starts:
        stream.offset_ns = 0
        stream.first_ns = start.first_ns
    return JoinPlan([stream for stream, _ in starts], [None] * len(starts))


def _of_one_recorder(starts: Sequence[tuple[PartStream, Start]]) -> bool:
    """Tell whether logs are one recorder's files for one bus each, or a few, begun together."""
    first = [start.first_ns for _, start in starts]
    if max(first) - min(first) > _TOGETHER_NS:
        return False
    return all(_run_together(one, two) for one, two in combinations(starts, 2))


def _run_together(one: tuple[PartStream, Start], two: tuple[PartStream, Start]) -> bool:
    if are_apart(one[1].all_ids, two[1].all_ids):
        return True
    if not one[1].buses.isdisjoint(two[1].buses):
        return False
    sample, other = one[0].sample, two[0].sample
    return sample is not None and other is not None and values_agree(sample, [other])


def _by_clock(starts: list[tuple[PartStream, Start]], times: Sequence[int]) -> JoinPlan:
    for (stream, start), at in zip(starts, times, strict=True):
        stream.offset_ns = at - start.first_ns
        stream.first_ns = start.first_ns
    order = sorted(range(len(starts)), key=times.__getitem__)
    return JoinPlan([starts[n][0] for n in order], [times[n] for n in order])

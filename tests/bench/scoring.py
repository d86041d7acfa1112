"""Findings held against the truth: which match, how many, how near; pure counting."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from canassist.demo import TrueEvent, Truth
from canassist.model import Code, Conclusion, Event, Strength, Timeline

START_TOLERANCE_S = 0.3
"""A match starts within this, or within one message period where that is longer."""

FEATURED = frozenset({Code.MODULE_SUSPECT, Code.TORQUE_SENSOR_OFFSET, Code.ASSIST_MAP_DEVIATION})
"""Blame of module, torque sensor or assist map: the worst mistake on a sound vehicle."""

SOUND = frozenset({Code.NO_FAULT_FOUND, Code.THERMAL_PROTECTION})
"""Healthy and protected rides, by what is planted."""


@dataclass(slots=True)
class KindScore:
    """Counts of one event kind over many rides."""

    planted: int = 0
    matched: int = 0
    found: int = 0
    found_right: int = 0
    cause_planted: int = 0
    cause_right: int = 0
    onset_error_s: list[float] = field(default_factory=list)
    onset_periods: list[float] = field(default_factory=list)

    @property
    def recall(self) -> float:
        """Share of the planted that were found; NaN where none was planted."""
        return self.matched / self.planted if self.planted else float("nan")

    @property
    def precision(self) -> float:
        """Share of the found that are right; NaN where none was found."""
        return self.found_right / self.found if self.found else float("nan")

    @property
    def cause(self) -> float:
        """Share of the matched whose cause is right; NaN where none has one."""
        return self.cause_right / self.cause_planted if self.cause_planted else float("nan")

    def add(self, other: KindScore) -> None:
        """Add the counts of other rides."""
        self.planted += other.planted
        self.matched += other.matched
        self.found += other.found
        self.found_right += other.found_right
        self.cause_planted += other.cause_planted
        self.cause_right += other.cause_right
        self.onset_error_s += other.onset_error_s
        self.onset_periods += other.onset_periods


@dataclass(frozen=True, slots=True, kw_only=True)
class RideScore:
    """One ride held against its truth."""

    scenario: str
    seed: int
    truth: Code
    also: tuple[Code, ...]
    first: Code
    strength: Strength | None
    loses_assist: bool
    said: frozenset[Code]
    kinds: dict[str, KindScore]
    false_blame: tuple[str, ...]
    mistakes: tuple[str, ...]

    @property
    def right(self) -> bool:
        """Whether the first conclusion is the planted one, or one that is as right.

        A fault that took no assist explains no heavy steering: found beside "no fault found",
        it stands where it belongs.
        """
        if self.first is Code.NO_FAULT_FOUND and not self.loses_assist:
            return self.truth in self.said
        return self.first is self.truth or self.first in self.also


def score_ride(
    ride: tuple[str, int],
    truth: Truth,
    events: Sequence[Event],
    conclusions: Sequence[Conclusion],
    timeline: Timeline,
) -> RideScore:
    """Hold the findings of one ride (its scenario and seed) against its truth."""
    kinds: dict[str, KindScore] = {}
    mistakes: list[str] = []
    wanted = {event.kind for event in truth.events}
    for kind in sorted(wanted | {event.kind.value for event in events}):
        kinds[kind] = _score_kind(kind, truth, events, timeline, mistakes)
    first = conclusions[0]
    return RideScore(
        scenario=ride[0],
        seed=ride[1],
        truth=truth.conclusion,
        also=truth.also,
        first=first.code,
        strength=first.strength,
        loses_assist=_loses_assist(truth),
        said=frozenset(item.code for item in conclusions),
        kinds=kinds,
        false_blame=tuple(_false_blame(truth, conclusions)),
        mistakes=tuple(mistakes),
    )


LOSING = frozenset({"derate", "assist_deviation", "module_restart", "torque_offset"})


def _loses_assist(truth: Truth) -> bool:
    return any(event.kind in LOSING and event.cause != "engine_stopped" for event in truth.events)


def _false_blame(truth: Truth, conclusions: Iterable[Conclusion]) -> Iterable[str]:
    if truth.conclusion not in SOUND:
        return
    for item in conclusions:
        if item.code in FEATURED and item.strength in {Strength.STRONG, Strength.MODERATE}:
            yield f"{item.code.value} ({item.strength})"


def _score_kind(
    kind: str,
    truth: Truth,
    events: Sequence[Event],
    timeline: Timeline,
    mistakes: list[str],
) -> KindScore:
    found = [event for event in events if event.kind.value == kind]
    planted = [event for event in truth.events if event.kind == kind]
    doubtful = [event for event in truth.doubtful if event.kind == kind]
    score = KindScore(planted=len(planted), found=len(found))
    free = list(found)
    for true in planted:
        match = next((event for event in free if matches(event, true, timeline)), None)
        if match is None:
            mistakes.append(
                f"missed {kind} {true.cause or true.channel or ''} at {true.start_s:.2f} s"
            )
            continue
        free.remove(match)
        score.matched += 1
        score.found_right += 1
        _add_cause(score, match, true, mistakes)
        _add_onset(score, match, true, timeline)
    for event in free:
        if any(matches(event, true, timeline) for true in doubtful):
            score.found_right += 1
        else:
            mistakes.append(
                f"false {kind} {event.cause or event.channel or ''} at {event.start_s:.2f} s"
            )
    return score


def _add_cause(score: KindScore, match: Event, true: TrueEvent, mistakes: list[str]) -> None:
    if true.cause is None:
        return
    score.cause_planted += 1
    if match.cause == true.cause or match.cause in true.also:
        score.cause_right += 1
    else:
        mistakes.append(f"{true.kind} at {true.start_s:.2f} s: {match.cause}, not {true.cause}")


def _add_onset(score: KindScore, match: Event, true: TrueEvent, timeline: Timeline) -> None:
    error = max(true.earliest_s - match.start_s, match.start_s - true.latest_s, 0.0)
    if error != error:  # noqa: PLR0124 - NaN: noise plays no part, so the start is exact
        error = abs(match.start_s - true.start_s)
    score.onset_error_s.append(error)
    score.onset_periods.append(error / _period(match, timeline))


def matches(event: Event, true: TrueEvent, timeline: Timeline) -> bool:
    """Tell whether a finding is the planted event.

    Same kind (and channel, and code), overlapping, and starting within 0.3 s or one
    message period of where noise allows it to start.
    """
    if event.kind.value != true.kind or (true.code and event.code != true.code):
        return False
    if true.channel is not None and event.channel != true.channel:
        return False
    allowed = max(START_TOLERANCE_S, _period(event, timeline))
    low = _known(true.earliest_s, true.start_s) - allowed
    high = _known(true.latest_s, true.start_s) + allowed
    end = timeline.duration_s if true.end_s is None else true.end_s
    slack = _period(event, timeline)
    until = event.until(timeline.duration_s)
    overlapping = event.start_s - slack <= end and true.start_s - slack <= until
    return low <= event.start_s <= high and overlapping


def _known(value: float, otherwise: float) -> float:
    return otherwise if value != value else value  # noqa: PLR0124 - a test for NaN


def _period(event: Event, timeline: Timeline) -> float:
    channel = timeline.get(event.channel or "")
    period = float("nan") if channel is None else channel.period_s
    return _known(period, START_TOLERANCE_S)


@dataclass(slots=True)
class Total:
    """Scores of many rides.

    ``right`` counts first conclusions that are the planted one or as right (where what is
    planted has two sides); ``exact`` the planted one alone.
    """

    rides: int = 0
    right: int = 0
    exact: int = 0
    sound: int = 0
    blamed: list[str] = field(default_factory=list)
    kinds: dict[str, KindScore] = field(default_factory=dict)
    confusion: Counter[tuple[str, str]] = field(default_factory=Counter)
    mistakes: list[str] = field(default_factory=list)

    def add(self, ride: RideScore) -> None:
        """Count one more ride."""
        self.rides += 1
        self.right += ride.right
        self.exact += ride.first is ride.truth
        self.sound += ride.truth in SOUND
        for kind, score in ride.kinds.items():
            self.kinds.setdefault(kind, KindScore()).add(score)
        place = f"{ride.scenario} {ride.seed}"
        self.blamed += [f"{place}: {blame}" for blame in ride.false_blame]
        self.mistakes += [f"{place}: {mistake}" for mistake in ride.mistakes]
        if not ride.right:
            self.confusion[ride.truth.value, ride.first.value] += 1
            first = f"{ride.first.value} ({ride.strength})"
            self.mistakes.append(f"{place}: first is {first}, not {ride.truth.value}")

    @property
    def first_right(self) -> float:
        """Share of the rides whose first conclusion is the planted one."""
        return self.right / self.rides if self.rides else float("nan")

"""From a timeline to an answer: estimates, events and conclusions; pure."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from canassist import conclude, detect, physics
from canassist.profile import limits_changed, with_default_limits
from canassist.timeline import with_known_units

if TYPE_CHECKING:
    from canassist.conclude import Verdict
    from canassist.model import Case, Profile, Timeline


@dataclass(frozen=True, slots=True, kw_only=True)
class Judgement:
    """What physics and conclusions make of a timeline."""

    physics: physics.Physics
    verdict: Verdict
    first_by_default: str = ""


def judge(timeline: Timeline, profile: Profile, case: Case) -> Judgement:
    """Estimate, detect and conclude.

    Where the profile bends a limit, the ride is judged a second time with the
    default limits, and a different first conclusion is kept in the answer.
    """
    answer = _judge_once(timeline, profile, case)
    if not limits_changed(profile):
        return answer
    by_default = _judge_once(timeline, with_default_limits(profile), case)
    first = by_default.verdict.conclusions[0].code
    if first == answer.verdict.conclusions[0].code:
        return answer
    return replace(answer, first_by_default=str(first))


def _judge_once(timeline: Timeline, profile: Profile, case: Case) -> Judgement:
    estimates = physics.study(timeline, profile)
    events = detect.find_events(timeline, profile, estimates)
    measured = with_known_units(timeline)  # of raw counts a conclusion can say nothing
    verdict = conclude.conclude(measured, profile, estimates, events, case)
    return Judgement(physics=estimates, verdict=verdict)

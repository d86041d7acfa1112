"""The whole way from findings to a verdict."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from canassist.conclude.causes.weigh_causes import weigh_causes
from canassist.conclude.coverage import count_coverage
from canassist.conclude.limitations import add_untold
from canassist.conclude.moments import describe_moments
from canassist.conclude.needs import needs_of
from canassist.conclude.ranking import rank
from canassist.conclude.ride_findings import RideFindings
from canassist.conclude.wording.event_texts import Setting, with_text
from canassist.conclude.wording.worded_conclusions import conclusion, ruled_out
from canassist.model import Verdict

if TYPE_CHECKING:
    from collections.abc import Iterable

    from canassist.model import Case, Event, Physics, Profile, Timeline


def conclude(
    timeline: Timeline, profile: Profile, physics: Physics, events: Iterable[Event], case: Case
) -> Verdict:
    """Say why the steering was heavy, how sure that is, and what cannot be told.

    Parameters
    ----------
    timeline : Timeline
        Channels of the ride.
    profile : Profile
        Limits, and which of them are given.
    physics : Physics
        Estimates of the ride, from `canassist.physics.study`.
    events : iterable of Event
        Findings in time order, from `canassist.detect.find_events`.
    case : Case
        ``case.at_s`` holds the moments complained of.

    Returns
    -------
    Verdict
        Events in the order given, each with its sentence; conclusions by rank, at
        least one.
    """
    torque = timeline.get("driver_torque")
    setting = Setting(profile.limits, torque_sign_known=torque is not None and torque.sign_known)
    told = tuple(with_text(event, setting) for event in events)
    ridden = count_coverage(timeline, physics, limits=profile.limits)
    ridden = replace(ridden, needs=tuple(needs_of(ridden, timeline, physics)))
    ride = RideFindings(
        timeline=timeline,
        profile=profile,
        physics=physics,
        events=told,
        coverage=add_untold(ridden, timeline, profile, physics),
        at_s=case.at_s,
    )
    found = weigh_causes(ride)
    return Verdict(
        events=told,
        conclusions=tuple(
            conclusion(ride, ranked, place) for place, ranked in enumerate(rank(ride, found), 1)
        ),
        coverage=ride.coverage,
        moments=describe_moments(ride, case.at_s),
        ruled_out=tuple(ruled_out(weighed) for weighed in found.values() if not weighed.holds()),
    )

"""Every estimate of a ride in one go."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canassist.model import Physics
from canassist.physics.assist_fit import fit_assist
from canassist.physics.charging import fit_charging
from canassist.physics.cranks import fit_cranks
from canassist.physics.limits import limit_lines
from canassist.physics.torque_rest import fit_torque_rest

if TYPE_CHECKING:
    from canassist.model import Timeline
    from canassist.profile import Profile


def study(timeline: Timeline, profile: Profile) -> Physics:
    """Estimate everything that the ride carries; what it does not carry stays None.

    Parameters
    ----------
    timeline : Timeline
        Channels of the ride.
    profile : Profile
        Limits, and the assist map where known.
    """
    lines = limit_lines(profile)
    return Physics(
        limit_lines=lines,
        assist=fit_assist(timeline, profile, lines),
        charging=fit_charging(timeline, profile),
        cranks=fit_cranks(timeline),
        torque_rest=fit_torque_rest(timeline, profile),
    )

"""Every estimate of a ride in one go."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canassist.model import Physics
from canassist.physics.assist_fit import fit_assist
from canassist.physics.charging import fit_charging
from canassist.physics.cold_start import cold_start
from canassist.physics.cranks import fit_cranks
from canassist.physics.effort import fit_effort
from canassist.physics.limit_learning import learn_lines
from canassist.physics.limits import limit_lines
from canassist.physics.supply_path import fit_supply_path
from canassist.physics.thermal import fit_thermal
from canassist.physics.torque_rest import fit_torque_rest
from canassist.timeline import with_known_units

if TYPE_CHECKING:
    from canassist.model import Profile, Timeline


def study(timeline: Timeline, profile: Profile) -> Physics:
    """Estimate everything that the ride carries; what it does not carry stays None.

    Parameters
    ----------
    timeline : Timeline
        Channels of the ride.
    profile : Profile
        Limits, and the assist map where known.
    """
    timeline = with_known_units(timeline)
    lines = learn_lines(timeline, profile, limit_lines(profile))
    assist = fit_assist(timeline, profile, lines)
    return Physics(
        limit_lines=lines,
        supply_path=fit_supply_path(timeline, profile),
        thermal=fit_thermal(timeline, profile, lines),
        assist=assist,
        charging=fit_charging(timeline, profile),
        cranks=fit_cranks(timeline),
        torque_rest=fit_torque_rest(timeline),
        effort=fit_effort(timeline, profile, assist),
        cold_start=cold_start(timeline),
        learned_notes=profile.notes,
    )

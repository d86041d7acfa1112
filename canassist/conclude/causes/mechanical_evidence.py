"""Evidence of load from the mechanical side: effort at full assist."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from canassist.conclude.causes.weights import ENOUGH, SUPPORT, Cap, reason, whole
from canassist.conclude.wording.sentences import number, say, share, times, torque
from canassist.model import Strength
from canassist.timeline import value_at

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canassist.conclude.causes.weights import Reason
    from canassist.conclude.ride_findings import RideFindings

LEARNED_EFFORT: Final = "effort_p90_nm"
"""Name of the figure that known-good vehicles gave for effort."""

ABOVE_USUAL: Final = 1.4
"""Two fifths above what known-good vehicles need is heavy; the default limit has the same room."""

EFFORT_SATURATED: Final = 0.25
"""Unusual share of slow steering with assist at its maximum (common practice, no source)."""

STEERING_NM: Final = 2.0
"""Slow steering has more driver torque than this (the contract's figure)."""

HARD_SHARE: Final = 0.90
"""Effort is this quantile of driver torque in slow steering."""

LEAST_S: Final = 10.0
"""Slow steering at full assist without which effort is not judged, s (rule of thumb)."""


class FullAssistEffort(NamedTuple):
    """Driver torque in slow steering with all assist there, of how many seconds.

    ``torque_p90_nm`` is its 90th percentile, ``middle_nm`` the middle one of the percentiles of
    each `LEAST_S` of steering: one push against a kerb makes no steering heavy.
    """

    torque_p90_nm: float
    middle_nm: float
    seconds: float

    def above(self, limit_nm: float) -> bool:
        """Tell whether effort is above a limit over all, and through most of the steering."""
        return min(self.torque_p90_nm, self.middle_nm) > limit_nm


def effort_limit_nm(ride: RideFindings) -> float:
    """Return above which effort is heavy: as given, as known-good vehicles had it, else assumed."""
    norm = ride.profile.learned.get(LEARNED_EFFORT)
    if norm is None or norm.high is None or ride.profile.gives("effort_nm"):
        return ride.limits.effort_nm
    return ABOVE_USUAL * norm.high


def full_assist_effort(ride: RideFindings) -> FullAssistEffort | None:
    """Measure effort where the module made full assist available; None where none tells.

    Effort while assist is reduced says nothing about the mechanical side.
    """
    torque_channel = ride.timeline.get("driver_torque")
    if torque_channel is None or not ride.timeline.has("vehicle_speed", "assist_limit"):
        return None
    time_s, torque_nm = torque_channel.valid()
    slow = value_at(ride.timeline, "vehicle_speed", time_s) < ride.limits.slow_kph
    full = value_at(ride.timeline, "assist_limit", time_s) >= ride.limits.full_assist_pct
    rows = slow & full & (np.abs(torque_nm) > STEERING_NM)
    seconds = float(np.count_nonzero(rows)) * torque_channel.period_s
    told = seconds >= LEAST_S  # False too where a single message has no period
    if not told:
        return None
    hard_nm = np.abs(torque_nm[rows])
    parts = np.array_split(hard_nm, max(1, int(seconds / LEAST_S)))
    middle_nm = float(np.median([np.quantile(part, HARD_SHARE) for part in parts]))
    return FullAssistEffort(float(np.quantile(hard_nm, HARD_SHARE)), middle_nm, seconds)


def mechanical_load(ride: RideFindings) -> Iterator[Reason]:
    """Weigh that effort is high although assist, all there, follows its map."""
    effort, study = full_assist_effort(ride), ride.physics.effort
    heavy = list(_heavy(ride, effort, None if study is None else study.saturated_share))
    if not heavy:
        return
    yield from heavy
    yield Cap(Strength.MODERATE, say("basis.cap_mechanical"))
    yield from _followed(ride)
    hot = ride.derates_by("temperature")
    if hot:
        text = say("reason.effort.hot", times=times(len(hot)))
        yield reason(text, SUPPORT, hot, "thermal", channels=("module_temperature",))


def _heavy(
    ride: RideFindings, effort: FullAssistEffort | None, saturated: float | None
) -> Iterator[Reason]:
    samples = whole(ride, "driver_torque")
    limit_nm = effort_limit_nm(ride)
    if effort is None or not effort.above(limit_nm):
        return
    usual = torque(limit_nm)
    text = say("reason.effort.torque", torque=torque(effort.torque_p90_nm), limit=usual)
    yield reason(text, SUPPORT, (), "assist_bands", samples=samples)
    if saturated is not None and saturated > EFFORT_SATURATED:
        text = say("reason.effort.saturated", share=share(saturated), limit=share(EFFORT_SATURATED))
        more = whole(ride, "assist_torque")
        yield reason(text, SUPPORT, (), "assist_bands", samples=more)


def _followed(ride: RideFindings) -> Iterator[Reason]:
    fit = ride.physics.assist
    ratio = None if fit is None or fit.map_from != "profile" else fit.ratio
    if ratio is None:
        yield Cap(Strength.WEAK, say("basis.cap_effort_map"))
        return
    shown = number(ratio.value, 2)
    good = abs(ratio.value - 1.0) <= ride.limits.assist_tolerance
    samples = whole(ride, "assist_torque")
    if good:
        text = say("reason.effort.followed", ratio=shown)
        yield reason(text, SUPPORT, (), "assist_bands", samples=samples)
    else:
        text = say("reason.effort.not_followed", ratio=shown)
        yield reason(text, -ENOUGH, (), "assist_bands", samples=samples)

"""Evidence on heat: protection as designed, and load from the mechanical side."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

from canassist.conclude.causes.weights import ENOUGH, HINT, SUPPORT, Cap, reason
from canassist.conclude.ride_findings import Hit, Hits, RideFindings, expected, extreme_of, figure
from canassist.conclude.wording.sentences import (
    degrees,
    number,
    pair,
    percent,
    say,
    share,
    times,
    torque,
    which,
)
from canassist.model import Strength

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canassist.conclude.causes.weights import Reason
    from canassist.model import Physics

ONSET: Final = "module_temperature_degc"
"""Name of the figure that holds module temperature at the start of a reduction."""

AGREES_PCT: Final = 10.0
"""Measured and expected assist limit agree within this, in points of per cent (rule of thumb)."""

BELOW_LINE_C: Final = 5.0
"""This far below its line a module is not reducing for heat; same margin as the contract's hot."""

GOOD_FIT: Final = 0.8
"""Share of the heating that motor current must explain to count as explained (rule of thumb)."""

BAD_FIT: Final = 0.4
"""Below this share current does not explain the heating (rule of thumb)."""

EFFORT_TORQUE_NM: Final = 8.5
"""Driver torque in slow steering, nine tenths of the time less, above which it is heavy.
From memory: parking with assist takes 3 to 6 N·m; two fifths above that range."""

EFFORT_SATURATED: Final = 0.25
"""Unusual share of slow steering with assist at its maximum (common practice, no source)."""


def thermal_protection(ride: RideFindings) -> Iterator[Reason]:
    """Weigh that the module reduced assist because it was hot, as designed."""
    hits = ride.derates_by("temperature")
    if not hits:
        return
    yield _follows(ride, hits)
    yield from _depth(hits)
    yield from _line(ride.physics)
    yield from _fit(ride.physics)
    start_c = _start_c(ride)
    cold = tuple(hit for hit in hits if (_onset_c(hit) or start_c) < start_c - BELOW_LINE_C)
    if cold:
        seen, limit = pair(extreme_of(cold, min, ONSET), start_c, "degC")
        yield reason(say("reason.heat.cold", temp=seen, limit=limit), -ENOUGH, cold, "thermal")
    low, lines = ride.lowest("supply_voltage", hits), ride.physics.limit_lines
    holds = lines is not None and (
        lines.supply_from == "ride" or ride.supply_holds("derate_start_v", "derate_zero_v")
    )
    if low is not None and lines is not None and holds and low >= lines.derate_start_v:
        shown, limit = pair(low, lines.derate_start_v, "V")
        yield reason(say("reason.heat.supply_good", low=shown, limit=limit), HINT, hits)


def duty_protection(ride: RideFindings) -> Iterator[Reason]:
    """Weigh that the module reduced assist after heavy duty, by a rule that no signal shows."""
    hits = ride.derates_by("duty")
    if not hits:
        return
    yield reason(say("reason.duty.follow", **which(len(hits), len(ride.derates))), ENOUGH, hits)
    if len(hits) > 1:
        yield reason(say("reason.duty.repeated", times=times(len(hits))), SUPPORT, hits)
    yield Cap(Strength.MODERATE, say("basis.cap_duty"))


def _start_c(ride: RideFindings) -> float:
    lines = ride.physics.limit_lines
    return ride.limits.derate_start_c if lines is None else lines.derate_start_c


def _onset_c(hit: Hit) -> float | None:
    return figure(hit.event, ONSET)


def _follows(ride: RideFindings, hits: Hits) -> Reason:
    counts = which(len(hits), len(ride.derates))
    peak = ride.highest("module_temperature", hits)
    if peak is None:
        return reason(say("reason.heat.follow_bare", **counts), ENOUGH, hits, "thermal")
    shown, limit = pair(peak, _start_c(ride), "degC")
    text = say("reason.heat.follow", **counts, peak=shown, limit=limit)
    return reason(text, ENOUGH, hits, "thermal")


def _depth(hits: Hits) -> Iterator[Reason]:
    """Weigh whether assist fell as far as it should: most of the reductions, not the best one."""
    depths = [(hit, seen, called) for hit in hits for seen, called in _seen_and_called(hit)]
    agreeing = [one for one in depths if abs(one[1] - one[2]) <= AGREES_PCT]
    if not agreeing or 2 * len(agreeing) <= len(depths):
        return
    hit, seen, called = agreeing[0]
    text = say("reason.heat.depth", measured=percent(seen), expected=percent(called))
    yield reason(text, SUPPORT, (hit,), "thermal")


def _seen_and_called(hit: Hit) -> Iterator[tuple[float, float]]:
    seen, called = figure(hit.event, "min_assist_pct"), expected(hit.event, "min_assist_pct")
    if seen is not None and called is not None:
        yield seen, called


def _line(physics: Physics) -> Iterator[Reason]:
    lines = physics.limit_lines
    if lines is None or lines.temperature_from == "assumed":
        yield Cap(Strength.MODERATE, say("basis.cap_heat_line"))
    elif lines.temperature_from == "profile":
        yield reason(say("reason.heat.line_profile"), SUPPORT, figure="thermal")
    else:
        text = say(
            "reason.heat.line_ride",
            start=degrees(lines.derate_start_c),
            zero=degrees(lines.derate_zero_c),
        )
        yield reason(text, SUPPORT, figure="thermal")


def _fit(physics: Physics) -> Iterator[Reason]:
    thermal = physics.thermal
    if thermal is None:
        return
    if thermal.fit >= GOOD_FIT:
        yield reason(
            say("reason.heat.fit", fit=_floor_share(thermal.fit)), SUPPORT, figure="thermal"
        )
    elif thermal.fit < BAD_FIT:
        yield reason(
            say("reason.heat.misfit", fit=_floor_share(thermal.fit)), -HINT, figure="thermal"
        )


def _floor_share(fit: float) -> str:
    """Return a share in percent, rounded down: no model explains everything."""
    return share(math.floor(fit * 100.0) / 100.0)


def mechanical_load(ride: RideFindings) -> Iterator[Reason]:
    """Weigh that effort or heat is high although assist follows its map."""
    effort = ride.physics.effort
    if effort is None:
        return
    heavy = list(_heavy(effort.torque_p90_nm, effort.saturated_share))
    if not heavy:
        return
    yield from heavy
    yield Cap(Strength.MODERATE, say("basis.cap_mechanical"))
    yield from _followed(ride)
    hot = ride.derates_by("temperature")
    if hot:
        yield reason(say("reason.effort.hot", times=times(len(hot))), HINT, hot, "thermal")
    other = tuple(hit for hit in ride.derates if hit not in hot)
    if other:
        yield reason(say("reason.effort.short"), -ENOUGH, other)


def _heavy(torque_nm: float | None, saturated: float | None) -> Iterator[Reason]:
    if torque_nm is not None and torque_nm > EFFORT_TORQUE_NM:
        usual = torque(EFFORT_TORQUE_NM)
        text = say("reason.effort.torque", torque=torque(torque_nm), limit=usual)
        yield reason(text, SUPPORT, figure="assist_bands")
    if saturated is not None and saturated > EFFORT_SATURATED:
        text = say("reason.effort.saturated", share=share(saturated), limit=share(EFFORT_SATURATED))
        yield reason(text, SUPPORT, figure="assist_bands")


def _followed(ride: RideFindings) -> Iterator[Reason]:
    fit = ride.physics.assist
    ratio = None if fit is None or fit.map_from != "profile" else fit.ratio
    if ratio is None:
        yield reason(say("reason.effort.no_map"), -HINT)
        return
    good = abs(ratio.value - 1.0) <= ride.limits.assist_tolerance
    shown = number(ratio.value, 2)
    if good:
        yield reason(say("reason.effort.followed", ratio=shown), SUPPORT, figure="assist_bands")

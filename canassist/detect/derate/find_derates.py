"""Derating: the module makes less assist available, and why."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.detect.derate.derate_causes import BEYOND_LEAST, explain
from canassist.detect.derate.derate_scene import Available, DerateScene
from canassist.detect.derate.duty import duty_explains
from canassist.detect.derate.speed_law import below_law, speed_law_pct
from canassist.detect.spans import find_spans, last_row, true_runs
from canassist.model import Event, EventKind, Severity
from canassist.physics import FULL_PCT
from canassist.timeline import TIME_STEP_S

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canassist.detect.derate.derate_causes import Reasons
    from canassist.detect.spans import Span
    from canassist.model import BoolArray, Channel, FloatArray, Physics, Profile, Timeline
    from canassist.physics import LifeOfRide

AT_LEAST_S: Final = 0.3
"""A run below full assist lasts this long (the contract's figure)."""

HOLD_S: Final = 1.0
"""It ends when assist is back for this long (the contract's figure)."""

STATUS_LEFT_PCT: Final = {"reduced": 50.0, "off": 0.0}
"""Assist that a status word stands for, where no limit in % is sent: only ranks causes."""

LINE_CAUSES: Final = frozenset({"temperature", "voltage", "temperature+voltage"})
"""Only where these are the cause, or none, do the lines say how low assist should have gone."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Seen:
    """Available assist as some channel tells it, at that channel's samples."""

    channel: Channel
    time_s: FloatArray
    available_pct: FloatArray
    below: BoolArray
    back: BoolArray
    by_law: BoolArray
    limit_pct: FloatArray
    words: tuple[str, ...] = ()


def find_derates(
    timeline: Timeline,
    profile: Profile,
    physics: Physics,
    life: LifeOfRide,
    signal_events: Sequence[Event],
) -> list[Event]:
    """Find spans of reduced assist, with what triggered each and the share that causes explain.

    Parameters
    ----------
    life : LifeOfRide
        Starts and stops, and silences of the module.
    signal_events : sequence of Event
        Lost, stuck or jumping signals, found before: a false road or engine speed makes
        a module fall back.

    Returns
    -------
    list of Event
        In time order. ``measured["seen_on"]`` names the channel that it was seen on:
        ``assist_limit``, or ``module_status`` where there is no such channel. Nothing is
        found where the log has neither. Further in ``measured``: ``also`` names other
        triggers that deepened it; ``missing`` the channels without which the cause cannot
        be told; ``after`` what a limit came up after (silence, engine_start, log_begin,
        gap); ``beyond_line_share`` the share of the loss that is more than the trigger's
        line asks for; ``duty_tau_s`` the time constant by which duty explains it.
    """
    seen = _from_limit(timeline, profile, physics, life) or _from_status(timeline, profile)
    if seen is None:
        return []
    spans = find_spans(
        seen.time_s,
        seen.below,
        seen.back,
        at_least_s=AT_LEAST_S,
        hold_s=HOLD_S,
        stale_after_s=seen.channel.stale_after_s,
        followed_s=seen.channel.followed_s,
    )
    found = [*_law_events(seen)]
    if spans:
        stale_s = seen.channel.stale_after_s
        assist = Available(seen.time_s, seen.available_pct, seen.back, stale_s)
        scene = DerateScene.of(timeline, profile, physics, life, signal_events, assist)
        found += _with_duty([_event(span, seen, scene) for span in spans], scene)
    return sorted(found, key=lambda event: event.start_s)


def _from_limit(
    timeline: Timeline, profile: Profile, physics: Physics, life: LifeOfRide
) -> _Seen | None:
    channel = timeline.get("assist_limit")
    if channel is None:
        return None
    time_s, limit_pct = channel.valid()
    if not len(time_s):
        return None
    full_pct = profile.limits.full_assist_pct
    law_pct = speed_law_pct(timeline, profile, time_s, limit_pct, physics.limit_lines, life)
    available_pct = below_law(limit_pct, law_pct)
    below = limit_pct < full_pct
    by_law = (
        np.zeros(len(below), dtype=np.bool_) if law_pct is None else below & (law_pct < full_pct)
    )
    return _Seen(
        channel=channel,
        time_s=time_s,
        available_pct=available_pct,
        below=available_pct < full_pct,
        back=available_pct >= profile.limits.recovered_pct,
        by_law=by_law,
        limit_pct=limit_pct,
    )


def _from_status(timeline: Timeline, profile: Profile) -> _Seen | None:
    channel = timeline.get("module_status")
    if channel is None or not (profile.status_reduced or profile.status_off):
        return None
    time_s, number = channel.valid()
    available_pct = np.full(len(time_s), FULL_PCT)
    for code in np.unique(number):
        words = {channel.labels.get(float(code), ""), f"{code:g}"}
        if words & profile.status_off:
            available_pct[number == code] = STATUS_LEFT_PCT["off"]
        elif words & profile.status_reduced:
            available_pct[number == code] = STATUS_LEFT_PCT["reduced"]
    below = available_pct < FULL_PCT
    return _Seen(
        channel=channel,
        time_s=time_s,
        available_pct=available_pct,
        below=below,
        back=~below,
        by_law=np.zeros(len(below), dtype=np.bool_),
        limit_pct=available_pct,
        words=tuple(channel.labels.get(float(code), f"{code:g}") for code in number)
        if len(number) and below.any()
        else (),
    )


def _law_events(seen: _Seen) -> list[Event]:
    """Return a note for each stretch that the module's law of speed alone explains."""
    runs = true_runs(seen.time_s, seen.by_law, stale_after_s=seen.channel.followed_s)
    found = []
    for first, stop, seconds in zip(*runs, strict=True):
        if seconds < AT_LEAST_S - TIME_STEP_S:
            continue
        lowest = float(seen.limit_pct[first:stop].min())
        found.append(
            Event(
                kind=EventKind.DERATE,
                start_s=float(seen.time_s[first]),
                end_s=float(seen.time_s[stop]) if stop < len(seen.time_s) else None,
                cause="law",
                severity=Severity.NOTE,
                channel=seen.channel.name,
                measured={
                    "seen_on": seen.channel.name,
                    "min_assist_pct": lowest,
                    "lost_assist_pct_s": 0.0,
                },
                shares={"law": 1.0, "unexplained": 0.0},
            )
        )
    return found


def _event(span: Span, seen: _Seen, scene: DerateScene) -> Event:
    rows = slice(span.first, last_row(span, len(seen.time_s)))
    reasons = explain(scene, rows, depth_known=not seen.words, ended=span.end is not None)
    measured: dict[str, float | str] = {"seen_on": seen.channel.name}
    expected: dict[str, float | str] = {}
    if seen.words:
        measured["status"] = seen.words[span.first]
    else:
        measured["min_assist_pct"] = float(np.minimum(seen.limit_pct[rows], FULL_PCT).min())
        measured["lost_assist_pct_s"] = reasons.losses.lost_pct_s
        least_pct = reasons.losses.expected_min_pct
        told = reasons.cause in LINE_CAUSES | {"unexplained", None}
        if told and not np.isnan(least_pct):
            expected["min_assist_pct"] = least_pct
    measured |= _words(reasons) | _conditions(scene, rows)
    return Event(
        kind=EventKind.DERATE,
        start_s=float(seen.time_s[span.first]),
        end_s=None if span.end is None else float(seen.time_s[span.end]),
        cause=reasons.cause,
        severity=reasons.severity,
        channel=seen.channel.name,
        measured=measured,
        expected=expected | _starts(scene),
        limits=_limits(scene),
        shares=reasons.shares,
    )


def _words(reasons: Reasons) -> dict[str, float | str]:
    """Return what else is to be told of the cause."""
    told: dict[str, float | str] = {}
    for name, words in (("also", reasons.also), ("missing", reasons.missing)):
        if words:
            told[name] = ", ".join(words)
    if reasons.after:
        told["after"] = reasons.after
    beyond = reasons.losses.shares["unexplained"]
    if reasons.cause in LINE_CAUSES and beyond >= BEYOND_LEAST:
        told["beyond_line_share"] = beyond
    return told


def _with_duty(events: list[Event], scene: DerateScene) -> list[Event]:
    """Put down to duty what nothing else explains, where accumulated load does."""
    open_ones = [event for event in events if event.cause == "unexplained" or _only_unknown(event)]
    tau_s = duty_explains(scene, [event.start_s for event in open_ones])
    if tau_s is None:
        return events
    by_duty = {id(event) for event in open_ones}
    return [
        replace(
            event,
            cause="duty",
            severity=Severity.WARNING,
            measured={**event.measured, "duty_tau_s": tau_s},
            shares=dict.fromkeys(event.shares, 0.0) | {"duty": 1.0},
        )
        if id(event) in by_duty
        else event
        for event in events
    ]


def _only_unknown(event: Event) -> bool:
    """Tell whether a cause cannot be told though its onset is seen in the ride."""
    return event.cause is None and "after" not in event.measured


def _conditions(scene: DerateScene, rows: slice) -> dict[str, float | str]:
    """Return what temperature and supply were at the onset and at their worst."""
    readings = {
        "module_temperature_degc": float(scene.temperature_c[rows.start]),
        "supply_v": float(scene.supply_v[rows.start]),
        "max_temperature_degc": float(np.fmax.reduce(scene.temperature_c[rows])),
        "min_supply_v": float(np.fmin.reduce(scene.supply_v[rows])),
        "vehicle_speed_kph": float(scene.speed_kph[rows.start]),
    }
    return {name: value for name, value in readings.items() if not np.isnan(value)}


def _starts(scene: DerateScene) -> dict[str, float | str]:
    """Return where assist starts to fall, by temperature and, where its line holds, supply."""
    starts: dict[str, float | str] = {"module_temperature_degc": scene.lines.derate_start_c}
    if scene.supply_line_holds:
        starts["supply_v"] = scene.lines.derate_start_v
    return starts


def _limits(scene: DerateScene) -> dict[str, float]:
    """Return the limits that it was judged by."""
    limits = scene.profile.limits
    named = {
        "full_assist_pct": limits.full_assist_pct,
        "recovered_pct": limits.recovered_pct,
        "derate_start_c": scene.lines.derate_start_c,
        "derate_zero_c": scene.lines.derate_zero_c,
    }
    if scene.supply_line_holds:
        named["derate_start_v"] = scene.lines.derate_start_v
        named["derate_zero_v"] = scene.lines.derate_zero_v
    return {name: value for name, value in named.items() if not np.isnan(value)}

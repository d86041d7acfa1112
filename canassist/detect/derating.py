"""Derating: the module makes less assist available, and why."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.detect.derate_causes import explain
from canassist.detect.derate_scene import Available, DerateScene
from canassist.detect.spans import find_spans, last_row
from canassist.detect.speed_ceiling import speed_ceiling_pct
from canassist.model import Event, EventKind
from canassist.physics import FULL_PCT

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canassist.detect.spans import Span
    from canassist.model import BoolArray, Channel, FloatArray, Physics, Profile, Timeline

AT_LEAST_S: Final = 0.3
"""A run below full assist lasts this long (the contract's figure)."""

HOLD_S: Final = 1.0
"""It ends when assist is back for this long (the contract's figure)."""

STATUS_LEFT_PCT: Final = {"reduced": 50.0, "off": 0.0}
"""Assist that a status word stands for, where no limit in % is sent: only ranks causes."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Seen:
    """Available assist as some channel tells it, at that channel's samples."""

    channel: Channel
    time_s: FloatArray
    available_pct: FloatArray
    below: BoolArray
    back: BoolArray
    words: tuple[str, ...] = ()


def find_derates(
    timeline: Timeline, profile: Profile, physics: Physics, signal_events: Sequence[Event]
) -> list[Event]:
    """Find spans of reduced assist, with the share that each cause explains.

    Parameters
    ----------
    signal_events : sequence of Event
        Lost, stuck or jumping signals, found before: a false road or engine speed makes
        a module fall back.

    Returns
    -------
    list of Event
        In time order. ``measured["seen_on"]`` names the channel that it was seen on:
        ``assist_limit``, or ``module_status`` where there is no such channel. Nothing is
        found where the log has neither.
    """
    seen = _from_limit(timeline, profile, physics) or _from_status(timeline, profile)
    if seen is None:
        return []
    spans = find_spans(
        seen.time_s,
        seen.below,
        seen.back,
        at_least_s=AT_LEAST_S,
        hold_s=HOLD_S,
        stale_after_s=seen.channel.stale_after_s,
    )
    if not spans:
        return []
    scene = DerateScene.of(
        timeline, profile, physics, signal_events, Available(seen.time_s, seen.back)
    )
    return [_event(span, seen, scene) for span in spans]


def _from_limit(timeline: Timeline, profile: Profile, physics: Physics) -> _Seen | None:
    channel = timeline.get("assist_limit")
    if channel is None:
        return None
    time_s, limit_pct = channel.valid()
    if not len(time_s):
        return None
    ceiling_pct = speed_ceiling_pct(timeline, physics, time_s, limit_pct, profile)
    available_pct = limit_pct if ceiling_pct is None else 100.0 * limit_pct / ceiling_pct
    return _Seen(
        channel=channel,
        time_s=time_s,
        available_pct=available_pct,
        below=available_pct < profile.limits.full_assist_pct,
        back=available_pct >= profile.limits.recovered_pct,
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
        words=tuple(channel.labels.get(float(code), f"{code:g}") for code in number)
        if len(number) and below.any()
        else (),
    )


def _event(span: Span, seen: _Seen, scene: DerateScene) -> Event:
    rows = slice(span.first, last_row(span, len(seen.time_s)))
    available_pct = np.minimum(seen.available_pct[rows], 100.0)
    reasons = explain(
        scene,
        rows,
        100.0 - available_pct,
        seen.channel.stale_after_s,
        depth_known=not seen.words,
    )
    measured: dict[str, float | str] = {"seen_on": seen.channel.name}
    expected: dict[str, float | str] = {}
    if seen.words:
        measured["status"] = seen.words[span.first]
    else:
        measured["min_assist_pct"] = float(available_pct.min())
        measured["lost_assist_pct_s"] = reasons.lost_pct_s
        if not np.isnan(reasons.expected_min_pct):
            expected["min_assist_pct"] = reasons.expected_min_pct
    measured |= reasons.measured
    expected |= reasons.expected
    end_s = None if span.end is None else float(seen.time_s[span.end])
    return Event(
        kind=EventKind.DERATE,
        start_s=float(seen.time_s[span.first]),
        end_s=end_s,
        cause=reasons.cause,
        severity=reasons.severity,
        channel=seen.channel.name,
        measured=measured,
        expected=expected,
        shares=reasons.shares,
    )

"""Channels whose signal is doubtful, with the curves of those that it may be."""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from canassist import decode, frames
from canassist.errors import CanassistError
from canassist.model import ChannelSpec, Profile

if TYPE_CHECKING:
    from pathlib import Path

    from canassist.decode import ChannelChoice, DecodedRide, ReadingPlan
    from canassist.model import Channel, FrameSource, Result

MOST_QUESTIONS: Final = 6
MOST_CHOICES: Final = 4
POINTS: Final = 240
"""Columns of a curve; each keeps its lowest and highest value."""

SIGNAL: Final = "signal"
UNIT: Final = "unit"
SIGN: Final = "sign"
MOST_REASONS: Final = 3
_POINTS: Final = re.compile(r" \([+-]\d+\.\d\)$")
_ASKED: Final = "open: "

Question = dict[str, Any]  # Any: plain JSON values


def is_doubtful(result: Result) -> bool:
    """Tell whether a result leaves open which signal serves a channel."""
    asked = any(channel.doubt for channel in result.channels.values())
    return asked or any(one.where.startswith("channel ") for one in result.log.problems)


def open_questions(
    logs: Sequence[Path],
    databases: Sequence[Path],
    profile: Profile,
    settled: Mapping[str, str],
) -> list[Question]:
    """Return what is to be asked of a ride's channels, as plain values.

    Parameters
    ----------
    logs, databases : sequence of path
    profile : Profile
    settled : mapping of channel to signal
        What was answered before; an empty signal means that none serves.

    Returns
    -------
    list of dict
        ``channel``, ``asked`` (``signal``, ``unit`` or ``sign``), ``question``, ``duration_s`` and
        ``choices``, each with ``signal``, ``answer`` (what `with_channel` writes), ``reading``
        (``as_read``, ``mended``, ``turned`` or empty), ``reasons``, ``low``, ``high`` and the
        curve's ``points``: rows of time, lowest and highest value, null where there is none.
    """
    known = decode.load_databases(databases)
    plan = decode.plan_reading(known, profile)
    recording = frames.open_log(logs)
    collector = decode.FrameCollector()
    for block in recording.blocks(request=frames.ReadRequest(wanted=plan.wanted)):
        collector.feed(block)
    stats, sorted_frames = recording.stats(), collector.finish(recording.zero_ns)
    decoded = decode.decode_ride(sorted_frames, plan, profile, stats)
    found: list[Question] = []
    for channel, choice in decoded.ranking.items():
        doubt = _doubt(channel, choice, decoded)
        if channel not in decode.ANSWERS_REST_ON:
            continue
        if not doubt or channel in settled or len(found) == MOST_QUESTIONS:
            continue
        taken = decoded.channels.get(channel)
        asked = _asked(taken)
        offered = _readings(taken) if taken is not None and asked != SIGNAL else _signals(choice)
        curves = [
            (reading, answer, curve)
            for reading, answer, spec in offered
            if (curve := _served_by(spec, channel, plan, sorted_frames, stats)) is not None
        ]
        found.append(
            {
                "channel": channel,
                "asked": asked,
                "question": doubt,
                "duration_s": stats.duration_s,
                "chosen": choice.chosen.candidate.name if choice.chosen else None,
                "choices": [
                    {
                        **_choice(curve, stats.duration_s, _reasons(choice, curve.signal)),
                        "answer": answer,
                        "reading": reading,
                    }
                    for reading, answer, curve in curves
                ],
            }
        )
    return [one for one in found if one["choices"]]


def _asked(taken: Channel | None) -> str:
    """Return what is doubted of a channel: its unit, its sign, or which signal it is."""
    if taken is None or not (taken.profile_lines or taken.held_out):
        return SIGNAL
    return UNIT if taken.held_out else SIGN


def _signals(choice: ChannelChoice) -> Iterator[tuple[str, str, ChannelSpec]]:
    for one in choice.ranking[:MOST_CHOICES]:
        yield "", one.signal, ChannelSpec(signal=one.signal)


def _readings(taken: Channel) -> Iterator[tuple[str, str, ChannelSpec]]:
    """Yield the ways to read a signal whose unit or sign is doubted, the likely one first."""
    mended = "mended" if taken.held_out else "turned"
    for reading, lines in ((mended, taken.profile_lines), ("as_read", taken.as_read_lines)):
        if lines:
            spec = tomllib.loads(lines)["channels"][taken.name]
            words = (f"{key} = {json.dumps(value)}" for key, value in spec.items())
            yield reading, "{ " + ", ".join(words) + " }", ChannelSpec(**spec)


def _doubt(channel: str, choice: ChannelChoice, decoded: DecodedRide) -> str:
    taken = decoded.channels.get(channel)
    if taken is not None:
        return taken.doubt
    return choice.doubt


def _reasons(choice: ChannelChoice, signal: str) -> list[str]:
    given = next((one.reasons for one in choice.ranking if one.signal == signal), ())
    return plain_reasons(given)[:MOST_REASONS]


def plain_reasons(reasons: Iterable[str]) -> list[str]:
    """Return reasons without their points, and without what the question itself says."""
    kept = (_POINTS.sub("", reason) for reason in reasons if not reason.startswith(_ASKED))
    return [reason for reason in kept if reason]


def _served_by(
    spec: ChannelSpec,
    channel: str,
    plan: ReadingPlan,
    sorted_frames: Mapping[FrameSource, Any],  # Any: frames pass through unseen
    stats: Any,  # noqa: ANN401 - the same
) -> Channel | None:
    """Return the channel as it would be if a signal served it so."""
    profile = replace(plan.profile, channels={channel: spec}, integrity=())
    try:
        trial = decode.plan_reading(plan.databases, profile)
        return decode.decode_ride(sorted_frames, trial, profile, stats).channels.get(channel)
    except CanassistError:
        return None


def _choice(curve: Channel, duration_s: float, reasons: list[str]) -> dict[str, object]:
    time_s, value = curve.valid()
    edges = np.linspace(0.0, max(duration_s, 1e-9), POINTS + 1)
    cells = np.clip(np.searchsorted(edges, time_s, side="right") - 1, 0, POINTS - 1)
    low, high = np.full(POINTS, np.inf), np.full(POINTS, -np.inf)
    np.minimum.at(low, cells, value)
    np.maximum.at(high, cells, value)
    filled = np.isfinite(low)
    return {
        "signal": curve.signal,
        "unit": curve.unit,
        "reasons": reasons,
        "low": float(np.min(value)) if len(value) else None,
        "high": float(np.max(value)) if len(value) else None,
        "points": [
            [round(float(edges[n]), 3), float(low[n]), float(high[n])] if filled[n] else None
            for n in range(POINTS)
        ],
    }

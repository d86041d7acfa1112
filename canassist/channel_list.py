"""Which signal serves which channel, as a listing for people, as JSON and as a profile's start."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.decode import ChannelChoice, Ranked, profile_text, rank_static
from canassist.model import CHANNEL_UNITS

if TYPE_CHECKING:
    from canassist.decode import Databases
    from canassist.model import Channel, Problem
    from canassist.pipeline import DecodedLog

MOST_CANDIDATES: Final = 4
"""Candidates listed for a channel; the JSON holds all."""

MOST_REASONS: Final = 4
"""Reasons listed for a candidate, the strongest first; the JSON holds all."""

SCHEMA: Final = "canassist-channels/1"


@dataclass(frozen=True, slots=True, kw_only=True)
class CandidateLine:
    """One candidate: its signal, its points, and what speaks for and against it."""

    signal: str
    score: float
    reasons: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelEntry:
    """One channel: the signal that serves it, or the question that is open."""

    channel: str
    taken: Channel | None = None
    doubt: str = ""
    candidates: tuple[CandidateLine, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelList:
    """All channels of a log or a database.

    ``profile_start`` is the start of a profile (TOML); ``ids`` and ``ids_known`` are None
    where there is no log.
    """

    source: str
    entries: tuple[ChannelEntry, ...]
    profile_start: str = ""
    ids: int | None = None
    ids_known: int | None = None
    problems: Sequence[Problem] = field(default_factory=tuple)

    def as_json(self) -> Mapping[str, object]:
        """Return the listing as plain values; the schema is in the README."""
        return {
            "schema": SCHEMA,
            "source": self.source,
            "ids": self.ids,
            "ids_known": self.ids_known,
            "channels": {entry.channel: _plain(entry) for entry in self.entries},
            "problems": [{"where": one.where, "what": one.what} for one in self.problems],
        }

    def as_text(self) -> str:
        """Return the listing for people."""
        lines = []
        if self.ids is not None:
            lines += [f"{self.source}: {self.ids_known} of {self.ids} ids known", ""]
        for entry in self.entries:
            lines += _told(entry)
        missing = [entry.channel for entry in self.entries if _empty(entry)]
        if missing:
            lines += ["", f"Nothing found for: {', '.join(missing)}."]
        lines += [f"{problem.where}: {problem.what}" for problem in self.problems]
        return "\n".join(lines)


def of_ride(ride: DecodedLog) -> ChannelList:
    """Return the listing of a ride that was read and decoded."""
    decoded = ride.decoded
    entries = []
    for name in CHANNEL_UNITS:
        choice = decoded.ranking.get(name)
        ranked = choice.ranking if choice else ()
        taken = decoded.channels.get(name)
        entries.append(
            ChannelEntry(
                channel=name,
                taken=taken,
                doubt=taken.doubt if taken else choice.doubt if choice else "",
                candidates=tuple(
                    CandidateLine(signal=one.signal, score=one.score, reasons=one.reasons)
                    for one in ranked
                ),
            )
        )
    return ChannelList(
        source=ride.recording.name,
        entries=tuple(entries),
        profile_start=profile_text(decoded.ranking),
        ids=len(ride.timeline.bus.ids),
        ids_known=decoded.ids_known,
        problems=(*ride.recording.problems, *decoded.problems),
    )


def of_databases(databases: Databases, *, given: Collection[str] = ()) -> ChannelList:
    """Return the listing of databases alone: judged by names and units, no values seen.

    Parameters
    ----------
    databases : Databases
        What was read.
    given : collection of str
        Channels that a profile names: of these the profile's start says nothing.
    """
    ranked = rank_static(databases)
    question = "no log was seen; which of these is it?"
    choices = {
        name: ChannelChoice(
            channel=name,
            doubt=question if ranked.get(name) else "",
            ranking=tuple(
                Ranked(signal=one.name, source=None, score=one.score, reasons=one.reasons)
                for one in ranked.get(name, ())
            ),
        )
        for name in CHANNEL_UNITS
    }
    entries = (
        ChannelEntry(
            channel=name,
            candidates=tuple(
                CandidateLine(signal=one.name, score=one.score, reasons=one.reasons)
                for one in ranked.get(name, ())
            ),
        )
        for name in CHANNEL_UNITS
    )
    return ChannelList(
        source=", ".join(databases.names),
        entries=tuple(entries),
        profile_start=profile_text(
            {name: choice for name, choice in choices.items() if name not in given}
        ),
        problems=databases.problems,
    )


def _empty(entry: ChannelEntry) -> bool:
    return entry.taken is None and not entry.doubt and not entry.candidates


def _plain(entry: ChannelEntry) -> Mapping[str, object]:
    taken = entry.taken
    return {
        "signal": taken.signal if taken else None,
        "chosen_by": taken.chosen_by if taken else None,
        "unit": CHANNEL_UNITS[entry.channel],
        "samples": len(taken) if taken else None,
        "runner_up": taken.runner_up.signal if taken and taken.runner_up else None,
        "doubt": entry.doubt or None,
        "candidates": [
            {"signal": one.signal, "score": round(one.score, 3), "reasons": list(one.reasons)}
            for one in entry.candidates
        ],
    }


def _told(entry: ChannelEntry) -> list[str]:
    if _empty(entry):
        return []
    taken = entry.taken
    served = f"{taken.signal} (by {taken.chosen_by}; {_span(taken)})" if taken else "-"
    lines = [f"{entry.channel:20} {served}"]
    if taken and taken.runner_up:
        lines.append(f"{'':20}   before {taken.runner_up.signal}: {taken.runner_up.why}")
    if entry.doubt:
        lines.append(f"{'':20}   to answer: {entry.doubt}")
    lines += [
        f"{'':20}   {one.score:5.2f} {one.signal}: {'; '.join(one.reasons[:MOST_REASONS])}"
        for one in entry.candidates[:MOST_CANDIDATES]
    ]
    return lines


def _span(channel: Channel) -> str:
    _, values = channel.valid()
    if not len(values):
        return "no valid value"
    low, high = np.min(values), np.max(values)
    unit = channel.unit if channel.unit_known else "raw counts"
    return f"{len(values)} samples, {low:g} to {high:g} {unit}"

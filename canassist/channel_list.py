"""Which signal serves which channel, as a listing for people, as JSON and as a profile's start."""

from __future__ import annotations

import textwrap
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.decode import ANSWERS_REST_ON, ChannelChoice, Ranked, profile_text, rank_static
from canassist.model import CHANNEL_UNITS

if TYPE_CHECKING:
    from canassist.decode import Databases
    from canassist.model import Channel, DatabaseFit, Problem
    from canassist.pipeline import DecodedLog

MOST_CANDIDATES: Final = 3
"""Candidates listed below a question; the JSON holds all."""

MOST_REASONS: Final = 3
"""Reasons listed for a candidate, the strongest first; the JSON holds all."""

SCHEMA: Final = "canassist-channels/2"

WIDTH: Final = 80
"""Columns of a terminal that the table keeps to."""

TAKEN: Final = "taken"
ASKED: Final = "asked"
HELD_OUT: Final = "held out"
UNCHECKED: Final = "unchecked"
NONE: Final = "none"


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
    seen_no_log: bool = False

    @property
    def verdict(self) -> str:
        """Taken, unchecked (taken, though nothing confirms it), asked, held out or none."""
        if self.taken is not None and self.taken.held_out:
            return HELD_OUT
        if (
            self.doubt
            or (self.candidates and self.seen_no_log)
            or (self.taken is not None and not self.taken.unit_known)
        ):
            return ASKED
        if self.taken is None:
            return NONE
        return UNCHECKED if self.taken.not_checked else TAKEN


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelList:
    """All channels of a log or a database.

    ``profile_start`` is the start of a profile (TOML); ``ids``, ``ids_known`` and ``fit`` are
    None where there is no log, ``fit`` also where there is no database.
    """

    source: str
    entries: tuple[ChannelEntry, ...]
    profile_start: str = ""
    ids: int | None = None
    ids_known: int | None = None
    fit: DatabaseFit | None = None
    unused: Mapping[str, Sequence[str]] = field(default_factory=dict)
    problems: Sequence[Problem] = field(default_factory=tuple)

    def as_json(self) -> Mapping[str, object]:
        """Return the listing as plain values; the schema is in the README."""
        return {
            "schema": SCHEMA,
            "source": self.source,
            "ids": self.ids,
            "ids_known": self.ids_known,
            "fit": _plain_fit(self.fit),
            "channels": {entry.channel: _plain(entry) for entry in self.entries},
            "unused": {unit: list(names) for unit, names in self.unused.items()},
            "problems": [{"where": one.where, "what": one.what} for one in self.problems],
        }

    def as_text(self) -> str:
        """Return a verdict a channel as a table, the questions, and what to do next."""
        questions = [entry for entry in self.entries if _is_question(entry)]
        shown = [entry for entry in self.entries if entry.verdict != NONE]
        missing = [entry.channel for entry in self.entries if entry.verdict == NONE]
        lines = [*self._head(), "", *(_table(shown) if shown else ())]
        if missing:
            lines += _wrapped(f"Nothing found for: {', '.join(missing)}.")
        if questions:
            lines += ["", "To answer, in a profile:"]
        for number, entry in enumerate(questions, start=1):
            lines += _question(number, entry)
        lines += self._remarks()
        lines += ["", *_wrapped("Next: " + self._next(questions))]
        return "\n".join(lines)

    def _head(self) -> list[str]:
        if self.ids is None:
            return _wrapped(f"{self.source}: judged by names and units alone, no log was given.")
        lines = [f"{self.source}: {self.ids_known} of {self.ids} ids known."]
        if self.fit is None:
            return lines
        if self.fit.reason:
            return [*lines, *_wrapped(f"THE DATABASE DOES NOT FIT. {self.fit.reason}")]
        kept = "" if np.isnan(self.fit.in_bounds) else f", {self.fit.in_bounds:.0%} keep to it"
        cyclic = f"{self.fit.cyclic_known:.0%} of the cyclic ids in its range are known"
        return [*lines, *_wrapped(f"The database fits: {cyclic}{kept}.")]

    def _remarks(self) -> list[str]:
        lines = []
        unchecked = [
            f"{entry.channel} ({' and '.join(entry.taken.not_checked)})"
            for entry in self.entries
            if entry.taken is not None and entry.verdict == UNCHECKED
        ]
        if unchecked:
            what = "Not checked by any other channel, so what rests on it is moderate at most: "
            lines += ["", *_wrapped(what + ", ".join(unchecked) + ".")]
        for entry in self.entries:
            if entry.verdict in {ASKED, HELD_OUT} and not _is_question(entry) and entry.doubt:
                lines += _wrapped(f"Left out as a witness: {entry.doubt}")
        for unit, names in self.unused.items():
            lines += _wrapped(f"Unused signals in {unit}: {', '.join(names)}.")
        told = {f"channel {entry.channel}" for entry in self.entries if entry.doubt}
        for problem in self.problems:
            if problem.where not in told and problem.what != (self.fit and self.fit.reason):
                lines += _wrapped(f"{problem.where}: {problem.what}")
        return lines

    def _next(self, questions: Sequence[ChannelEntry]) -> str:
        if self.fit is not None and self.fit.reason:
            return "give the database of this vehicle, and of this bus, with --dbc."
        if self.ids is None:
            return "give a log with this database: values tell what names cannot."
        if self.fit is None:
            return "give the vehicle's database with --dbc."
        if questions:
            return (
                "write the start of a profile with --write vehicle.toml, answer the questions in "
                "it, and give it with --profile."
            )
        if any(entry.verdict == NONE for entry in self.entries) and self.unused:
            return "name an unused signal in a profile (--write starts one) if you know it."
        return "make the report; --write keeps this choice in a profile."


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
        profile_start=profile_text(decoded.ranking, decoded.unused),
        ids=len(ride.timeline.bus.ids),
        ids_known=decoded.ids_known,
        fit=decoded.fit,
        unused=decoded.unused,
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
            seen_no_log=True,
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


def _is_question(entry: ChannelEntry) -> bool:
    """Tell whether a person is asked: only about channels that an answer may rest on."""
    return entry.verdict in {ASKED, HELD_OUT} and entry.channel in ANSWERS_REST_ON


def _plain(entry: ChannelEntry) -> Mapping[str, object]:
    taken = entry.taken
    return {
        "verdict": entry.verdict,
        "signal": taken.signal if taken else None,
        "chosen_by": taken.chosen_by if taken else None,
        "unit": CHANNEL_UNITS[entry.channel],
        "samples": len(taken) if taken else None,
        "runner_up": taken.runner_up.signal if taken and taken.runner_up else None,
        "doubt": entry.doubt or None,
        "held_out": (taken.held_out or None) if taken else None,
        "not_checked": list(taken.not_checked) if taken else [],
        "profile_lines": (taken.profile_lines or None) if taken else None,
        "candidates": [
            {"signal": one.signal, "score": round(one.score, 3), "reasons": list(one.reasons)}
            for one in entry.candidates
        ],
    }


def _plain_fit(fit: DatabaseFit | None) -> Mapping[str, object] | None:
    if fit is None:
        return None
    return {
        "known_ids": round(fit.known_ids, 4),
        "cyclic_known": round(fit.cyclic_known, 4),
        "in_bounds": None if np.isnan(fit.in_bounds) else round(fit.in_bounds, 4),
        "reason": fit.reason or None,
    }


def _table(entries: Sequence[ChannelEntry]) -> list[str]:
    """Return a line a channel, no wider than `WIDTH`."""
    rows = [("channel", "verdict", "signal", "by", "reads"), *(_row(one) for one in entries)]
    wide = [max(len(row[place]) for row in rows) for place in range(5)]
    wide[2] = max(8, min(wide[2], WIDTH - sum(wide) + wide[2] - 8))
    return [
        "  ".join(_fitted(text, width) for text, width in zip(row, wide, strict=True)).rstrip()
        for row in rows
    ]


def _row(entry: ChannelEntry) -> tuple[str, str, str, str, str]:
    taken = entry.taken
    if taken is not None:
        return entry.channel, entry.verdict, taken.signal, taken.chosen_by, _span(taken)
    candidate = entry.candidates[0].signal + "?" if entry.candidates else "-"
    return entry.channel, entry.verdict, candidate, "", ""


def _fitted(text: str, width: int) -> str:
    if len(text) <= width:
        return text.ljust(width)
    half = (width - 1) // 2
    return f"{text[: width - 1 - half]}…{text[len(text) - half :]}"


def _wrapped(text: str, indent: str = "") -> list[str]:
    return textwrap.wrap(
        text,
        WIDTH,
        initial_indent=indent,
        subsequent_indent=indent,
        break_long_words=True,
        break_on_hyphens=False,
    )


def _question(number: int, entry: ChannelEntry) -> list[str]:
    doubt = entry.doubt or f"Which signal is the {entry.channel}, and in which unit?"
    lines = _wrapped(f"{number}. {entry.channel}: {doubt}")
    if entry.taken is not None and entry.taken.profile_lines:
        lines.append("   If that is so, write:")
        return [*lines, *(f"     {line}" for line in entry.taken.profile_lines.splitlines())]
    for one in entry.candidates[:MOST_CANDIDATES]:
        why = "; ".join(one.reasons[:MOST_REASONS])
        lines += _wrapped(f"{one.score:.2f} {one.signal}: {why}", "   ")
    return lines


def _span(channel: Channel) -> str:
    _, values = channel.valid()
    if not len(values):
        return "no valid value"
    low, high = np.min(values), np.max(values)
    unit = channel.unit if channel.unit_known else "raw counts"
    return f"{low:.4g} to {high:.4g} {unit}"

"""Rank the signals of a database for each channel by what the database says of them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from canassist.decode.candidates import MAX_CANDIDATES, Candidate
from canassist.decode.matching.name_parts import strange_words
from canassist.decode.matching.rules import rule as worth
from canassist.decode.matching.rules.rule import Rule
from canassist.decode.matching.rules.rule_table import RULES, WHEEL_CORNER
from canassist.decode.matching.signal_text import (
    SignalText,
    UnitFinding,
    find_unit,
    may_carry,
    read_signal,
)
from canassist.decode.matching.vocabulary import bag
from canassist.units import SAME

if TYPE_CHECKING:
    from collections.abc import Iterable

    from canassist.decode.database.layouts import Databases

LEAST_SCORE: Final = 0.25
"""Below this a signal is not worth reading."""

_MEASURED_BITS: Final = 5
"""Fewer bits carry a state, not a measurement."""
_MODE_BITS: Final = 8
_QUANTITY_NAMES: Final = bag("speed revs voltage current temperature torque angle mode status")
_LOOSE_QUANTITIES: Final = frozenset({"current", "mode", "status"})
"""Also said of something else ("current gear"), so a right unit outweighs them."""
_STATE_WORDS: Final = bag(
    "normal ok limited reduced degraded fault failure error init initialising initializing "
    "shutdown off on standby ready active inactive full partial derated begrenzt fehler aus ein "
    "bereit normaal beperkt fout defaut normale arret panne limite fallo apagado limitado"
)
_MODE_WORDS: Final = bag(
    "min med max low high medium minimum maximum light heavy comfort sport normal eco standard "
    "stark mittel schwach leicht komfort confort doux ferme suave fuerte medio basso alto "
    "tour terrain work rock"
)


@dataclass(slots=True)
class _Sheet:
    """The open account of one signal for one channel."""

    parts: dict[str, float] = field(default_factory=dict)
    reasons: list[tuple[float, str]] = field(default_factory=list)

    def add(self, part: str, points: float, phrase: str) -> None:
        self.parts[part] = self.parts.get(part, 0.0) + points
        if phrase:
            self.reasons.append((points, phrase))

    @property
    def score(self) -> float:
        return min(1.0, max(0.0, sum(self.parts.values()) / worth.FULL_POINTS))


def rank_static(
    databases: Databases, *, skip: frozenset[str] = frozenset()
) -> Mapping[str, tuple[Candidate, ...]]:
    """Rank signals for each channel by name, unit, range and sender alone.

    Parameters
    ----------
    databases : Databases
        Every usable message.
    skip : frozenset of str
        Channels that are settled already.

    Returns
    -------
    mapping of str to tuple of Candidate
        For each open channel the best first; signals in more messages than
        `MAX_CANDIDATES` are cut off at the lowest score. Empty where none fits.
    """
    texts = (
        read_signal(message, signal) for message in databases.messages for signal in message.signals
    )
    by_unit: dict[str, list[SignalText]] = {}
    for text in texts:
        by_unit.setdefault(text.signal.unit, []).append(text)
    return {
        channel: _best(
            found
            for unit, of_unit in by_unit.items()
            if may_carry(unit, channel)
            for found in _candidates(channel, of_unit)
        )
        for channel in RULES
        if channel not in skip
    }


def _candidates(channel: str, texts: Iterable[SignalText]) -> Iterable[Candidate]:
    rule = RULES[channel]
    for text in texts:
        found = judge_text(channel, rule, text)
        if found is not None and found.score >= LEAST_SCORE:
            yield found


def _best(candidates: Iterable[Candidate]) -> tuple[Candidate, ...]:
    ranked = sorted(candidates, key=lambda found: (-found.score, found.name))
    return tuple(ranked[: 2 * MAX_CANDIDATES])  # some of them will not be in the log


def judge_text(channel: str, rule: Rule, text: SignalText) -> Candidate | None:
    """Judge one signal for one channel; None where it cannot serve it."""
    if not _fits(channel, rule, text):
        return None
    named = not rule.quantities.keys().isdisjoint(text.name | text.letters)
    unit = find_unit(text.signal, channel, named=named)
    if unit is None:
        return None
    sheet = _Sheet()
    if not _judge_quantity(rule, text, unit, sheet):
        return None
    _judge_subject(rule, text, sheet)
    _judge_unit(rule, text, unit, sheet)
    if not rule.text:
        _judge_range(rule, text, unit, sheet)
    if rule.text:
        _judge_labels(channel, text, sheet)
    if not rule.senders.isdisjoint(text.sender):
        sheet.add("sender", worth.SENDER_RIGHT, f"sent by {text.message.sender}")
    return _candidate(channel, text, unit, sheet)


def _fits(channel: str, rule: Rule, text: SignalText) -> bool:
    """Tell whether nothing rules the signal out: bans, corner of a wheel, number of bits."""
    if not rule.bans.isdisjoint(text.name) or not _right_corner(channel, text.name):
        return False
    if channel == "vehicle_speed" and "wheel" in text.name and "vehicle" not in text.name:
        return False
    if any(need.isdisjoint(text.anywhere) for need in rule.needs):
        return False
    bits = text.signal.length
    if rule.text:
        return bits <= _MODE_BITS
    return bits >= _MEASURED_BITS and len(text.signal.labels) <= 2 ** (bits - 1)


def _right_corner(channel: str, name: frozenset[str]) -> bool:
    if channel not in WHEEL_CORNER:
        return True
    corner, pair = WHEEL_CORNER[channel]
    others = {one for one, _ in WHEEL_CORNER.values()} - {corner}
    if not others.isdisjoint(name):
        return False
    return corner in name or pair <= name


def _judge_quantity(rule: Rule, text: SignalText, unit: UnitFinding, sheet: _Sheet) -> bool:
    """Add what the signal is said to measure; False where nothing says it."""
    spoken = [(points, name) for name, points in rule.quantities.items() if name in text.name]
    if spoken:
        points, name = max(spoken)
        sheet.add("name", points, f'name says "{name}"')
        return True
    if not rule.quantities.keys().isdisjoint(text.letters):
        sheet.add("name", worth.QUANTITY_LETTER, f"formula letter of {_first(rule)}")
        return True
    if not rule.quantities.keys().isdisjoint(text.around | text.comment):
        sheet.add("name", worth.QUANTITY_AROUND, "its message or comment says the quantity")
        return True
    return unit.share > 0


def _first(rule: Rule) -> str:
    return next(iter(rule.quantities))


def _judge_subject(rule: Rule, text: SignalText, sheet: _Sheet) -> None:
    """Add what it is measured of, and what speaks against it."""
    total, words = 0.0, []
    for concept, points in rule.subjects.items():
        share = _share(concept, text)
        if share:
            total += points * share
            words.append(concept)
    if words:
        sheet.add("name", min(total, rule.most), "words: " + ", ".join(words))
    for concept, points in rule.against.items():
        share = _share(concept, text, comment=False)
        if share and concept not in rule.subjects:
            sheet.add("name", points * share, f'"{concept}" speaks against it')
        elif share and points < 0:
            sheet.add("name", points * share, "")
    _judge_strangers(rule, text, sheet)


def _share(concept: str, text: SignalText, *, comment: bool = True) -> float:
    if concept in text.name:
        return 1.0
    if concept in text.around or (comment and concept in text.comment):
        return worth.AROUND
    return 0.0


_CORNERS: Final = frozenset(corner for corner, _ in WHEEL_CORNER.values())


def _judge_strangers(rule: Rule, text: SignalText, sheet: _Sheet) -> None:
    """Take off points where the name speaks of another quantity too."""
    own = rule.quantities.keys() | rule.subjects.keys()
    others = (text.name & _QUANTITY_NAMES) - own
    if text.signal.unit:
        others -= _LOOSE_QUANTITIES
    for other in sorted(others):
        sheet.add("name", worth.OTHER_QUANTITY, f'name also says "{other}"')
    strange = strange_words(text.signal.name, text.message.name, text.message.sender)
    if strange:
        points = worth.STRANGE_WORD * min(len(strange), 2)
        sheet.add("name", points, "not understood: " + ", ".join(strange[:2]))
    own |= _CORNERS
    if not rule.text and own.isdisjoint(text.name | text.letters):
        sheet.add("name", -1.0, "its own name says nothing")


def _judge_unit(rule: Rule, text: SignalText, unit: UnitFinding, sheet: _Sheet) -> None:
    if rule.text:
        return
    sheet.add("unit", worth.UNIT_RIGHT * unit.share, unit.phrase)


def _judge_range(rule: Rule, text: SignalText, unit: UnitFinding, sheet: _Sheet) -> None:
    """Compare what the signal can hold with what the channel needs."""
    if not unit.known:
        return
    scale, offset = unit.conversion
    low, high = sorted((text.lowest * scale + offset, text.highest * scale + offset))
    if max(abs(low), abs(high)) < rule.reach:
        sheet.add("range", worth.RANGE_WRONG, f"holds only {low:g} to {high:g}")
    elif high > rule.ceiling:
        sheet.add("range", -1.0, f"range up to {high:g} is more than it needs")
    elif rule.signed and low >= 0:
        sheet.add("range", -1.0, "cannot go below zero")
    else:
        sheet.add("range", worth.RANGE_RIGHT, f"range {low:g} to {high:g}")


def _judge_labels(channel: str, text: SignalText, sheet: _Sheet) -> None:
    """Know a state by the words of its value table."""
    if not text.signal.labels:
        if text.signal.length == 1:
            sheet.add("range", -2.0, "a single bit without words")
        return
    wanted = _MODE_WORDS if channel == "assist_mode" else _STATE_WORDS
    said = {word for label in text.signal.labels.values() for word in _plain_words(label)}
    hits = sorted(said & wanted)
    if hits:
        sheet.add("range", 1.5, "value table: " + ", ".join(hits[:4]))
    elif channel == "assist_mode":
        sheet.add("range", -0.5, "value table without a mode's words")


def _plain_words(label: str) -> list[str]:
    return "".join(sign if sign.isalpha() else " " for sign in label).casefold().split()


def _candidate(channel: str, text: SignalText, unit: UnitFinding, sheet: _Sheet) -> Candidate:
    ordered = sorted(sheet.reasons, key=lambda line: -abs(line[0]))
    return Candidate(
        channel=channel,
        message=text.message,
        signal=text.signal,
        conversion=unit.conversion if unit.known else SAME,
        unit_known=unit.known,
        score=round(sheet.score, 4),
        parts={part: round(points / worth.FULL_POINTS, 4) for part, points in sheet.parts.items()},
        reasons=tuple(f"{phrase} ({points:+.1f})" for points, phrase in ordered),
    )

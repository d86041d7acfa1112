"""A candidate in the running, with everything that speaks for and against it so far."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from canassist.decode.matching.name_parts import NOTHING, name_means, strange_words
from canassist.decode.matching.rules.rule import FULL_POINTS
from canassist.decode.matching.signal_text import COMMENT_READ
from canassist.decode.matching.value_shape import Shape, nothing, shape_of, tamed

if TYPE_CHECKING:
    from canassist.decode.candidates import MeasuredCandidate
    from canassist.model import FloatArray


@dataclass(slots=True, kw_only=True)
class Contender:
    """One measured candidate while its channel is being decided.

    Attributes
    ----------
    shape : Shape
        Figures of its values after `scale` and `offset`.
    points : float
        From its behaviour in this log, above or below zero.
    reasons : list of (points, phrase)
        What `points` is made of.
    out : str
        Why it cannot serve at all; empty while it can.
    question : str
        What stays open about it even if nothing else comes close.
    by_name : bool
        Only its name leaves that open, so that behaviour may settle it.
    scale, offset : float
        Still to be applied: ``value * scale + offset``.
    unit_found : bool
        Whether the values or another signal gave its unit away.
    sign_known : bool
        Whether right-positive is certain.
    """

    measured: MeasuredCandidate
    shape: Shape
    points: float = 0.0
    reasons: list[tuple[float, str]] = field(default_factory=list)
    out: str = ""
    question: str = ""
    by_name: bool = False
    scale: float = 1.0
    offset: float = 0.0
    unit_found: bool = False
    sign_known: bool = False

    @property
    def name(self) -> str:
        """``"Message.Signal"``."""
        return self.measured.candidate.name

    @property
    def unit_known(self) -> bool:
        """Whether its unit is certain, by the database or by its values."""
        return self.measured.candidate.unit_known or self.unit_found

    @property
    def total(self) -> float:
        """Points for name, unit, range, sender and behaviour together; 0 when out."""
        if self.out:
            return 0.0
        return self.measured.candidate.score * FULL_POINTS + self.points

    @property
    def words(self) -> frozenset[str]:
        """Concepts of the signal's own name."""
        return name_means(self.measured.candidate.signal.name)[0]

    @property
    def letters(self) -> frozenset[str]:
        """Quantities that formula letters in its name stand for."""
        return name_means(self.measured.candidate.signal.name)[1]

    @property
    def around(self) -> frozenset[str]:
        """Concepts of its message's name and sender."""
        message = self.measured.candidate.message
        sender = name_means(message.sender)[0] if message.sender else NOTHING
        return name_means(message.name)[0] | sender

    @property
    def comment(self) -> frozenset[str]:
        """Concepts of the signal's comment."""
        return name_means(self.measured.candidate.signal.comment[:COMMENT_READ])[0]

    @property
    def strange(self) -> tuple[str, ...]:
        """Words of its name that are not understood."""
        candidate = self.measured.candidate
        return strange_words(
            candidate.signal.name, candidate.message.name, candidate.message.sender
        )

    @property
    def has_labels(self) -> bool:
        """Whether the database names its states."""
        return bool(self.measured.candidate.signal.labels)

    @property
    def time_s(self) -> FloatArray:
        """Sample times in seconds, shape (n,)."""
        return self.measured.time_s

    @property
    def value(self) -> FloatArray:
        """Values in the channel's unit as far as it is known, shape (n,)."""
        if self.scale == 1.0 and self.offset == 0.0:
            return self.measured.value
        return tamed(self.measured.value) * self.scale + self.offset

    def add(self, points: float, phrase: str) -> None:
        """Count something for or against it."""
        self.points += points
        self.reasons.append((points, phrase))

    def rule_out(self, phrase: str) -> None:
        """Take it out of the running; the first reason stays."""
        self.out = self.out or phrase

    def ask(self, question: str, *, by_name: bool = False) -> None:
        """Leave something open; the first question stays, but one of names alone gives way."""
        if not self.question or (self.by_name and not by_name):
            self.question, self.by_name = question, by_name

    def rescale(self, scale: float, offset: float = 0.0) -> None:
        """Apply a further scale and offset, and measure again."""
        self.offset = self.offset * scale + offset
        self.scale *= scale
        self.shape = shape_of(self.time_s, self.value)


def contender(measured: MeasuredCandidate) -> Contender:
    """Enter a candidate."""
    return Contender(measured=measured, shape=shape_of(measured.time_s, measured.value))


def passed_over(measured: MeasuredCandidate, why: str) -> Contender:
    """List a candidate without looking at its values."""
    return Contender(measured=measured, shape=nothing(len(measured.value)), out=why)

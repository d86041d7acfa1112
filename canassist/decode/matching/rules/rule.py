"""What a rule is: how the words of a signal speak for one channel, and what each is worth.

Points are common practice, no source: a full word of the right quantity counts 2, the
thing it is measured of up to 4, the right unit 2; `TAKE` of them are enough to be taken
when nothing comes close. A person can add up the reasons that `canassist channels` shows.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Final

from canassist.decode.matching.vocabulary import bag

FULL_POINTS: Final = 10.0
"""Points that make a score of 1."""

QUANTITY_WORD: Final = 2.0
QUANTITY_LETTER: Final = 1.2
QUANTITY_AROUND: Final = 0.8
UNIT_RIGHT: Final = 2.0
RANGE_RIGHT: Final = 0.5
RANGE_WRONG: Final = -2.0
SENDER_RIGHT: Final = 1.0
OTHER_QUANTITY: Final = -2.5
STRANGE_WORD: Final = -0.8
AROUND: Final = 0.6
"""Share of a word's points when it stands in the message's name, sender or comment."""

_Words = Mapping[str, float]
_NOTHING: Final[_Words] = MappingProxyType({})


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """How the words of a signal speak for one channel.

    Attributes
    ----------
    quantities : mapping of concept to points
        What it measures; none of them and no unit means no candidate.
    subjects : mapping of concept to points
        What it is measured of.
    most : float
        Points that all subjects together are worth at most.
    needs : tuple of frozenset
        Of each, one concept must appear in the name, message, sender or comment.
    bans : frozenset
        Concepts that rule a signal out by its name.
    against : mapping of concept to points
        Concepts that speak against it, less in the message's name.
    senders : frozenset
        Concepts of a sender that suits.
    reach, ceiling : float
        The range must reach at least to, and not beyond, in the channel's unit.
    signed : bool
        Whether it must be able to go below zero.
    text : bool
        A state with few values instead of a measurement.
    """

    quantities: _Words
    subjects: _Words
    most: float = 4.5
    needs: tuple[frozenset[str], ...] = ()
    bans: frozenset[str] = frozenset()
    against: _Words = field(default_factory=lambda: _NOTHING)
    senders: frozenset[str] = frozenset()
    reach: float = 0.0
    ceiling: float = float("inf")
    signed: bool = False
    text: bool = False


NEVER: Final = bag("target extreme counter checksum rate test time other calibrated")
CORNERS: Final = bag("front_left front_right rear_left rear_right")
STEERED: Final = bag("steering assist")

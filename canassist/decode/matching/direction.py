"""Which way a signed signal counts: only the database's own words settle it."""

from __future__ import annotations

import itertools
import re
from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.decode.matching.name_parts import fold, split_name

if TYPE_CHECKING:
    from canassist.decode.database.layouts import MessageLayout, SignalLayout
    from canassist.decode.matching.contender import Contender

SIGNED: Final = frozenset({"driver_torque", "assist_torque", "motor_current", "steering_angle"})

_TURNS: Final = (
    (
        re.compile(r"(counter|anti)[- ]?clockwise|gegen den uhrzeigersinn|\bccw\b|antihorari[oa]"),
        " left ",
    ),
    (re.compile(r"\b(clockwise|cw|im uhrzeigersinn|horari[oa])\b"), " right "),
)
_WORDS: Final = re.compile(r"[a-z]+|[+<>-]")
_CLAUSE: Final = re.compile(r"[.;,()\n]|\band\b|\bund\b|\bet\b|\by\b")
_LEFT: Final = re.compile(r"left|links|gauche|izquierd[oa]|sinistr[oa]|lh|leftward|leftwards")
_RIGHT: Final = re.compile(r"right|rechts|droite|derech[oa]|destr[oa]|rh|rightward|rightwards")
_POSITIVE: Final = re.compile(r"positi[vf]\w*|pos|plus|\+|>")
_NEGATIVE: Final = re.compile(r"negati[vf]\w*|neg|minus|moins|menos|meno|-|<")
_MOST_TEXT: Final = 2000
_APART: Final = 5
"""Words that may stand between a side and its sign."""


def positive_side(text: str) -> str:
    """Return ``"left"`` or ``"right"`` where a comment says which side is positive, else ``""``.

    Examples
    --------
    >>> positive_side("Steering torque, left positive")
    'left'
    >>> positive_side("Lenkwinkel, positiv nach rechts")
    'right'
    """
    plain = fold(text[:_MOST_TEXT]).casefold()
    for pattern, word in _TURNS:
        plain = pattern.sub(word, plain)
    votes = {_vote(_WORDS.findall(clause)) for clause in _CLAUSE.split(plain)} - {""}
    return votes.pop() if len(votes) == 1 else ""


def _vote(words: list[str]) -> str:
    """Return the positive side that one clause names, if it names one side and one sign."""
    left = [row for row, word in enumerate(words) if _LEFT.fullmatch(word)]
    right = [row for row, word in enumerate(words) if _RIGHT.fullmatch(word)]
    plus = [row for row, word in enumerate(words) if _POSITIVE.fullmatch(word)]
    minus = [row for row, word in enumerate(words) if _NEGATIVE.fullmatch(word)]
    if bool(left) == bool(right) or bool(plus) == bool(minus):
        return ""
    sides, signs = left or right, plus or minus
    if min(abs(side - sign) for side in sides for sign in signs) > _APART:
        return ""
    return "left" if bool(left) == bool(plus) else "right"


_SIGN_WORDS: Final = frozenset({"vz", "sign", "sgn", "signe", "signo", "segno", "vorzeichen"})
_SIDE_WORDS: Final = frozenset({"dir", "direction", "richtung", "sens", "dirn"})


def sign_beside(message: MessageLayout, signal: SignalLayout) -> str:
    """Name the signal of one or two bits in the same message that may hold a sign, or nothing."""
    own = set(split_name(signal.name))
    few = [one for one in message.signals if one.length <= 2 and one is not signal]  # noqa: PLR2004 - a sign, or a sign with "no value"
    named = [
        (len(own & words), one.full_name)
        for one in few
        if (words := set(split_name(one.name))) & (_SIGN_WORDS | _SIDE_WORDS)
    ]
    return max(named, default=(0, ""))[1]


def is_named_direction(one: SignalLayout, signal: SignalLayout) -> bool:
    """Tell whether a short signal is named as the direction of another, or of no one else."""
    words = set(split_name(one.name))
    return bool(words & (_SIGN_WORDS | _SIDE_WORDS)) and (
        bool(set(split_name(signal.name)) & words) or words <= (_SIGN_WORDS | _SIDE_WORDS)
    )


def side_of(label: str) -> str:
    """Return ``"left"`` or ``"right"`` where a value's word says so, else ``""``."""
    words = _WORDS.findall(fold(label[:_MOST_TEXT]).casefold())
    left = any(_LEFT.fullmatch(word) for word in words)
    right = any(_RIGHT.fullmatch(word) for word in words)
    return "" if left == right else "left" if left else "right"


def judge_direction(channel: str, one: Contender) -> None:
    """Turn what the database calls left positive; the sign stays unknown where it is silent."""
    if channel not in SIGNED:
        one.sign_known = True
        return
    if one.measured.sign_signal:
        one.sign_known = one.measured.side_known
        one.add(0.5, f"its direction is in {one.measured.sign_signal}")
        return
    candidate = one.measured.candidate
    side = positive_side(f"{candidate.signal.comment} . {candidate.message.comment}")
    one.sign_known = bool(side)
    if side == "left":
        one.rescale(-1.0)
        one.add(0.0, "its database says left is positive: turned round")
    elif side == "right":
        one.add(0.0, "its database says right is positive")


_AT_WORK: Final = 0.05
_EACH_SIDE: Final = 0.1
_BOTH: Final = 0.02


def judge_sides(channel: str, ones: Sequence[Contender]) -> None:
    """Ask about amounts that take turns in one message: each holds one side, none the whole."""
    if channel not in SIGNED:
        return
    amounts = [one for one in ones if one.shape.low >= 0.0 and one.shape.reach > 0.0]
    for one, other in itertools.combinations(amounts, 2):
        if one.measured.source == other.measured.source and _take_turns(one, other):
            one.ask(f"{other.name} seems to hold its other side: which signal has both")
            other.ask(f"{one.name} seems to hold its other side: which signal has both")


def _take_turns(one: Contender, other: Contender) -> bool:
    if len(one.value) != len(other.value):
        return False
    works, others = (x.value > _AT_WORK * x.shape.reach for x in (one, other))
    least = min(np.mean(works), np.mean(others))
    return bool(least >= _EACH_SIDE and np.mean(works & others) <= _BOTH)

"""Figures read back out of sentences, and held against what the sentences say of them.

A second way, apart from the code that writes them: it knows the wording only.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from typing import Final

from canassist.model import Conclusion, Result, Verdict

NUMBER: Final = r"(-?\d+(?:\.\d+)?)"
UNIT: Final = r" ?(?:V|°C|%|N·m|mΩ)"

Relation = Callable[[float, float], bool]

_CLAIMS: Final[tuple[tuple[str, Relation], ...]] = (
    (rf"fell to {NUMBER}{UNIT} \(limit {NUMBER}", lambda seen, limit: seen <= limit),
    (rf"stayed at {NUMBER}{UNIT} or above meanwhile \(limit {NUMBER}", lambda s, m: s >= m),
    (rf"held {NUMBER}{UNIT} \(limit {NUMBER}", lambda seen, limit: seen >= limit),
    (rf"starter turned, supply stood at {NUMBER}{UNIT} \(limit {NUMBER}", lambda s, m: s <= m),
    (rf"rose to {NUMBER}{UNIT} \(limit {NUMBER}", lambda seen, limit: seen >= limit),
    (rf"peaked at {NUMBER}{UNIT} \(assist is reduced from {NUMBER}", lambda s, m: s >= m),
    (rf"was below {NUMBER}{UNIT}; it stood at {NUMBER}", lambda limit, seen: seen <= limit),
    (rf"driver needed {NUMBER}{UNIT} \(.*?up to {NUMBER}", lambda seen, limit: seen >= limit),
    (rf"rests at {NUMBER}{UNIT}[^(]*\(limit {NUMBER}", lambda seen, limit: seen >= limit),
)
"""Sentences with two figures, and how these must stand to each other."""

_TOO_SHORT: Final = re.compile(r"(?:was ridden for|engine ran for) ([^;]*); ([^;]*) is needed")
"""A time that is called too short, and what is needed."""

_LONG: Final = re.compile(r"\b(?:(\d+) min ?)?(?:(\d+(?:\.\d+)?) s)\b")


def contradictions(answer: Verdict | Result, length_s: float) -> Iterator[str]:
    """Give every sentence whose own figures contradict it."""
    for item in answer.conclusions:
        yield from _of_conclusion(item, length_s)
    for event in answer.events:
        yield from _of_text(event.text, length_s)


def _of_conclusion(item: Conclusion, length_s: float) -> Iterator[str]:
    if item.explains is not None and not 0.0 <= item.explains <= 1.0:
        yield f"{item.code} explains {item.explains}"
    for reason in (*item.because, *item.against):
        yield from _of_text(reason.text, length_s)
    yield from _of_text(item.headline, length_s)


def _of_text(text: str, length_s: float) -> Iterator[str]:
    for pattern, holds in _CLAIMS:
        for found in re.finditer(pattern, text):
            if not holds(float(found[1]), float(found[2])):
                yield text
    for had, needed in _TOO_SHORT.findall(text):
        if _seconds(had) >= _seconds(needed):
            yield text
    for minutes, seconds in _LONG.findall(text):
        if int(minutes or 0) * 60 + float(seconds) > length_s + 1.0 and "needed" not in text:
            yield f"longer than the log: {text}"


def _seconds(words: str) -> float:
    return sum(int(minutes or 0) * 60 + float(s) for minutes, s in _LONG.findall(words))

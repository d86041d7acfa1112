"""A candidate's curve as a small picture for the question which signal serves a channel."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

WIDTH: Final = 640
HEIGHT: Final = 90

Plain = dict[str, Any]  # Any: plain JSON values


@dataclass(frozen=True, slots=True, kw_only=True)
class Curve:
    """What the template shows of a candidate; ``paths`` are SVG paths, one a stretch."""

    signal: str
    answer: str
    reading: str
    reasons: tuple[str, ...]
    low: str
    high: str
    unit: str
    paths: tuple[str, ...]


def drawn(choice: Plain, question: Plain) -> Curve:
    """Return a candidate's curve; a stretch without values stays empty."""
    low, high = choice["low"], choice["high"]
    return Curve(
        signal=choice["signal"],
        answer=answer_of(choice),
        reading=choice.get("reading", ""),
        reasons=tuple(choice["reasons"]),
        low="" if low is None else f"{low:.4g}",
        high="" if high is None else f"{high:.4g}",
        unit="" if choice["unit"] == "-" else choice["unit"].replace("degC", "°C"),
        paths=tuple(_paths(choice, question["duration_s"])),
    )


def answer_of(choice: Plain) -> str:
    """Return what is kept where this is chosen; a question of older days knows signals only."""
    return str(choice.get("answer") or choice["signal"])


def _paths(choice: Plain, duration_s: float) -> list[str]:
    low, high = choice["low"], choice["high"]
    if low is None or high is None:
        return []
    height = (high - low) or 1.0

    def at(time_s: float, value: float) -> str:
        x = time_s / (duration_s or 1.0) * WIDTH
        y = HEIGHT - 4 - (value - low) / height * (HEIGHT - 8)
        return f"{x:.1f} {y:.1f}"

    found, current = [], []
    for point in [*choice["points"], None]:
        if point is not None:
            current += [at(point[0], point[1]), at(point[0], point[2])]
        elif current:
            found.append("M" + "L".join(current))
            current = []
    return found

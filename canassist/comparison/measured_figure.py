"""What measuring one figure on both sides gives."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from canassist.model import Overlay, Points
from canassist.timeline import with_known_units

if TYPE_CHECKING:
    from canassist.comparison.matched import Matched
    from canassist.comparison.significance import SpreadDifference
    from canassist.model import Estimate, FloatArray, Result

Side = tuple["Result", ...]
"""All rides of one side."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """One figure of both sides, before it is judged; ``conditions`` in words."""

    a: Estimate
    b: Estimate
    gap: SpreadDifference
    conditions: str
    effect: float | None = None
    overlays: tuple[Overlay, ...] = ()


@dataclass(frozen=True, slots=True)
class NotComparable:
    """Why a figure cannot be compared; each side's own value where there is one."""

    why: str
    a: Estimate | None = None
    b: Estimate | None = None


def from_matched(found: Matched, conditions: str, overlays: tuple[Overlay, ...] = ()) -> Measured:
    """Take over what matching gave."""
    return Measured(
        a=found.a,
        b=found.b,
        gap=found.gap,
        effect=found.effect,
        conditions=conditions,
        overlays=overlays,
    )


def distribution(value: FloatArray) -> Points:
    """Return the share of values at or below each of them, in per cent."""
    ordered = np.sort(value)
    return Points(x=ordered, y=100.0 * np.arange(1, len(ordered) + 1) / len(ordered))


def spread(name: str, message: str, words: str, unit: str, found: Matched) -> Overlay:
    """Return both sides' stretches as the share at or below each value, to lay over each other.

    Parameters
    ----------
    words, unit : str
        What the values are.
    """
    return Overlay(
        name=name,
        message=message,
        x_words=words,
        x_unit=unit,
        y_words="Stretches at or below",
        y_unit="%",
        a=distribution(found.stretches_a),
        b=distribution(found.stretches_b),
        step=True,
    )


def all_have(side: Side, name: str) -> bool:
    """Tell whether every ride has a channel whose unit is known."""
    return all(with_known_units(result.timeline).has(name) for result in side)


def lacking(a: Side, b: Side, *names: str, words: dict[str, str]) -> str:
    """Say which side lacks which of these channels; empty where neither does.

    Parameters
    ----------
    words : dict of channel to str
        How they are called.
    """
    for label, side in (("A", a), ("B", b)):
        for name in names:
            if not any(_has(result, name) for result in side):
                return f"{{{label}}} has no {words.get(name, name.replace('_', ' '))}"
    return ""


def _has(result: Result, name: str) -> bool:
    channel = result.timeline.get(name)
    return channel is not None and channel.unit_known and bool(np.isfinite(channel.value).any())


def resolution(side: Side, name: str) -> float:
    """Return the standard error that reading a steady value in steps leaves, in its unit.

    A channel in steps of s is off by up to s / 2: s / sqrt(12) as a standard deviation.
    """
    steps = []
    for result in side:
        channel = result.timeline.get(name)
        if channel is None:
            continue
        levels = np.unique(channel.value[np.isfinite(channel.value)])
        if len(levels) > 1:
            steps.append(float(np.min(np.diff(levels))))
    return max(steps, default=0.0) / float(np.sqrt(12.0))
